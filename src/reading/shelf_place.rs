//! Places on a shelf, where only the shelf's own commands write.

use std::path::{Path, PathBuf};

use super::place::resolved;
use crate::blame::DiskError;

/// The folder of a shelf's jobs.
pub(crate) const JOBS: &str = "jobs";
/// The file in it that makes it the root of a store of jobs (OCFL 1.1, section 3.1).
pub(crate) const ROOT_MARK: &str = "0=ocfl_1.1";
/// The file that declares a shelf.
pub(crate) const DECLARATION: &str = "shelf.json";
/// The file whose lock is the writers' turn; it is always there and always empty.
pub(crate) const TURN: &str = "turn";

/// The shelf a place lies on, if it does: the nearest folder above it, links followed, that holds the root of a store
/// of jobs. What lies on a shelf is written by the shelf alone.
pub fn shelf_around(target: &Path) -> Option<PathBuf> {
    let place = resolved(target)?;
    place
        .ancestors()
        .find(|folder| {
            let jobs = folder.join(JOBS);
            let marked = |place: &Path| place.symlink_metadata().is_ok();
            jobs.is_dir()
                && (marked(&jobs.join(ROOT_MARK))
                    || (marked(&folder.join(DECLARATION)) && marked(&folder.join(TURN))))
        })
        .map(Path::to_owned)
}

/// Refuses a place on a shelf, whether by its path or by a shelf reference.
///
/// # Errors
/// When it lies on one.
pub fn refuse_shelf(action: &'static str, target: &Path) -> Result<(), DiskError> {
    let says = if target.as_os_str().to_string_lossy().starts_with("shelf:") {
        "what begins with shelf: lies on the shelf and is no place for a file; --shelf JOB puts a result into a job, where a \
         command has it, and `cellkeep shelf put` any file"
            .to_owned()
    } else if let Some(shelf) = shelf_around(target) {
        format!(
            "it lies on the shelf at {}, where only the shelf's own commands write; choose a place outside it",
            shelf.display()
        )
    } else {
        return Ok(());
    };
    let source = std::io::Error::new(std::io::ErrorKind::InvalidInput, says);
    Err(DiskError::new(action, target, source))
}
