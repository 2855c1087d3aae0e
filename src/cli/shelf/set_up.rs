//! `shelf set-up`: a new, empty shelf.

use super::super::output::say;
use super::super::{Outcome, Status};
use super::{Common, print_json};
use crate::shelf::{Shelf, ShelfMade};

/// Set up a shelf in a new or empty folder.
#[derive(clap::Args)]
#[command(after_help = "\
Examples:
  cellkeep shelf set-up
  cellkeep shelf set-up --at /data/shelf")]
pub(super) struct Args {}

pub(super) fn run(common: &Common, _args: &Args) -> Outcome {
    let place = common.place()?;
    if let Some(parent) = place.parent().filter(|_| common.at.is_none()) {
        std::fs::create_dir_all(parent)
            .map_err(|e| crate::blame::DiskError::new("create the folder", parent, e))?;
    }
    let shelf = Shelf::set_up(&place)?;
    if common.json {
        print_json(&ShelfMade {
            folder: shelf.root().display().to_string(),
        })?;
        return Ok(Status::Clean);
    }
    say!("a new shelf is at {}", shelf.root().display());
    if common.at.is_some() {
        say!("next: set CELLKEEP_SHELF to that folder, then open a job with `cellkeep shelf open`");
    } else {
        say!("next: open a job with `cellkeep shelf open --instrument NAME --serial NUMBER`");
    }
    Ok(Status::Clean)
}
