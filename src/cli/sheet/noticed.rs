//! Findings out of documents that other commands wrote.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use serde_json::Value;

use super::super::Failure;
use crate::blame::{Blame, Who};
use crate::examine::{EntryVerdict, Verdict};
use crate::finding::{Finding, Place, Severity};

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

/// The findings of a document on disk.
pub(super) fn from_file(path: &Path) -> Result<Vec<Finding>, Failure> {
    let bytes = super::super::inputs::read(path)?;
    let not = |says: String| NoDocument {
        path: path.to_owned(),
        says,
    };
    let document: Value = serde_json::from_slice(&bytes).map_err(|e| not(e.to_string()))?;
    if document.get("findings").is_none() {
        return Err(not("it has no part \"findings\"".to_owned()).into());
    }
    Ok(of_document(&document))
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
