//! `decode`: chip files in, labelled presets out.

use std::path::PathBuf;

use super::open::ReadingArgs;
use super::output::{place, print_pieces, print_text, say};
use super::shelved::{ShelfArgs, layout_files};
use super::{Outcome, findings};
use crate::bank::{self, Bank};
use crate::document;
use crate::hand_set;
use crate::shelf::{Role, incoming_bytes};

/// How a bank is printed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
enum As {
    /// One line a value, stable enough to diff.
    Listing,
    /// One row a parameter, one column an entry.
    Table,
    /// Comma-separated values.
    Csv,
    /// The bank document, which can be edited and encoded again.
    Json,
}

/// Turn the chip files of a reading into labelled presets.
#[derive(clap::Args)]
#[command(after_help = "\
A READING is a folder with a file per chip, the file of a single chip, or CHIP=FILE,CHIP=FILE.
What is wrong with the reading is said on standard error; the presets are still decoded.

Examples:
  cellkeep decode reading -l pellow-six
  cellkeep decode reading --as table
  cellkeep decode reading --json -o bank.json     the bank, to keep or to edit
  cellkeep decode shelf:quillon-72-0042/as-found --shelf quillon-72-0042   onto the shelf
  cellkeep decode IC14=read1.hex -l pellow-six --as csv > presets.csv")]
pub(crate) struct Args {
    /// The reading
    reading: String,
    #[command(flatten)]
    files: ReadingArgs,
    /// How to print it
    #[arg(
        long = "as",
        value_name = "HOW",
        default_value = "listing",
        conflicts_with = "json"
    )]
    how: As,
    /// The same as --as json
    #[arg(long)]
    json: bool,
    /// Only these entries: preset=12, or preset=3-5,voice=1
    #[arg(long, value_name = "PLACE")]
    only: Option<crate::edit::Selector>,
    /// Only this area
    #[arg(long, value_name = "AREA")]
    area: Option<String>,
    /// Take the positions noted by hand from this filled form
    #[arg(long, value_name = "FILE")]
    hand_set: Option<PathBuf>,
    /// Write to this file in place of standard output
    #[arg(short, long, value_name = "FILE")]
    output: Option<PathBuf>,
    /// Replace the file if it is there
    #[arg(long)]
    replace: bool,
    #[command(flatten)]
    shelf: ShelfArgs,
}

pub(crate) fn run(args: &Args) -> Outcome {
    let layout = args.files.layout_for(&args.reading)?;
    let decoded = args.files.decode(&args.reading, &layout)?;
    let mut found = decoded.reading.findings.clone();
    found.extend(bank::findings(&decoded));
    let how = if args.json { As::Json } else { args.how };
    let whole = args.only.is_none() && args.area.is_none() && args.hand_set.is_none();
    if how == As::Listing && whole && args.output.is_none() && args.shelf.job.is_none() {
        findings::to_stderr(&found);
        print_pieces(|out| bank::list_decoded(&decoded, out));
        return Ok(findings::status(&found));
    }
    let mut bank = Bank::new(&decoded);
    if let Some(form) = &args.hand_set {
        let text = super::shelved::read_text(form)?;
        let (filled, noticed) = hand_set::read_form(&layout, &text)?;
        bank.hand_set = Some(filled);
        found.extend(noticed);
    }
    // The job gets the whole bank, whatever is shown of it; but nothing before all that can fail has been done.
    let whole = args.shelf.job.is_some().then(|| document::to_json(&bank));
    let whole = whole.transpose()?;
    if args.only.is_some() || args.area.is_some() {
        let selector = args
            .only
            .clone()
            .unwrap_or_default()
            .in_area(args.area.as_deref());
        keep_only(&mut bank, &layout, &selector)?;
    }
    let text = match how {
        As::Listing => bank::listing(&bank),
        As::Table => bank::table(&bank, super::output::columns()),
        As::Csv => bank::csv(&bank),
        As::Json => document::to_json(&bank)?,
    };
    if let Some(path) = &args.output {
        super::inputs::write_file(path, text.as_bytes(), args.replace)?;
    }
    if let Some(document) = whole {
        let bank = incoming_bytes(Role::Bank, "bank.json", document.into_bytes());
        let mut files = layout_files(&layout);
        files.insert(0, bank);
        args.shelf.put(files, args.replace)?;
    }
    findings::to_stderr(&found);
    match &args.output {
        None if matches!(how, As::Csv) => super::output::print_lines_crlf(&text),
        None => print_text(&text),
        Some(path) => {
            say!("wrote {}", path.display());
            say!("{}", next(args, &found));
        }
    }
    Ok(findings::status(&found))
}

fn next(args: &Args, found: &[crate::finding::Finding]) -> String {
    let (reading, again) = (place(&args.reading), args.files.again());
    match findings::tally(found) {
        Some(tally) => format!("next: {tally}; `cellkeep examine {reading}{again}` says what most likely caused them"),
        None => "next: nothing is wrong with this reading by its own checks; put it on the shelf before the battery comes out".to_owned(),
    }
}

/// Leaves only the selected entries in a bank.
fn keep_only(
    bank: &mut Bank,
    layout: &crate::layout::model::Layout,
    selector: &crate::edit::Selector,
) -> Result<(), super::Failure> {
    let wanted = selector.resolve(layout)?;
    for (a, area) in layout.areas.iter().enumerate() {
        let keep: &[usize] = wanted.iter().find(|w| w.0 == a).map_or(&[], |w| &w.1);
        if let Some(labelled) = bank.areas.iter_mut().find(|x| x.name == area.name) {
            let mut entry = 0;
            labelled.entries.retain(|_| {
                entry += 1;
                keep.contains(&(entry - 1))
            });
        }
    }
    bank.areas.retain(|a| !a.entries.is_empty());
    Ok(())
}
