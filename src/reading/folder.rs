//! New folders, filled unseen and put in their place whole.
//!
//! A folder that replaces another is exchanged for it where system and file system can do that in one step (Linux, most
//! file systems). Elsewhere the former one is renamed first: a program stopped just then leaves no folder under the name
//! and the former one hidden beside it, as `.NAME.former-N-N`; it is put back before anything else is written there.

use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};

use super::place::{
    beside, parent_of, refuse_detour, refuse_other, refuse_shelf, sync_folder, taken,
};
use crate::blame::DiskError;

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
        put_back(target)?;
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

    /// Puts the folder in its place. Returns where the former one lies, if it could not be removed.
    ///
    /// # Errors
    /// When the disk refuses, or what is there may not be replaced; it is then still in its place.
    pub fn finish(self) -> Result<Option<PathBuf>, DiskError> {
        self.finish_by(exchange)
    }

    fn finish_by(
        mut self,
        exchange: impl Fn(&Path, &Path) -> std::io::Result<()>,
    ) -> Result<Option<PathBuf>, DiskError> {
        let failed = |e| DiskError::new("create the folder", &self.target, e);
        sync_folder(&self.temporary)?;
        let parent = parent_of(&self.target).to_owned();
        if self.target.symlink_metadata().is_err() {
            fs::rename(&self.temporary, &self.target).map_err(failed)?;
            self.finished = true;
            sync_folder(&parent)?;
            return Ok(None);
        }
        self.check_former()?;
        let former = match exchange(&self.temporary, &self.target) {
            Ok(()) => self.temporary.clone(),
            Err(e) if e.kind() == std::io::ErrorKind::Unsupported => self.rename_both()?,
            Err(e) => return Err(failed(e)),
        };
        self.finished = true;
        sync_folder(&parent)?;
        if fs::remove_dir_all(&former).is_err() && former.symlink_metadata().is_ok() {
            return Ok(Some(former));
        }
        sync_folder(&parent)?;
        Ok(None)
    }

    /// Puts the folder in the place of the former one in two steps, and returns where that one lies now.
    fn rename_both(&self) -> Result<PathBuf, DiskError> {
        let former = beside(&self.target, FORMER, |path| {
            if path.symlink_metadata().is_ok() {
                return Err(std::io::ErrorKind::AlreadyExists.into());
            }
            fs::rename(&self.target, path)
        })?;
        let Err(error) = fs::rename(&self.temporary, &self.target) else {
            return Ok(former);
        };
        let error = match fs::rename(&former, &self.target) {
            Ok(()) => error,
            Err(_) => std::io::Error::new(
                error.kind(),
                format!("{error}; what was there is now {}", former.display()),
            ),
        };
        Err(DiskError::new("create the folder", &self.target, error))
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

/// The middle of the name of a former folder that is on its way out.
const FORMER: &str = "former";

/// Exchanges two folders in one step; [`std::io::ErrorKind::Unsupported`] where that cannot be done.
#[cfg(target_os = "linux")]
fn exchange(one: &Path, other: &Path) -> std::io::Result<()> {
    use rustix::fs::{CWD, RenameFlags, renameat_with};
    use rustix::io::Errno;
    renameat_with(CWD, one, CWD, other, RenameFlags::EXCHANGE).map_err(|e| match e {
        Errno::INVAL | Errno::NOSYS | Errno::NOTSUP => std::io::ErrorKind::Unsupported.into(),
        e => e.into(),
    })
}

#[cfg(not(target_os = "linux"))]
fn exchange(_: &Path, _: &Path) -> std::io::Result<()> {
    Err(std::io::ErrorKind::Unsupported.into())
}

/// Puts a folder back that a program stopped between two renames left under its other name. Where several lie there,
/// nobody can tell which is the right one.
///
/// # Errors
/// When several lie there, or the disk refuses.
pub(super) fn put_back(target: &Path) -> Result<(), DiskError> {
    if target.symlink_metadata().is_ok() {
        return Ok(());
    }
    let (Some(name), Ok(entries)) = (target.file_name(), fs::read_dir(parent_of(target))) else {
        return Ok(());
    };
    let beginning = format!(".{}.{FORMER}-", name.to_string_lossy());
    let left = entries.flatten().map(|entry| entry.file_name());
    let left: Vec<_> = left
        .filter(|name| is_former(&name.to_string_lossy(), &beginning))
        .collect();
    let failed = |e| DiskError::new("put back the folder", target, e);
    match left.as_slice() {
        [] => Ok(()),
        [former] => {
            fs::rename(parent_of(target).join(former), target).map_err(failed)?;
            sync_folder(parent_of(target))
        }
        [one, other, ..] => Err(failed(std::io::Error::new(
            std::io::ErrorKind::AlreadyExists,
            format!(
                "{} and {} lie beside it, left by programs that were stopped; rename the right one and remove the others",
                one.display(),
                other.display()
            ),
        ))),
    }
}

/// Whether a name is that beginning, a process and a number.
fn is_former(name: &str, beginning: &str) -> bool {
    let digits = |part: &str| !part.is_empty() && part.bytes().all(|b| b.is_ascii_digit());
    name.strip_prefix(beginning)
        .and_then(|rest| rest.split_once('-'))
        .is_some_and(|(process, n)| digits(process) && digits(n))
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]

    use super::*;

    fn put(target: &Path, former: Former) -> Result<(), DiskError> {
        let folder = NewFolder::begin(target, former)?;
        folder.write("page.1", b"new")?;
        folder.finish().map(|left| assert_eq!(left, None))
    }

    fn unsupported(_: &Path, _: &Path) -> std::io::Result<()> {
        Err(std::io::ErrorKind::Unsupported.into())
    }

    /// Somebody who looks never finds the place empty. A file system that cannot exchange folders is said to be one.
    #[cfg(target_os = "linux")]
    #[test]
    fn a_folder_is_replaced_in_one_step() {
        use std::sync::atomic::{AtomicBool, Ordering};
        let dir = tempfile::tempdir().unwrap();
        let [one, other] = ["one", "other"].map(|name| dir.path().join(name));
        fs::create_dir(&one).unwrap();
        fs::create_dir(&other).unwrap();
        if let Err(e) = exchange(&one, &other) {
            assert_eq!(e.kind(), std::io::ErrorKind::Unsupported);
            println!("folders cannot be exchanged in {}", dir.path().display());
            return;
        }
        let target = dir.path().join("manual");
        put(&target, Former::Keep).unwrap();
        let done = AtomicBool::new(false);
        std::thread::scope(|scope| {
            let looks = scope.spawn(|| {
                let mut looks = 0;
                while !done.load(Ordering::Relaxed) {
                    assert!(target.join("page.1").is_file(), "look {looks}");
                    looks += 1;
                }
                looks
            });
            for _ in 0..200 {
                put(&target, Former::like(true)).unwrap();
            }
            done.store(true, Ordering::Relaxed);
            assert!(looks.join().unwrap() > 200);
        });
    }

    #[test]
    fn a_folder_is_replaced_where_nothing_can_be_exchanged() {
        let dir = tempfile::tempdir().unwrap();
        let target = dir.path().join("manual");
        put(&target, Former::Keep).unwrap();
        fs::write(target.join("page.1"), "old").unwrap();
        let folder = NewFolder::begin(&target, Former::like(true)).unwrap();
        folder.write("page.1", b"newer").unwrap();
        assert_eq!(folder.finish_by(unsupported).unwrap(), None);
        assert_eq!(fs::read(target.join("page.1")).unwrap(), b"newer");
        assert_eq!(fs::read_dir(dir.path()).unwrap().count(), 1);
    }

    #[test]
    fn what_a_stopped_program_set_aside_is_put_back() {
        let dir = tempfile::tempdir().unwrap();
        let target = dir.path().join("manual");
        let left = |n: u32| dir.path().join(format!(".manual.former-4711-{n}"));
        fs::create_dir(left(0)).unwrap();
        fs::write(left(0).join("notes.txt"), "dear to me").unwrap();
        // Not one of ours, whatever it is.
        fs::create_dir(dir.path().join(".manual.former-mine")).unwrap();
        let notes = target.join("notes.txt");
        let error = put(&target, Former::Keep).unwrap_err();
        assert!(error.to_string().contains("exists"), "{error}");
        assert_eq!(fs::read(&notes).unwrap(), b"dear to me");
        assert!(put(&target, Former::like(true)).is_err());
        assert_eq!(fs::read(&notes).unwrap(), b"dear to me");

        fs::rename(&target, left(0)).unwrap();
        fs::create_dir(left(1)).unwrap();
        let error = put(&target, Former::Keep).unwrap_err();
        assert!(
            error.to_string().contains(".manual.former-4711-1"),
            "{error}"
        );
        assert!(left(0).join("notes.txt").is_file() && !target.exists());
    }

    /// Whoever may write anywhere, as root may, removes it all the same.
    #[cfg(unix)]
    #[test]
    fn a_former_folder_that_stays_is_named_and_the_new_one_stands() {
        use std::os::unix::fs::PermissionsExt;
        let dir = tempfile::tempdir().unwrap();
        let target = dir.path().join("manual");
        put(&target, Former::Keep).unwrap();
        let rights = |mode| fs::Permissions::from_mode(mode);
        fs::set_permissions(&target, rights(0o500)).unwrap();
        let folder = NewFolder::begin(&target, Former::like(true)).unwrap();
        folder.write("page.1", b"newer").unwrap();
        match folder.finish().unwrap() {
            Some(left) => {
                assert_eq!(fs::read(left.join("page.1")).unwrap(), b"new");
                fs::set_permissions(&left, rights(0o700)).unwrap();
            }
            None => assert_eq!(fs::read_dir(dir.path()).unwrap().count(), 1),
        }
        assert_eq!(fs::read(target.join("page.1")).unwrap(), b"newer");
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

    #[test]
    fn a_file_is_not_replaced_by_a_folder() {
        let dir = tempfile::tempdir().unwrap();
        let target = dir.path().join("CH12.bin");
        fs::write(&target, "a dump").unwrap();
        assert!(put(&target, Former::like(true)).is_err());
        assert_eq!(fs::read(&target).unwrap(), b"a dump");
    }
}
