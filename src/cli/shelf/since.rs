//! `shelf since`: what changed since a date.

use super::super::output::say;
use super::super::{Outcome, Status};
use super::{Common, print_json};
use crate::compare;
use crate::shelf::{Change, Since};

/// Tell what changed since a date, over all visits of the instrument.
#[derive(clap::Args)]
#[command(after_help = "\
Compares the last version made before the date with the one made last: what was done, which files and which values
differ. The values are those of the last reading of each, decoded by the layout kept in the job.

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
    let status = if since.is_same() {
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
    if since.nothing_before {
        say!(
            "  no version was made before {}: compared from the first there is",
            args.date
        );
    }
    for doubt in &since.doubts {
        say!("  caution: {doubt}");
    }
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
    print_values(&since, args.values);
    say!("{}", next(&since));
    Ok(status)
}

fn print_values(since: &Since, most: usize) {
    let Some(compared) = &since.compared else {
        let why = since.not_compared.as_deref().unwrap_or_default();
        say!("values: not compared: {why}");
        return;
    };
    let by = match &compared.layout {
        Some(layout) => format!(", by the layout {layout}"),
        None => String::new(),
    };
    say!("values: {} held against {}{by}", compared.to, compared.from);
    for moved in &since.moves {
        say!("  {}", compare::sentence(moved));
    }
    print("values", &since.values, most);
    if compared.other_bits > 0 {
        say!(
            "bits without a meaning in the layout that differ: {}",
            compared.other_bits
        );
    }
    if compared.incomparable_bits > 0 {
        say!("bits known at one end only: {}", compared.incomparable_bits);
    }
}

fn next(since: &Since) -> String {
    match &since.compared {
        _ if since.is_same() && since.not_compared.is_none() => {
            "next: nothing; nothing changed since then".to_owned()
        }
        Some(compared) if compared.layout.is_some() => format!(
            "next: `cellkeep compare {} {}` shows the memory itself",
            compared.from, compared.to
        ),
        _ => format!(
            "next: `cellkeep shelf show {}@v{}` and `cellkeep shelf show {}@v{}` show what each holds",
            since.from.job, since.from.version, since.to.job, since.to.version
        ),
    }
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
