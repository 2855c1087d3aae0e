//! `shelf index`: the finding aid made anew.

use super::super::output::{Bar, say};
use super::super::{Outcome, Status};
use super::{Common, count, print_json};

/// Make the index anew from the jobs on the shelf.
#[derive(clap::Args)]
#[command(after_help = "\
The index is only a finding aid: everything in it comes from the jobs' own files.

Examples:
  cellkeep shelf index")]
pub(super) struct Args {}

pub(super) fn run(common: &Common, _args: &Args) -> Outcome {
    let shelf = common.shelf()?;
    let begun = std::time::Instant::now();
    let bar = Bar::new("jobs");
    let rebuilt = shelf.rebuild_index(Some(&|done, whole| bar.add(done, whole)))?;
    bar.finish();
    let whole = rebuilt.unread.is_empty() && rebuilt.gone.is_empty();
    let status = if whole {
        Status::Clean
    } else {
        Status::Findings
    };
    if common.json {
        print_json(&rebuilt)?;
        return Ok(status);
    }
    say!(
        "the index knows {}, made in {:.1} s",
        count(rebuilt.jobs, "job"),
        begun.elapsed().as_secs_f64()
    );
    for job in &rebuilt.unread {
        say!("  not read: {job}");
    }
    for job in &rebuilt.gone {
        say!("  gone: the whole folder jobs/{job} is missing");
    }
    if whole {
        say!("next: `cellkeep shelf find WORDS`");
    } else if rebuilt.gone.is_empty() {
        say!("next: `cellkeep shelf audit`; these jobs are in the index by their names alone");
    } else {
        say!(
            "next: bring back what is gone from another copy of the shelf with `cellkeep shelf take-in`, or try \
             `cellkeep shelf repair`; then `cellkeep shelf audit`"
        );
    }
    Ok(status)
}
