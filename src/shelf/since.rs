//! What changed since a date, over all visits of an instrument: versions made, files, and values of the banks.

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::clock;
use super::dates::day_range;
use super::error::Result;
use super::job::{RECORD, Role};
use super::query::Query;
use super::reference::Reference;
use super::root::Shelf;
use super::store::Stored;
use crate::bank::{Bank, Code, Decoded};
use crate::compare::{self, Comparison, Move, ParameterChange, Side};
use crate::document::Document;

/// A version of a visit.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Step {
    /// The job.
    pub job: String,
    /// The version.
    pub version: u32,
    /// When it was made, RFC 3339.
    pub at: String,
    /// Who made it.
    pub by: String,
    /// What was done.
    pub says: String,
}

/// A file or a value that is not what it was.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Change {
    /// The file, or the value as area, entry and parameter.
    pub what: String,
    /// What it was; absent where it was not there.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub was: Option<String>,
    /// What it is; absent where it is not there any more.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub is: Option<String>,
}

/// What the values of the two ends were compared by.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Compared {
    /// The reading or the bank of the first end, as a shelf reference.
    pub from: String,
    /// That of the other end.
    pub to: String,
    /// The layout both readings were decoded by; absent where two banks were compared.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub layout: Option<String>,
    /// Bits that differ and have no meaning in the layout.
    pub other_bits: u64,
    /// Bits known at one end only.
    pub incomparable_bits: u64,
}

/// What changed since a date.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Since {
    /// The instrument.
    pub instrument: String,
    /// Its serial number; without one, only the one job is looked at.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub serial: Option<String>,
    /// What is compared from: the last version made before the date, or the first of all.
    pub from: Step,
    /// Whether no version was made before the date, so that the first of all stands for it.
    pub nothing_before: bool,
    /// What is compared with: the version made last.
    pub to: Step,
    /// Every version made since then, in the order of time.
    pub steps: Vec<Step>,
    /// Versions whose time is not believed, a sentence each.
    pub doubts: Vec<String>,
    /// Files that differ, by path: digests.
    pub files: Vec<Change>,
    /// What the values were compared by; absent where they could not be.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub compared: Option<Compared>,
    /// Why the values could not be compared.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub not_compared: Option<String>,
    /// Presets that were moved, exchanged, copied or emptied.
    pub moves: Vec<Move>,
    /// Values that differ, but for those a move explains.
    pub values: Vec<Change>,
}

impl Document for Since {
    const KIND: &'static str = "changed-since";
    const VERSION: u32 = 1;
}

impl Since {
    /// Whether it is known that nothing changed.
    pub fn is_same(&self) -> bool {
        let bits = self
            .compared
            .as_ref()
            .map_or(0, |c| c.other_bits + c.incomparable_bits);
        self.steps.is_empty()
            && self.files.is_empty()
            && self.moves.is_empty()
            && self.values.is_empty()
            && bits == 0
    }
}

/// One end of what is compared.
struct End<'a> {
    stored: &'a Stored,
    version: u32,
}

impl Shelf {
    /// What changed in an instrument's jobs since the beginning of a year, month or day.
    ///
    /// # Errors
    /// When the date cannot be read, or a job cannot be.
    pub fn since(&self, id: &str, date: &str) -> Result<Since> {
        let (first, _) = day_range(date)?;
        let first: Option<jiff::Timestamp> = first.parse().ok();
        let stored = self.stored(id)?;
        let record = stored.record(stored.head())?;
        let mut visits = vec![stored];
        if let Some(serial) = &record.serial {
            let query = Query {
                serial: Some(serial.clone()),
                ..Query::default()
            };
            for hit in self.find(&query)? {
                if hit.job.job != id && hit.job.instrument.as_deref() == Some(&record.instrument) {
                    visits.push(self.stored(&hit.job.job)?);
                }
            }
        }
        let mut steps = Vec::new();
        let mut doubts = Vec::new();
        for (n, visit) in visits.iter().enumerate() {
            let versions = visit.versions();
            let stamps: Vec<String> = versions.iter().map(|v| v.at.clone()).collect();
            let times = clock::taken(&stamps, jiff::Timestamp::now());
            for (v, time) in versions.into_iter().zip(times) {
                if let Some(why) = time.doubt {
                    doubts.push(format!(
                        "{}@v{} is stamped {}, but {why}: taken as made at {}",
                        visit.id(),
                        v.version,
                        v.at,
                        super::job::stamp(time.at)
                    ));
                }
                let step = Step {
                    job: visit.id().to_owned(),
                    version: v.version,
                    at: v.at,
                    by: v.by,
                    says: v.says,
                };
                steps.push((time.at, n, step));
            }
        }
        // Within a job the numbers are the order, whatever the clock said.
        steps.sort_by(|(a, _, x), (b, _, y)| (a, &x.job, x.version).cmp(&(b, &y.job, y.version)));
        let before = steps
            .iter()
            .rposition(|(at, ..)| first.is_some_and(|first| *at < first));
        let base = before.unwrap_or(0);
        let last = steps.len() - 1;
        let ((_, from_visit, from), (_, to_visit, to)) = (&steps[base], &steps[last]);
        let end = |visit: &usize, version| End {
            stored: &visits[*visit],
            version,
        };
        let (old, new) = (end(from_visit, from.version), end(to_visit, to.version));
        let mut since = Since {
            instrument: record.instrument,
            serial: record.serial,
            files: files(&old, &new)?,
            from: from.clone(),
            nothing_before: before.is_none(),
            to: to.clone(),
            steps: steps[base + 1..].iter().map(|(.., s)| s.clone()).collect(),
            doubts,
            compared: None,
            not_compared: None,
            moves: Vec::new(),
            values: Vec::new(),
        };
        match self.compare_readings(&old, &new)? {
            Ok((compared, comparison)) => {
                since.compared = Some(compared);
                since.values = values_of(&comparison);
                since.moves = comparison.moves;
            }
            Err(why) => match (bank(&old)?, bank(&new)?) {
                (Some((from, was)), Some((to, is))) => {
                    since.values = changes(&was, &is);
                    since.compared = Some(Compared {
                        from,
                        to,
                        layout: None,
                        other_bits: 0,
                        incomparable_bits: 0,
                    });
                }
                _ => since.not_compared = Some(why),
            },
        }
        Ok(since)
    }

    /// Decodes the readings of both ends and compares them; why not, where that cannot be done.
    fn compare_readings(
        &self,
        old: &End<'_>,
        new: &End<'_>,
    ) -> Result<std::result::Result<(Compared, Comparison), String>> {
        let mut ends = Vec::new();
        for end in [old, new] {
            let Some(role) = end.stored.state_role(end.version)? else {
                return Ok(Err(format!(
                    "no reading is in {}@v{}",
                    end.stored.id(),
                    end.version
                )));
            };
            ends.push(end.reference(role.word()));
        }
        let held = match new.stored.layout(new.version)? {
            Some(held) => held,
            None => match old.stored.layout(old.version)? {
                Some(held) => held,
                None => return Ok(Err("neither job has a layout".to_owned())),
            },
        };
        Ok(self.compare_by(&held, &ends[0], &ends[1]))
    }

    fn compare_by(
        &self,
        held: &super::HeldLayout,
        from: &Reference,
        to: &Reference,
    ) -> std::result::Result<(Compared, Comparison), String> {
        let layout = held.load().map_err(|e| e.to_string())?;
        let readings = (
            self.load_reading(from, &layout)?,
            self.load_reading(to, &layout)?,
        );
        let decoded = |reading| Decoded::new(&layout, reading).map_err(|e| e.to_string());
        let comparison = compare::compare(&decoded(&readings.0)?, &decoded(&readings.1)?);
        let compared = Compared {
            from: from.to_string(),
            to: to.to_string(),
            layout: Some(layout.id.clone()),
            other_bits: comparison.totals.other_bits + comparison.totals.copy_bits,
            incomparable_bits: comparison.totals.incomparable_bits,
        };
        Ok((compared, comparison))
    }
}

impl End<'_> {
    fn reference(&self, path: &str) -> Reference {
        Reference {
            job: self.stored.id().to_owned(),
            version: Some(self.version),
            path: Some(path.to_owned()),
        }
    }
}

fn files(old: &End<'_>, new: &End<'_>) -> Result<Vec<Change>> {
    let map = |end: &End<'_>| -> Result<BTreeMap<String, String>> {
        Ok(end
            .stored
            .files(end.version)?
            .into_iter()
            .filter(|f| f.path != RECORD)
            .map(|f| (f.path, f.digest))
            .collect())
    };
    Ok(changes(&map(old)?, &map(new)?))
}

/// The changed values of a comparison, but for those a move explains.
fn values_of(comparison: &Comparison) -> Vec<Change> {
    let shown = |change: &ParameterChange, side: &Side| match change.code_of(side).as_str() {
        "?" => Some("unknown".to_owned()),
        code => Some(format!("{} (code {code})", side.setting)),
    };
    let mut values = Vec::new();
    for area in &comparison.areas {
        for entry in area.entries.iter().filter(|e| !e.explained) {
            values.extend(entry.parameters.iter().map(|change| Change {
                what: format!("{}, {}: {}", area.name, entry.label, change.key),
                was: shown(change, &change.before),
                is: shown(change, &change.after),
            }));
        }
    }
    values
}

/// A bank's reference, and its values by area, entry and key.
type BankValues = (String, BTreeMap<String, String>);

/// The values of the last bank document of a version.
fn bank(end: &End<'_>) -> Result<Option<BankValues>> {
    let mut found = None;
    for file in end.stored.files(end.version)? {
        if file.role != Some(Role::Bank) || !file.path.ends_with(".json") {
            continue;
        }
        let bytes = end.stored.bytes_of(&file.digest, &file.path)?;
        let Ok(bank) = serde_json::from_slice::<Bank>(&bytes) else {
            continue;
        };
        let mut values = BTreeMap::new();
        for area in &bank.areas {
            for entry in &area.entries {
                for value in entry.parameters.iter().filter(|v| v.applies) {
                    let what = format!("{} {} {}", area.name, entry.at.join(" "), value.key);
                    let code = match &value.code {
                        Some(Code::One(code)) => code.to_string(),
                        Some(Code::Text(codes)) => format!("{codes:?}"),
                        None => "unknown".to_owned(),
                    };
                    let shown = match &value.setting {
                        Some(setting) => format!("{setting} (code {code})"),
                        None => format!("code {code}"),
                    };
                    values.insert(what, shown);
                }
            }
        }
        found = Some((end.reference(&file.path).to_string(), values));
    }
    Ok(found)
}

fn changes(was: &BTreeMap<String, String>, is: &BTreeMap<String, String>) -> Vec<Change> {
    let mut keys: Vec<&String> = was.keys().chain(is.keys()).collect();
    keys.sort();
    keys.dedup();
    keys.into_iter()
        .filter(|key| was.get(*key) != is.get(*key))
        .map(|key| Change {
            what: key.clone(),
            was: was.get(key).cloned(),
            is: is.get(key).cloned(),
        })
        .collect()
}
