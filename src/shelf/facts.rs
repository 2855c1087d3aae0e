//! What the index knows of a job, read from the store and from nowhere else.

use std::collections::{BTreeMap, BTreeSet};

use serde_json::Value;

use super::error::{Result, ShelfError};
use super::job::{Job, Role};
use super::root::Shelf;
use super::store::Stored;

/// Documents longer than this are not looked into.
const LONGEST_DOCUMENT: u64 = 32 << 20;
/// Deepest nesting looked into.
const DEEPEST: usize = 64;

/// A file in any version.
#[derive(Debug, PartialEq)]
pub(super) struct FileFact {
    pub(super) path: String,
    pub(super) digest: String,
    pub(super) bytes: u64,
    /// The latest version that has it.
    pub(super) version: u32,
}

/// A finding in a stored document.
#[derive(Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct FindingFact {
    pub(super) code: String,
    pub(super) severity: String,
    pub(super) says: String,
}

/// Everything the index holds of a job.
#[derive(Debug, Default)]
pub(super) struct Facts {
    /// The record; `None` where the job cannot be read.
    pub(super) record: Option<Job>,
    pub(super) head: u32,
    pub(super) changed: String,
    pub(super) files: Vec<FileFact>,
    pub(super) findings: BTreeSet<FindingFact>,
    /// Codes and settings of each parameter anywhere in the job's banks.
    pub(super) parameters: BTreeMap<String, (BTreeSet<i64>, BTreeSet<String>)>,
    /// Words to be found by.
    pub(super) words: String,
}

impl Shelf {
    /// The facts of a job. A job that is damaged still has its name; the audit is what reports it.
    ///
    /// # Errors
    /// When the disk fails, which another time it may not.
    pub(super) fn facts(&self, id: &str) -> Result<Facts> {
        let mut facts = Facts::of_name(id);
        match self
            .stored(id)
            .and_then(|stored| gather(&stored, &mut facts))
        {
            Err(ShelfError::Disk(e)) => Err(e.into()),
            _ => Ok(facts),
        }
    }
}

impl Facts {
    /// What is known of a job that cannot be read.
    pub(super) fn of_name(id: &str) -> Self {
        Facts {
            words: id.to_owned(),
            ..Facts::default()
        }
    }
}

fn gather(stored: &Stored, facts: &mut Facts) -> Result<()> {
    facts.head = stored.head();
    let mut seen = BTreeSet::new();
    for number in (1..=stored.head()).rev() {
        for file in stored.files(number)? {
            if seen.insert((file.path.clone(), file.digest.clone())) {
                facts.files.push(FileFact {
                    path: file.path,
                    digest: file.digest,
                    bytes: file.bytes.unwrap_or(0),
                    version: number,
                });
            }
        }
    }
    let mut words = BTreeSet::new();
    for version in stored.versions() {
        facts.changed = version.at;
        words.insert(version.by);
    }
    let record = stored.record(stored.head())?;
    let lines = [
        Some(&record.instrument),
        record.layout.as_ref(),
        record.serial.as_ref(),
        record.customer.as_ref(),
        record.complaint.as_ref(),
        record.closed.as_ref().and_then(|c| c.says.as_ref()),
    ];
    words.extend(lines.into_iter().flatten().cloned());
    words.extend(record.notes.iter().map(|n| n.says.clone()));
    words.extend(record.own_names.values().cloned());
    words.extend(facts.files.iter().map(|f| f.path.clone()));
    facts.record = Some(record);
    for file in stored.files(stored.head())? {
        let short = file.bytes.is_some_and(|b| b <= LONGEST_DOCUMENT);
        if file.role.is_some() && short && file.path.ends_with(".json") {
            let bytes = stored.bytes_of(&file.digest, &file.path)?;
            if let Ok(document) = serde_json::from_slice::<Value>(&bytes) {
                look_into(&document, 0, facts, &mut words);
            }
        }
        if short
            && matches!(file.role, Some(Role::Report | Role::Paper))
            && file.path.ends_with(".txt")
        {
            let bytes = stored.bytes_of(&file.digest, &file.path)?;
            words.insert(String::from_utf8_lossy(&bytes).into_owned());
        }
    }
    for word in words {
        facts.words.push('\n');
        facts.words.push_str(&word);
    }
    Ok(())
}

/// Findings have a code, a severity and a sentence; parameters have a key and a code; whatever document they are in.
fn look_into(value: &Value, depth: usize, facts: &mut Facts, words: &mut BTreeSet<String>) {
    if depth > DEEPEST {
        return;
    }
    match value {
        Value::Array(items) => items
            .iter()
            .for_each(|item| look_into(item, depth + 1, facts, words)),
        Value::Object(fields) => {
            let text = |name: &str| fields.get(name).and_then(Value::as_str);
            if let (Some(code), Some(severity), Some(says)) =
                (text("code"), text("severity"), text("says"))
            {
                facts.findings.insert(FindingFact {
                    code: code.to_owned(),
                    severity: severity.to_owned(),
                    says: says.to_owned(),
                });
                words.insert(says.to_owned());
            }
            let code = fields.get("code");
            let key = text("key").or_else(|| text("parameter"));
            if let (Some(key), Some(code)) = (key, code.and_then(Value::as_i64)) {
                let (codes, settings) = facts.parameters.entry(key.to_owned()).or_default();
                codes.insert(code);
                if let Some(setting) = text("setting") {
                    settings.extend(without_unit(setting));
                    settings.insert(setting.to_owned());
                }
            }
            // A text has a code a character; the name of a preset is a word to be found by too.
            if let (Some(key), Some(Value::Array(_)), Some(setting)) = (key, code, text("setting"))
            {
                let (_, settings) = facts.parameters.entry(key.to_owned()).or_default();
                settings.insert(setting.trim_end().to_owned());
                words.insert(setting.trim_end().to_owned());
            }
            // The rows of a picture are labelled by cells, which no one looks for.
            let is_row = fields.contains_key("marks");
            for name in ["name", "label", "title", "text"] {
                if let Some(word) = text(name).filter(|_| !is_row) {
                    words.insert(word.to_owned());
                }
            }
            fields
                .values()
                .for_each(|field| look_into(field, depth + 1, facts, words));
        }
        _ => {}
    }
}

/// The number of a setting without its unit, as shown and in its shortest form: "-3.0 semitones" is -3.0, and -3.
fn without_unit(setting: &str) -> Vec<String> {
    let (number, _) = setting.split_once(' ').unwrap_or((setting, ""));
    match number.parse::<f64>() {
        Ok(value) if value.is_finite() => vec![number.to_owned(), value.to_string()],
        _ => Vec::new(),
    }
}
