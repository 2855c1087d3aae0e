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

/// The name of a file whose ending says what it holds.
fn ending_in(text: &str, endings: &[&str], instead: &str) -> Result<PathBuf, String> {
    let path = PathBuf::from(text);
    let fits = |e: &std::ffi::OsStr| endings.iter().any(|known| e.eq_ignore_ascii_case(known));
    match path.extension().is_some_and(fits) {
        true => Ok(path),
        false => Err(instead.to_owned()),
    }
}

/// The file of a sheet: HTML by its name, so that nobody takes it for something else.
pub(crate) fn html_file(text: &str) -> Result<PathBuf, String> {
    let instead = "a sheet is HTML: name it NAME.html; a browser prints it to PDF";
    ending_in(text, &["html", "htm"], instead)
}

/// The file of a sheet with a drawing that can also stand alone.
pub(crate) fn html_or_svg_file(text: &str) -> Result<PathBuf, String> {
    let instead = "it is written as HTML or SVG: name it NAME.html or NAME.svg";
    ending_in(text, &["html", "htm", "svg"], instead)
}

/// The file of a layout, which is told from a layout's name by its ending.
pub(crate) fn layout_file(text: &str) -> Result<PathBuf, String> {
    ending_in(
        text,
        &["toml"],
        "a layout is known by its ending: name it NAME.toml",
    )
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
