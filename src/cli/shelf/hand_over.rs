//! `shelf hand-over`: the customer's copy.

use std::path::PathBuf;

use super::super::output::say;
use super::super::{Outcome, Status};
use super::{Common, count, print_json, size};
use crate::shelf::Reference;

/// Write a job as one zip file for the customer, without the shop's private notes and papers.
#[derive(clap::Args)]
#[command(after_help = "\
The zip file holds a BagIt 1.0 bag: the chip files, the bank and its listing, sheets, reports, the layout, the notes
marked --for-customer, and a plain page that says what it is and how to check it.

Examples:
  cellkeep shelf hand-over quillon-72-0042 quillon-0042.zip
  cellkeep shelf hand-over quillon-72-0042@v3 as-of-version-3.zip")]
pub(super) struct Args {
    /// The job, and a version after @ if not the latest
    job: String,
    /// The zip file to write; a new place
    to: PathBuf,
    /// Let what is at that place be replaced
    #[arg(long)]
    replace: bool,
}

pub(super) fn run(common: &Common, args: &Args) -> Outcome {
    let shelf = common.shelf()?;
    let reference = Reference::parse_loose(&args.job)?;
    let job = shelf.job_named(&reference.job)?;
    let handed = shelf.hand_over(
        &job,
        reference.version,
        &args.to,
        args.replace,
        &common.act(),
    )?;
    if common.json {
        print_json(&handed)?;
        return Ok(Status::Clean);
    }
    say!(
        "{}: version {} of {}, {}, {}, read back and verified",
        handed.zip,
        handed.version,
        handed.job,
        count(handed.files.len(), "file"),
        size(handed.bytes)
    );
    say!("  sha256 {}", handed.sha256);
    for path in &handed.left_out {
        say!("  left out, the shop's own: {path}");
    }
    if handed.notes_left_out > 0 {
        say!(
            "  left out, the shop's own: {}",
            count(handed.notes_left_out, "note")
        );
    }
    if !handed.not_there.is_empty() {
        say!(
            "  not in the job, so not in it: {}",
            handed.not_there.join(", ")
        );
    }
    say!(
        "next: unpack it once and run `sha256sum -c manifest-sha256.txt` in its folder, as the customer would"
    );
    Ok(Status::Clean)
}
