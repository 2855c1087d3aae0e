//! What changed since a date, over all visits of an instrument: versions made, files, and values of the banks.

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::dates::day_range;
use super::error::Result;
use super::job::{RECORD, Role};
use super::query::Query;
use super::root::Shelf;
use super::store::Stored;
use crate::bank::{Bank, Code};
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
    /// What is compared with: the latest version of the latest visit.
    pub to: Step,
    /// Every version made since then, in order.
    pub steps: Vec<Step>,
    /// Files that differ, by path: digests.
    pub files: Vec<Change>,
    /// Values of the banks that differ.
    pub values: Vec<Change>,
}

impl Document for Since {
    const KIND: &'static str = "changed-since";
    const VERSION: u32 = 1;
}

impl Shelf {
    /// What changed in an instrument's jobs since the beginning of a year, month or day.
    ///
    /// # Errors
    /// When the date cannot be read, or a job cannot be.
    pub fn since(&self, id: &str, date: &str) -> Result<Since> {
        let (first, _) = day_range(date)?;
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
        let mut steps: Vec<(usize, Step)> = Vec::new();
        for (n, visit) in visits.iter().enumerate() {
            steps.extend(visit.versions().into_iter().map(|v| {
                let step = Step {
                    job: visit.id().to_owned(),
                    version: v.version,
                    at: v.at,
                    by: v.by,
                    says: v.says,
                };
                (n, step)
            }));
        }
        // By the time each job was opened, then by number: within a job the numbers are the order, whatever the clock.
        let opened: Vec<String> = visits.iter().map(|v| v.versions()[0].at.clone()).collect();
        steps.sort_by(|(a, x), (b, y)| {
            (&opened[*a], &x.job, x.version).cmp(&(&opened[*b], &y.job, y.version))
        });
        let base = steps
            .iter()
            .rposition(|(_, step)| step.at < first)
            .unwrap_or(0);
        let last = steps.len() - 1;
        let ((from_visit, from), (to_visit, to)) = (&steps[base], &steps[last]);
        let (old, new) = (&visits[*from_visit], &visits[*to_visit]);
        Ok(Since {
            instrument: record.instrument,
            serial: record.serial,
            files: files(old, from.version, new, to.version)?,
            values: values(&bank(old, from.version)?, &bank(new, to.version)?),
            from: from.clone(),
            to: to.clone(),
            steps: steps[base + 1..].iter().map(|(_, s)| s.clone()).collect(),
        })
    }
}

fn files(old: &Stored, was: u32, new: &Stored, is: u32) -> Result<Vec<Change>> {
    let map = |stored: &Stored, version| -> Result<BTreeMap<String, String>> {
        Ok(stored
            .files(version)?
            .into_iter()
            .filter(|f| f.path != RECORD)
            .map(|f| (f.path, f.digest))
            .collect())
    };
    Ok(changes(&map(old, was)?, &map(new, is)?))
}

/// The values of the last bank document of a version, by area, entry and key.
fn bank(stored: &Stored, version: u32) -> Result<BTreeMap<String, String>> {
    let mut values = BTreeMap::new();
    for file in stored.files(version)? {
        if file.role != Some(Role::Bank) || !file.path.ends_with(".json") {
            continue;
        }
        let bytes = stored.bytes_of(&file.digest, &file.path)?;
        let Ok(bank) = serde_json::from_slice::<Bank>(&bytes) else {
            continue;
        };
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
    }
    Ok(values)
}

fn values(was: &BTreeMap<String, String>, is: &BTreeMap<String, String>) -> Vec<Change> {
    if was.is_empty() || is.is_empty() {
        return Vec::new();
    }
    changes(was, is)
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
