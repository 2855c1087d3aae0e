//! `encode`: an edited bank back onto the reading it came from.

use std::path::PathBuf;

use super::open::{self, OutputArgs, ReadingArgs};
use super::{Outcome, edited};
use crate::bank;
use crate::edit::Editor;
use crate::layout::model::BitPlace;
use crate::reading::Origin;

/// Put an edited bank back onto a reading, and write the chip files to program.
#[derive(clap::Args)]
#[command(after_help = "\
Only what differs from the reading is written; every other bit stays as it was read. Each changed bit is recorded
with its reason in the new folder. What the bank does not know stays in the chip files as the reading has it, since a chip
has no way to hold nothing; each such value is named, and its bits are unknown in reading.json, so that `decode`, `examine`
and `verify` of the new folder know that nobody vouches for them. A value that is taken out of the bank stays as it was read
and known.

Examples:
  cellkeep decode reading --json -o bank.json
  cellkeep encode bank.json --onto reading -o edited")]
pub(crate) struct Args {
    /// The bank, as `decode --json` writes it
    bank: PathBuf,
    /// The reading to put it onto
    #[arg(long, value_name = "READING")]
    onto: String,
    #[command(flatten)]
    files: ReadingArgs,
    #[command(flatten)]
    output: OutputArgs,
    /// Why, for the record
    #[arg(long, value_name = "TEXT")]
    why: Option<String>,
    /// Print the record of the changes as JSON
    #[arg(long)]
    json: bool,
}

pub(crate) fn run(args: &Args) -> Outcome {
    let bank = open::bank(&args.bank)?;
    let layout = args.files.layout_for(&args.onto)?;
    let decoded = args.files.decode(&args.onto, &layout)?;
    let mut codes = decoded.codes.clone();
    let bank::Applied { kept, carried, .. } = bank::apply(&bank, &layout, &mut codes)?;
    let mut editor = Editor::new(&decoded);
    editor.replace_codes(codes);
    let why = args.why.as_deref().unwrap_or("the bank says so");
    let mut edited = editor.finish("edited", why, Some(&args.bank.display().to_string()))?;
    // A person may have changed the code since: it is edited, whatever else the bank has it as.
    for (as_what, bits) in carried {
        let origin = Origin {
            why: format!("{why}; there it is marked as {as_what}"),
            ..edited.record.origin.clone()
        };
        edited.reading.mark(&bits, &origin);
    }
    let origin = Origin {
        verb: "unknown in the bank".to_owned(),
        why: format!("the file holds what {} reads there", args.onto),
        from: Some(args.bank.display().to_string()),
    };
    let bits: Vec<BitPlace> = kept.iter().flat_map(|v| v.bits.iter().copied()).collect();
    edited.leave_unknown(&layout, &decoded.reading, &bits, &origin);
    // What the files hold there, and that nobody vouches for it, is said once of all of them.
    let each = kept.iter();
    let remarks = each.map(|value| format!("{}: unknown in the bank", value.place));
    edited.record.remarks.extend(remarks);
    edited::write(
        &edited,
        &args.output,
        (&args.onto, &layout),
        &args.files,
        args.json,
    )
}
