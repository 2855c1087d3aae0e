//! A finding: one thing noticed in a reading, where it is, how sure it is, and what to do at the bench.
//!
//! Reading files, decoding, comparing, settling and examining all report findings of this one shape, so that
//! every screen, sheet and JSON document shows them alike. A finding is not an error: the value it is about is
//! still there.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// How much a finding matters.
#[derive(
    Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "kebab-case")]
pub enum Severity {
    /// Worth knowing; nothing is wrong.
    Note,
    /// May be wrong; look before relying on it.
    Caution,
    /// Something is lost, unreadable or contradictory.
    Damage,
}

impl Severity {
    /// The word used in listings.
    pub fn word(self) -> &'static str {
        match self {
            Severity::Note => "note",
            Severity::Caution => "caution",
            Severity::Damage => "damage",
        }
    }
}

/// A run of cells of one chip, first and last inclusive.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
pub struct CellRun {
    /// First cell address, the chip's own.
    pub first: u32,
    /// Last cell address, inclusive.
    pub last: u32,
}

/// The part of a finding's place that lies in one chip.
#[derive(Clone, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
pub struct ChipPlace {
    /// The chip's id in the layout, or the file's stem where there is no layout.
    pub chip: String,
    /// Data lines concerned, 0 is D0; empty means all.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub data_lines: Vec<u8>,
    /// Address lines concerned, 0 is A0; empty means none in particular.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub address_lines: Vec<u8>,
    /// Cells concerned; empty means all.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub cells: Vec<CellRun>,
}

/// Where a finding is, physically and in labelled terms.
#[derive(Clone, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
pub struct Place {
    /// The chips concerned.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub chips: Vec<ChipPlace>,
    /// Entries concerned, as labelled: "preset 12, voice 3".
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub entries: Vec<String>,
    /// Parameter keys concerned.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub parameters: Vec<String>,
    /// Line of a text file, counted from 1, for findings about a file.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub line: Option<usize>,
}

/// One thing noticed.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Finding {
    /// Stable code, `area.name`, such as `check.mismatch` or `line.stuck`.
    pub code: String,
    /// How much it matters.
    pub severity: Severity,
    /// Where it is.
    pub place: Place,
    /// What was noticed, one sentence with figures.
    pub says: String,
    /// Further evidence, a figure each.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub evidence: Vec<String>,
    /// What it means for the presets.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub means: Option<String>,
    /// What to do at the bench.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub act: Option<String>,
    /// What else it could be.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub otherwise: Vec<String>,
    /// How sure the cause is, as a probability from 0 to 1; absent where it is a plain fact.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sure: Option<f64>,
    /// Whether it is of a pin, the clip, a supply or a second driver: whatever else the reading shows may be its doing, so that it
    /// is mended and the chips are read again before anything else.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub read_again_first: bool,
}

impl Finding {
    /// A plain fact with nothing but a code, a severity and a sentence; the rest is filled in by field.
    pub fn new(code: &str, severity: Severity, says: impl Into<String>) -> Self {
        Self {
            code: code.to_owned(),
            severity,
            place: Place::default(),
            says: says.into(),
            evidence: Vec::new(),
            means: None,
            act: None,
            otherwise: Vec::new(),
            sure: None,
            read_again_first: false,
        }
    }

    /// The same finding as one of contacts, supply or drivers, to be mended and read again first.
    #[must_use]
    pub fn read_again_first(mut self) -> Self {
        self.read_again_first = true;
        self
    }

    /// The same finding at a place.
    #[must_use]
    pub fn at(mut self, place: Place) -> Self {
        self.place = place;
        self
    }

    /// The same finding with what to do about it.
    #[must_use]
    pub fn act(mut self, act: impl Into<String>) -> Self {
        self.act = Some(act.into());
        self
    }

    /// The same finding with what it means.
    #[must_use]
    pub fn means(mut self, means: impl Into<String>) -> Self {
        self.means = Some(means.into());
        self
    }
}

/// The worst severity among findings, if there is one above a note.
pub fn worst(findings: &[Finding]) -> Option<Severity> {
    findings
        .iter()
        .map(|f| f.severity)
        .max()
        .filter(|s| *s > Severity::Note)
}
