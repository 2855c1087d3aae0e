//! `reading.json`: what the files of a reading's folder hold, and where changed bits came from.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::{ChipReading, Origin, OriginRun, Source};
use crate::document::Document;
use crate::finding::CellRun;
use crate::image::{ChipImage, Form, Packing};
use crate::layout::model::Layout;

/// The file in a reading's folder that this module describes.
pub(super) const RECORD_NAME: &str = "reading.json";

/// Which layout a reading belongs to.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct LayoutRef {
    /// The layout's id.
    pub id: String,
    /// SHA-256 of its text, lower-case hex; where it extends others, of the digests of all these texts, a line each.
    pub sha256: String,
}

impl LayoutRef {
    /// The reference to a layout.
    pub fn of(layout: &Layout) -> Self {
        Self {
            id: layout.id.clone(),
            sha256: layout.source.sha256.clone(),
        }
    }
}

/// The contents of `reading.json`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ReadingRecord {
    /// The layout, where one is known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub layout: Option<LayoutRef>,
    /// One entry a chip.
    pub chips: Vec<ChipRecord>,
}

impl Document for ReadingRecord {
    const KIND: &'static str = "reading";
    const VERSION: u32 = 1;
}

/// One chip and its file.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ChipRecord {
    /// The chip's id.
    pub id: String,
    /// Its file, in the same folder.
    pub file: String,
    /// The file's form.
    pub form: Form,
    /// How the file's bytes hold the cells.
    pub packing: Packing,
    /// Number of cells.
    pub words: u32,
    /// Number of data lines.
    pub width: u8,
    /// SHA-256 of the file, lower-case hex.
    pub sha256: String,
    /// Bits that are unknown, whatever the file has in their place.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub unknown: Vec<CellsAndLines>,
    /// Bits that were not simply read. A later entry has the word over an earlier one.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub provenance: Vec<RecordedOrigin>,
    /// The file the chip was read from.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub source: Option<SourceRecord>,
}

/// Some data lines of a run of cells.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct CellsAndLines {
    /// First cell.
    pub first: u32,
    /// Last cell, inclusive.
    pub last: u32,
    /// Data lines, 0 is D0; absent means all.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub data_lines: Vec<u8>,
}

impl ChipRecord {
    /// Whether a file with this digest is the one that was written.
    pub(super) fn is_of(&self, sha256: &str) -> bool {
        self.sha256.eq_ignore_ascii_case(sha256)
    }
}

impl CellsAndLines {
    fn new(cells: CellRun, lines: u8, mask: u8) -> Self {
        let all = lines & mask == mask;
        let data_lines = (0..8).filter(|n| !all && lines >> n & 1 == 1).collect();
        Self {
            first: cells.first,
            last: cells.last,
            data_lines,
        }
    }

    /// The lines as one bit each.
    fn lines(&self) -> u8 {
        match self.data_lines.is_empty() {
            true => 0xff,
            false => self
                .data_lines
                .iter()
                .filter(|n| **n < 8)
                .fold(0, |m, n| m | 1 << n),
        }
    }
}

/// Where the values of some bits came from.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct RecordedOrigin {
    /// The bits.
    #[serde(flatten)]
    pub bits: CellsAndLines,
    /// Where they came from.
    #[serde(flatten)]
    pub origin: Origin,
}

/// The file a chip was first read from.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct SourceRecord {
    /// The file's name as it was given, without its folder.
    pub file: String,
    /// Its form.
    pub form: Form,
    /// How its bytes held the cells.
    pub packing: Packing,
    /// SHA-256 of the file, lower-case hex.
    pub sha256: String,
    /// The file's address of cell 0.
    pub load_offset: u32,
}

impl From<&Source> for SourceRecord {
    fn from(source: &Source) -> Self {
        let name = source.path.file_name().unwrap_or(source.path.as_os_str());
        Self {
            file: name.to_string_lossy().into_owned(),
            form: source.form,
            packing: source.packing,
            sha256: source.sha256.clone(),
            load_offset: source.load_offset,
        }
    }
}

/// The unknown bits of an image, in runs of cells with the same lines.
pub(super) fn unknown_runs(image: &ChipImage) -> Vec<CellsAndLines> {
    let mask = image.mask();
    let mut runs: Vec<(CellRun, u8)> = Vec::new();
    for (cell, known) in image.known().iter().enumerate() {
        let (cell, lines) = (cell as u32, mask & !known);
        match runs.last_mut() {
            _ if lines == 0 => {}
            Some((run, had)) if *had == lines && run.last + 1 == cell => run.last = cell,
            _ => runs.push((
                CellRun {
                    first: cell,
                    last: cell,
                },
                lines,
            )),
        }
    }
    runs.into_iter()
        .map(|(run, lines)| CellsAndLines::new(run, lines, mask))
        .collect()
}

/// The provenance of a chip as it is written down.
pub(super) fn recorded_provenance(chip: &ChipReading) -> Vec<RecordedOrigin> {
    let record = |run: OriginRun| RecordedOrigin {
        bits: CellsAndLines::new(run.cells, run.lines, chip.image.mask()),
        origin: run.origin,
    };
    chip.joined_provenance().into_iter().map(record).collect()
}

impl ChipRecord {
    /// Puts what the record says about bits onto a chip loaded from its file.
    pub(super) fn apply_to(&self, chip: &mut ChipReading) {
        let last_cell = chip.image.words().saturating_sub(1);
        for run in &self.unknown {
            for cell in run.first..=run.last.min(last_cell) {
                let at = cell as usize;
                let known = chip.image.known()[at] & !run.lines();
                chip.image.set_cell(cell, chip.image.values()[at], known);
            }
        }
        chip.provenance = self
            .provenance
            .iter()
            .filter(|run| run.bits.first <= run.bits.last && run.bits.first <= last_cell)
            .map(|run| OriginRun {
                cells: CellRun {
                    first: run.bits.first,
                    last: run.bits.last.min(last_cell),
                },
                lines: run.bits.lines() & chip.image.mask(),
                origin: run.origin.clone(),
            })
            .collect();
    }
}
