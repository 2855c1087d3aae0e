//! `trace next`: the smallest further experiment.

use std::path::PathBuf;

use super::super::open::ReadingArgs;
use super::super::output::{print_text, say};
use super::super::{Outcome, Status};
use crate::document::to_json;
use crate::reading::place;
use crate::trace;

/// Tell the smallest further experiment that would settle what is open.
#[derive(clap::Args)]
#[command(after_help = "\
Exit status 1 means that something is open.

Examples:
  cellkeep trace next plan.json reading1 reading2
  cellkeep trace next plan.json reading1 --out longer.json
  cellkeep trace solve longer.json reading1 reading2      once the new settings are saved and read")]
pub(crate) struct Args {
    /// The plan
    plan: PathBuf,
    /// Its readings, one after the other
    #[arg(required = true)]
    readings: Vec<String>,
    /// Write the lengthened plan here
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
    /// Replace the file if it is there
    #[arg(long)]
    replace: bool,
    #[command(flatten)]
    files: ReadingArgs,
    /// Print the lengthened plan as JSON
    #[arg(long)]
    json: bool,
}

pub(crate) fn run(args: &Args) -> Outcome {
    let plan = super::load_plan(&args.plan)?;
    let readings = super::load_readings(&args.files, &args.readings)?;
    let solution = trace::solve(&plan, &readings)?;
    let Some(next) = trace::next(&solution) else {
        if args.json {
            print_text(&to_json(&plan)?);
        } else {
            say!(
                "Nothing is open: every control is traced. Next: cellkeep trace solve with --out."
            );
        }
        return Ok(Status::Clean);
    };
    let json = to_json(&next.plan)?;
    if let Some(out) = &args.out {
        place::write_file(out, json.as_bytes(), args.replace)?;
    }
    if args.json {
        print_text(&json);
        return Ok(Status::Findings);
    }
    say!("Open:");
    for o in &next.open {
        say!("  {o}");
    }
    say!();
    say!(
        "{} more settings would settle most of it. Leave every other control as setting {} has it.",
        next.added,
        plan.settings.len()
    );
    super::plan::settings(&next.plan, plan.settings.len(), plan.readings());
    match &args.out {
        Some(out) => say!(
            "Then read the chips and run: cellkeep trace solve {} {} NEW-READING",
            out.display(),
            args.readings.join(" ")
        ),
        None => say!(
            "Nothing was written: add --out longer.json, which solve needs for the new reading."
        ),
    }
    Ok(Status::Findings)
}
