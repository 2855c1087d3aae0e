//! What every editing command does last: write the new reading with its record, and say what changed.

use super::open::OutputArgs;
use super::output::{print_text, say};
use super::{Failure, Outcome, Status};
use crate::document;
use crate::edit::Edited;
use crate::shelf::Role;

/// The file in the new folder that records an edit.
const RECORD: &str = "changes.json";

/// Parameters listed before the rest is only counted.
const LISTED: usize = 40;

pub(crate) fn write(edited: &Edited, output: &OutputArgs, onto: &str, json: bool) -> Outcome {
    let record = &edited.record;
    let text = document::to_json(record)?;
    let also = vec![(RECORD.to_owned(), text.clone().into_bytes())];
    let files: Result<Vec<String>, Failure> = output.write(&edited.reading, also);
    let files = files?;
    if json {
        print_text(&text);
        return Ok(Status::Clean);
    }
    for change in record.parameters.iter().take(LISTED) {
        say!(
            "{}, {}: {}  {} -> {}",
            change.area,
            change.entry,
            change.key,
            change.before,
            change.after
        );
    }
    if record.parameters.len() > LISTED {
        say!(
            "... and {} more, all in {RECORD}",
            record.parameters.len() - LISTED
        );
    }
    for check in &record.checks {
        say!("check brought in line: {check}");
    }
    if record.copied_bits > 0 {
        say!(
            "{} bits of mirrored copies brought in line",
            record.copied_bits
        );
    }
    for remark in &record.remarks {
        say!("left out: {remark}");
    }
    let folder = output.place(Role::AsWritten);
    say!(
        "{} parameters and {} cells changed; wrote {} to {folder}",
        record.parameters.len(),
        record.cells.len(),
        files.join(", ")
    );
    if record.cells.is_empty() {
        say!("next: nothing differs from {onto}; the files hold what was read");
    } else {
        say!(
            "next: `cellkeep compare {onto} {folder}` shows that nothing else moved; then program the chips"
        );
    }
    Ok(Status::Clean)
}
