//! `shelf note`: a remark about a job.

use super::super::Outcome;
use super::{Common, tell_done};

/// Add a note to a job. Without --for-customer it stays in the shop.
#[derive(clap::Args)]
#[command(after_help = "\
Examples:
  cellkeep shelf note quillon-72-0042 \"battery measured 2.1 V, no leakage\"
  cellkeep shelf note quillon-72-0042 --for-customer \"new cell fitted; good for about eight years\"")]
pub(super) struct Args {
    /// The job: its name, or a part of it only one job has
    job: String,
    /// The note
    words: String,
    /// Hand the note over with the job
    #[arg(long)]
    for_customer: bool,
}

pub(super) fn run(common: &Common, args: &Args) -> Outcome {
    let shelf = common.shelf()?;
    let job = shelf.job_named(&args.job)?;
    let done = shelf.note(&job, &args.words, args.for_customer, &common.act())?;
    tell_done(
        common,
        &done,
        &format!("`cellkeep shelf show {job}` shows all notes"),
    )
}
