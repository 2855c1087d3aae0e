//! `sheet plots`: what a picture of counts tells better than the counts.

use super::super::Outcome;
use super::super::open::ReadingArgs;
use super::PageArgs;
use super::patch::name;
use crate::sheet::plots::{Plots, plots};
use crate::sheet::view::Subject;
use crate::tally;

/// Plot how often each code was stored, where several reads differ, and which way bits went.
#[derive(clap::Args)]
#[command(after_help = "\
A code that is missing among common neighbours points to the converter that reads the panel. Dissent is drawn
for two and more reads of the same chips, change by direction where an earlier reading is given.

Examples:
  cellkeep sheet plots today -l pellow-six -o codes.html
  cellkeep sheet plots read-1 read-2 read-3 -l pellow-six -o dissent.html
  cellkeep sheet plots today --before last-visit -l pellow-six -o decay.html")]
pub(crate) struct Args {
    /// One reading, or several reads of the same chips
    #[arg(required = true)]
    readings: Vec<String>,
    /// An earlier reading: which way bits went since
    #[arg(long, value_name = "READING")]
    before: Option<String>,
    #[command(flatten)]
    files: ReadingArgs,
    #[command(flatten)]
    page: PageArgs,
}

pub(crate) fn run(args: &Args) -> Outcome {
    let Some(first) = args.readings.first() else {
        return Ok(super::Status::Clean);
    };
    let layout = args.files.layout_for(first)?;
    let mut decoded = Vec::new();
    for reading in &args.readings {
        decoded.push(args.files.decode(reading, &layout)?);
    }
    let mut told = Plots::default();
    let reads: Vec<_> = decoded.iter().map(|d| &d.reading).collect();
    if reads.len() > 1 {
        let names = args.readings.iter().map(|r| name(r)).collect();
        told.dissent = Some((names, tally::dissent(&reads)));
    }
    let mut facts = vec![(
        "From".to_owned(),
        args.readings
            .iter()
            .map(|r| name(r))
            .collect::<Vec<_>>()
            .join(", "),
    )];
    if let (Some(before), Some(after)) = (&args.before, reads.first()) {
        let earlier = args.files.decode(before, &layout)?;
        told.directions = tally::directions(&earlier.reading, after);
        facts.push(("Since".to_owned(), name(before)));
    }
    if let Some(one) = decoded.first() {
        told.histograms = tally::histograms(one);
    }
    let subject = Subject {
        instrument: layout.name.clone(),
        facts,
    };
    args.page.write(&plots(&subject, &told, args.page.paper()))
}
