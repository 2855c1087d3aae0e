//! New places on the disk: nothing is written over, and nothing half-written is ever seen under its final name.
//!
//! A folder or file is made beside its final place under a temporary name, made durable, and renamed. When that
//! fails, or the program is stopped, the final place is as it was.

use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};

pub use super::folder::{Former, NewFolder};
pub use super::shelf_place::{refuse_shelf, shelf_around};
use crate::blame::DiskError;

/// The error of a place that is taken.
pub(super) fn taken(action: &'static str, path: &Path) -> DiskError {
    DiskError::new(action, path, std::io::ErrorKind::AlreadyExists.into())
}

/// The folder a path lies in, "." for a bare name.
pub(super) fn parent_of(path: &Path) -> &Path {
    match path.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent,
        _ => Path::new("."),
    }
}

/// Makes a folder's entries durable. Windows keeps them durable by itself and cannot open a folder as a file.
pub(crate) fn sync_entries(path: &Path) -> std::io::Result<()> {
    match cfg!(unix) {
        true => fs::File::open(path)?.sync_all(),
        false => Ok(()),
    }
}

pub(super) fn sync_folder(path: &Path) -> Result<(), DiskError> {
    sync_entries(path).map_err(|e| DiskError::new("make durable the folder", path, e))
}

/// Where a path leads, links followed, whether or not all of it is there yet: a step up undoes a folder that is still to
/// be made. `None` where the system tells no place at all.
pub(super) fn resolved(target: &Path) -> Option<PathBuf> {
    let target = match target.as_os_str().is_empty() {
        true => Path::new("."),
        false => target,
    };
    let mut whole = std::path::absolute(target).ok()?;
    // What is not there yet has no links in it; only what lies above it can.
    let mut missing = Vec::new();
    let mut up = 0;
    let mut place = loop {
        if let Ok(place) = whole.canonicalize() {
            break place;
        }
        match whole.file_name() {
            None => up += 1,
            Some(_) if up > 0 => up -= 1,
            Some(name) => missing.push(name.to_owned()),
        }
        if !whole.pop() {
            return None;
        }
    };
    place.extend(missing.iter().rev());
    // With the folders still to be made gone from the path, it may lead to something that is there.
    Some(place.canonicalize().unwrap_or(place))
}

/// Makes something under a free temporary name beside a path.
pub(super) fn beside(
    target: &Path,
    purpose: &str,
    mut make: impl FnMut(&Path) -> std::io::Result<()>,
) -> Result<PathBuf, DiskError> {
    let name = target
        .file_name()
        .map(|n| n.to_string_lossy().into_owned())
        .unwrap_or_default();
    for n in 0..1000 {
        let path = parent_of(target).join(format!(".{name}.{purpose}-{}-{n}", std::process::id()));
        match make(&path) {
            Ok(()) => return Ok(path),
            Err(e) if e.kind() == std::io::ErrorKind::AlreadyExists => {}
            Err(e) => return Err(DiskError::new("write", target, e)),
        }
    }
    Err(taken("create a temporary name beside", target))
}

/// Writes a new file durably; it appears under its name whole or not at all.
///
/// # Errors
/// When the place is taken and may not be replaced, or the disk refuses.
pub fn write_file(target: &Path, bytes: &[u8], replace: bool) -> Result<(), DiskError> {
    write_file_with(target, replace, |out| out.write_all(bytes))
}

/// Writes a new file durably, as [`write_file`] does, from what `write` gives a piece at a time.
///
/// # Errors
/// As [`write_file`].
pub fn write_file_with(
    target: &Path,
    replace: bool,
    write: impl FnOnce(&mut fs::File) -> std::io::Result<()>,
) -> Result<(), DiskError> {
    write_file_proved(target, replace, write, |_| Ok(()))
}

/// Whether a file may be written to a place, as [`write_file`] asks before it begins.
///
/// # Errors
/// When the place is taken and may not be replaced, or lies on a shelf.
pub fn check_file_place(target: &Path, replace: bool) -> Result<(), DiskError> {
    refuse_shelf("write", target)?;
    if !replace && target.symlink_metadata().is_ok() {
        return Err(taken("write", target));
    }
    refuse_detour(target)
        .and_then(|()| refuse_other(target, |kind| kind.is_file(), "no plain file"))
        .map_err(|e| DiskError::new("write", target, e))
}

/// Writes a new file durably, as [`write_file_with`] does, and has it proved under its temporary name, which `prove` is
/// given, before it gets its own. Returns what the proof came to.
///
/// # Errors
/// As [`write_file`], or the one of `prove`; the place is then as it was.
pub fn write_file_proved<T, E: From<DiskError>>(
    target: &Path,
    replace: bool,
    write: impl FnOnce(&mut fs::File) -> std::io::Result<()>,
    prove: impl FnOnce(&Path) -> Result<T, E>,
) -> Result<T, E> {
    let failed = |e| DiskError::new("write", target, e);
    check_file_place(target, replace)?;
    let parent = parent_of(target);
    fs::create_dir_all(parent).map_err(|e| DiskError::new("create the folder", parent, e))?;
    let temporary = beside(target, "partial", |path| {
        fs::File::create_new(path).map(drop)
    })?;
    let written = fs::File::create(&temporary)
        .and_then(|mut f| write(&mut f).and_then(|()| f.sync_all()))
        .map_err(|e| E::from(failed(e)))
        .and_then(|()| prove(&temporary))
        .and_then(|proof| {
            put(&temporary, target, replace).map_err(failed)?;
            Ok(proof)
        });
    if written.is_err() {
        // Nothing more can be done about litter on a disk that refuses.
        let _ = fs::remove_file(&temporary);
    }
    let proof = written?;
    sync_folder(parent)?;
    Ok(proof)
}

/// Whether two paths lead to one place, whether or not anything is there yet.
pub fn same(one: &Path, other: &Path) -> bool {
    one == other || resolved(one).is_some_and(|place| Some(place) == resolved(other))
}

/// Refuses a path that leads into a folder which is still to be made and out of it again, to something that is there:
/// every check of that place would find nothing, until the folder is made and it is written over.
pub(super) fn refuse_detour(target: &Path) -> std::io::Result<()> {
    let there = |path: &Path| path.symlink_metadata().is_ok();
    match resolved(target) {
        Some(place) if there(&place) && !there(target) => Err(std::io::Error::new(
            std::io::ErrorKind::InvalidInput,
            format!(
                "it leads through a folder that is not there, to {}; name that place without the detour",
                place.display()
            ),
        )),
        _ => Ok(()),
    }
}

/// Refuses to replace what is neither file nor folder of ours: a device, a pipe, a link.
pub(super) fn refuse_other(
    target: &Path,
    ours: impl Fn(fs::FileType) -> bool,
    what: &str,
) -> std::io::Result<()> {
    match target.symlink_metadata() {
        Ok(there) if !ours(there.file_type()) => Err(std::io::Error::new(
            std::io::ErrorKind::InvalidInput,
            format!("what is there is {what} and is not replaced; choose a new place"),
        )),
        _ => Ok(()),
    }
}

/// Gives a finished file its name.
fn put(temporary: &Path, target: &Path, replace: bool) -> std::io::Result<()> {
    if replace {
        return fs::rename(temporary, target);
    }
    // A link fails where the name has been taken meanwhile; file systems without links get a rename.
    match fs::hard_link(temporary, target) {
        Ok(()) => fs::remove_file(temporary),
        Err(e) if e.kind() == std::io::ErrorKind::AlreadyExists => Err(e),
        Err(_) => fs::rename(temporary, target),
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]

    use super::*;
    use crate::reading::folder::{Former, NewFolder};

    /// A pipe stands in for a device, which takes root to make.
    #[cfg(unix)]
    #[test]
    fn what_is_no_plain_file_is_never_replaced() {
        let dir = tempfile::tempdir().unwrap();
        let (pipe, link, file) = ("pipe", "link", "file");
        let at = |name: &str| dir.path().join(name);
        let made = std::process::Command::new("mkfifo").arg(at(pipe)).status();
        assert!(made.unwrap().success(), "mkfifo is part of coreutils");
        fs::write(at(file), "dear to me").unwrap();
        std::os::unix::fs::symlink(at(file), at(link)).unwrap();
        for name in [pipe, link] {
            let before = at(name).symlink_metadata().unwrap().file_type();
            let error = write_file(&at(name), b"new", true).unwrap_err();
            assert!(error.to_string().contains("no plain file"), "{error}");
            assert!(NewFolder::begin(&at(name), Former::Any).is_err());
            assert_eq!(at(name).symlink_metadata().unwrap().file_type(), before);
        }
        assert_eq!(fs::read(at(file)).unwrap(), b"dear to me");
        assert_eq!(
            fs::read_dir(dir.path()).unwrap().count(),
            3,
            "litter is left"
        );
        write_file(&at(file), b"new", true).unwrap();
        assert_eq!(fs::read(at(file)).unwrap(), b"new");
    }

    #[cfg(unix)]
    #[test]
    fn a_path_leads_where_it_will_once_its_folders_are_made() {
        let dir = tempfile::tempdir().unwrap();
        let real = dir.path().canonicalize().unwrap();
        fs::create_dir(real.join("reads")).unwrap();
        std::os::unix::fs::symlink(real.join("reads"), real.join("link")).unwrap();
        for (path, place) in [
            ("reads", "reads"),
            ("new/../reads", "reads"),
            ("new/new/../../reads/CH1.bin", "reads/CH1.bin"),
            ("new/../link", "reads"),
            ("link/new", "reads/new"),
            ("new", "new"),
        ] {
            assert_eq!(resolved(&real.join(path)).unwrap(), real.join(place));
        }
        fs::write(real.join("reads/CH1.bin"), "a dump").unwrap();
        for path in ["new/../reads", "new/../link"] {
            let error = NewFolder::begin(&real.join(path), Former::Any)
                .err()
                .unwrap();
            assert!(error.to_string().contains("detour"), "{error}");
        }
        let error = write_file(&real.join("new/../reads/CH1.bin"), b"new", true).unwrap_err();
        assert!(error.to_string().contains("detour"), "{error}");
        assert_eq!(fs::read(real.join("reads/CH1.bin")).unwrap(), b"a dump");
        assert!(!real.join("new").exists());
    }
}
