//! `trace next`: the smallest further experiment.

use super::super::output::{place, print_text, say};
use super::super::{Outcome, Status};
use crate::document::to_json;
use crate::trace;

/// Tell the smallest further experiment that would settle what is open.
#[derive(clap::Args)]
#[command(mut_arg("layout", |a| a.help(super::NO_LAYOUT)))]
#[command(after_help = "\
Exit status 1 means that something is open.

Examples:
  cellkeep trace next plan.json reading1 reading2
  cellkeep trace next plan.json reading1 --output longer.json
  cellkeep trace solve longer.json reading1 reading2      once the new settings are saved and read")]
pub(crate) struct Args {
    #[command(flatten)]
    dialled: super::DialledArgs,
    #[command(flatten)]
    to: super::FileArgs,
    /// Print the lengthened plan as JSON
    #[arg(long)]
    json: bool,
}

pub(crate) fn run(args: &Args) -> Outcome {
    let (plan, readings) = args.dialled.load()?;
    let solution = trace::solve_in_order(&plan, &readings)?;
    let Some(next) = trace::next(&solution) else {
        if args.json {
            print_text(&to_json(&plan)?);
        } else {
            say!(
                "Nothing is open: every control is traced. Next: cellkeep trace solve with --output."
            );
        }
        return Ok(Status::Clean);
    };
    let json = to_json(&next.plan)?;
    if next.added > 0 {
        args.to.write(&json)?;
    }
    if args.json {
        print_text(&json);
        return Ok(Status::Findings);
    }
    let list = |title: &str, all: &[String]| {
        if !all.is_empty() {
            say!("{title}");
            all.iter().for_each(|o| say!("  {o}"));
            say!();
        }
    };
    list("Open:", &next.open);
    if !next.read_again.is_empty() {
        say!("Read again first, before anything further is dialled:");
        for (chip, reading) in &next.read_again {
            say!(
                "  {chip} of reading {reading}: it holds one value throughout there and does not in others"
            );
        }
        say!();
        say!(
            "Seat the clip, see to the supply, read the chip anew and put it into that reading. Where the presets hold something \
             else by now, save first what the sheet lists for that reading, and read every chip of it. Then run this again."
        );
        return Ok(Status::Findings);
    }
    list("Stays open, whatever more is dialled:", &next.stays);
    if next.added == 0 {
        say!(
            "No further settings are asked for, and nothing was written. Next: cellkeep trace solve with --output, whose \
             layout says at each parameter how sure it is."
        );
        return Ok(Status::Findings);
    }
    say!(
        "{} more settings would settle most of it. Leave every other control as setting {} has it.",
        next.added,
        plan.settings.len()
    );
    super::plan::settings(&next.plan, plan.settings.len(), plan.readings());
    match &args.to.output {
        Some(out) => say!(
            "Then read the chips and run: cellkeep trace solve {} {} NEW-READING{}",
            place(&out.display().to_string()),
            args.dialled.readings_again(),
            args.dialled.files.files_again()
        ),
        None => say!(
            "Nothing was written: add --output longer.json, which solve needs for the new reading."
        ),
    }
    Ok(Status::Findings)
}
