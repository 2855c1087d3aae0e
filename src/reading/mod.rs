//! A reading: one read of every memory chip of one instrument.
//!
//! [`load`] gathers files into chips: a folder with a file per chip, one file where there is one chip, or
//! CHIP=FILE. [`write()`] puts a reading into a new folder, with a `reading.json` that says what each file holds and
//! where every changed bit came from, so that loading the folder gives the same reading again.

mod digests;
mod fit;
mod folder;
mod gather;
mod load;
pub mod place;
mod record;
pub(crate) mod shelf_place;
mod write;

use std::path::PathBuf;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

use crate::digest::hex;
pub use crate::digest::sha256 as sha256_hex;
use crate::finding::{CellRun, ChipPlace, Finding, Place, Severity};
use crate::image::{ChipImage, Form, Packing};
use crate::layout::model::{BitPlace, Layout};
pub use digests::ChipDigest;
pub use gather::{Files, ReadingSpec, named_layout};
pub use load::{ReadingError, load};
pub use record::{
    CellsAndLines, ChipRecord, LayoutRef, ReadingRecord, RecordedOrigin, SourceRecord,
};
pub(crate) use write::is_device;
pub use write::{WriteError, WriteOptions, Written, write};

/// Where the contents of a chip were read from.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Source {
    /// The file.
    pub path: PathBuf,
    /// The form it was read as.
    pub form: Form,
    /// How its bytes held the cells.
    pub packing: Packing,
    /// SHA-256 of the file as it lay there, lower-case hex.
    pub sha256: String,
    /// The file's address of cell 0.
    pub load_offset: u32,
}

/// The verb of what a person entered in a plan for mending, in place of what was proposed or where nothing was.
pub const BY_HAND: &str = "entered by hand";
/// The verb of checks and copies that agree with a value entered by hand because they were made to.
pub const MADE_TO_FIT: &str = "made to fit";

/// Why a bit is what it is, where it was not simply read.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Origin {
    /// What was done: "settled", "mended", [`BY_HAND`], "edited", "updated", [`MADE_TO_FIT`].
    pub verb: String,
    /// On what grounds, one sentence.
    pub why: String,
    /// Where the value came from: another reading, preset or voice.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub from: Option<String>,
}

/// An origin with the bits it holds for.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct OriginRun {
    /// The cells.
    pub cells: CellRun,
    /// The data lines, one bit each.
    pub lines: u8,
    /// Where their values came from.
    pub origin: Origin,
}

/// One chip of a reading.
#[derive(Clone, Debug, PartialEq)]
pub struct ChipReading {
    /// The chip's id in the layout, or the file's stem where there is no layout.
    pub id: String,
    /// Its contents.
    pub image: ChipImage,
    /// Where they were read from; `None` for contents made or changed by this program.
    pub source: Option<Source>,
    /// Where changed bits came from. A later run has the word over an earlier one.
    pub provenance: Vec<OriginRun>,
}

impl ChipReading {
    /// Contents without a file.
    pub fn new(id: impl Into<String>, image: ChipImage) -> Self {
        Self {
            id: id.into(),
            image,
            source: None,
            provenance: Vec::new(),
        }
    }

    /// Sets one bit, or makes it unknown, and notes where its value came from. Outside the chip nothing happens,
    /// and `false` is returned.
    pub fn set_bit(&mut self, cell: u32, line: u8, bit: Option<bool>, origin: &Origin) -> bool {
        let inside = self.image.set_bit(cell, line, bit);
        if inside {
            self.note(cell, 1 << line, origin);
        }
        inside
    }

    /// Notes an origin for some lines of a cell.
    fn note(&mut self, cell: u32, lines: u8, origin: &Origin) {
        if let Some(last) = self.provenance.last_mut()
            && last.origin == *origin
            && (last.cells.first, last.cells.last) == (cell, cell)
        {
            last.lines |= lines;
            return;
        }
        join_last(&mut self.provenance);
        self.provenance.push(OriginRun {
            cells: CellRun {
                first: cell,
                last: cell,
            },
            lines,
            origin: origin.clone(),
        });
    }

    /// The provenance with neighbouring runs of one origin joined, for writing down.
    pub fn joined_provenance(&self) -> Vec<OriginRun> {
        let mut joined: Vec<OriginRun> = Vec::new();
        for run in &self.provenance {
            joined.push(run.clone());
            join_last(&mut joined);
        }
        joined
    }

    /// Where the value of a bit came from, if it was not simply read.
    pub fn origin_of(&self, cell: u32, line: u8) -> Option<&Origin> {
        let bit = 1u8.checked_shl(u32::from(line)).unwrap_or(0);
        let holds =
            |r: &&OriginRun| (r.cells.first..=r.cells.last).contains(&cell) && r.lines & bit != 0;
        self.provenance.iter().rev().find(holds).map(|r| &r.origin)
    }

    /// Whether a bit was ever given a value by this verb, whatever was done to it since.
    fn ever(&self, verb: &str, cell: u32, line: u8) -> bool {
        let bit = 1u8.checked_shl(u32::from(line)).unwrap_or(0);
        self.provenance.iter().any(|r| {
            r.origin.verb == verb
                && (r.cells.first..=r.cells.last).contains(&cell)
                && r.lines & bit != 0
        })
    }

    /// SHA-256 of the contents, lower-case hex. Where every bit is known it is the digest of one byte a cell, as
    /// any digest tool computes it over a raw binary; else the bytes that mark the known bits follow the values.
    pub fn sha256(&self) -> String {
        let mut digest = Sha256::new();
        digest.update(self.image.values());
        if self.image.unknown_bits() > 0 {
            digest.update(self.image.known());
        }
        hex(&digest.finalize())
    }
}

/// One read of every memory chip of one instrument, in the order of the layout where there is one.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Reading {
    /// The chips.
    pub chips: Vec<ChipReading>,
    /// What was noticed about the files.
    pub findings: Vec<Finding>,
    /// The layout it was read or made with.
    pub layout: Option<LayoutRef>,
}

impl Reading {
    /// Whether one of these bits was ever given a value by this verb, whatever was done to it since.
    pub fn ever(&self, verb: &str, places: &[BitPlace]) -> bool {
        places.iter().any(|p| {
            let chip = self.chips.get(usize::from(p.chip));
            chip.is_some_and(|c| c.ever(verb, p.cell, p.line))
        })
    }

    /// Notes an origin for bits that stay as they are.
    pub fn mark(&mut self, places: &[BitPlace], origin: &Origin) {
        for place in places {
            if let Some(chip) = self.chips.get_mut(usize::from(place.chip)) {
                let bit = chip.image.bit(place.cell, place.line);
                chip.set_bit(place.cell, place.line, bit, origin);
            }
        }
    }

    /// A reading of chips without files.
    pub fn new(chips: Vec<ChipReading>) -> Self {
        Self {
            chips,
            ..Self::default()
        }
    }

    /// The chip of an id, letter case ignored.
    pub fn chip(&self, id: &str) -> Option<&ChipReading> {
        self.chips.iter().find(|c| c.id.eq_ignore_ascii_case(id))
    }

    /// The chips in the layout's order with exactly the layout's geometry. A chip that is missing is all unknown,
    /// one of another geometry keeps the bits both have; each such case adds a finding, as does a chip the layout
    /// does not know, which is left out.
    #[must_use]
    pub fn aligned(&self, layout: &Layout) -> Reading {
        let mut findings = self.findings.clone();
        let mut used = vec![false; self.chips.len()];
        let mut chips = Vec::with_capacity(layout.chips.len());
        for want in &layout.chips {
            let is_it = |c: &ChipReading| {
                std::iter::once(&want.id)
                    .chain(&want.aliases)
                    .any(|n| n.eq_ignore_ascii_case(&c.id))
            };
            let Ok(mut image) = ChipImage::unknown(want.words, want.width) else {
                continue; // a checked layout has only shapes that exist
            };
            let Some(at) = self.chips.iter().position(is_it) else {
                findings.push(missing(&want.id, want.words, want.width));
                chips.push(ChipReading::new(&want.id, image));
                continue;
            };
            used[at] = true;
            let have = &self.chips[at];
            let mut chip = ChipReading {
                id: want.id.clone(),
                ..have.clone()
            };
            if (have.image.words(), have.image.width()) != (want.words, want.width) {
                findings.push(other_geometry(
                    &want.id,
                    &have.image,
                    want.words,
                    want.width,
                ));
                let cells = have.image.values().iter().zip(have.image.known());
                for (cell, (value, known)) in cells.enumerate().take(want.words as usize) {
                    image.set_cell(cell as u32, *value, *known);
                }
                chip.image = image;
            }
            chips.push(chip);
        }
        for (chip, _) in self.chips.iter().zip(&used).filter(|(_, used)| !**used) {
            let says = format!(
                "chip {} is not in layout {}; it is left out",
                chip.id, layout.id
            );
            let finding = Finding::new("reading.extra", Severity::Caution, says);
            findings.push(finding.at(chip_place(&chip.id)));
        }
        findings.dedup();
        Reading {
            chips,
            findings,
            layout: Some(LayoutRef::of(layout)),
        }
    }
}

/// Joins the last run to the one before it, where they are neighbours of one origin.
fn join_last(runs: &mut Vec<OriginRun>) {
    if let [.., before, last] = runs.as_mut_slice()
        && before.origin == last.origin
        && before.lines == last.lines
        && before.cells.last.checked_add(1) == Some(last.cells.first)
    {
        before.cells.last = last.cells.last;
        runs.pop();
    }
}

/// The finding of a chip without a file.
fn missing(id: &str, words: u32, width: u8) -> Finding {
    let says = format!("chip {id} is missing: all {words} x {width} bits are unknown");
    Finding::new("reading.missing", Severity::Damage, says)
        .at(chip_place(id))
        .act(format!("read chip {id}, or name its file with {id}=FILE"))
}

fn other_geometry(id: &str, have: &ChipImage, words: u32, width: u8) -> Finding {
    let says = format!(
        "chip {id} was read as {} x {}, and the layout has it as {words} x {width}; the bits both have are used",
        have.words(),
        have.width(),
    );
    Finding::new("reading.geometry", Severity::Caution, says)
        .at(chip_place(id))
        .act("load the files again with this layout")
}

/// A place that is one whole chip.
fn chip_place(id: &str) -> Place {
    Place {
        chips: vec![ChipPlace {
            chip: id.to_owned(),
            ..ChipPlace::default()
        }],
        ..Place::default()
    }
}
