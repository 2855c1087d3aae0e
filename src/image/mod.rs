//! The contents of one memory chip: words × width, each cell 0, 1 or unknown.
//!
//! A *cell* here is one addressed location, `width` bits wide; *line* `n` is its bit on data pin D`n`, bit 0
//! the least significant. Cell addresses are the chip's own.

mod collect;
pub mod convert;
pub mod form;
mod intel_hex;
mod lines;
mod listing;
mod packing;
mod page;
mod pairs;
mod sparse;
mod srecord;
mod ti_txt;
pub mod transform;

pub use form::{Contents, Form, FormError, ReadOptions};
pub use packing::{Packed, Packing, PackingError, Unpacked};
pub use sparse::{Segment, SparseBytes};

/// Most words an image may have: 16 Mi, far above any battery-backed part of the period.
pub const MAX_WORDS: u32 = 1 << 24;
/// Most data lines a chip may have.
pub const MAX_WIDTH: u8 = 8;

/// The contents of one chip.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ChipImage {
    width: u8,
    value: Vec<u8>,
    known: Vec<u8>,
}

/// A shape no chip image can have.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error(
    "{words} x {width} is no chip this program can hold: words 1 to {MAX_WORDS}, width 1 to {MAX_WIDTH}"
)]
pub struct ShapeError {
    /// Words asked for.
    pub words: u64,
    /// Width asked for.
    pub width: u8,
}

impl crate::blame::Blame for ShapeError {
    fn who(&self) -> crate::blame::Who {
        crate::blame::Who::Caller
    }
}

impl ChipImage {
    /// An image of `words` cells of `width` lines, every bit unknown.
    ///
    /// # Errors
    /// When `words` is not 1 to [`MAX_WORDS`] or `width` not 1 to [`MAX_WIDTH`].
    pub fn unknown(words: u32, width: u8) -> Result<Self, ShapeError> {
        if words == 0 || words > MAX_WORDS || width == 0 || width > MAX_WIDTH {
            return Err(ShapeError {
                words: u64::from(words),
                width,
            });
        }
        let n = words as usize;
        Ok(Self {
            width,
            value: vec![0; n],
            known: vec![0; n],
        })
    }

    /// An image whose every bit is known, from one value a cell; bits above `width` are dropped.
    ///
    /// # Errors
    /// As [`ChipImage::unknown`].
    pub fn from_cells(width: u8, cells: &[u8]) -> Result<Self, ShapeError> {
        let words = u32::try_from(cells.len()).map_err(|_| ShapeError {
            words: cells.len() as u64,
            width,
        })?;
        let mut image = Self::unknown(words, width)?;
        let mask = image.mask();
        for (to, from) in image.value.iter_mut().zip(cells) {
            *to = from & mask;
        }
        image.known.fill(mask);
        Ok(image)
    }

    /// Number of cells.
    pub fn words(&self) -> u32 {
        self.value.len() as u32
    }

    /// Number of data lines.
    pub fn width(&self) -> u8 {
        self.width
    }

    /// A byte with one bit set for each data line.
    pub fn mask(&self) -> u8 {
        (0xffu16 >> (8 - self.width)) as u8
    }

    /// Number of bits, known or not.
    pub fn bits(&self) -> u64 {
        u64::from(self.words()) * u64::from(self.width)
    }

    /// The values, one byte a cell; unknown bits read 0.
    pub fn values(&self) -> &[u8] {
        &self.value
    }

    /// Which bits are known, one byte a cell.
    pub fn known(&self) -> &[u8] {
        &self.known
    }

    /// The bit at a cell and line: `Some(value)` where it is known. Outside the chip it is unknown.
    pub fn bit(&self, cell: u32, line: u8) -> Option<bool> {
        let c = cell as usize;
        let m = 1u8.checked_shl(u32::from(line)).unwrap_or(0);
        if self.known.get(c).copied().unwrap_or(0) & m == 0 {
            return None;
        }
        self.value.get(c).map(|v| v & m != 0)
    }

    /// Sets a bit, or makes it unknown with `None`. Outside the chip nothing happens, and `false` is returned.
    pub fn set_bit(&mut self, cell: u32, line: u8, bit: Option<bool>) -> bool {
        let m = 1u8.checked_shl(u32::from(line)).unwrap_or(0) & self.mask();
        let c = cell as usize;
        let (Some(v), Some(k)) = (self.value.get_mut(c), self.known.get_mut(c)) else {
            return false;
        };
        if m == 0 {
            return false;
        }
        match bit {
            Some(true) => {
                *v |= m;
                *k |= m;
            }
            Some(false) => {
                *v &= !m;
                *k |= m;
            }
            None => {
                *v &= !m;
                *k &= !m;
            }
        }
        true
    }

    /// Sets the bits of a cell that `known` marks; the others become unknown. Outside the chip nothing happens.
    pub fn set_cell(&mut self, cell: u32, value: u8, known: u8) -> bool {
        let mask = self.mask();
        let c = cell as usize;
        let (Some(v), Some(k)) = (self.value.get_mut(c), self.known.get_mut(c)) else {
            return false;
        };
        *k = known & mask;
        *v = value & *k;
        true
    }

    /// Replaces every cell: `change(cell, value, known)` returns the new value and the mask of known bits. Bits
    /// above the width, and values of unknown bits, are dropped.
    pub fn edit(&mut self, mut change: impl FnMut(u32, u8, u8) -> (u8, u8)) {
        let mask = self.mask();
        let cells = self.value.iter_mut().zip(&mut self.known);
        for (cell, (v, k)) in cells.enumerate() {
            let (value, known) = change(cell as u32, *v, *k);
            *k = known & mask;
            *v = value & *k;
        }
    }

    /// Sets a run of cells alike, as [`ChipImage::set_cell`] does one; what lies outside the chip is left out.
    pub fn fill_cells(&mut self, cells: std::ops::RangeInclusive<u32>, value: u8, known: u8) {
        let known = known & self.mask();
        let end = (*cells.end() as usize)
            .saturating_add(1)
            .min(self.value.len());
        let range = (*cells.start() as usize).min(end)..end;
        self.value[range.clone()].fill(value & known);
        self.known[range].fill(known);
    }

    /// How many bits are unknown.
    pub fn unknown_bits(&self) -> u64 {
        let known: u64 = self.known.iter().map(|k| u64::from(k.count_ones())).sum();
        self.bits() - known
    }

    /// Whether all known cells read alike, as those of an empty socket or of a chip without supply do; `false` where a
    /// line is known nowhere.
    pub fn is_blank(&self) -> bool {
        let (mut ones, mut zeros) = (0u8, 0u8);
        for (value, known) in self.values().iter().zip(&self.known) {
            ones |= value & known;
            zeros |= !value & known;
        }
        ones | zeros == self.mask() && ones & zeros == 0
    }
}
