//! What an edit changed: every bit, with its owner and its reason.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::bank::{Decoded, LayoutRef, shown};
use crate::codec::{Codec, Memory, checks};
use crate::document::Document;
use crate::image::ChipImage;
use crate::reading::{Origin, Reading};

/// An edited reading with its record.
#[derive(Clone, Debug)]
pub struct Edited {
    /// The new reading; changed bits carry where they came from.
    pub reading: Reading,
    /// What was changed.
    pub record: EditRecord,
    /// What the chip files hold where the new reading knows less; empty where it knows all they hold.
    pub held: Vec<ChipImage>,
}

/// Everything an edit changed.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct EditRecord {
    /// The layout it was made by.
    pub layout: LayoutRef,
    /// What was done, why, and where values came from.
    pub origin: Origin,
    /// Digests of the chips before, in the order of the layout.
    pub before: Vec<String>,
    /// Digests of the chips after.
    pub after: Vec<String>,
    /// Parameters that changed.
    pub parameters: Vec<EditedParameter>,
    /// Checks that were rewritten, as "area, entry: key".
    pub checks: Vec<String>,
    /// Bits of mirrored copies that were brought in line.
    pub copied_bits: u64,
    /// Every changed cell.
    pub cells: Vec<EditedWord>,
    /// What was left out.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub remarks: Vec<String>,
}

impl Document for EditRecord {
    const KIND: &'static str = "edit-record";
    const VERSION: u32 = 1;
}

/// A parameter that changed.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct EditedParameter {
    /// The area's name.
    pub area: String,
    /// The entry as a person names it.
    pub entry: String,
    /// The parameter's key.
    pub key: String,
    /// What it read before.
    pub before: String,
    /// What it reads now.
    pub after: String,
}

/// A cell that changed.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct EditedWord {
    /// The chip's id.
    pub chip: String,
    /// The chip's own cell address.
    pub cell: u32,
    /// The cell before; unknown bits read 0.
    pub before: u8,
    /// The cell after.
    pub after: u8,
}

/// Brings checks and copies in line, and turns the changed memory into a reading with its record.
pub(super) fn finish(
    decoded: &Decoded<'_>,
    mut memory: Memory,
    origin: &Origin,
    remarks: Vec<String>,
) -> Edited {
    let layout = decoded.layout;
    let checks::InLine {
        rewritten,
        copied_bits,
    } = checks::bring_in_line(layout, &decoded.memory, &mut memory);
    let codes = Codec::new(layout).decode(&memory);
    let mut parameters = Vec::new();
    for (a, area) in layout.areas.iter().enumerate() {
        for entry in 0..area.entries() {
            for (p, parameter) in area.parameters.iter().enumerate() {
                let changed = parameter
                    .fields
                    .clone()
                    .any(|f| decoded.codes.areas[a].get(entry, f) != codes.areas[a].get(entry, f));
                if changed && crate::bank::applies(area, &codes, a, entry, p) {
                    parameters.push(EditedParameter {
                        area: area.name.clone(),
                        entry: area.entry_label(entry),
                        key: parameter.key.clone(),
                        before: shown(area, &decoded.codes, a, entry, p),
                        after: shown(area, &codes, a, entry, p),
                    });
                }
            }
        }
    }
    let mut reading = decoded.reading.clone();
    let mut cells = Vec::new();
    // The shapes are those of the reading, which exist.
    let images = memory.images().unwrap_or_default();
    for (chip, image) in reading.chips.iter_mut().zip(&images) {
        for cell in 0..image.words() {
            let before = chip.image.values()[cell as usize];
            let mut changed = false;
            for line in 0..image.width() {
                let bit = image.bit(cell, line);
                if bit != chip.image.bit(cell, line) {
                    chip.set_bit(cell, line, bit, origin);
                    changed = true;
                }
            }
            if changed {
                cells.push(EditedWord {
                    chip: chip.id.clone(),
                    cell,
                    before,
                    after: chip.image.values()[cell as usize],
                });
            }
        }
    }
    let record = EditRecord {
        layout: LayoutRef::of(layout),
        origin: origin.clone(),
        before: digests(&decoded.reading),
        after: digests(&reading),
        parameters,
        checks: rewritten
            .iter()
            .map(|r| {
                let area = &layout.areas[r.area];
                let place = r
                    .entry
                    .map_or_else(|| area.name.clone(), |e| area.entry_label(e));
                format!("{}, {place}: {}", area.name, area.checks[r.check].key)
            })
            .collect(),
        copied_bits: copied_bits as u64,
        cells,
        remarks,
    };
    Edited {
        reading,
        record,
        held: Vec::new(),
    }
}

/// The digests of the chips, in their order.
pub(super) fn digests(reading: &Reading) -> Vec<String> {
    let chips = reading.chips.iter();
    chips.map(crate::reading::ChipReading::sha256).collect()
}
