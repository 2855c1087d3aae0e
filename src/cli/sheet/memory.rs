//! `sheet memory`: a picture of each chip.

use std::path::PathBuf;

use super::super::Outcome;
use super::super::open::ReadingArgs;
use super::patch::name;
use super::{PageArgs, noticed};
use crate::bank;
use crate::sheet;
use crate::sheet::view::Subject;

/// Draw the cells of each chip as they lie in it and as the instrument addresses them.
#[derive(clap::Args)]
#[command(after_help = "\
Owners are told by colour and hatching, changes and findings on top. A fault of a data line shows as a whole
square, one of an address line as rows or columns. In a browser the pointer or the arrow keys name each bit.

Examples:
  cellkeep sheet memory reading -l aldermoor-four -o memory.html
  cellkeep examine today --json > examination.json
  cellkeep sheet memory today --findings examination.json -o faults.html
  cellkeep sheet memory today --before last-visit -o memory.html")]
pub(crate) struct Args {
    /// The reading
    reading: String,
    /// An earlier reading: mark what changed since
    #[arg(long, value_name = "READING")]
    before: Option<String>,
    /// Mark what this examination found (what `cellkeep examine --json` wrote)
    #[arg(long, value_name = "FILE")]
    findings: Option<PathBuf>,
    #[command(flatten)]
    files: ReadingArgs,
    #[command(flatten)]
    page: PageArgs,
}

pub(crate) fn run(args: &Args) -> Outcome {
    let layout = args.files.layout_for(&args.reading)?;
    let decoded = args.files.decode(&args.reading, &layout)?;
    let before = match &args.before {
        Some(before) => Some(args.files.decode(before, &layout)?),
        None => None,
    };
    let mut facts = vec![("From".to_owned(), name(&args.reading))];
    facts.extend(args.before.iter().map(|b| ("Since".to_owned(), name(b))));
    let subject = Subject {
        instrument: layout.name.clone(),
        facts,
    };
    let mut found = decoded.reading.findings.clone();
    found.extend(bank::findings(&decoded));
    if let Some(path) = &args.findings {
        found.extend(noticed::from_file(path, Some(&decoded.reading))?);
    }
    let source = sheet::memory::Source {
        layout: &layout,
        reading: Some(&decoded.reading),
        before: before.as_ref().map(|b| &b.reading),
        findings: &found,
    };
    args.page
        .write(&sheet::memory::memory(&subject, source, args.page.paper()))
}
