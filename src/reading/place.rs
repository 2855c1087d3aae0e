//! New places on the disk: nothing is written over, and nothing half-written is ever seen under its final name.
//!
//! A folder or file is made beside its final place under a temporary name, made durable, and renamed. When that
//! fails, or the program is stopped, the final place is as it was.

use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};

use crate::blame::DiskError;

/// The error of a place that is taken.
fn taken(action: &'static str, path: &Path) -> DiskError {
    DiskError::new(action, path, std::io::ErrorKind::AlreadyExists.into())
}

/// The folder a path lies in, "." for a bare name.
fn parent_of(path: &Path) -> &Path {
    match path.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent,
        _ => Path::new("."),
    }
}

/// Makes a folder's entries durable. Windows keeps them durable by itself and cannot open a folder as a file.
fn sync_folder(path: &Path) -> Result<(), DiskError> {
    if cfg!(unix) {
        fs::File::open(path)
            .and_then(|f| f.sync_all())
            .map_err(|e| DiskError::new("make durable the folder", path, e))?;
    }
    Ok(())
}

/// Where a path leads, links followed, whether or not all of it is there yet: a step up undoes a folder that is still to
/// be made. `None` where the system tells no place at all.
fn resolved(target: &Path) -> Option<PathBuf> {
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

/// The shelf a place lies on, if it does: the nearest folder above it, links followed, that holds the root of a store
/// of jobs. What lies on a shelf is written by the shelf alone.
pub fn shelf_around(target: &Path) -> Option<PathBuf> {
    let place = resolved(target)?;
    place
        .ancestors()
        .find(|folder| {
            let marked = |name: &str| folder.join(name).symlink_metadata().is_ok();
            folder.join("jobs").is_dir()
                && (marked("jobs/0=ocfl_1.1") || (marked("shelf.json") && marked("turn")))
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

/// What may become of a folder that is already in the place of a new one.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Former {
    /// It is kept, and the new one refused.
    Keep,
    /// It is replaced where every file in it has a successor in the new one, or is one of these names.
    Like(Vec<String>),
    /// It is replaced whatever it holds; the caller knows it for its own.
    Any,
}

impl Former {
    /// Replaced on leave, by a folder with the same files.
    pub fn like(replace: bool) -> Self {
        match replace {
            true => Former::Like(Vec::new()),
            false => Former::Keep,
        }
    }
}

/// A folder being filled, unseen under its final name until [`NewFolder::finish`]. Dropped before that, it is gone.
pub struct NewFolder {
    temporary: PathBuf,
    target: PathBuf,
    former: Former,
    finished: bool,
}

impl NewFolder {
    /// Begins a folder. Its parent is made where missing.
    ///
    /// # Errors
    /// When the place is taken and may not be replaced, or the disk refuses.
    pub fn begin(target: &Path, former: Former) -> Result<Self, DiskError> {
        if former == Former::Keep && target.symlink_metadata().is_ok() {
            return Err(taken("create the folder", target));
        }
        refuse_shelf("create the folder", target)?;
        refuse_detour(target)
            .and_then(|()| refuse_other(target, |kind| kind.is_dir(), "no folder"))
            .map_err(|e| DiskError::new("create the folder", target, e))?;
        let parent = parent_of(target);
        fs::create_dir_all(parent).map_err(|e| DiskError::new("create the folder", parent, e))?;
        let temporary = beside(target, "partial", |path| fs::create_dir(path))?;
        Ok(Self {
            temporary,
            target: target.to_owned(),
            former,
            finished: false,
        })
    }

    /// Writes a file into the folder, or into one within it, and makes it durable.
    ///
    /// # Errors
    /// When the disk refuses.
    pub fn write(&self, name: &str, bytes: &[u8]) -> Result<(), DiskError> {
        let path = self.temporary.join(name);
        let told = || self.target.join(name);
        if let Some(parent) = path.parent() {
            fs::create_dir_all(parent).map_err(|e| DiskError::new("write", told(), e))?;
        }
        fs::File::create_new(&path)
            .and_then(|mut f| f.write_all(bytes).and_then(|()| f.sync_all()))
            .map_err(|e| DiskError::new("write", told(), e))
    }

    /// Puts the folder in its place.
    ///
    /// # Errors
    /// When the disk refuses, or what is there may not be replaced; it is then still in its place.
    pub fn finish(mut self) -> Result<(), DiskError> {
        let failed = |e| DiskError::new("create the folder", &self.target, e);
        sync_folder(&self.temporary)?;
        let parent = parent_of(&self.target).to_owned();
        if self.target.symlink_metadata().is_ok() {
            self.check_former()?;
            let former = beside(&self.target, "former", |path| {
                if path.symlink_metadata().is_ok() {
                    return Err(std::io::ErrorKind::AlreadyExists.into());
                }
                fs::rename(&self.target, path)
            })?;
            if let Err(error) = fs::rename(&self.temporary, &self.target) {
                // The former folder goes back; should that fail too, it is kept under its other name.
                let _ = fs::rename(&former, &self.target);
                return Err(failed(error));
            }
            self.finished = true;
            sync_folder(&parent)?;
            fs::remove_dir_all(&former)
                .map_err(|e| DiskError::new("remove the former folder", former, e))?;
        } else {
            fs::rename(&self.temporary, &self.target).map_err(failed)?;
            self.finished = true;
        }
        sync_folder(&parent)
    }

    /// Refuses to replace what is no folder, or has files that would be lost.
    fn check_former(&self) -> Result<(), DiskError> {
        let refused = |says: String| {
            let source = std::io::Error::new(std::io::ErrorKind::DirectoryNotEmpty, says);
            Err(DiskError::new("replace", &self.target, source))
        };
        let named = match &self.former {
            Former::Keep => return Err(taken("create the folder", &self.target)),
            Former::Like(named) => named,
            Former::Any => return Ok(()),
        };
        let failed = |e| DiskError::new("read the folder", &self.target, e);
        if !self.target.symlink_metadata().map_err(failed)?.is_dir() {
            return refused("it is no folder".to_owned());
        }
        let mut folders = vec![PathBuf::new()];
        while let Some(within) = folders.pop() {
            for entry in fs::read_dir(self.target.join(&within)).map_err(failed)? {
                let entry = entry.map_err(failed)?;
                let path = within.join(entry.file_name());
                let kind = entry.file_type().map_err(failed)?;
                if kind.is_dir() {
                    folders.push(path);
                } else if !kind.is_file() {
                    return refused(format!("{} in it is no plain file", path.display()));
                } else if !self.temporary.join(&path).is_file()
                    && !named.iter().any(|n| path == Path::new(n))
                {
                    return refused(format!("its file {} would be lost", path.display()));
                }
            }
        }
        Ok(())
    }
}

impl Drop for NewFolder {
    fn drop(&mut self) {
        if !self.finished {
            // Nothing more can be done about litter on a disk that refuses.
            let _ = fs::remove_dir_all(&self.temporary);
        }
    }
}

/// Makes something under a free temporary name beside a path.
fn beside(
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
            Err(e) => return Err(DiskError::new("create the folder", target, e)),
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

/// Refuses a path that leads into a folder which is still to be made and out of it again, to something that is there:
/// every check of that place would find nothing, until the folder is made and it is written over.
fn refuse_detour(target: &Path) -> std::io::Result<()> {
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
fn refuse_other(
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

    fn put(target: &Path, former: Former) -> Result<(), DiskError> {
        let folder = NewFolder::begin(target, former)?;
        folder.write("page.1", b"new")?;
        folder.finish()
    }

    #[test]
    fn a_folder_with_other_files_is_never_replaced() {
        let dir = tempfile::tempdir().unwrap();
        let target = dir.path().join("manual");
        put(&target, Former::like(true)).unwrap();
        assert!(put(&target, Former::Keep).is_err());
        put(&target, Former::like(true)).unwrap();

        fs::create_dir(target.join("mine")).unwrap();
        fs::write(target.join("mine/notes.txt"), "dear to me").unwrap();
        fs::write(target.join("page.1"), "old").unwrap();
        let error = put(&target, Former::like(true)).unwrap_err();
        assert!(error.to_string().contains("notes.txt"), "{error}");
        assert_eq!(
            fs::read(target.join("mine/notes.txt")).unwrap(),
            b"dear to me"
        );
        assert_eq!(fs::read(target.join("page.1")).unwrap(), b"old");
        assert_eq!(
            fs::read_dir(dir.path()).unwrap().count(),
            1,
            "litter is left"
        );

        put(&target, Former::Like(vec!["mine/notes.txt".into()])).unwrap();
        assert_eq!(fs::read(target.join("page.1")).unwrap(), b"new");
    }

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

    #[test]
    fn a_file_is_not_replaced_by_a_folder() {
        let dir = tempfile::tempdir().unwrap();
        let target = dir.path().join("CH12.bin");
        fs::write(&target, "a dump").unwrap();
        assert!(put(&target, Former::like(true)).is_err());
        assert_eq!(fs::read(&target).unwrap(), b"a dump");
    }
}
