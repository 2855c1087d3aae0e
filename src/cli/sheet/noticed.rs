//! Findings out of documents that other commands wrote.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use serde_json::Value;

use super::super::Failure;
use super::super::output::error_line;
use crate::blame::{Blame, Who};
use crate::examine::{EntryVerdict, Verdict};
use crate::finding::{Finding, Place, Severity};
use crate::reading::{ChipDigest, Reading};

/// Deepest nesting looked into.
const DEEPEST: usize = 32;

#[derive(Debug, thiserror::Error)]
#[error("{}: not a document with findings: {says}", path.display())]
struct NoDocument {
    path: PathBuf,
    says: String,
}

impl Blame for NoDocument {
    fn who(&self) -> Who {
        Who::File
    }

    fn hint(&self) -> Option<String> {
        Some("give the file that `cellkeep examine --json` wrote".to_owned())
    }
}

#[derive(Debug, thiserror::Error)]
#[error("{}: its findings are about other contents: chip {chip} differs", path.display())]
struct OtherReading {
    path: PathBuf,
    chip: String,
}

impl Blame for OtherReading {
    fn who(&self) -> Who {
        Who::Caller
    }

    fn hint(&self) -> Option<String> {
        Some("examine this reading, `cellkeep examine READING --json > FILE`, and give that file: marks of another would stand where nothing is wrong".to_owned())
    }
}

/// The findings of a document on disk, which are to be marked on this reading. Where it cannot be known whether they are about
/// it, that is said.
///
/// # Errors
/// When it is no document with findings, or one about another reading.
pub(super) fn from_file(path: &Path, reading: Option<&Reading>) -> Result<Vec<Finding>, Failure> {
    let bytes = super::super::inputs::read(path)?;
    let not = |says: String| NoDocument {
        path: path.to_owned(),
        says,
    };
    let document: Value = serde_json::from_slice(&bytes).map_err(|e| not(e.to_string()))?;
    if document.get("findings").is_none() {
        return Err(not("it has no part \"findings\"".to_owned()).into());
    }
    let unknown = match (reading, &about(&document)[..]) {
        (None, _) => Some("a bank does not say which reading it is from"),
        (_, []) => Some("it was written before that was recorded, or does not say"),
        (Some(reading), about) => {
            let differs = |chips: &Vec<ChipDigest>| reading.differs_from(chips);
            let others: Option<Vec<String>> = about.iter().map(differs).collect();
            match others.as_deref() {
                None => None,
                Some(_) if document.get("layout").is_some_and(Value::is_null) => {
                    Some("it was examined without a layout, which may put chips otherwise")
                }
                Some(chips) => {
                    return Err(OtherReading {
                        path: path.to_owned(),
                        chip: chips.first().cloned().unwrap_or_default(),
                    }
                    .into());
                }
            }
        }
    };
    if let Some(why) = unknown {
        error_line(format_args!(
            "caution  whether {} is about this reading cannot be checked: {why}",
            path.display()
        ));
    }
    Ok(of_document(&document))
}

/// The contents that a document says it is about: those of its chips, and of each of the reads it was made from.
fn about(document: &Value) -> Vec<Vec<ChipDigest>> {
    let chips = |of: &Value| -> Option<Vec<ChipDigest>> {
        let chips = serde_json::from_value::<Vec<ChipDigest>>(of.get("chips")?.clone()).ok()?;
        (!chips.is_empty()).then_some(chips)
    };
    let reads = document.get("reads").and_then(Value::as_array);
    let reads = reads.into_iter().flatten().filter_map(chips);
    chips(document).into_iter().chain(reads).collect()
}

/// The findings of any document, each once, with the verdicts on entries that are not sound.
pub(super) fn of_document(document: &Value) -> Vec<Finding> {
    let mut found = BTreeMap::new();
    collect(document, 0, &mut found);
    found.into_values().collect()
}

/// Findings and verdicts are recognised by their shape, whatever document they are in.
fn collect(value: &Value, depth: usize, found: &mut BTreeMap<(String, String, String), Finding>) {
    if depth > DEEPEST {
        return;
    }
    match value {
        Value::Array(items) => items.iter().for_each(|v| collect(v, depth + 1, found)),
        Value::Object(fields) => {
            let finding = serde_json::from_value::<Finding>(value.clone()).ok();
            let finding = finding.or_else(|| {
                let verdict = serde_json::from_value::<EntryVerdict>(value.clone()).ok()?;
                told(&verdict)
            });
            match finding {
                Some(finding) => {
                    let place = finding.place.entries.join("; ");
                    let key = (finding.code.clone(), finding.says.clone(), place);
                    found.insert(key, finding);
                }
                None => fields.values().for_each(|v| collect(v, depth + 1, found)),
            }
        }
        _ => {}
    }
}

/// A verdict as a finding about its entry.
fn told(verdict: &EntryVerdict) -> Option<Finding> {
    let severity = match verdict.verdict {
        Verdict::Sound | Verdict::Blank => return None,
        Verdict::Suspect => Severity::Caution,
        Verdict::Damaged => Severity::Damage,
    };
    let code = format!("entry.{}", verdict.verdict.word());
    Some(
        Finding::new(&code, severity, verdict.why.clone()).at(Place {
            entries: vec![verdict.entry.clone()],
            parameters: verdict.parameters.clone(),
            ..Place::default()
        }),
    )
}
