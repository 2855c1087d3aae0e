//! The contents of all chips of a layout, one after the other, as the compiled plan reads them.

use super::CodecError;
use crate::image::{ChipImage, ShapeError};
use crate::layout::model::{BitPlace, Layout};
use crate::reading::Reading;

/// Bytes after the last cell, so that an eight-byte load at any cell stays inside.
const PAD: usize = 8;

/// All chips' cells, one byte a cell, chip after chip.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Memory {
    pub(super) value: Vec<u8>,
    /// Masks of known bits, or nothing when every bit of every chip is known.
    pub(super) known: Option<Vec<u8>>,
    bases: Vec<usize>,
    shapes: Vec<(u32, u8)>,
}

/// Where each chip's first cell lies.
pub(super) fn bases(layout: &Layout) -> Vec<usize> {
    let mut at = 0;
    layout
        .chips
        .iter()
        .map(|chip| {
            let base = at;
            at += chip.words as usize;
            base
        })
        .collect()
}

impl Memory {
    /// The contents of a reading whose chips are those of the layout, in its order.
    ///
    /// # Errors
    /// When the chips are not of the layout's number and shape.
    pub fn of(layout: &Layout, reading: &Reading) -> Result<Self, CodecError> {
        let images: Vec<&ChipImage> = reading.chips.iter().map(|c| &c.image).collect();
        Self::of_images(layout, &images)
    }

    /// The contents of images in the order of the layout's chips.
    ///
    /// # Errors
    /// As [`Memory::of`].
    pub fn of_images(layout: &Layout, images: &[&ChipImage]) -> Result<Self, CodecError> {
        if images.len() != layout.chips.len() {
            return Err(CodecError::ChipCount {
                found: images.len(),
                expected: layout.chips.len(),
            });
        }
        let mut value = Vec::new();
        let mut whole = true;
        for (chip, image) in layout.chips.iter().zip(images) {
            if image.words() != chip.words || image.width() != chip.width {
                return Err(CodecError::Shape {
                    chip: chip.id.clone(),
                    found_words: image.words(),
                    found_width: image.width(),
                    words: chip.words,
                    width: chip.width,
                });
            }
            value.extend_from_slice(image.values());
            let mask = image.mask();
            whole &= image.known().iter().all(|k| *k == mask);
        }
        value.resize(value.len() + PAD, 0);
        let known = (!whole).then(|| {
            let mut known: Vec<u8> = images.iter().flat_map(|i| i.known()).copied().collect();
            known.resize(known.len() + PAD, 0);
            known
        });
        Ok(Self {
            value,
            known,
            bases: bases(layout),
            shapes: layout.chips.iter().map(|c| (c.words, c.width)).collect(),
        })
    }

    /// The contents as one image a chip, in the order of the layout.
    ///
    /// # Errors
    /// Never for contents made by [`Memory::of`], whose shapes were checked.
    pub fn images(&self) -> Result<Vec<ChipImage>, ShapeError> {
        self.bases
            .iter()
            .zip(&self.shapes)
            .map(|(&base, &(words, width))| {
                let end = base + words as usize;
                let mut image = ChipImage::from_cells(width, &self.value[base..end])?;
                if let Some(known) = &self.known {
                    for (cell, at) in (base..end).enumerate() {
                        image.set_cell(cell as u32, self.value[at], known[at]);
                    }
                }
                Ok(image)
            })
            .collect()
    }

    /// The code bit at a place, inversion undone; `None` where it is unknown or outside.
    pub fn bit(&self, place: BitPlace) -> Option<bool> {
        let at = self.at(place)?;
        let mask = 1u8 << place.line;
        if let Some(known) = &self.known
            && known[at] & mask == 0
        {
            return None;
        }
        Some((self.value[at] & mask != 0) != place.inverted)
    }

    /// The cells of a chip, one byte each.
    pub(crate) fn cells(&self, chip: usize) -> &[u8] {
        match (self.bases.get(chip), self.shapes.get(chip)) {
            (Some(base), Some((words, _))) => &self.value[*base..base + *words as usize],
            _ => &[],
        }
    }

    /// Which bits of a chip's cells are known; nothing where all are.
    pub(crate) fn known_cells(&self, chip: usize) -> Option<&[u8]> {
        let (base, (words, _)) = (self.bases.get(chip)?, self.shapes.get(chip)?);
        let known = self.known.as_ref()?;
        known.get(*base..base + *words as usize)
    }

    /// Inverts bits of a cell.
    pub(crate) fn flip(&mut self, chip: usize, cell: u32, bits: u8) {
        let (base, shape) = (self.bases.get(chip), self.shapes.get(chip));
        if let (Some(base), Some((words, _))) = (base, shape)
            && cell < *words
        {
            self.value[base + cell as usize] ^= bits;
        }
    }

    /// The contents as far as others of the same shape are known.
    pub(crate) fn masked(&self, other: &Memory) -> Memory {
        let mut out = self.clone();
        out.known = match (&self.known, &other.known) {
            (Some(k), Some(l)) => Some(k.iter().zip(l).map(|(k, l)| k & l).collect()),
            (k, l) => k.as_ref().or(l.as_ref()).cloned(),
        };
        out
    }

    /// A byte of the contents with the mask of its known bits.
    pub(super) fn byte(&self, at: usize) -> (u8, u8) {
        let known = self.known.as_ref().map_or(0xff, |k| k[at]);
        (self.value[at], known)
    }

    /// Whether a bit of a byte that both know differs.
    pub(super) fn differs(&self, other: &Memory, at: usize) -> bool {
        let ((v, k), (w, l)) = (self.byte(at), other.byte(at));
        (v ^ w) & k & l != 0
    }

    /// The bits in the cell of a place that both know and that differ.
    pub(crate) fn difference(&self, other: &Memory, place: BitPlace) -> u8 {
        self.at(place).map_or(0, |at| {
            let ((v, k), (w, l)) = (self.byte(at), other.byte(at));
            (v ^ w) & k & l
        })
    }

    /// Sets the code bit at a place, inversion applied; outside nothing happens.
    pub fn set_bit(&mut self, place: BitPlace, bit: bool) {
        let Some(at) = self.at(place) else { return };
        let mask = 1u8 << place.line;
        if bit == place.inverted {
            self.value[at] &= !mask;
        } else {
            self.value[at] |= mask;
        }
        if let Some(known) = &mut self.known {
            known[at] |= mask;
        }
    }

    /// The code bits at places, the first in bit 0: the value and the mask of known bits, at most 64.
    pub fn gather(&self, places: &[BitPlace]) -> (u64, u64) {
        let mut value = 0;
        let mut known = 0;
        // Neighbouring bits mostly lie in one cell, which is looked up once.
        let mut cell = None;
        let (mut bits, mut sure, mut width) = (0u8, 0u8, 0u8);
        for (k, &place) in places.iter().take(64).enumerate() {
            if cell != Some((place.chip, place.cell)) {
                cell = Some((place.chip, place.cell));
                let first = BitPlace { line: 0, ..place };
                (bits, sure, width) = match self.at(first) {
                    Some(at) => {
                        let sure = self.known.as_ref().map_or(0xff, |known| known[at]);
                        (self.value[at], sure, self.shapes[usize::from(place.chip)].1)
                    }
                    None => (0, 0, 0),
                };
            }
            if place.line < width && sure >> place.line & 1 == 1 {
                known |= 1 << k;
                value |= u64::from((bits >> place.line & 1 == 1) != place.inverted) << k;
            }
        }
        (value, known)
    }

    /// Sets the code bits at places, the first from bit 0.
    pub fn scatter(&mut self, places: &[BitPlace], value: u64) {
        for (k, &place) in places.iter().take(64).enumerate() {
            self.set_bit(place, value >> k & 1 == 1);
        }
    }

    fn at(&self, place: BitPlace) -> Option<usize> {
        let chip = usize::from(place.chip);
        let (words, width) = *self.shapes.get(chip)?;
        (place.cell < words && place.line < width).then(|| self.bases[chip] + place.cell as usize)
    }
}
