//! `shelf take`: files out of a job.

use std::path::PathBuf;

use super::super::output::say;
use super::super::{Outcome, Status};
use super::{Common, print_json};
use crate::reading::place::{Former, NewFolder, write_file};
use crate::reading::sha256_hex;
use crate::shelf::{FileTaken, Reference, TakenOut, resolve};

/// Take a file, a folder or a whole version out of the shelf; every byte is verified on the way.
#[derive(clap::Args)]
#[command(after_help = "\
Examples:
  cellkeep shelf take quillon-72-0042 whole-job/
  cellkeep shelf take quillon-72-0042@v1/as-found first-reading/
  cellkeep shelf take quillon-72-0042/as-found/CH12.bin CH12.bin")]
pub(super) struct Args {
    /// What: JOB, JOB/PATH, JOB@vN or JOB@vN/PATH
    what: String,
    /// Where to; a new place
    to: PathBuf,
    /// Let what is at that place be replaced
    #[arg(long)]
    replace: bool,
}

pub(super) fn run(common: &Common, args: &Args) -> Outcome {
    let shelf = common.shelf()?;
    let found = resolve(&shelf, &Reference::parse_loose(&args.what)?)?;
    if found.is_file {
        for (_, bytes) in &found.files {
            write_file(&args.to, bytes, args.replace)?;
        }
    } else {
        let folder = NewFolder::begin(&args.to, Former::like(args.replace))?;
        for (path, bytes) in &found.files {
            folder.write(path, bytes)?;
        }
        super::super::open::tell_left(folder.finish()?.as_deref());
    }
    if common.json {
        let files = found.files.iter().map(|(path, bytes)| FileTaken {
            path: path.clone(),
            bytes: bytes.len(),
            sha256: sha256_hex(bytes),
        });
        print_json(&TakenOut {
            from: found.reference.to_string(),
            to: args.to.display().to_string(),
            files: files.collect(),
        })?;
        return Ok(Status::Clean);
    }
    let n = found.files.len();
    say!(
        "{n} {} of {} verified and written to {}",
        if n == 1 { "file" } else { "files" },
        found.reference,
        args.to.display()
    );
    say!("next: nothing; the shelf still holds them");
    Ok(Status::Clean)
}
