//! `shelf close`: the end of a job.

use super::super::Outcome;
use super::{Common, tell_done};

/// Close a job, so that no more files are put into it; or open it again.
#[derive(clap::Args)]
#[command(after_help = "\
Examples:
  cellkeep shelf close quillon-72-0042 --words \"handed over, all 72 steps proved\"
  cellkeep shelf close quillon-72-0042 --again")]
pub(super) struct Args {
    /// The job: its name, or a part of it only one job has
    job: String,
    /// How it ended
    #[arg(long)]
    words: Option<String>,
    /// Open the job again
    #[arg(long, conflicts_with = "words")]
    again: bool,
}

pub(super) fn run(common: &Common, args: &Args) -> Outcome {
    let shelf = common.shelf()?;
    let job = shelf.job_named(&args.job)?;
    let done = shelf.close(&job, args.words.as_deref(), args.again, &common.act())?;
    let next = if args.again {
        format!("`cellkeep shelf put {job} --as PART FILE`")
    } else {
        format!("give the customer their copy: `cellkeep shelf hand-over {job} {job}.zip`")
    };
    tell_done(common, &done, &next)
}
