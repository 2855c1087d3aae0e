//! Shelf references: how a command names what lies on the shelf, as in `shelf:JOB@v2/as-found`.

use std::path::{Path, PathBuf};

use super::disk;
use super::error::{Result, ShelfError};
use super::names::is_safe_path;
use super::root::Shelf;
use crate::blame::DiskError;

/// What begins a shelf reference.
const PREFIX: &str = "shelf:";

/// A reference to a file or a folder of a version of a job.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Reference {
    /// The job's name, or a part of it only one job has.
    pub job: String,
    /// The version; the latest where absent.
    pub version: Option<u32>,
    /// The file or folder within the job; everything where absent.
    pub path: Option<String>,
}

impl Reference {
    /// Whether a text means a shelf reference.
    pub fn is_one(text: &str) -> bool {
        text.starts_with(PREFIX)
    }

    /// Reads `shelf:JOB`, `shelf:JOB/PATH`, `shelf:JOB@vN` or `shelf:JOB@vN/PATH`.
    ///
    /// # Errors
    /// [`ShelfError::BadReference`] with what is wrong.
    pub fn parse(text: &str) -> Result<Reference> {
        let bad = |why| ShelfError::BadReference {
            text: text.to_owned(),
            why,
        };
        let rest = text
            .strip_prefix(PREFIX)
            .ok_or_else(|| bad("it does not begin with shelf:"))?;
        let (head, path) = match rest.split_once('/') {
            Some((head, path)) => (head, Some(path.trim_end_matches('/'))),
            None => (rest, None),
        };
        let (job, version) = match head.split_once('@') {
            Some((job, version)) => {
                let digits = version.strip_prefix('v').unwrap_or(version);
                let number = digits
                    .parse()
                    .ok()
                    .filter(|n| *n > 0)
                    .ok_or_else(|| bad("after @ there must be a version, as in @v2"))?;
                (job, Some(number))
            }
            None => (head, None),
        };
        if job.is_empty() {
            return Err(bad("it names no job"));
        }
        let path = path.filter(|p| !p.is_empty());
        if path.is_some_and(|p| !is_safe_path(p)) {
            return Err(bad("its path could not be that of a file on the shelf"));
        }
        Ok(Reference {
            job: job.to_owned(),
            version,
            path: path.map(str::to_owned),
        })
    }

    /// Reads a reference whose `shelf:` may be left out, where nothing else could be meant.
    ///
    /// # Errors
    /// As [`Reference::parse`].
    pub fn parse_loose(text: &str) -> Result<Reference> {
        if Reference::is_one(text) {
            Reference::parse(text)
        } else {
            Reference::parse(&format!("{PREFIX}{text}"))
        }
    }
}

impl std::fmt::Display for Reference {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{PREFIX}{}", self.job)?;
        if let Some(version) = self.version {
            write!(f, "@v{version}")?;
        }
        if let Some(path) = &self.path {
            write!(f, "/{path}")?;
        }
        Ok(())
    }
}

/// What a reference stands for, read and verified.
#[derive(Clone, Debug)]
pub struct Resolved {
    /// The reference in full: whole job name, version and path.
    pub reference: Reference,
    /// Whether the path is that of one file.
    pub is_file: bool,
    /// The files: path below the reference's, or the file's own name, and bytes.
    pub files: Vec<(String, Vec<u8>)>,
}

impl Resolved {
    /// Writes the files below a folder that exists, and returns the path to read from: the file, or the folder.
    ///
    /// # Errors
    /// When something is in the way or the disk refuses.
    pub fn write_to(&self, folder: &Path) -> Result<PathBuf> {
        for (path, bytes) in &self.files {
            let place = disk::under(folder, path);
            if let Some(parent) = place.parent() {
                std::fs::create_dir_all(parent)
                    .map_err(|e| DiskError::new("create the folder", parent, e))?;
            }
            disk::write_new(&place, bytes)?;
        }
        match self.files.first() {
            Some((path, _)) if self.is_file => Ok(disk::under(folder, path)),
            _ => Ok(folder.to_owned()),
        }
    }
}

/// Reads what a reference stands for. Every file is verified against its digest.
///
/// # Errors
/// When there is no such job, version or path, or a file is damaged.
pub fn resolve(shelf: &Shelf, reference: &Reference) -> Result<Resolved> {
    let id = shelf.job_named(&reference.job)?;
    let stored = shelf.stored_at(&id, reference.version)?;
    let version = stored.version_or_head(reference.version)?;
    let state = stored.inventory.state(version).unwrap_or_default();
    let whole = Reference {
        job: id,
        version: Some(version),
        path: reference.path.clone(),
    };
    let record = stored.record(version).unwrap_or_default();
    let mut files: Vec<(String, Vec<u8>)> = Vec::new();
    let mut is_file = false;
    match &reference.path {
        Some(path) if state.contains_key(path.as_str()) => {
            is_file = true;
            let given = record.given_name(path);
            let name = given.rsplit('/').next().unwrap_or(given);
            files.push((
                name.to_owned(),
                stored.bytes_of(state[path.as_str()], path)?,
            ));
        }
        path => {
            let prefix = path.as_ref().map_or(String::new(), |p| format!("{p}/"));
            for (file, digest) in &state {
                if let Some(name) = file.strip_prefix(&prefix) {
                    // Its own name, unless that of another is the same but for case.
                    let given = record.given_name(file).strip_prefix(&prefix);
                    let taken = |given: &str| {
                        let given = given.to_lowercase();
                        files.iter().any(|(name, _)| name.to_lowercase() == given)
                    };
                    let name = given.filter(|given| !taken(given)).unwrap_or(name);
                    files.push((name.to_owned(), stored.bytes_of(digest, file)?));
                }
            }
            if files.is_empty() {
                return Err(stored.no_file(version, path.as_deref().unwrap_or_default()));
            }
        }
    }
    Ok(Resolved {
        reference: whole,
        is_file,
        files,
    })
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]
    use super::*;

    #[test]
    fn references_read_back_as_written() {
        for text in [
            "shelf:job",
            "shelf:job/as-found",
            "shelf:job@v2/as-found/CH12.bin",
            "shelf:job@v10",
        ] {
            assert_eq!(Reference::parse(text).unwrap().to_string(), text);
        }
        assert_eq!(
            Reference::parse("shelf:job@3/").unwrap().to_string(),
            "shelf:job@v3"
        );
        for bad in [
            "job",
            "shelf:",
            "shelf:@v1",
            "shelf:job@",
            "shelf:job@v0",
            "shelf:job@x",
            "shelf:job/../x",
            "shelf:job//x",
        ] {
            assert!(Reference::parse(bad).is_err(), "{bad}");
        }
    }
}
