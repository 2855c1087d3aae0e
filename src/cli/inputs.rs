//! What a command has read, so that nothing it writes goes over it.

use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};

use crate::blame::DiskError;
use crate::plain;
use crate::reading::place;

/// Files read so far, links followed. One process runs one command.
static READ: Mutex<Vec<PathBuf>> = Mutex::new(Vec::new());

/// Notes that a file was read, where it is one.
pub(crate) fn note(path: &Path) {
    if let Ok(path) = path.canonicalize()
        && path.is_file()
    {
        let mut read = READ.lock().unwrap_or_else(PoisonError::into_inner);
        if !read.contains(&path) {
            read.push(path);
        }
    }
}

/// Every file read so far.
pub(crate) fn all() -> Vec<PathBuf> {
    READ.lock().unwrap_or_else(PoisonError::into_inner).clone()
}

/// A file's bytes.
pub(crate) fn read(path: &Path) -> Result<Vec<u8>, DiskError> {
    note(path);
    plain::read(path, plain::MOST)
}

/// A file's text.
pub(crate) fn read_text(path: &Path) -> Result<String, DiskError> {
    note(path);
    plain::read_text(path, plain::MOST)
}

/// Refuses to write over what was read.
fn refuse(target: &Path) -> Result<(), DiskError> {
    let Ok(place) = target.canonicalize() else {
        return Ok(()); // not there yet
    };
    let read = READ.lock().unwrap_or_else(PoisonError::into_inner);
    match read.contains(&place) {
        true => Err(DiskError::new(
            "write",
            target,
            std::io::Error::new(
                std::io::ErrorKind::InvalidInput,
                "it was read from, and an input is never written over",
            ),
        )),
        false => Ok(()),
    }
}

/// Writes a new file as [`place::write_file`] does, and never over an input.
pub(crate) fn write_file(target: &Path, bytes: &[u8], replace: bool) -> Result<(), DiskError> {
    refuse(target)?;
    place::write_file(target, bytes, replace)
}
