//! `shelf index`: the finding aid made anew.

use super::super::output::{Bar, say};
use super::super::{Outcome, Status};
use super::Common;

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
    let (count, unread) = shelf.rebuild_index(Some(&|done, whole| bar.add(done, whole)))?;
    bar.finish();
    say!(
        "the index knows {count} jobs, made in {:.1} s",
        begun.elapsed().as_secs_f64()
    );
    for job in &unread {
        say!("  not read: {job}");
    }
    if !unread.is_empty() {
        say!("next: `cellkeep shelf audit`; these jobs are in the index by their names alone");
        return Ok(Status::Findings);
    }
    say!("next: `cellkeep shelf find WORDS`");
    Ok(Status::Clean)
}
