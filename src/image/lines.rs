//! Lines of a text form, with the wrong ones collected.

use super::form::{Form, FormError, WrongLine};
use crate::finding::{Finding, Place, Severity};

/// The lines of a file without their ends and trailing blanks, numbered from 1. Ends are LF, CR LF, or CR alone; the
/// end-of-file character of old systems is dropped.
pub(super) fn lines(text: &[u8]) -> impl Iterator<Item = (usize, &[u8])> {
    let mut rest = text.strip_prefix(b"\xef\xbb\xbf").unwrap_or(text);
    while let [head @ .., 0x1a] = rest {
        rest = head;
    }
    let end = if memchr::memchr(b'\n', rest).is_some() {
        b'\n'
    } else {
        b'\r'
    };
    let mut number = 0;
    std::iter::from_fn(move || {
        if rest.is_empty() {
            return None;
        }
        number += 1;
        let line = match memchr::memchr(end, rest) {
            Some(at) => {
                let line = &rest[..at];
                rest = &rest[at + 1..];
                line
            }
            None => std::mem::take(&mut rest),
        };
        Some((number, line.trim_ascii_end()))
    })
}

/// A line as it is shown in a message: shortened, and nothing in it that a terminal would obey.
pub(super) fn shown(line: &[u8]) -> String {
    const SHOWN: usize = 64;
    let text = line[..line.len().min(SHOWN)].escape_ascii().to_string();
    if line.len() > SHOWN {
        text + "..."
    } else {
        text
    }
}

/// Wrong lines of a file, and what to do about them.
pub(super) struct WrongLines {
    form: Form,
    skip: bool,
    lines: Vec<WrongLine>,
}

impl WrongLines {
    pub(super) fn new(form: Form, skip: bool) -> Self {
        Self {
            form,
            skip,
            lines: Vec::new(),
        }
    }

    pub(super) fn add(&mut self, line: usize, text: &[u8], says: impl Into<String>) {
        self.lines.push(WrongLine {
            line,
            says: says.into(),
            text: shown(text),
        });
    }

    /// All wrong lines as one error, or as findings where they are to be skipped.
    pub(super) fn settle(mut self, findings: &mut Vec<Finding>) -> Result<(), FormError> {
        // A form that is read in two passes finds them out of order.
        self.lines.sort_by_key(|wrong| wrong.line);
        if !self.skip && !self.lines.is_empty() {
            return Err(FormError::WrongLines {
                form: self.form,
                lines: self.lines,
            });
        }
        findings.extend(self.lines.into_iter().map(|wrong| {
            let says = format!("the line is left out: {}", wrong.says);
            at_line("file.wrong-line", Severity::Damage, wrong.line, says)
        }));
        Ok(())
    }
}

/// A finding about a line.
pub(super) fn at_line(code: &str, severity: Severity, line: usize, says: String) -> Finding {
    Finding::new(code, severity, says).at(Place {
        line: Some(line),
        ..Place::default()
    })
}
