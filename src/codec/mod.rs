//! The codec: chip contents to codes and back, by the layout's normal form.
//!
//! Decoding and encoding read the same compiled access plan, so that one cannot drift from the other. Encoding
//! always patches existing contents: a bit that no field claims, and a code bit that is unknown, stay as they
//! were. The law `encode(decode(reading)) == reading` therefore holds to the bit.

mod check_plan;
pub mod checks;
pub mod coding;
pub mod crc_catalog;
mod memory;
mod plan;
pub mod setting;
mod table;

pub(crate) use check_plan::{CheckPlan, LEANINGS, Open, leaning};
pub use memory::Memory;

use crate::blame::{Blame, Who};
use crate::layout::model::Layout;
use plan::AreaPlan;

/// Contents that do not fit the layout they are decoded by.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum CodecError {
    /// The reading has another number of chips than the layout.
    #[error("the reading has {found} chips, the layout {expected}")]
    ChipCount {
        /// Chips in the reading.
        found: usize,
        /// Chips in the layout.
        expected: usize,
    },
    /// A chip has another shape than the layout says.
    #[error(
        "chip {chip} is {found_words} x {found_width} in the reading, {words} x {width} in the layout"
    )]
    Shape {
        /// The chip's id.
        chip: String,
        /// Words in the reading.
        found_words: u32,
        /// Width in the reading.
        found_width: u8,
        /// Words in the layout.
        words: u32,
        /// Width in the layout.
        width: u8,
    },
    /// Codes that belong to another layout.
    #[error("the codes have {found} values in area {area}, the layout {expected}")]
    Codes {
        /// The area's name.
        area: String,
        /// Values found.
        found: usize,
        /// Values expected: entries times fields.
        expected: usize,
    },
}

impl Blame for CodecError {
    fn who(&self) -> Who {
        Who::Caller
    }

    fn hint(&self) -> Option<String> {
        Some(
            "name the layout this reading was taken with; `cellkeep identify` tells which fit"
                .into(),
        )
    }
}

/// The codes of one area: `fields` values an entry, entry after entry.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct AreaCodes {
    fields: usize,
    codes: Vec<u64>,
    /// Masks of known bits, or nothing when every bit is known.
    known: Option<Vec<u64>>,
    full: Vec<u64>,
}

impl AreaCodes {
    /// The code of a field in an entry, with the mask of its known bits; unknown bits read 0.
    ///
    /// # Panics
    /// When the area has no such entry or field; so do the three functions below.
    pub fn get(&self, entry: usize, field: usize) -> (u64, u64) {
        let at = entry * self.fields + field;
        let known = match &self.known {
            Some(known) => known[at],
            None => self.full[field],
        };
        (self.codes[at], known)
    }

    /// The code of a field in an entry, when every bit of it is known.
    pub fn code(&self, entry: usize, field: usize) -> Option<u64> {
        let (code, known) = self.get(entry, field);
        (known == self.full[field]).then_some(code)
    }

    /// Sets a code, every bit known. Bits above the field's width are dropped.
    pub fn set(&mut self, entry: usize, field: usize, code: u64) {
        let at = entry * self.fields + field;
        self.codes[at] = code & self.full[field];
        if let Some(known) = &mut self.known {
            known[at] = self.full[field];
        }
    }

    /// Sets a code with the mask of its known bits.
    pub fn set_partly(&mut self, entry: usize, field: usize, code: u64, known: u64) {
        let at = entry * self.fields + field;
        let known = known & self.full[field];
        self.codes[at] = code & known;
        if self.known.is_none() && known != self.full[field] {
            let full = (0..self.codes.len()).map(|i| self.full[i % self.fields]);
            self.known = Some(full.collect());
        }
        if let Some(masks) = &mut self.known {
            masks[at] = known;
        }
    }

    /// Number of fields of an entry.
    pub fn fields(&self) -> usize {
        self.fields
    }

    /// Number of entries.
    pub fn entries(&self) -> usize {
        self.codes.len().checked_div(self.fields).unwrap_or(0)
    }
}

/// Every code of a reading, area by area in the order of the layout.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Codes {
    /// The areas.
    pub areas: Vec<AreaCodes>,
}

/// A layout compiled for decoding and encoding.
#[derive(Debug)]
pub struct Codec {
    areas: Vec<AreaPlan>,
    names: Vec<String>,
}

impl Codec {
    /// Compiles a layout.
    pub fn new(layout: &Layout) -> Self {
        let bases = memory::bases(layout);
        Self {
            areas: layout
                .areas
                .iter()
                .map(|area| AreaPlan::new(area, &area.places, &bases))
                .collect(),
            names: layout.areas.iter().map(|a| a.name.clone()).collect(),
        }
    }

    /// Decodes contents laid out by [`Memory::of`] the same layout.
    pub fn decode(&self, memory: &Memory) -> Codes {
        Codes {
            areas: self.areas.iter().map(|p| p.decode(memory)).collect(),
        }
    }

    /// Decodes into codes that an earlier [`Codec::decode`] made, without allocating.
    pub fn decode_into(&self, memory: &Memory, codes: &mut Codes) {
        for (plan, area) in self.areas.iter().zip(&mut codes.areas) {
            plan.decode_into(memory, area);
        }
    }

    /// Writes the codes over the contents; bits that no code claims or knows stay.
    ///
    /// # Errors
    /// When the codes were made by another layout.
    pub fn encode(&self, codes: &Codes, memory: &mut Memory) -> Result<(), CodecError> {
        for (i, plan) in self.areas.iter().enumerate() {
            let expected = plan.entries() * plan.fields();
            let found = codes.areas.get(i).map_or(0, |a| a.codes.len());
            if found != expected {
                return Err(CodecError::Codes {
                    area: self.names[i].clone(),
                    found,
                    expected,
                });
            }
        }
        for (plan, area) in self.areas.iter().zip(&codes.areas) {
            plan.encode(area, memory);
        }
        Ok(())
    }
}

/// A mask of the low `width` bits, 0 to 64.
pub(crate) fn low_mask(width: u8) -> u64 {
    match width {
        0 => 0,
        1..=63 => (1u64 << width) - 1,
        _ => u64::MAX,
    }
}
