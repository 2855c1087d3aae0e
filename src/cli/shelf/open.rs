//! `shelf open`: a new job.

use std::path::PathBuf;

use super::super::Outcome;
use super::{Common, tell_done};
use crate::shelf::{NewJob, Role, places_of};

/// Open a job: a visit of an instrument, with its first reading.
#[derive(clap::Args)]
#[command(after_help = "\
The customer is a reference of the shop's own book, never a name: names have no place on a shelf.
The serial number links the visits of an instrument.

Examples:
  cellkeep shelf open --instrument \"Quillon 72\" --serial 0042 --customer C-0412 \\
      --complaint \"lost its sequence over the winter\" --as-found reads/
  cellkeep shelf open --instrument \"Pellow Six\" --layout my-pellow.toml --as-found first.bin")]
pub(super) struct Args {
    /// The instrument, as the trade calls it
    #[arg(long)]
    instrument: String,
    /// Serial number
    #[arg(long)]
    serial: Option<String>,
    /// The customer's reference in the shop's book
    #[arg(long, value_name = "REFERENCE")]
    customer: Option<String>,
    /// What the customer complains of, in their words
    #[arg(long, value_name = "WORDS")]
    complaint: Option<String>,
    /// The layout: its id, or its file, which is then kept with the job
    #[arg(short, long, value_name = "LAYOUT")]
    layout: Option<String>,
    /// A reading as the instrument came in, a file or a folder; may be given again
    #[arg(long, value_name = "PATH")]
    as_found: Vec<PathBuf>,
    /// The job's name, instead of one made of date, instrument and serial number
    #[arg(long)]
    name: Option<String>,
}

pub(super) fn run(common: &Common, args: &Args) -> Outcome {
    let shelf = common.shelf()?;
    let mut files = Vec::new();
    for path in &args.as_found {
        files.extend(shelf.gather(path, Role::AsFound, None)?);
    }
    let places = places_of(&files);
    let (layout, kept) = super::layout_of(args.layout.as_deref())?;
    files.extend(kept);
    let new = NewJob {
        name: args.name.clone(),
        instrument: args.instrument.clone(),
        layout,
        serial: args.serial.clone(),
        customer: args.customer.clone(),
        complaint: args.complaint.clone(),
    };
    let done = shelf.open_job(new, files, &common.act())?;
    let next = match super::put::look(&done.job, &places) {
        Some(look) => {
            format!("the reading is kept; look at it with {look} before the battery is touched")
        }
        None => format!(
            "read the chips, then `cellkeep shelf put {} --as as-found READING`",
            done.job
        ),
    };
    tell_done(common, &done, &next)
}
