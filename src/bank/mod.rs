//! A bank: a reading decoded, every parameter of every area labelled.
//!
//! The bank is the document a person reads, keeps and edits. Its codes are the truth; settings are a view of
//! them, there so that the document can be read without this program. A bank put back onto a reading changes
//! only what differs from it.

mod apply;
mod decoded;
mod findings;
mod listing;

pub use apply::{Applied, ApplyError, BankProblem, Kept, apply, arranged};
pub use decoded::Decoded;
pub use findings::{findings, made_to_fit};
pub use listing::{csv, list_decoded, listing, table};

use std::collections::HashMap;
use std::sync::Arc;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::codec::checks::Verdict;
use crate::codec::{AreaCodes, Codes, low_mask, setting};
use crate::document::Document;
use crate::hand_set::FilledForm;
use crate::layout::model::{Area, BitPlace, Coding, Layout, Parameter};

/// Which layout a bank was decoded by.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct LayoutRef {
    /// The layout's id.
    pub id: String,
    /// Its name.
    pub name: String,
    /// Its revision.
    pub revision: String,
    /// SHA-256 of its text, lower-case hex; where it extends others, of the digests of all these texts, a line each.
    pub sha256: String,
}

impl LayoutRef {
    /// The reference to a layout.
    pub fn of(layout: &Layout) -> Self {
        Self {
            id: layout.id.clone(),
            name: layout.name.clone(),
            revision: layout.revision.clone(),
            sha256: layout.source.sha256.clone(),
        }
    }
}

/// A labelled reading.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Bank {
    /// The document's kind, for files; not checked here.
    #[serde(default, skip_serializing)]
    #[schemars(skip)]
    pub kind: Option<String>,
    /// The document's version, for files; not checked here.
    #[serde(default, skip_serializing)]
    #[schemars(skip)]
    pub version: Option<u32>,
    /// The layout it was decoded by.
    pub layout: LayoutRef,
    /// The areas in the order of the layout.
    pub areas: Vec<BankArea>,
    /// Positions of the controls that memory does not hold, as noted by hand.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub hand_set: Option<FilledForm>,
    /// Checks that do not hold or cannot be decided.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub checks: Vec<BankCheck>,
}

impl Document for Bank {
    const KIND: &'static str = "bank";
    const VERSION: u32 = 1;
}

/// One area of a bank.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct BankArea {
    /// The area's name.
    pub name: String,
    /// The names of its axes, the first varying slowest.
    pub axes: Vec<String>,
    /// Its entries.
    pub entries: Vec<BankEntry>,
}

/// One entry of an area.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct BankEntry {
    /// The label along each axis: `["12", "3"]`.
    pub at: Vec<String>,
    /// Parameters in panel order.
    pub parameters: Vec<BankValue>,
}

/// One parameter's value in one entry.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct BankValue {
    /// The parameter's key; the values of a bank share it.
    pub key: Arc<str>,
    /// The stored integer, or one integer a character of a text. Unknown bits read 0.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub code: Option<Code>,
    /// What a person reads; values of the same code share it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub setting: Option<Arc<str>>,
    /// Mask of the known bits, where some are unknown.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub known: Option<Code>,
    /// Where the value came from, when it was not simply read: "mended", "entered by hand", "edited", "settled".
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub origin: Option<String>,
    /// False where another parameter's position gives this one no meaning.
    #[serde(default = "yes", skip_serializing_if = "is_yes")]
    pub applies: bool,
}

fn yes() -> bool {
    true
}

fn is_yes(yes: &bool) -> bool {
    *yes
}

/// A stored integer, or one a character.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(
    untagged,
    expecting = "a code must be a whole number from 0, or a list of such numbers for a text"
)]
pub enum Code {
    /// The code of a parameter.
    One(u64),
    /// The codes of a text's characters.
    Text(Vec<u64>),
}

impl Code {
    /// The codes, one or one a character.
    pub fn all(&self) -> &[u64] {
        match self {
            Code::One(code) => std::slice::from_ref(code),
            Code::Text(codes) => codes,
        }
    }

    fn of(parameter: &Parameter, codes: Vec<u64>) -> Self {
        match (&parameter.coding, codes.as_slice()) {
            (Coding::Text(_), _) => Code::Text(codes),
            (_, [code]) => Code::One(*code),
            _ => Code::Text(codes),
        }
    }
}

/// A check that does not hold, or cannot be decided.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct BankCheck {
    /// The area's name.
    pub area: String,
    /// The check's key.
    pub key: String,
    /// The entry it belongs to, as a person names it; absent for a check of the whole area.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub entry: Option<String>,
    /// The code stored; absent where the check cannot be decided.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub stored: Option<u64>,
    /// The code that the covered words ask for.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub computed: Option<u64>,
}

impl Bank {
    /// Labels a decoded reading.
    pub fn new(decoded: &Decoded<'_>) -> Self {
        let (layout, codes) = (decoded.layout, &decoded.codes);
        let origins = Origins::of(decoded);
        let areas = layout.areas.iter().enumerate().map(|(a, area)| BankArea {
            name: area.name.clone(),
            axes: area.axes.iter().map(|x| x.name.clone()).collect(),
            entries: entries(area, codes, &origins, a),
        });
        Self {
            kind: None,
            version: None,
            layout: LayoutRef::of(layout),
            areas: areas.collect(),
            hand_set: None,
            checks: failing_checks(decoded),
        }
    }

    /// The value of a parameter, by area, entry index and key.
    pub fn value(&self, area: &str, entry: usize, key: &str) -> Option<&BankValue> {
        let area = self.areas.iter().find(|a| a.name == area)?;
        let entry = area.entries.get(entry)?;
        entry.parameters.iter().find(|v| *v.key == *key)
    }
}

fn entries(area: &Area, codes: &Codes, origins: &Origins, a: usize) -> Vec<BankEntry> {
    let mut labelled = Labels::new(area, &codes.areas[a]);
    let keys: Vec<Arc<str>> = area
        .parameters
        .iter()
        .map(|p| p.key.as_str().into())
        .collect();
    let mut value = |entry: usize, p: usize| {
        let (code, setting, known) = labelled.of(entry, p);
        BankValue {
            key: Arc::clone(&keys[p]),
            code: Some(code),
            setting,
            known,
            origin: origins
                .of_parameter(area, &area.parameters[p], entry)
                .map(str::to_owned),
            applies: applies(area, codes, a, entry, p),
        }
    };
    (0..area.entries())
        .map(|entry| BankEntry {
            at: labels(area, entry),
            parameters: (0..area.parameters.len())
                .map(|p| value(entry, p))
                .collect(),
        })
        .collect()
}

/// The label of an entry along each axis.
pub fn labels(area: &Area, entry: usize) -> Vec<String> {
    area.axes
        .iter()
        .zip(area.indices(entry))
        .map(|(axis, i)| axis.labels[i].clone())
        .collect()
}

/// Whether a parameter means something in an entry: its selector, if any, is in a position that gives it meaning.
pub fn applies(area: &Area, codes: &Codes, a: usize, entry: usize, parameter: usize) -> bool {
    let Some(when) = &area.parameters[parameter].when else {
        return true;
    };
    let field = area.parameters[when.parameter].fields.start;
    // A selector that is not known, or stands nowhere, rules nothing out.
    codes.areas[a]
        .code(entry, field)
        .and_then(|code| setting::selects(area, when, code))
        .unwrap_or(true)
}

/// What a person reads for a parameter's codes in an entry; `?` where a bit is unknown.
pub fn shown(area: &Area, codes: &Codes, a: usize, entry: usize, parameter: usize) -> String {
    let p = &area.parameters[parameter];
    let mut all = Vec::new();
    for field in p.fields.clone() {
        match codes.areas[a].code(entry, field) {
            Some(code) => all.push(code),
            None => return "?".to_owned(),
        }
    }
    shown_codes(area, p, &all)
}

/// What a person reads for known codes of a parameter.
pub fn shown_codes(area: &Area, p: &Parameter, codes: &[u64]) -> String {
    match &p.coding {
        Coding::Text(set) => setting::show_text(set, codes),
        _ => {
            let width = area.fields[p.fields.start].width;
            setting::show(p, width, codes.first().copied().unwrap_or(0))
        }
    }
}

/// Which bits were not simply read, and by what verb they came to their value.
pub(crate) struct Origins(HashMap<(u16, u32), Vec<(u8, String)>>);

impl Origins {
    pub(crate) fn of(decoded: &Decoded<'_>) -> Self {
        let mut bits: HashMap<(u16, u32), Vec<(u8, String)>> = HashMap::new();
        for (c, chip) in decoded.reading.chips.iter().enumerate() {
            let words = chip.image.words();
            // A later run has the word over an earlier one, so the latest comes first.
            for run in chip.provenance.iter().rev() {
                for cell in run.cells.first..=run.cells.last.min(words.saturating_sub(1)) {
                    let at = bits.entry((c as u16, cell)).or_default();
                    at.push((run.lines, run.origin.verb.clone()));
                }
            }
        }
        Self(bits)
    }

    /// The verb of the first bit of a parameter that was not simply read.
    pub(crate) fn of_parameter(
        &self,
        area: &Area,
        parameter: &Parameter,
        entry: usize,
    ) -> Option<&str> {
        if self.0.is_empty() {
            return None;
        }
        let mut fields = parameter.fields.clone();
        fields.find_map(|field| self.verb(area.field_places(entry, field)))
    }

    /// The verb of the first of these bits that was not simply read.
    fn verb(&self, places: &[BitPlace]) -> Option<&str> {
        places.iter().find_map(|p| {
            let runs = self.0.get(&(p.chip, p.cell))?;
            let run = runs.iter().find(|(lines, _)| lines >> p.line & 1 == 1)?;
            Some(run.1.as_str())
        })
    }
}

/// Labels values one after the other, remembering what codes read: banks hold the same few many times over.
struct Labels<'d> {
    area: &'d Area,
    codes: &'d AreaCodes,
    /// By parameter, what each code met so far reads: the small codes by themselves, the others hashed.
    small: Vec<Vec<Option<Arc<str>>>>,
    large: HashMap<(usize, u64), Arc<str>>,
}

impl<'d> Labels<'d> {
    /// What a code of a parameter of one field reads.
    fn reads(&mut self, parameter: usize, code: u64) -> Arc<str> {
        let area = self.area;
        let worked_out = || shown_codes(area, &area.parameters[parameter], &[code]).into();
        let reads = match usize::try_from(code) {
            Ok(small) if small < 256 => {
                let met = &mut self.small[parameter];
                if met.len() <= small {
                    met.resize(small + 1, None);
                }
                met[small].get_or_insert_with(worked_out)
            }
            _ => self
                .large
                .entry((parameter, code))
                .or_insert_with(worked_out),
        };
        Arc::clone(reads)
    }

    fn new(area: &'d Area, codes: &'d AreaCodes) -> Self {
        Self {
            area,
            codes,
            small: vec![Vec::new(); area.parameters.len()],
            large: HashMap::new(),
        }
    }

    /// The code, what it reads and the mask of its known bits, the last two where they are to be told.
    fn of(&mut self, entry: usize, parameter: usize) -> (Code, Option<Arc<str>>, Option<Code>) {
        let p = &self.area.parameters[parameter];
        let full = |field: usize| low_mask(self.area.fields[field].width);
        if p.fields.len() == 1 && !matches!(p.coding, Coding::Text(_)) {
            let field = p.fields.start;
            let (code, known) = self.codes.get(entry, field);
            if known != full(field) {
                return (Code::One(code), None, Some(Code::One(known)));
            }
            return (Code::One(code), Some(self.reads(parameter, code)), None);
        }
        let (codes, known): (Vec<u64>, Vec<u64>) = p
            .fields
            .clone()
            .map(|field| self.codes.get(entry, field))
            .unzip();
        let whole = p
            .fields
            .clone()
            .zip(&known)
            .all(|(field, known)| *known == full(field));
        let reads = whole.then(|| shown_codes(self.area, p, &codes).into());
        let mask = (!whole).then(|| Code::of(p, known));
        (Code::of(p, codes), reads, mask)
    }
}

fn failing_checks(decoded: &Decoded<'_>) -> Vec<BankCheck> {
    let mut failing = Vec::new();
    for result in &decoded.checks {
        let area = &decoded.layout.areas[result.area];
        let (stored, computed) = match result.verdict {
            Verdict::Holds => continue,
            Verdict::Fails { stored, computed } => (Some(stored), Some(computed)),
            Verdict::Undecided => (None, None),
        };
        failing.push(BankCheck {
            area: area.name.clone(),
            key: area.checks[result.check].key.clone(),
            entry: result.entry.map(|e| area.entry_label(e)),
            stored,
            computed,
        });
    }
    failing
}
