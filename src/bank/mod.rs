//! A bank: a reading decoded, every parameter of every area labelled.
//!
//! The bank is the document a person reads, keeps and edits. Its codes are the truth; settings are a view of
//! them, there so that the document can be read without this program. A bank put back onto a reading changes
//! only what differs from it.

mod apply;
mod decoded;
mod listing;

pub use apply::{ApplyError, BankProblem, apply};
pub use decoded::Decoded;
pub use listing::{csv, list_decoded, listing, table};

use std::collections::HashMap;
use std::sync::Arc;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::codec::checks::Verdict;
use crate::codec::{AreaCodes, Codes, Memory, low_mask, setting};
use crate::document::Document;
use crate::finding::{Finding, Place, Severity};
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
    /// SHA-256 of its text, lower-case hex.
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
    /// Where the value came from, when it was not simply read: "mended", "edited", "settled".
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
            axes: axes(area),
            entries: entries(area, codes, &origins, a).collect(),
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

/// The names of an area's axes.
fn axes(area: &Area) -> Vec<String> {
    area.axes.iter().map(|x| x.name.clone()).collect()
}

/// The entries of an area, labelled one after the other.
fn entries<'d>(
    area: &'d Area,
    codes: &'d Codes,
    origins: &'d Origins,
    a: usize,
) -> impl Iterator<Item = BankEntry> + 'd {
    let mut labelled = Labels::new(area, &codes.areas[a]);
    let keys: Vec<Arc<str>> = area
        .parameters
        .iter()
        .map(|p| p.key.as_str().into())
        .collect();
    let mut value = move |entry: usize, p: usize| {
        let parameter = &area.parameters[p];
        let (code, setting, known) = labelled.of(entry, p);
        BankValue {
            key: Arc::clone(&keys[p]),
            code: Some(code),
            setting,
            known,
            origin: parameter
                .fields
                .clone()
                .find_map(|field| origins.verb(area.field_places(entry, field))),
            applies: applies(area, codes, a, entry, p),
        }
    };
    (0..area.entries()).map(move |entry| BankEntry {
        at: labels(area, entry),
        parameters: (0..area.parameters.len())
            .map(|p| value(entry, p))
            .collect(),
    })
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
    let selector = &area.parameters[when.parameter];
    let field = selector.fields.start;
    let (code, known) = codes.areas[a].get(entry, field);
    if known != low_mask(area.fields[field].width) {
        return true;
    }
    crate::codec::coding::number(&selector.coding, area.fields[field].width, code)
        .is_none_or(|n| when.is.contains(&n))
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
struct Origins(HashMap<(u16, u32), Vec<(u8, String)>>);

impl Origins {
    fn of(decoded: &Decoded<'_>) -> Self {
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

    /// The verb of the first of these bits that was not simply read.
    fn verb(&self, places: &[BitPlace]) -> Option<String> {
        if self.0.is_empty() {
            return None;
        }
        places.iter().find_map(|p| {
            let runs = self.0.get(&(p.chip, p.cell))?;
            let run = runs.iter().find(|(lines, _)| lines >> p.line & 1 == 1)?;
            Some(run.1.clone())
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

/// What decoding notices: checks that fail, codes that are not legal, constants that differ, copies that differ.
pub fn findings(decoded: &Decoded<'_>) -> Vec<Finding> {
    let (layout, memory, codes) = (decoded.layout, &decoded.memory, &decoded.codes);
    let mut found = failed_checks(decoded);
    for (a, area) in layout.areas.iter().enumerate() {
        illegal_codes(area, codes, a, &mut found);
        constants(area, codes, a, &mut found);
        unknown(area, codes, a, &mut found);
        copies(area, memory, &mut found);
    }
    found
}

/// One finding a check, with every entry it fails in.
fn failed_checks(decoded: &Decoded<'_>) -> Vec<Finding> {
    let layout = decoded.layout;
    let mut found = Vec::new();
    let failing = failing_checks(decoded);
    for area in &layout.areas {
        for check in &area.checks {
            let own = |decided: bool| -> Vec<&BankCheck> {
                let is_it = |c: &&BankCheck| {
                    c.area == area.name && c.key == check.key && c.stored.is_some() == decided
                };
                failing.iter().filter(is_it).collect()
            };
            let whom = |c: &BankCheck| {
                c.entry
                    .clone()
                    .unwrap_or_else(|| format!("all of {}", area.name))
            };
            let place = |checks: &[&BankCheck]| Place {
                entries: checks.iter().map(|c| whom(c)).collect(),
                ..Place::default()
            };
            let of = check.instances.len();
            let failed = own(true);
            if let Some(first) = failed.first() {
                let says = format!(
                    "{}: check {} fails in {} of {of}: {}",
                    area.name,
                    check.key,
                    failed.len(),
                    listed(&place(&failed).entries),
                );
                let mut finding = Finding::new("check.mismatch", Severity::Damage, says)
                    .at(place(&failed))
                    .means("something the check covers, or the check itself, is not what the instrument wrote")
                    .act("read the chip again; if the reads agree, run examine");
                let (stored, computed) = (first.stored.unwrap_or(0), first.computed.unwrap_or(0));
                finding.evidence.push(format!(
                    "{}: stored {stored:#x}, its words ask for {computed:#x}",
                    whom(first)
                ));
                found.push(finding);
            }
            let undecided = own(false);
            if !undecided.is_empty() {
                let says = format!(
                    "{}: check {} covers unknown bits in {} of {of}: {}",
                    area.name,
                    check.key,
                    undecided.len(),
                    listed(&place(&undecided).entries),
                );
                found.push(
                    Finding::new("check.undecided", Severity::Caution, says).at(place(&undecided)),
                );
            }
        }
    }
    found
}

/// At most six names, and how many more.
fn listed(names: &[String]) -> String {
    const SHOWN: usize = 6;
    let shown = names
        .iter()
        .take(SHOWN)
        .cloned()
        .collect::<Vec<_>>()
        .join("; ");
    match names.len().checked_sub(SHOWN) {
        Some(more) if more > 0 => format!("{shown}; and {more} more"),
        _ => shown,
    }
}

fn illegal_codes(area: &Area, codes: &Codes, a: usize, found: &mut Vec<Finding>) {
    for (p, parameter) in area.parameters.iter().enumerate() {
        let mut entries = Vec::new();
        let mut example = String::new();
        for entry in 0..area.entries() {
            let illegal = parameter.fields.clone().any(|field| {
                codes.areas[a]
                    .code(entry, field)
                    .is_some_and(|code| !setting::legal(parameter, area.fields[field].width, code))
            });
            if illegal && applies(area, codes, a, entry, p) {
                if entries.is_empty() {
                    example = shown(area, codes, a, entry, p);
                }
                entries.push(area.entry_label(entry));
            }
        }
        if !entries.is_empty() {
            let says = format!(
                "{}: {} of {} entries hold a code that is not legal, first {}: {example}",
                parameter.key,
                entries.len(),
                area.entries(),
                entries[0],
            );
            found.push(
                Finding::new("code.illegal", Severity::Caution, says)
                    .at(Place {
                        entries,
                        parameters: vec![parameter.key.clone()],
                        ..Place::default()
                    })
                    .means("the panel cannot have produced it: damage, or a layout that is not quite right"),
            );
        }
    }
}

/// Values with bits that nobody knows: the reading lacks them, or reads did not agree.
fn unknown(area: &Area, codes: &Codes, a: usize, found: &mut Vec<Finding>) {
    let mut place = Place::default();
    let mut values = 0;
    for entry in 0..area.entries() {
        let lacking = |p: &&Parameter| {
            let whole = |field: usize| codes.areas[a].code(entry, field).is_some();
            !p.fields.clone().all(whole)
        };
        let mut here = 0;
        for parameter in area.parameters.iter().filter(lacking) {
            here += 1;
            if !place.parameters.contains(&parameter.key) {
                place.parameters.push(parameter.key.clone());
            }
        }
        if here > 0 {
            values += here;
            place.entries.push(area.entry_label(entry));
        }
    }
    if values > 0 {
        let whose = match place.entries.len() {
            n if n == area.entries() => "in every entry".to_owned(),
            n => format!(
                "in {n} of {} entries: {}",
                area.entries(),
                listed(&place.entries)
            ),
        };
        let says = format!(
            "{}: {values} values have unknown bits and read '?', {whose}",
            area.name
        );
        found.push(
            Finding::new("value.unknown", Severity::Caution, says)
                .at(place)
                .act("`cellkeep mend` says what they most likely were"),
        );
    }
}

fn constants(area: &Area, codes: &Codes, a: usize, found: &mut Vec<Finding>) {
    use crate::layout::model::FieldOwner;
    for (f, field) in area.fields.iter().enumerate() {
        let FieldOwner::Constant(value) = field.owner else {
            continue;
        };
        let wrong: Vec<usize> = (0..area.entries())
            .filter(|&e| codes.areas[a].code(e, f).is_some_and(|code| code != value))
            .collect();
        if let Some(&first) = wrong.first() {
            let (code, _) = codes.areas[a].get(first, f);
            let says = format!(
                "{}: a constant of {value:#x} differs in {} of {} entries, first {}: {code:#x}",
                area.name,
                wrong.len(),
                area.entries(),
                area.entry_label(first),
            );
            found.push(
                Finding::new("constant.differs", Severity::Caution, says).at(Place {
                    entries: wrong.iter().map(|&e| area.entry_label(e)).collect(),
                    ..Place::default()
                }),
            );
        }
    }
}

fn copies(area: &Area, memory: &Memory, found: &mut Vec<Finding>) {
    use crate::layout::model::Policy;
    for copy in area.copies.iter().filter(|c| c.policy != Policy::Keep) {
        let mut entries: Vec<usize> = Vec::new();
        let mut bits = 0;
        for (i, (&original, &mirror)) in area.places.iter().zip(&copy.places).enumerate() {
            let (one, other) = (memory.bit(original), memory.bit(mirror));
            if one.is_some() && other.is_some() && one != other {
                bits += 1;
                let entry = i / area.bits_per_entry.max(1);
                if entries.last() != Some(&entry) {
                    entries.push(entry);
                }
            }
        }
        if bits > 0 {
            let says = format!(
                "{}: copy {} differs from the original in {bits} bits of {} entries",
                area.name,
                copy.name,
                entries.len(),
            );
            found.push(
                Finding::new("copy.differs", Severity::Damage, says).at(Place {
                    entries: entries.iter().map(|&e| area.entry_label(e)).collect(),
                    ..Place::default()
                }),
            );
        }
    }
}
