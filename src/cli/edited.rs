//! What every editing command has: where it edits, where the result goes, and what it says at the end.

use super::open::{OutputArgs, ReadingArgs};
use super::output::{are, number, place, print_text, say};
use super::{Outcome, Status};
use crate::document;
use crate::edit::{Edited, Selector};
use crate::layout::model::Layout;
use crate::shelf::Role;

/// The file in the new folder that records an edit.
const RECORD: &str = "changes.json";

/// Changes, and remarks, listed before the rest is only counted.
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
    let written = output.write(&edited.reading, layout, also, &edited.held)?;
    if json {
        print_text(&text);
        return Ok(Status::Clean);
    }
    let changes = record.parameters.iter().map(|c| {
        format!(
            "{}, {}: {}  {} -> {}",
            c.area, c.entry, c.key, c.before, c.after
        )
    });
    listed(changes, "");
    for check in &record.checks {
        say!("check brought in line: {check}");
    }
    if record.copied_bits > 0 {
        say!(
            "{} of mirrored copies brought in line",
            number(record.copied_bits, "bit")
        );
    }
    let remarks = record.remarks.iter();
    listed(remarks.map(|r| format!("left out: {r}")), " left out");
    let folder = output.place(Role::AsWritten);
    say!(
        "{} and {} changed; wrote {} to {folder}",
        number(record.parameters.len(), "parameter"),
        number(record.cells.len(), "cell"),
        written.join(", ")
    );
    let unknown = Unknown::of(edited);
    if unknown.zeroed > 0 {
        say!(
            "caution: of {onto} {} not known, and 0 in the files written: a chip that is programmed from them loses what it held there",
            are(unknown.zeroed)
        );
    }
    if unknown.held > 0 {
        say!(
            "caution: {} not vouched for by anybody: the files hold what was read there, and reading.json has them as unknown",
            are(unknown.held)
        );
    }
    if record.cells.is_empty() && unknown.held == 0 {
        say!(
            "next: nothing differs from {onto}; {}",
            match unknown.zeroed {
                0 => "the files hold what was read",
                _ => "the files hold what is known of it",
            }
        );
    } else if record.cells.is_empty() {
        say!(
            "next: nothing was changed, and what was left out is not settled by it: `cellkeep mend {}{} -o mend.toml` says what it most likely was",
            place(&folder),
            files.again_from(onto, Some(layout))
        );
    } else {
        let then = match (record.remarks.is_empty(), unknown.held + unknown.zeroed) {
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

/// Prints what fits, and how much more the record has.
fn listed(lines: impl ExactSizeIterator<Item = String>, what: &str) {
    let more = lines.len().saturating_sub(LISTED);
    for line in lines.take(LISTED) {
        say!("{line}");
    }
    if more > 0 {
        say!("... and {more} more{what}, all in {RECORD}");
    }
}

/// Bits that the new reading does not know.
#[derive(Default)]
struct Unknown {
    /// Of which the files hold what was read.
    held: u64,
    /// Of which they hold 0: files have no way to say that a bit is not known.
    zeroed: u64,
}

impl Unknown {
    fn of(edited: &Edited) -> Self {
        let mut out = Self::default();
        for (c, chip) in edited.reading.chips.iter().enumerate() {
            let unknown = chip.image.unknown_bits();
            let held = edited.held.get(c);
            let zeroed = held.map_or(unknown, |h| h.unknown_bits());
            out.zeroed += zeroed;
            out.held += unknown - zeroed.min(unknown);
        }
        out
    }
}
