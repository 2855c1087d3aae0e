//! What jobs and parity are written with, and mostly read: private by default, synced, never over something else.
//!
//! Elsewhere are the calls on the file of the writers' turn (`root`, `repair`), on the index, which SQLite writes
//! (`index`), on large parity files, read a piece at a time (`parity`), and on what lies outside the shelf (`gather`,
//! `reference`, `unzip`; `bag` writes through `reading::place`).
//!
//! Writing follows one rule: a thing is built whole in a staging folder of the same file system, every file and
//! folder of it is synced, and only then is it renamed to its place and that place's folder synced. A sync that
//! fails is a failure; it is not tried again, since the system may have dropped the bytes.

use std::fs::{self, File, OpenOptions};
use std::io::{self, Read, Write};
use std::path::{Path, PathBuf};

use sha2::{Digest, Sha256, Sha512};

use super::error::{Result, ShelfError};
use crate::blame::DiskError;
pub(super) use crate::digest::{hex, sha256};
use crate::reading::place::sync_entries;

/// Bytes handled at a time when a file is copied or hashed.
const CHUNK: usize = 128 * 1024;

fn failed<'a>(action: &'static str, path: &'a Path) -> impl FnOnce(io::Error) -> ShelfError + 'a {
    move |source| DiskError::new(action, path, source).into()
}

/// Makes a folder that only the user can enter.
pub(super) fn make_folder(path: &Path) -> Result<()> {
    let mut builder = fs::DirBuilder::new();
    #[cfg(unix)]
    std::os::unix::fs::DirBuilderExt::mode(&mut builder, 0o700);
    builder
        .create(path)
        .map_err(failed("create the folder", path))
}

/// Makes a folder unless it is there; says whether it was made.
pub(super) fn ensure_folder(path: &Path) -> Result<bool> {
    match fs::symlink_metadata(path) {
        Ok(meta) if meta.is_dir() => Ok(false),
        Err(e) if e.kind() != io::ErrorKind::NotFound => Err(failed("read", path)(e)),
        _ => make_folder(path).map(|()| true),
    }
}

/// Creates a file that only the user can read; fails when something is there.
pub(super) fn create_file(path: &Path) -> Result<File> {
    let mut options = OpenOptions::new();
    options.write(true).create_new(true);
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
    options.open(path).map_err(failed("create the file", path))
}

/// Writes a new file and syncs it.
pub(super) fn write_new(path: &Path, bytes: &[u8]) -> Result<()> {
    let mut file = create_file(path)?;
    file.write_all(bytes).map_err(failed("write", path))?;
    file.sync_all().map_err(failed("sync", path))
}

/// Copies a plain file to a new one, syncs it, and returns the digest of what was written and its length.
///
/// # Errors
/// When the source is not a plain file, or either side fails.
pub(super) fn copy_new(from: &Path, to: &Path) -> Result<(String, u64)> {
    let mut source = open_plain(from)?;
    let mut target = create_file(to)?;
    let mut hash = Sha256::new();
    let mut length = 0_u64;
    let mut buffer = vec![0; CHUNK];
    loop {
        let n = source.read(&mut buffer).map_err(failed("read", from))?;
        if n == 0 {
            break;
        }
        hash.update(&buffer[..n]);
        target
            .write_all(&buffer[..n])
            .map_err(failed("write", to))?;
        length += n as u64;
    }
    target.sync_all().map_err(failed("sync", to))?;
    Ok((hex(&hash.finalize()), length))
}

/// Opens a plain file for reading: a link, a device or a pipe is refused before it is opened.
pub(super) fn open_plain(path: &Path) -> Result<File> {
    let before = fs::symlink_metadata(path).map_err(failed("read", path))?;
    let refuse = |why: &str| ShelfError::BadFile {
        path: path.to_owned(),
        why: why.to_owned(),
    };
    if before.file_type().is_symlink() {
        return Err(refuse("is a link, not a file"));
    }
    if !before.is_file() {
        return Err(refuse("is not a plain file"));
    }
    let file = File::open(path).map_err(failed("open", path))?;
    let after = file.metadata().map_err(failed("read", path))?;
    if !same_file(&before, &after) {
        return Err(refuse("was exchanged while it was being opened"));
    }
    Ok(file)
}

#[cfg(unix)]
fn same_file(a: &fs::Metadata, b: &fs::Metadata) -> bool {
    use std::os::unix::fs::MetadataExt;
    a.dev() == b.dev() && a.ino() == b.ino()
}

#[cfg(not(unix))]
fn same_file(a: &fs::Metadata, b: &fs::Metadata) -> bool {
    b.is_file() && a.len() == b.len()
}

/// A folder's own sync, so that the names in it last.
pub(super) fn sync_folder(path: &Path) -> Result<()> {
    sync_entries(path).map_err(failed("sync the folder", path))
}

/// Renames within the shelf.
pub(super) fn rename(from: &Path, to: &Path) -> Result<()> {
    fs::rename(from, to).map_err(failed("put in place", to))
}

/// A whole file's bytes.
pub(super) fn read(path: &Path) -> Result<Vec<u8>> {
    let mut bytes = Vec::new();
    read_into(path, &mut bytes).map_err(failed("read", path))?;
    Ok(bytes)
}

/// A whole file's bytes in place of what the buffer holds, whose room is used again.
pub(super) fn read_into(path: &Path, bytes: &mut Vec<u8>) -> io::Result<()> {
    bytes.clear();
    let mut file = File::open(path)?;
    with_buffer(|buffer| {
        let n = file.read(buffer)?;
        bytes.extend_from_slice(&buffer[..n]);
        // Most files end here, and one more read says so; only a long one is asked for its length, to read it in one go.
        if n == buffer.len() {
            let length = file.metadata()?.len();
            bytes.reserve(usize::try_from(length).unwrap_or(0).saturating_sub(n));
        } else if n == 0 || file.read(&mut buffer[..1])? == 0 {
            return Ok(());
        } else {
            bytes.push(buffer[0]);
        }
        file.read_to_end(bytes).map(drop)
    })
}

thread_local! {
    /// What files are read into; kept, so that reading many small files does not begin with making room for each.
    static BUFFER: std::cell::RefCell<Vec<u8>> = std::cell::RefCell::new(vec![0; CHUNK]);
}

fn with_buffer<T>(work: impl FnOnce(&mut [u8]) -> T) -> T {
    BUFFER.with_borrow_mut(|buffer| work(buffer))
}

/// A whole small file's text, or `None` where there is no such file.
pub(super) fn read_if_there(path: &Path) -> Result<Option<Vec<u8>>> {
    let mut bytes = Vec::new();
    match read_into(path, &mut bytes) {
        Ok(()) => Ok(Some(bytes)),
        Err(e) if e.kind() == io::ErrorKind::NotFound => Ok(None),
        Err(e) => Err(failed("read", path)(e)),
    }
}

/// Whether something, of whatever kind, is at the place. A disk that will not say is an error, not a no.
pub(super) fn is_there(path: &Path) -> Result<bool> {
    Ok(lies_at(path)?.is_some())
}

/// What lies at the place, if anything does.
fn lies_at(path: &Path) -> Result<Option<fs::Metadata>> {
    match fs::symlink_metadata(path) {
        Ok(meta) => Ok(Some(meta)),
        Err(e)
            if matches!(
                e.kind(),
                io::ErrorKind::NotFound | io::ErrorKind::NotADirectory
            ) =>
        {
            Ok(None)
        }
        Err(e) => Err(failed("read", path)(e)),
    }
}

/// What kind of thing a folder's entry is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Kind {
    File,
    Folder,
    /// A link, a device, a pipe or a socket.
    Other,
}

/// A folder's entries in the order of their names; a name that is not text is shown as nearly as it can be.
pub(super) fn entries(path: &Path) -> Result<Vec<(String, Kind)>> {
    list_of(
        fs::read_dir(path).map_err(failed("read the folder", path))?,
        path,
    )
}

/// A folder's entries, or none where there is no such folder.
pub(super) fn entries_if_there(path: &Path) -> Result<Vec<(String, Kind)>> {
    match fs::read_dir(path) {
        Ok(entries) => list_of(entries, path),
        Err(e) if e.kind() == io::ErrorKind::NotFound => Ok(Vec::new()),
        Err(e) => Err(failed("read the folder", path)(e)),
    }
}

fn list_of(entries: fs::ReadDir, path: &Path) -> Result<Vec<(String, Kind)>> {
    let mut list = Vec::new();
    for entry in entries {
        let entry = entry.map_err(failed("read the folder", path))?;
        let kind = entry.file_type().map_err(failed("read the folder", path))?;
        let kind = if kind.is_file() {
            Kind::File
        } else if kind.is_dir() {
            Kind::Folder
        } else {
            Kind::Other
        };
        list.push((entry.file_name().to_string_lossy().into_owned(), kind));
    }
    list.sort();
    Ok(list)
}

/// Every file under a folder as a path with `/` between, in order; things that are not files or folders are
/// listed apart, and so are empty folders.
pub(super) fn walk(root: &Path) -> Result<Walk> {
    let mut found = Walk::default();
    walk_into(root, "", 0, &mut found)?;
    found.files.sort();
    Ok(found)
}

/// What [`walk`] found.
#[derive(Default)]
pub(super) struct Walk {
    pub(super) files: Vec<String>,
    pub(super) empty_folders: Vec<String>,
    pub(super) others: Vec<String>,
}

/// Folders within folders, deeper than any job has.
const DEEPEST: usize = 32;

fn walk_into(folder: &Path, prefix: &str, depth: usize, found: &mut Walk) -> Result<()> {
    let list = entries(folder)?;
    if list.is_empty() && depth > 0 {
        found
            .empty_folders
            .push(prefix.trim_end_matches('/').to_owned());
    }
    for (name, kind) in list {
        let path = format!("{prefix}{name}");
        match kind {
            Kind::File => found.files.push(path),
            Kind::Folder if depth < DEEPEST => {
                walk_into(&folder.join(&name), &format!("{path}/"), depth + 1, found)?;
            }
            Kind::Folder | Kind::Other => found.others.push(path),
        }
    }
    Ok(())
}

/// Removes a file or a whole folder, if it is there.
pub(super) fn remove(path: &Path) -> Result<()> {
    let outcome = match fs::symlink_metadata(path) {
        Ok(meta) if meta.is_dir() => fs::remove_dir_all(path),
        Ok(_) => fs::remove_file(path),
        Err(e) => Err(e),
    };
    match outcome {
        Err(e) if e.kind() != io::ErrorKind::NotFound => Err(failed("remove", path)(e)),
        _ => Ok(()),
    }
}

/// The digest of a file's bytes by the named algorithm, and its length.
pub(super) fn digest_file(path: &Path, algorithm: Algorithm) -> Result<(String, u64)> {
    let file = File::open(path).map_err(failed("open", path))?;
    digest_stream(file, algorithm).map_err(failed("read", path))
}

fn digest_stream(mut file: File, algorithm: Algorithm) -> io::Result<(String, u64)> {
    fn run<D: Digest>(file: &mut File) -> io::Result<(String, u64)> {
        with_buffer(|buffer| {
            let mut hash = D::new();
            let mut length = 0_u64;
            loop {
                let n = file.read(buffer)?;
                if n == 0 {
                    return Ok((hex(&hash.finalize()), length));
                }
                hash.update(&buffer[..n]);
                length += n as u64;
            }
        })
    }
    match algorithm {
        Algorithm::Sha256 => run::<Sha256>(&mut file),
        Algorithm::Sha512 => run::<Sha512>(&mut file),
    }
}

/// The digest algorithms OCFL 1.1 allows for addressing content.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Algorithm {
    Sha256,
    Sha512,
}

impl Algorithm {
    pub(super) fn from_name(name: &str) -> Option<Self> {
        match name {
            "sha256" => Some(Algorithm::Sha256),
            "sha512" => Some(Algorithm::Sha512),
            _ => None,
        }
    }

    pub(super) fn name(self) -> &'static str {
        match self {
            Algorithm::Sha256 => "sha256",
            Algorithm::Sha512 => "sha512",
        }
    }

    /// The digest of bytes.
    pub(super) fn of(self, bytes: &[u8]) -> String {
        match self {
            Algorithm::Sha256 => hex(&Sha256::digest(bytes)),
            Algorithm::Sha512 => hex(&Sha512::digest(bytes)),
        }
    }

    /// Digits of the digest in hexadecimal.
    pub(super) fn digits(self) -> usize {
        match self {
            Algorithm::Sha256 => 64,
            Algorithm::Sha512 => 128,
        }
    }
}

/// A path within a folder from a stored path with `/` between, on any system.
pub(super) fn under(root: &Path, stored: &str) -> PathBuf {
    let mut path = root.to_owned();
    path.extend(stored.split('/'));
    path
}

/// Whether a stored path within a folder is that of a plain file: nothing on the way to it, itself included, is a link.
/// A disk that will not say is an error, not a no.
pub(super) fn is_plain(root: &Path, stored: &str) -> Result<bool> {
    let mut path = root.to_owned();
    let mut parts = stored.split('/').peekable();
    while let Some(part) = parts.next() {
        path.push(part);
        let fits = lies_at(&path)?.is_some_and(|meta| match parts.peek() {
            Some(_) => meta.is_dir(),
            None => meta.is_file(),
        });
        if !fits {
            return Ok(false);
        }
    }
    Ok(true)
}

/// A small file's bytes, or `None` where there is no plain file of that path within the folder.
pub(super) fn read_plain(root: &Path, stored: &str) -> Result<Option<Vec<u8>>> {
    match is_plain(root, stored)? {
        true => read_if_there(&under(root, stored)),
        false => Ok(None),
    }
}

/// Whether a folder, and not a link to one, is at the place. A disk that will not say is an error, not a no.
pub(super) fn is_folder(path: &Path) -> Result<bool> {
    Ok(lies_at(path)?.is_some_and(|meta| meta.is_dir()))
}
