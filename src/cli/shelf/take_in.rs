//! `shelf take-in`: a bag, or another shelf's job, onto this shelf.

use std::path::PathBuf;

use super::super::Outcome;
use super::{Common, tell_done};
use crate::shelf::{Limits, NewJob};

/// Take in a bag, or the folder of a job from another shelf; everything is verified first.
#[derive(clap::Args)]
#[command(after_help = "\
A bag this program handed over brings its own record. For any other bag, say which instrument it is of.
A job's folder of another shelf (jobs/JOB in it) comes with all its versions.

Examples:
  cellkeep shelf take-in quillon-0042.zip
  cellkeep shelf take-in /mnt/old-shelf/jobs/2019-04-02-quillon-72-0042
  cellkeep shelf take-in from-a-colleague.zip --instrument \"Pellow Six\" --name pellow-from-colleague")]
pub(super) struct Args {
    /// A zip file or a folder
    what: PathBuf,
    /// The job's name, for a bag
    #[arg(long)]
    name: Option<String>,
    /// The instrument, for a bag without a record of a job
    #[arg(long)]
    instrument: Option<String>,
    /// Its layout's id, for a bag without a record of a job
    #[arg(long, value_name = "LAYOUT", requires = "instrument")]
    layout: Option<String>,
    /// Its serial number, for a bag without a record of a job
    #[arg(long, requires = "instrument")]
    serial: Option<String>,
    /// Most files to take
    #[arg(long, value_name = "COUNT", default_value_t = 10_000)]
    most_files: usize,
    /// Most bytes to take, unpacked, in MiB
    #[arg(long, value_name = "MIB", default_value_t = 1024)]
    most_bytes: u32,
}

pub(super) fn run(common: &Common, args: &Args) -> Outcome {
    let shelf = common.shelf()?;
    let new = NewJob {
        name: args.name.clone(),
        instrument: args.instrument.clone().unwrap_or_default(),
        layout: args.layout.clone(),
        serial: args.serial.clone(),
        ..NewJob::default()
    };
    let limits = Limits {
        files: args.most_files,
        bytes: u64::from(args.most_bytes) << 20,
    };
    let done = shelf.take_in(&args.what, new, &limits, &common.act())?;
    let next = format!("`cellkeep shelf show {}`", done.job);
    tell_done(common, &done, &next)
}
