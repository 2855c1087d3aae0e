//! What every editing command has: where it edits, where the result goes, and what it says at the end.

use super::open::{OutputArgs, ReadingArgs};
use super::output::{number, place, print_text, say};
use super::{Failure, Outcome, Status};
use crate::document;
use crate::edit::{Edited, Selector};
use crate::layout::model::Layout;
use crate::shelf::Role;

/// The file in the new folder that records an edit.
const RECORD: &str = "changes.json";

/// Parameters listed before the rest is only counted.
const LISTED: usize = 40;

/// The options that every editing command takes.
#[derive(clap::Args)]
pub(crate) struct EditArgs {
    /// Only this area
    #[arg(long, value_name = "AREA")]
    area: Option<String>,
    #[command(flatten)]
    pub(crate) files: ReadingArgs,
    #[command(flatten)]
    output: OutputArgs,
    /// Print the record of the changes as JSON
    #[arg(long)]
    json: bool,
}

impl EditArgs {
    /// A place, within the area that was named.
    pub(crate) fn place(&self, place: &Selector) -> Selector {
        place.clone().in_area(self.area.as_deref())
    }

    /// Writes the new reading with its record, and says what changed.
    pub(crate) fn write(&self, edited: &Edited, (onto, layout): (&str, &Layout)) -> Outcome {
        write(edited, &self.output, (onto, layout), &self.files, self.json)
    }
}

pub(crate) fn write(
    edited: &Edited,
    output: &OutputArgs,
    (onto, layout): (&str, &Layout),
    files: &ReadingArgs,
    json: bool,
) -> Outcome {
    let record = &edited.record;
    let text = document::to_json(record)?;
    let also = vec![(RECORD.to_owned(), text.clone().into_bytes())];
    let written: Result<Vec<String>, Failure> = output.write(&edited.reading, layout, also);
    let written = written?;
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
            "{} of mirrored copies brought in line",
            number(record.copied_bits, "bit")
        );
    }
    for remark in record.remarks.iter().take(LISTED) {
        say!("left out: {remark}");
    }
    if record.remarks.len() > LISTED {
        say!(
            "... and {} more left out, all in {RECORD}",
            record.remarks.len() - LISTED
        );
    }
    let folder = output.place(Role::AsWritten);
    say!(
        "{} and {} changed; wrote {} to {folder}",
        number(record.parameters.len(), "parameter"),
        number(record.cells.len(), "cell"),
        written.join(", ")
    );
    // The files have no way to say that a bit is not known.
    let chips = edited.reading.chips.iter();
    let unknown: u64 = chips.map(|c| c.image.unknown_bits()).sum();
    if unknown > 0 {
        say!(
            "caution: of {onto} {} {} not known, and 0 in the files written: a chip that is programmed from them loses what it held there",
            number(unknown, "bit"),
            if unknown == 1 { "is" } else { "are" }
        );
    }
    if record.cells.is_empty() {
        say!("next: nothing differs from {onto}; the files hold what was read");
    } else {
        let then = match (record.remarks.is_empty(), unknown) {
            (true, 0) => "then program the chips",
            (false, _) => "program the chips once what was left out is settled",
            (true, _) => "program the chips once what is not known is read or mended",
        };
        say!(
            "next: `cellkeep compare {} {}{}` shows that nothing else moved; {then}",
            place(onto),
            place(&folder),
            files.again_from(onto, Some(layout))
        );
    }
    Ok(Status::Clean)
}
