//! `shelf since`: what changed since a date.

use super::super::output::say;
use super::super::{Outcome, Status};
use super::{Common, print_json};
use crate::shelf::Change;

/// Tell what changed since a date, over all visits of the instrument.
#[derive(clap::Args)]
#[command(after_help = "\
Compares the last version made before the date with the latest: what was done, which files and which values differ.

Examples:
  cellkeep shelf since 2019 quillon-72-0042
  cellkeep shelf since 2024-06-01 quillon-72-0042 --values 50

Exit status: 0 with nothing changed, 1 with changes.")]
pub(super) struct Args {
    /// A year, a month or a day
    date: String,
    /// One visit of the instrument; the others are found by its serial number
    job: String,
    /// How many values and files to print at most
    #[arg(long, value_name = "COUNT", default_value_t = 40)]
    values: usize,
}

pub(super) fn run(common: &Common, args: &Args) -> Outcome {
    let shelf = common.shelf()?;
    let job = shelf.job_named(&args.job)?;
    let since = shelf.since(&job, &args.date)?;
    let same = since.steps.is_empty() && since.files.is_empty() && since.values.is_empty();
    let status = if same {
        Status::Clean
    } else {
        Status::Findings
    };
    if common.json {
        print_json(&since)?;
        return Ok(status);
    }
    say!(
        "{} {}",
        since.instrument,
        since.serial.as_deref().unwrap_or_default()
    );
    for (word, step) in [("from", &since.from), ("to", &since.to)] {
        say!(
            "  {word:<4} {}@v{}  {}  {}",
            step.job,
            step.version,
            step.at,
            step.says
        );
    }
    for step in &since.steps {
        say!(
            "  {}  {}@v{}  {}: {}",
            step.at,
            step.job,
            step.version,
            step.by,
            step.says
        );
    }
    print("files", &since.files, args.values);
    print("values", &since.values, args.values);
    if same {
        say!("next: nothing; nothing changed since then");
    } else {
        say!(
            "next: `cellkeep compare shelf:{}@v{}/as-found shelf:{}@v{}/as-found` shows the memory itself",
            since.from.job,
            since.from.version,
            since.to.job,
            since.to.version
        );
    }
    Ok(status)
}

fn print(what: &str, changes: &[Change], most: usize) {
    say!("{what} that differ: {}", changes.len());
    for change in changes.iter().take(most) {
        match (&change.was, &change.is) {
            (Some(was), Some(is)) => say!("  {}: {} -> {}", change.what, short(was), short(is)),
            (None, Some(_)) => say!("  {}: new", change.what),
            _ => say!("  {}: not there any more", change.what),
        }
    }
    if changes.len() > most {
        say!(
            "  and {} more; --values COUNT prints more, --json all",
            changes.len() - most
        );
    }
}

/// A digest by its beginning, anything else whole.
fn short(text: &str) -> &str {
    let digest = text.len() >= 64 && text.bytes().all(|b| b.is_ascii_hexdigit());
    if digest { &text[..12] } else { text }
}
