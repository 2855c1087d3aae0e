//! Reading what is stored: a job's versions, its files, its record.

use std::path::PathBuf;
use std::time::Duration;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::disk::{self, under};
use super::error::{Result, ShelfError};
use super::inventory::{self, Inventory, OBJECT_MARK, SIDECAR};
use super::job::{Job, RECORD, Role};
use super::root::Shelf;

/// A job as it is stored, with its inventory read and verified.
#[derive(Debug)]
pub struct Stored {
    pub(super) id: String,
    pub(super) folder: PathBuf,
    pub(super) inventory: Inventory,
}

/// A file of a version.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct FileAt {
    /// Path within the job.
    pub path: String,
    /// The part it plays; absent for the record itself.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub role: Option<Role>,
    /// SHA-256, or SHA-512 in a job another program made.
    pub digest: String,
    /// Length in bytes; absent when the file is not there.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub bytes: Option<u64>,
    /// The version it came in with.
    pub since: u32,
}

/// A version of a job.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct VersionAt {
    /// Its number, from 1.
    pub version: u32,
    /// When it was made, in RFC 3339.
    pub at: String,
    /// Who made it.
    pub by: String,
    /// What was done.
    pub says: String,
    /// How many files it holds.
    pub files: usize,
}

impl Shelf {
    /// A job as it is stored. The inventory's own digest is verified.
    ///
    /// # Errors
    /// When the job is not there, is of a later format, or its inventory is damaged.
    pub fn stored(&self, id: &str) -> Result<Stored> {
        let folder = self.jobs_folder().join(id);
        if !disk::is_folder(&folder)? && disk::is_there(&folder)? {
            return Err(ShelfError::NoFolder(id.to_owned()));
        }
        // A writer at work replaces the inventory and its digest one after the other: look again before complaining.
        for _ in 0..20 {
            if let Some(stored) = read_object(id, &folder)? {
                return Ok(stored);
            }
            std::thread::sleep(Duration::from_millis(5));
        }
        Err(ShelfError::Damaged {
            job: id.to_owned(),
            what: "its inventory does not match its digest".to_owned(),
        })
    }
}

impl Shelf {
    /// A job to be read. Where its inventory is lost or damaged and a version was asked for, it is the job as that version
    /// knew it: each version has an inventory of its own.
    ///
    /// # Errors
    /// As [`Shelf::stored`].
    pub fn stored_at(&self, id: &str, version: Option<u32>) -> Result<Stored> {
        let (damaged, number) = match (self.stored(id), version) {
            (Err(e @ ShelfError::Damaged { .. }), Some(number)) => (e, number),
            (stored, _) => return stored,
        };
        let folder = self.jobs_folder().join(id);
        let own = folder.join(format!("v{number}"));
        let bytes = disk::read_if_there(&own.join(inventory::FILE))?.unwrap_or_default();
        let sidecar = disk::read_if_there(&own.join(SIDECAR))?.unwrap_or_default();
        if bytes.is_empty() || sidecar != inventory::sidecar_text(&bytes).as_bytes() {
            return Err(damaged);
        }
        Stored::of(id, &folder, Inventory::from_bytes(&bytes, id)?)
    }
}

/// Reads an object; `None` when inventory and digest do not match.
pub(super) fn read_object(id: &str, folder: &std::path::Path) -> Result<Option<Stored>> {
    let damaged = |what: String| ShelfError::Damaged {
        job: id.to_owned(),
        what,
    };
    if !disk::is_there(&folder.join(OBJECT_MARK.0))? {
        if !disk::is_there(folder)? {
            return Err(ShelfError::NoJob {
                name: id.to_owned(),
                near: Vec::new(),
            });
        }
        let other = disk::entries(folder)?
            .into_iter()
            .find(|(n, _)| n.starts_with("0=ocfl_object_"));
        return Err(match other {
            Some((name, _)) => ShelfError::Newer {
                what: format!("the OCFL object {id}"),
                found: name["0=ocfl_object_".len()..].to_owned(),
                known: 1,
            },
            None => damaged(format!("{} is missing", OBJECT_MARK.0)),
        });
    }
    let Some(bytes) = disk::read_if_there(&folder.join(inventory::FILE))? else {
        return Err(damaged("its inventory is missing".to_owned()));
    };
    let sidecar = disk::read_if_there(&folder.join(SIDECAR))?.unwrap_or_default();
    if sidecar != inventory::sidecar_text(&bytes).as_bytes() {
        return Ok(None);
    }
    Stored::of(id, folder, Inventory::from_bytes(&bytes, id)?).map(Some)
}

impl Stored {
    /// A job by an inventory whose digest holds, so that it is what was written; but what was written must name places
    /// inside the job.
    pub(super) fn of(id: &str, folder: &std::path::Path, inventory: Inventory) -> Result<Stored> {
        let inside = inventory
            .contents()
            .keys()
            .all(|path| super::names::is_safe_path(path));
        if inside && inventory.id != id && super::names::check_job_name(&inventory.id).is_ok() {
            return Err(ShelfError::Misplaced {
                folder: id.to_owned(),
                job: inventory.id,
            });
        }
        if !inside || inventory.id != id || inventory.version(inventory.head_number()).is_none() {
            return Err(ShelfError::Damaged {
                job: id.to_owned(),
                what: "its inventory contradicts itself".to_owned(),
            });
        }
        Ok(Stored {
            id: id.to_owned(),
            folder: folder.to_owned(),
            inventory,
        })
    }

    /// The job's name.
    pub fn id(&self) -> &str {
        &self.id
    }

    /// The folder the job lies in.
    pub fn folder(&self) -> &std::path::Path {
        &self.folder
    }

    /// The number of the latest version.
    pub fn head(&self) -> u32 {
        self.inventory.head_number()
    }

    /// A version that exists: the one asked for, or the latest.
    ///
    /// # Errors
    /// [`ShelfError::NoVersion`].
    pub fn version_or_head(&self, asked: Option<u32>) -> Result<u32> {
        let head = self.head();
        match asked {
            None => Ok(head),
            Some(n) if self.inventory.version(n).is_some() => Ok(n),
            Some(asked) => Err(ShelfError::NoVersion {
                job: self.id.clone(),
                head,
                asked,
            }),
        }
    }

    /// Every version, the first one first.
    pub fn versions(&self) -> Vec<VersionAt> {
        (1..=self.head())
            .filter_map(|number| {
                let version = self.inventory.version(number)?;
                Some(VersionAt {
                    version: number,
                    at: version.created.clone(),
                    by: version
                        .user
                        .as_ref()
                        .map_or_else(String::new, |u| u.name.clone()),
                    says: version.message.clone().unwrap_or_default(),
                    files: version.state.values().map(Vec::len).sum(),
                })
            })
            .collect()
    }

    /// The files of a version, in the order of their paths.
    ///
    /// # Errors
    /// [`ShelfError::NoVersion`].
    pub fn files(&self, version: u32) -> Result<Vec<FileAt>> {
        let state = self
            .inventory
            .state(version)
            .ok_or_else(|| ShelfError::NoVersion {
                job: self.id.clone(),
                head: self.head(),
                asked: version,
            })?;
        Ok(state
            .into_iter()
            .map(|(path, digest)| FileAt {
                path: path.to_owned(),
                role: Role::of_path(path),
                digest: digest.to_owned(),
                bytes: self
                    .place_of(digest)
                    .and_then(|place| place.metadata().ok())
                    .map(|meta| meta.len()),
                since: self.inventory.came_in(path, digest, version),
            })
            .collect())
    }

    /// Where the bytes of a digest lie.
    pub(super) fn place_of(&self, digest: &str) -> Option<PathBuf> {
        self.inventory
            .content(digest)
            .map(|content| under(&self.folder, content))
    }

    /// The bytes of a digest, verified.
    pub(super) fn bytes_of(&self, digest: &str, path: &str) -> Result<Vec<u8>> {
        let damaged = |what: String| ShelfError::Damaged {
            job: self.id.clone(),
            what,
        };
        let place = self
            .place_of(digest)
            .ok_or_else(|| damaged(format!("{path} is not in its manifest")))?;
        let bytes =
            disk::read_if_there(&place)?.ok_or_else(|| damaged(format!("{path} is missing")))?;
        let algorithm = self
            .inventory
            .algorithm()
            .ok_or_else(|| damaged("its digest algorithm is not known".to_owned()))?;
        if algorithm.of(&bytes) != digest {
            return Err(damaged(format!("{path} does not match its digest")));
        }
        Ok(bytes)
    }

    /// A file of a version, verified against its digest.
    ///
    /// # Errors
    /// When there is no such file or it is damaged.
    pub fn read(&self, version: u32, path: &str) -> Result<Vec<u8>> {
        let version = self.version_or_head(Some(version))?;
        let state = self.inventory.state(version).unwrap_or_default();
        match state.get(path) {
            Some(digest) => self.bytes_of(digest, path),
            None => Err(self.no_file(version, path)),
        }
    }

    pub(super) fn no_file(&self, version: u32, path: &str) -> ShelfError {
        let mut there: Vec<String> = self
            .inventory
            .state(version)
            .unwrap_or_default()
            .keys()
            .map(|p| p.split('/').next().unwrap_or(p).to_owned())
            .collect();
        there.dedup();
        ShelfError::NoFile {
            job: self.id.clone(),
            version,
            path: path.to_owned(),
            there,
        }
    }

    /// The record of a version.
    ///
    /// # Errors
    /// When it is missing, damaged, or of a later version.
    pub fn record(&self, version: u32) -> Result<Job> {
        let bytes = self.read(version, RECORD)?;
        Job::from_bytes(&bytes, &format!("{}/{RECORD}", self.id))
    }
}
