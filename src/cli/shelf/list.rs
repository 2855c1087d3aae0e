//! `shelf list`: the jobs.

use super::super::output::say;
use super::super::{Outcome, Status};
use super::{Common, count, day, one_line, print_json};
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
        match open {
            None => say!("no job is on the shelf yet"),
            Some(true) => say!("no job is open"),
            Some(false) => say!("no job is closed"),
        }
        match open {
            Some(false) => say!("next: `cellkeep shelf list` shows every job"),
            _ => say!("next: `cellkeep shelf open --instrument NAME --serial NUMBER`"),
        }
    } else {
        say!("next: `cellkeep shelf show JOB`; a part of its name is enough");
    }
    Ok(Status::Clean)
}

/// One line a job.
pub(super) fn print_jobs(jobs: &[Listed]) {
    let width = |of: &dyn Fn(&Listed) -> usize| jobs.iter().map(of).max().unwrap_or(0);
    let subject = |job: &Listed| {
        let parts = [job.instrument.as_deref(), job.serial.as_deref()];
        one_line(&parts.into_iter().flatten().collect::<Vec<_>>().join(" "))
    };
    let name = width(&|j| j.job.chars().count());
    let whose = width(&|j| subject(j).chars().count());
    for job in jobs {
        let state = match (&job.instrument, &job.closed) {
            (None, _) => "unreadable".to_owned(),
            (_, None) => "open".to_owned(),
            (_, Some(at)) => format!("closed {}", day(at)),
        };
        let files = count(job.files, "file");
        let line = format!(
            "{:<name$}  {:<10}  {:<whose$}  {:<17}  v{:<3} {:>9}  {}",
            job.job,
            job.opened.as_deref().map(day).unwrap_or_default(),
            subject(job),
            state,
            job.head,
            files,
            one_line(job.complaint.as_deref().unwrap_or_default())
        );
        say!("{}", line.trim_end());
    }
}
