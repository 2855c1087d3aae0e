//! The service record: what was found, measured, fitted and done at the bench, as the technician wrote it down.
//!
//! A small TOML file with everything in quotation marks, like the hand-set form. Nothing in it is reckoned with:
//! it is kept as written and shown in the report to the customer.

use serde::Deserialize;

use crate::blame::{Blame, Who};

/// Longest record read, in bytes.
const MAX_RECORD: usize = 1 << 20;

/// A filled service record.
#[derive(Clone, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ServiceRecord {
    /// What kind of file this is; always "service".
    pub form: String,
    /// When the work was finished.
    #[serde(default)]
    pub date: String,
    /// Who did it.
    #[serde(default)]
    pub by: String,
    /// The battery as found.
    #[serde(default)]
    pub found: Supply,
    /// The battery as fitted.
    #[serde(default)]
    pub fitted: Supply,
    /// What was done, a line each.
    #[serde(default)]
    pub work: Vec<String>,
    /// What was not done or could not be saved, a line each.
    #[serde(default)]
    pub exceptions: Vec<String>,
}

/// A battery with its measured figures, as written; empty where nothing was.
#[derive(Clone, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct Supply {
    /// Kind and number of cells.
    #[serde(default)]
    pub battery: String,
    /// Its date or age.
    #[serde(default)]
    pub dated: String,
    /// Its condition, or where it was put.
    #[serde(default)]
    pub condition: String,
    /// Voltage with the instrument off.
    #[serde(default)]
    pub voltage: String,
    /// Voltage at the memory's supply pin, instrument off.
    #[serde(default)]
    pub voltage_at_memory: String,
    /// Standby current, instrument off.
    #[serde(default)]
    pub standby_current: String,
}

impl Supply {
    /// What was written, with what each line is.
    pub fn lines(&self) -> [(&'static str, &str); 6] {
        [
            ("Battery", &self.battery),
            ("Dated", &self.dated),
            ("Condition", &self.condition),
            ("Voltage, instrument off", &self.voltage),
            ("Voltage at the memory", &self.voltage_at_memory),
            ("Standby current", &self.standby_current),
        ]
    }
}

/// A record that cannot be read.
#[derive(Debug, thiserror::Error)]
pub enum ServiceError {
    /// Not TOML, or not of this shape.
    #[error("line {line} of the service record: {message}")]
    Syntax {
        /// Line, counted from 1.
        line: usize,
        /// What is wrong with it.
        message: String,
    },
    /// TOML, but something else.
    #[error("this file is no service record: it has no line form = \"service\"")]
    NotARecord,
    /// Far too long.
    #[error("this file is no service record: it is {0} bytes long, a record has a few thousand")]
    TooLong(usize),
}

impl Blame for ServiceError {
    fn who(&self) -> Who {
        Who::File
    }

    fn hint(&self) -> Option<String> {
        Some("start from the record that `cellkeep sheet record` prints, and write between the quotation marks".into())
    }
}

/// The record to fill in.
pub fn blank() -> &'static str {
    include_str!("service.toml")
}

/// Reads a filled record.
///
/// # Errors
/// When it is not TOML of this shape.
pub fn read(text: &str) -> Result<ServiceRecord, ServiceError> {
    if text.len() > MAX_RECORD {
        return Err(ServiceError::TooLong(text.len()));
    }
    // Some editors of Windows put a byte-order mark first.
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    let record: ServiceRecord = toml::from_str(text).map_err(|e| ServiceError::Syntax {
        line: e.span().map_or(1, |s| {
            text.bytes().take(s.start).filter(|b| *b == b'\n').count() + 1
        }),
        message: crate::document::in_words(e.message()),
    })?;
    if record.form != "service" {
        return Err(ServiceError::NotARecord);
    }
    Ok(record)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::panic)]
    use super::*;

    #[test]
    fn the_blank_record_reads_as_empty() {
        let record = read(blank()).unwrap();
        let empty = |s: &Supply| s.lines().iter().all(|(_, text)| text.is_empty());
        assert!(empty(&record.found) && empty(&record.fitted));
        assert!(record.work.is_empty() && record.exceptions.is_empty());
    }

    #[test]
    fn mistakes_are_named_with_their_line() {
        let line = |text: &str| match read(text) {
            Err(ServiceError::Syntax { line, .. }) => line,
            other => panic!("{other:?}"),
        };
        assert_eq!(line("form = \"service\"\ndate = oops\n"), 2);
        assert_eq!(line("form = \"service\"\n\n[found]\nvolts = \"3\"\n"), 4);
        assert!(matches!(
            read("form = \"hand-set\"\n"),
            Err(ServiceError::NotARecord)
        ));
    }
}
