//! Did the chips take what was written? Bit for bit over every bit that exists.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::bank::{Decoded, LayoutRef};
use crate::document::Document;
use crate::layout::owners::{Class, Classes};

/// The outcome of reading back what was written.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Verification {
    /// The layout both were read by.
    pub layout: LayoutRef,
    /// Bits compared: all that exist and are known in what was written.
    pub compared_bits: u64,
    /// Bits that do not exist or are tied off, left out.
    pub absent_bits: u64,
    /// Bits that were unknown in what was written, so that nothing could be asked of them.
    pub unasked_bits: u64,
    /// Bits that differ, or could not be read back.
    pub wrong_bits: u64,
    /// The chips with wrong bits.
    pub chips: Vec<ChipMismatch>,
    /// The parameters with wrong bits, in the order of the layout.
    pub parameters: Vec<ParameterMismatch>,
}

impl Document for Verification {
    const KIND: &'static str = "verification";
    const VERSION: u32 = 1;
}

/// The wrong bits of one chip.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct ChipMismatch {
    /// The chip's id.
    pub chip: String,
    /// Wrong bits by data line, D0 first: written 1, read 0.
    pub read_low: Vec<u64>,
    /// Wrong bits by data line, D0 first: written 0, read 1.
    pub read_high: Vec<u64>,
    /// Bits that could not be read back.
    pub not_read: u64,
    /// Cells with a wrong bit, at most the first 64.
    pub cells: Vec<u32>,
}

/// A parameter that does not read as written.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct ParameterMismatch {
    /// The area's name.
    pub area: String,
    /// The entry as a person names it.
    pub entry: String,
    /// The parameter's key.
    pub key: String,
    /// What was written, as a person reads it.
    pub written: String,
    /// What was read back.
    pub read: String,
}

/// Compares what was written with what was read back, both decoded by the same layout.
///
/// # Panics
/// When they were decoded by layouts of another shape.
pub fn verify(written: &Decoded<'_>, read: &Decoded<'_>) -> Verification {
    let layout = written.layout;
    let classes = Classes::new(layout);
    let mut out = Verification {
        layout: LayoutRef::of(layout),
        compared_bits: 0,
        absent_bits: 0,
        unasked_bits: 0,
        wrong_bits: 0,
        chips: Vec::new(),
        parameters: Vec::new(),
    };
    for (c, chip) in layout.chips.iter().enumerate() {
        let width = usize::from(chip.width);
        let (want, have) = (
            &written.reading.chips[c].image,
            &read.reading.chips[c].image,
        );
        let mut wrong = ChipMismatch {
            chip: chip.id.clone(),
            read_low: vec![0; width],
            read_high: vec![0; width],
            not_read: 0,
            cells: Vec::new(),
        };
        for cell in 0..chip.words {
            for line in 0..chip.width {
                let l = usize::from(line);
                if classes.of(c, cell, line) == Some(Class::Absent) {
                    out.absent_bits += 1;
                    continue;
                }
                let Some(wanted) = want.bit(cell, line) else {
                    out.unasked_bits += 1;
                    continue;
                };
                out.compared_bits += 1;
                match have.bit(cell, line) {
                    Some(bit) if bit == wanted => continue,
                    Some(true) => wrong.read_high[l] += 1,
                    Some(false) => wrong.read_low[l] += 1,
                    None => wrong.not_read += 1,
                }
                out.wrong_bits += 1;
                if wrong.cells.len() < 64 && wrong.cells.last() != Some(&cell) {
                    wrong.cells.push(cell);
                }
            }
        }
        if !wrong.cells.is_empty() {
            out.chips.push(wrong);
        }
    }
    if out.wrong_bits > 0 {
        out.parameters = parameters(written, read);
    }
    out
}

fn parameters(written: &Decoded<'_>, read: &Decoded<'_>) -> Vec<ParameterMismatch> {
    let mut wrong = Vec::new();
    for (a, area) in written.layout.areas.iter().enumerate() {
        for entry in 0..area.entries() {
            for (p, parameter) in area.parameters.iter().enumerate() {
                let differs = parameter.fields.clone().any(|f| {
                    let (want, asked) = written.codes.areas[a].get(entry, f);
                    let (have, known) = read.codes.areas[a].get(entry, f);
                    want & asked != have & asked || asked & !known != 0
                });
                if differs {
                    wrong.push(ParameterMismatch {
                        area: area.name.clone(),
                        entry: area.entry_label(entry),
                        key: parameter.key.clone(),
                        written: crate::bank::shown(area, &written.codes, a, entry, p),
                        read: crate::bank::shown(area, &read.codes, a, entry, p),
                    });
                }
            }
        }
    }
    wrong
}
