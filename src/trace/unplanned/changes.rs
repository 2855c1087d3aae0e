//! What one named change turned, and whether it turned the same in several places.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::reading::Reading;

/// A cell in which bits changed.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct ChangedCell {
    /// The chip.
    pub chip: String,
    /// The cell.
    pub cell: u32,
    /// The data lines that changed, the highest first.
    pub lines: Vec<u8>,
    /// Contents before.
    pub before: u8,
    /// Contents after.
    pub after: u8,
    /// It holds the check that a run of entries keeps: it follows any change.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub check: bool,
}

/// What changed from one reading to another.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Change {
    /// What was changed, in the person's words.
    pub control: String,
    /// Bits that changed.
    pub bits: usize,
    /// The cells.
    pub cells: Vec<ChangedCell>,
    /// Distances in cells at which the same change shows again, as voices and copies do.
    pub again_at: Vec<u32>,
    /// Chips that are in one reading only, or have another shape there.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub not_compared: Vec<String>,
}

/// What changed, under the name of what was done.
pub fn changes(control: &str, before: &Reading, after: &Reading) -> Change {
    let mut out = Change {
        control: control.to_owned(),
        bits: 0,
        cells: Vec::new(),
        again_at: Vec::new(),
        not_compared: Vec::new(),
    };
    for chip in &before.chips {
        let Some(other) = after.chip(&chip.id).filter(|o| {
            (o.image.words(), o.image.width()) == (chip.image.words(), chip.image.width())
        }) else {
            out.not_compared.push(chip.id.clone());
            continue;
        };
        let (was, is) = (&chip.image, &other.image);
        for cell in 0..was.words() {
            let at = cell as usize;
            let known = was.known()[at] & is.known()[at];
            let turned = (was.values()[at] ^ is.values()[at]) & known;
            if turned != 0 {
                out.bits += turned.count_ones() as usize;
                out.cells.push(ChangedCell {
                    chip: chip.id.clone(),
                    cell,
                    lines: (0..was.width())
                        .rev()
                        .filter(|l| turned >> l & 1 == 1)
                        .collect(),
                    before: was.values()[at],
                    after: is.values()[at],
                    check: false,
                });
            }
        }
    }
    let extra = after.chips.iter().filter(|c| before.chip(&c.id).is_none());
    out.not_compared.extend(extra.map(|c| c.id.clone()));
    out.again_at = again(&out.cells);
    out
}

/// Distances at which most of the changed cells of one chip find another with the same turn.
fn again(cells: &[ChangedCell]) -> Vec<u32> {
    let Some(first) = cells.first() else {
        return Vec::new();
    };
    let turn = |c: &ChangedCell| (c.before ^ c.after, c.chip.clone());
    let later = cells[1..].iter().filter(|c| turn(c) == turn(first));
    let mut out: Vec<u32> = later.map(|c| c.cell - first.cell).collect();
    out.retain(|d| {
        let moved = |c: &&ChangedCell| {
            cells
                .iter()
                .any(|o| turn(o) == turn(c) && o.cell.abs_diff(c.cell) == *d)
        };
        // Nearly all: a check may turn otherwise in each.
        cells.iter().filter(moved).count() * 4 >= cells.len() * 3
    });
    out
}
