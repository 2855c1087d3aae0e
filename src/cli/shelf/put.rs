//! `shelf put`: files into a job.

use std::path::PathBuf;

use super::super::Outcome;
use super::{Common, role, tell_done};
use crate::shelf::Role;

/// Put readings or any files into a job, each with the part it plays.
#[derive(clap::Args)]
#[command(after_help = "\
Parts: as-found, after-swap, settled, mended, as-written, read-back, donor (readings); bank, layout, findings,
hand-set, standby, sheet, report, photograph, paper; private (the shop's own, never handed over).

Examples:
  cellkeep shelf put quillon-72-0042 --as read-back after/
  cellkeep shelf put quillon-72-0042 --as as-found --name second-read reads2/
  cellkeep shelf put quillon-72-0042 --as photograph board.jpg panel.jpg")]
pub(super) struct Args {
    /// The job: its name, or a part of it only one job has
    job: String,
    /// The part the files play
    #[arg(long = "as", value_name = "PART", value_parser = role)]
    part: Role,
    /// Files, or folders whose contents are put in
    #[arg(required = true, value_name = "PATH")]
    paths: Vec<PathBuf>,
    /// A folder of that name within the part, as for a second read
    #[arg(long, value_name = "FOLDER")]
    name: Option<String>,
    /// Let a new version of a file take the place of the former one, which stays in the history
    #[arg(long)]
    replace: bool,
}

pub(super) fn run(common: &Common, args: &Args) -> Outcome {
    let shelf = common.shelf()?;
    let job = shelf.job_named(&args.job)?;
    let mut files = Vec::new();
    for path in &args.paths {
        files.extend(shelf.gather(path, args.part, args.name.as_deref())?);
    }
    let done = shelf.put(&job, files, args.replace, &common.act())?;
    let next = match args.part {
        Role::ReadBack => format!(
            "prove it: `cellkeep compare shelf:{job}/as-written shelf:{job}/read-back`, then hand over"
        ),
        Role::AsFound | Role::AfterSwap => {
            format!("`cellkeep examine shelf:{job}/{}`", args.part.word())
        }
        _ => format!("`cellkeep shelf show {job}` shows the job as it is now"),
    };
    tell_done(common, &done, &next)
}
