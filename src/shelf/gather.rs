//! Gathering what is to be put into a job: files and folders given by the caller, under safe names.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

use super::error::{FOLDER, Result, ShelfError};
use super::job::Role;
use super::names::{is_safe_path, numbered, safe_path};
use super::root::Shelf;
use crate::blame::DiskError;

/// Most files one call takes from a folder.
const MOST_FILES: usize = 10_000;
/// Deepest folder within a folder.
const DEEPEST: usize = 16;

/// One file on its way into a job.
#[derive(Clone, Debug)]
pub struct Incoming {
    /// Where it goes within the job.
    pub(super) stored: String,
    /// Its own path, where it differs from the stored one.
    pub(super) own: Option<String>,
    /// Where its bytes come from.
    pub(super) source: Source,
}

/// Where the bytes of an incoming file come from.
#[derive(Clone, Debug)]
pub(super) enum Source {
    File(PathBuf),
    Bytes(Vec<u8>),
}

/// Files of a role from a file or from everything in a folder; `name` is a folder within the role's to put them in.
///
/// # Errors
/// When something is neither a file nor a folder, a link among them, or there is nothing.
pub fn gather(path: &Path, role: Role, name: Option<&str>) -> Result<Vec<Incoming>> {
    if let Some(name) = name.filter(|name| !is_safe_path(name)) {
        return Err(ShelfError::BadField {
            field: FOLDER,
            value: name.to_owned(),
            why: "it takes letters a to z, digits and . - _ + = , @, and leads nowhere else",
        });
    }
    let prefix = match name {
        Some(name) => format!("{}/{name}", role.word()),
        None => role.word().to_owned(),
    };
    let meta = std::fs::symlink_metadata(path).map_err(|e| DiskError::new("read", path, e))?;
    let mut found = Vec::new();
    if meta.is_dir() {
        folder(path, String::new(), 0, &mut found)?;
        if found.is_empty() {
            return Err(ShelfError::Nothing(format!(
                "{} is an empty folder",
                path.display()
            )));
        }
    } else {
        let own = path
            .file_name()
            .unwrap_or(path.as_os_str())
            .to_string_lossy();
        found.push((own.into_owned(), path.to_owned()));
    }
    Ok(found
        .into_iter()
        .map(|(own, path)| placed(&prefix, &own, Source::File(path)))
        .collect())
}

impl Shelf {
    /// Gathers files as [`gather`] does, to be put on this shelf.
    ///
    /// # Errors
    /// As in [`gather`]; also when the path is the shelf, holds it, or lies on it.
    pub fn gather(&self, path: &Path, role: Role, name: Option<&str>) -> Result<Vec<Incoming>> {
        if let (Ok(given), Ok(root)) = (path.canonicalize(), self.root().canonicalize()) {
            let refuse = |why: &str| ShelfError::BadFile {
                path: path.to_owned(),
                why: why.to_owned(),
            };
            if root.starts_with(&given) {
                return Err(refuse(
                    "is the shelf itself, or holds it; name the files or the folder of the reading",
                ));
            }
            if given.starts_with(&root) {
                return Err(refuse(
                    "lies on the shelf; lay out what is wanted of it with `cellkeep shelf take`, and put that in",
                ));
            }
        }
        gather(path, role, name)
    }
}

/// A file made by the program itself, to be put in a role.
pub fn incoming_bytes(role: Role, name: &str, bytes: Vec<u8>) -> Incoming {
    placed(role.word(), name, Source::Bytes(bytes))
}

pub(super) fn placed(prefix: &str, own: &str, source: Source) -> Incoming {
    let full = format!("{prefix}/{own}");
    let stored = safe_path(&full);
    Incoming {
        own: (stored != full).then_some(full),
        stored,
        source,
    }
}

fn folder(
    path: &Path,
    prefix: String,
    depth: usize,
    found: &mut Vec<(String, PathBuf)>,
) -> Result<()> {
    let refuse = |place: &Path, why: &str| ShelfError::BadFile {
        path: place.to_owned(),
        why: why.to_owned(),
    };
    if depth > DEEPEST {
        return Err(refuse(path, "lies too deep in folders"));
    }
    let io = |e| DiskError::new("read the folder", path, e);
    let mut list = std::fs::read_dir(path)
        .map_err(io)?
        .collect::<std::io::Result<Vec<_>>>()
        .map_err(io)?;
    list.sort_by_key(std::fs::DirEntry::file_name);
    for entry in list {
        let place = entry.path();
        let own = format!("{prefix}{}", entry.file_name().to_string_lossy());
        let kind = entry.file_type().map_err(io)?;
        if kind.is_dir() {
            folder(&place, format!("{own}/"), depth + 1, found)?;
        } else if kind.is_file() {
            if found.len() == MOST_FILES {
                return Err(refuse(path, "holds more than 10,000 files"));
            }
            found.push((own, place));
        } else {
            return Err(refuse(
                &place,
                "is a link or a device; only files and folders are put on the shelf",
            ));
        }
    }
    Ok(())
}

/// Gives every incoming file a stored name of its own: names that differ in case alone, or became the same when made
/// safe, are numbered. Two that have the very same own name are an error.
///
/// # Errors
/// [`ShelfError::Nothing`] naming the two.
pub(super) fn settle_names(files: Vec<Incoming>) -> Result<Vec<Incoming>> {
    let mut seen: BTreeMap<String, String> = BTreeMap::new();
    let mut taken: BTreeSet<String> = files
        .iter()
        .map(|f| f.stored.to_ascii_lowercase())
        .collect();
    let mut settled = Vec::with_capacity(files.len());
    for mut file in files {
        let own = file.own.clone().unwrap_or_else(|| file.stored.clone());
        let key = file.stored.to_ascii_lowercase();
        if let Some(first) = seen.get(&key) {
            if *first == own {
                return Err(ShelfError::Nothing(format!(
                    "two of the files would both be {}; put them in apart, each with its own --name",
                    file.stored
                )));
            }
            let mut n = 2;
            while !taken.insert(numbered(&key, n)) {
                n += 1;
            }
            file.stored = numbered(&file.stored, n);
            file.own = Some(own.clone());
        }
        seen.insert(file.stored.to_ascii_lowercase(), own);
        settled.push(file);
    }
    Ok(settled)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]
    use super::*;

    fn named(own: &str) -> Incoming {
        placed("paper", own, Source::Bytes(Vec::new()))
    }

    #[test]
    fn twins_in_case_and_in_form_are_both_kept() {
        // U+00FC, and u with U+0308: the same letter in two normal forms (Unicode Standard Annex 15).
        let files = ["CH1.bin", "ch1.BIN", "\u{fc}.txt", "u\u{308}.txt", "_.txt"];
        let settled = settle_names(files.into_iter().map(named).collect()).unwrap();
        let stored: Vec<&str> = settled.iter().map(|f| f.stored.as_str()).collect();
        assert_eq!(
            stored,
            [
                "paper/CH1.bin",
                "paper/ch1-2.BIN",
                "paper/_.txt",
                "paper/u_.txt",
                "paper/_-2.txt"
            ]
        );
        assert_eq!(settled[1].own.as_deref(), Some("paper/ch1.BIN"));
    }

    #[test]
    fn the_same_name_twice_is_refused() {
        assert!(settle_names(vec![named("a.bin"), named("a.bin")]).is_err());
    }
}
