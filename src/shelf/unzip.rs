//! Unpacking what came from outside, a zip file or a folder, without trusting a single name or number in it.
//!
//! Nothing is written under a name from outside: the bytes go into numbered files of a private temporary folder, and
//! names stay in a table. Sizes, counts and depths are bounded by what was really read, whatever the headers say.

use std::collections::BTreeMap;
use std::fs::File;
use std::io::{Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

use super::bagged::Limits;
use super::disk;
use super::error::{Result, ShelfError};
use crate::blame::DiskError;

/// What was unpacked.
pub(super) struct Unpacked {
    /// Where the bytes of each path lie, and how many they are.
    pub(super) files: BTreeMap<String, (PathBuf, u64)>,
    /// Holds unpacked bytes until they have been taken in.
    _folder: Option<tempfile::TempDir>,
}

pub(super) fn refuse(path: &Path, why: impl Into<String>) -> ShelfError {
    ShelfError::BadBag {
        path: path.to_owned(),
        why: why.into(),
    }
}

/// A name from outside as it can be shown: control characters and the like are escaped.
pub(super) fn shown(name: &str) -> String {
    let short: String = name.chars().take(80).collect();
    short.escape_debug().to_string()
}

/// Why a path from outside is refused, if it is.
fn hostile(name: &str) -> Option<&'static str> {
    if name.len() > 1000 {
        return Some("is longer than 1,000 bytes");
    }
    if name.starts_with('/') || name.contains('\\') || name.get(1..2) == Some(":") {
        return Some("is not a path within the bag");
    }
    if name.chars().any(char::is_control) {
        return Some("has control characters");
    }
    let parts: Vec<&str> = name.split('/').collect();
    if parts.len() > 32 {
        return Some("lies too deep in folders");
    }
    if parts.iter().any(|part| matches!(*part, "" | "." | "..")) || name.starts_with('~') {
        return Some("leads out of the bag");
    }
    None
}

/// Unpacks a bag.
///
/// # Errors
/// [`ShelfError::BadBag`] for anything that is not plainly a file or a folder of a bag.
pub(super) fn unpack(path: &Path, limits: &Limits) -> Result<Unpacked> {
    let meta = std::fs::symlink_metadata(path).map_err(|e| DiskError::new("read", path, e))?;
    if meta.is_dir() {
        from_folder(path, limits)
    } else {
        from_zip(path, limits)
    }
}

fn from_folder(path: &Path, limits: &Limits) -> Result<Unpacked> {
    let mut files = BTreeMap::new();
    let mut total = 0_u64;
    let mut open = vec![(path.to_owned(), String::new(), 0_usize)];
    while let Some((folder, prefix, depth)) = open.pop() {
        let io = |e| DiskError::new("read the folder", &folder, e);
        for entry in std::fs::read_dir(&folder).map_err(io)? {
            let entry = entry.map_err(io)?;
            let raw = entry.file_name();
            let Some(name) = raw.to_str() else {
                return Err(refuse(
                    path,
                    format!("the name \"{}\" is not text", shown(&raw.to_string_lossy())),
                ));
            };
            let full = format!("{prefix}{name}");
            if let Some(why) = hostile(&full) {
                return Err(refuse(path, format!("the name \"{}\" {why}", shown(&full))));
            }
            let kind = entry.file_type().map_err(io)?;
            if kind.is_dir() {
                if depth >= 32 {
                    return Err(refuse(path, "its folders go too deep"));
                }
                open.push((entry.path(), format!("{full}/"), depth + 1));
            } else if kind.is_file() {
                let length = entry.metadata().map_err(io)?.len();
                total = total.saturating_add(length);
                files.insert(full, (entry.path(), length));
            } else {
                return Err(refuse(
                    path,
                    format!("\"{}\" is a link or a device", shown(&full)),
                ));
            }
            if files.len() + open.len() > limits.files {
                return Err(refuse(path, limits.too_many()));
            }
            if total > limits.bytes {
                return Err(refuse(path, limits.too_large()));
            }
        }
    }
    Ok(Unpacked {
        files,
        _folder: None,
    })
}

fn from_zip(path: &Path, limits: &Limits) -> Result<Unpacked> {
    let mut file = disk::open_plain(path)?;
    let names = count_names(&mut file).map_err(|e| DiskError::new("read", path, e))?;
    let count = match names {
        None => {
            return Err(refuse(
                path,
                "it is neither a folder nor a zip file of less than 65,535 files and 4 GiB",
            ));
        }
        Some(n) if n > limits.files => return Err(refuse(path, limits.too_many())),
        Some(n) => n,
    };
    let bad = |e: zip::result::ZipError| refuse(path, format!("its zip structure is damaged: {e}"));
    let mut zip = zip::ZipArchive::new(file).map_err(bad)?;
    if zip.len() != count {
        return Err(refuse(
            path,
            "a name is in it twice, or its table of names is damaged",
        ));
    }
    let folder = tempfile::tempdir()
        .map_err(|e| DiskError::new("make a folder in", std::env::temp_dir(), e))?;
    let mut files: BTreeMap<String, (PathBuf, u64)> = BTreeMap::new();
    let mut left = limits.bytes;
    for index in 0..zip.len() {
        let entry = zip.by_index(index).map_err(bad)?;
        let name = entry.name().map_err(bad)?.into_owned();
        let is_folder = name.ends_with('/');
        let plain = name.strip_suffix('/').unwrap_or(&name);
        if let Some(why) = hostile(plain) {
            return Err(refuse(path, format!("the name \"{}\" {why}", shown(&name))));
        }
        // The upper bits of a Unix mode: 0o040000 a folder, 0o100000 a plain file, 0 unknown (stat(2)).
        match entry.unix_mode().unwrap_or(0) & 0o170_000 {
            0 => {}
            0o040_000 if is_folder => {}
            0o100_000 if !is_folder => {}
            _ => {
                return Err(refuse(
                    path,
                    format!("\"{}\" is a link or a device", shown(&name)),
                ));
            }
        }
        if is_folder {
            continue;
        }
        if files.contains_key(&name) {
            return Err(refuse(path, format!("\"{}\" is in it twice", shown(&name))));
        }
        let place = folder.path().join(index.to_string());
        let mut out = disk::create_file(&place)?;
        let mut limited = entry.take(left + 1);
        let mut buffer = vec![0; 64 * 1024];
        let mut length = 0;
        loop {
            let n = limited.read(&mut buffer).map_err(|e| {
                refuse(
                    path,
                    format!("\"{}\" cannot be unpacked: {e}", shown(&name)),
                )
            })?;
            if n == 0 {
                break;
            }
            length += n as u64;
            out.write_all(&buffer[..n])
                .map_err(|e| DiskError::new("write", &place, e))?;
        }
        if length > left {
            return Err(refuse(path, limits.too_large()));
        }
        left -= length;
        files.insert(name, (place, length));
    }
    Ok(Unpacked {
        files,
        _folder: Some(folder),
    })
}

/// How many names a zip file's closing record tells of; none where there is no such record, or it is of the large
/// kind. Looked at before the names are read, so that a file of names alone cannot fill the memory.
///
/// Source: ZIP File Format Specification 6.3, section 4.3.16 (from memory): signature `PK\5\6`, names in all at
/// offset 10 (2 bytes), length of their table at 12 (4 bytes).
fn count_names(file: &mut File) -> std::io::Result<Option<usize>> {
    let length = file.seek(SeekFrom::End(0))?;
    let tail = length.min(22 + 65_535);
    file.seek(SeekFrom::Start(length - tail))?;
    let mut bytes = Vec::new();
    Read::by_ref(file).take(tail).read_to_end(&mut bytes)?;
    file.rewind()?;
    let Some(at) = bytes.windows(4).rposition(|w| w == b"PK\x05\x06") else {
        return Ok(None);
    };
    let Some(record) = bytes.get(at..at + 22) else {
        return Ok(None);
    };
    let names = u16::from_le_bytes([record[10], record[11]]);
    let table = u32::from_le_bytes([record[12], record[13], record[14], record[15]]);
    let large = names == u16::MAX || table > 64 << 20;
    Ok((!large).then_some(names.into()))
}
