//! `shelf list`: the jobs.

use super::super::output::say;
use super::super::{Outcome, Status};
use super::{Common, day, print_json};
use crate::shelf::{JobList, Listed};

/// List the jobs, the latest first.
#[derive(clap::Args)]
#[command(after_help = "\
Examples:
  cellkeep shelf list
  cellkeep shelf list --open")]
pub(super) struct Args {
    /// Only jobs that are open
    #[arg(long, conflicts_with = "closed")]
    open: bool,
    /// Only jobs that are closed
    #[arg(long)]
    closed: bool,
}

pub(super) fn run(common: &Common, args: &Args) -> Outcome {
    let shelf = common.shelf()?;
    let open = match (args.open, args.closed) {
        (true, _) => Some(true),
        (_, true) => Some(false),
        _ => None,
    };
    let jobs = shelf.list(open)?;
    if common.json {
        print_json(&JobList { jobs })?;
        return Ok(Status::Clean);
    }
    print_jobs(&jobs);
    if jobs.is_empty() {
        say!("no job is on the shelf yet");
        say!("next: `cellkeep shelf open --instrument NAME --serial NUMBER`");
    } else {
        say!("next: `cellkeep shelf show JOB`; a part of its name is enough");
    }
    Ok(Status::Clean)
}

/// One line a job.
pub(super) fn print_jobs(jobs: &[Listed]) {
    let name = jobs.iter().map(|j| j.job.len()).max().unwrap_or(0);
    for job in jobs {
        let state = match (&job.instrument, &job.closed) {
            (None, _) => "unreadable".to_owned(),
            (_, None) => "open".to_owned(),
            (_, Some(at)) => format!("closed {}", day(at)),
        };
        let files = match job.files {
            1 => "1 file".to_owned(),
            n => format!("{n} files"),
        };
        let line = format!(
            "{:<name$}  {:<17}  v{:<3} {:>9}  {}",
            job.job,
            state,
            job.head,
            files,
            job.complaint.as_deref().unwrap_or_default()
        );
        say!("{}", line.trim_end());
    }
}
