//! The verdict on each entry, and the picture of each chip.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::image::ChipImage;
use crate::layout::model::Layout;

/// What can be said of one entry.
#[derive(
    Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// Nothing speaks against it.
    Sound,
    /// It holds the layout's blank codes.
    Blank,
    /// Something about it is odd; look before relying on it.
    Suspect,
    /// Bits of it are lost or wrong.
    Damaged,
}

impl Verdict {
    /// The word used in listings.
    pub fn word(self) -> &'static str {
        match self {
            Verdict::Sound => "sound",
            Verdict::Blank => "blank",
            Verdict::Suspect => "suspect",
            Verdict::Damaged => "damaged",
        }
    }
}

/// The verdict on one entry of one area.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct EntryVerdict {
    /// The area's name.
    pub area: String,
    /// The entry as labelled.
    pub entry: String,
    /// The verdict.
    pub verdict: Verdict,
    /// Why, in a few words; empty for a sound entry.
    pub why: String,
    /// Keys of the parameters concerned.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub parameters: Vec<String>,
}

/// A chip drawn in characters: one row a data line (or a stretch of a 1-bit chip), one column a stretch of cells.
///
/// `.` intact, `?` not read, `~` the reads differ, `x` single flipped bits, a capital letter the finding of that letter.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Picture {
    /// The chip's id.
    pub chip: String,
    /// Cells one character stands for.
    pub cells_a_mark: u32,
    /// Rows with their labels.
    pub rows: Vec<PictureRow>,
}

/// One row of a picture.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct PictureRow {
    /// "D3", or the first cell's address.
    pub label: String,
    /// The marks.
    pub marks: String,
}

/// Columns of a picture.
const COLUMNS: u32 = 64;

/// For each bit why it is not to be trusted: 0 for intact, else a letter or `x`.
pub(super) struct Marks {
    by_chip: Vec<Vec<[u8; 8]>>,
}

impl Marks {
    pub(super) fn new(chips: &[ChipImage]) -> Self {
        Self {
            by_chip: chips
                .iter()
                .map(|c| vec![[0; 8]; c.words() as usize])
                .collect(),
        }
    }

    /// Marks a bit; the first mark stays.
    pub(super) fn set(&mut self, chip: usize, cell: u32, line: u8, mark: u8) {
        if let Some(m) = self
            .by_chip
            .get_mut(chip)
            .and_then(|c| c.get_mut(cell as usize))
            .and_then(|c| c.get_mut(usize::from(line)))
            && *m == 0
        {
            *m = mark;
        }
    }

    pub(super) fn get(&self, chip: usize, cell: u32, line: u8) -> u8 {
        self.by_chip
            .get(chip)
            .and_then(|c| c.get(cell as usize))
            .and_then(|c| c.get(usize::from(line)))
            .copied()
            .unwrap_or(0)
    }

    /// The picture of each chip.
    pub(super) fn pictures(&self, chips: &[ChipImage], ids: &[String]) -> Vec<Picture> {
        chips
            .iter()
            .enumerate()
            .map(|(chip, image)| {
                let words = image.words();
                let id = ids.get(chip).cloned().unwrap_or_default();
                if image.width() > 1 {
                    let per = words.div_ceil(COLUMNS).max(1);
                    let rows = (0..image.width())
                        .rev()
                        .map(|line| PictureRow {
                            label: format!("D{line}"),
                            marks: self.row(chip, image, line, 0, words, per),
                        })
                        .collect();
                    Picture {
                        chip: id,
                        cells_a_mark: per,
                        rows,
                    }
                } else {
                    let per = words.div_ceil(COLUMNS * 16).max(1);
                    let row = per * COLUMNS;
                    let rows = (0..words.div_ceil(row))
                        .map(|r| PictureRow {
                            label: format!("{:04x}", r * row),
                            marks: self.row(chip, image, 0, r * row, words.min((r + 1) * row), per),
                        })
                        .collect();
                    Picture {
                        chip: id,
                        cells_a_mark: per,
                        rows,
                    }
                }
            })
            .collect()
    }

    fn row(
        &self,
        chip: usize,
        image: &ChipImage,
        line: u8,
        from: u32,
        to: u32,
        per: u32,
    ) -> String {
        (from..to)
            .step_by(per as usize)
            .map(|start| {
                let cells = start..(start + per).min(to);
                let worst = cells
                    .clone()
                    .map(|c| self.get(chip, c, line))
                    .filter(|m| *m != 0)
                    .min();
                match worst {
                    Some(m) => char::from(m),
                    None if cells.into_iter().any(|c| image.bit(c, line).is_none()) => '?',
                    None => '.',
                }
            })
            .collect()
    }
}

/// For each area and entry: the marks its bits carry, and the parameters they belong to.
pub(super) fn touched(
    layout: &Layout,
    marks: &Marks,
    a: usize,
    entry: usize,
) -> (Vec<u8>, Vec<String>) {
    let area = &layout.areas[a];
    let mut kinds = Vec::new();
    let mut keys = Vec::new();
    for (f, field) in area.fields.iter().enumerate() {
        let mut hit = false;
        for p in area.field_places(entry, f) {
            let mark = marks.get(usize::from(p.chip), p.cell, p.line);
            if mark != 0 {
                hit = true;
                if !kinds.contains(&mark) {
                    kinds.push(mark);
                }
            }
        }
        if hit
            && let crate::layout::model::FieldOwner::Parameter(p) = field.owner
            && let Some(parameter) = area.parameters.get(p)
            && !keys.contains(&parameter.key)
        {
            keys.push(parameter.key.clone());
        }
    }
    (kinds, keys)
}
