//! A version built aside: everything in it written, synced and read back before any of it is put in place.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use super::disk::{self, Algorithm, sha256, under};
use super::error::{Result, ShelfError};
use super::gather::{Incoming, Source, settle_names};
use super::inventory::{FILE, Inventory, OBJECT_MARK, SIDECAR};
use super::job::{Act, Job, RECORD};
use super::parity;
use super::store::Stored;

/// A version on its way: everything needed to build it.
pub(super) struct Draft<'a> {
    pub(super) id: &'a str,
    /// What the version builds on; `None` for the first version.
    pub(super) base: Option<&'a Stored>,
    /// Files taken over: logical path to digest.
    pub(super) kept: BTreeMap<String, String>,
    /// New or replaced files.
    pub(super) files: Vec<Incoming>,
    /// The record, written as `job.json`.
    pub(super) record: Job,
    pub(super) message: String,
}

/// The folders of a version being built, each made once and all synced at the end.
struct Folders {
    made: Vec<PathBuf>,
}

impl Folders {
    fn make(&mut self, path: &Path) -> Result<()> {
        disk::make_folder(path)?;
        self.made.push(path.to_owned());
        Ok(())
    }

    fn ensure_to(&mut self, root: &Path, stored: &str) -> Result<()> {
        let mut path = root.to_owned();
        let parts: Vec<&str> = stored.split('/').collect();
        if !self.made.contains(&path) {
            self.make(&path)?;
        }
        for part in &parts[..parts.len() - 1] {
            path.push(part);
            if !self.made.contains(&path) {
                self.make(&path)?;
            }
        }
        Ok(())
    }

    fn sync(&self) -> Result<()> {
        // The innermost first, so that a name never lasts before what it names.
        self.made
            .iter()
            .rev()
            .try_for_each(|f| disk::sync_folder(f))
    }
}

/// Builds the whole version in the folder `aside`, every byte synced and read back.
pub(super) fn build(aside: &Path, draft: Draft<'_>, number: u32, act: &Act) -> Result<()> {
    let mut folders = Folders { made: Vec::new() };
    folders.make(aside)?;
    let object = if draft.base.is_some() {
        aside.to_owned()
    } else {
        let object = aside.join("object");
        folders.make(&object)?;
        disk::write_new(&object.join(OBJECT_MARK.0), OBJECT_MARK.1.as_bytes())?;
        object
    };
    let version = object.join(format!("v{number}"));
    folders.make(&version)?;
    let mut inventory = draft
        .base
        .map_or_else(|| Inventory::new(draft.id), |s| s.inventory.clone());
    let mut state = draft.kept;
    let mut record = draft.record;
    let mut files = settle_names(draft.files)?;
    for file in &files {
        match &file.own {
            Some(own) => record.own_names.insert(file.stored.clone(), own.clone()),
            None => record.own_names.remove(&file.stored),
        };
    }
    files.push(Incoming {
        stored: RECORD.to_owned(),
        own: None,
        source: Source::Bytes(record.to_bytes()?),
    });
    let content = version.join("content");
    for file in files {
        let incoming = aside.join("incoming");
        let digest = stage(&incoming, &file.source)?;
        if inventory.manifest.contains_key(&digest) {
            disk::remove(&incoming)?;
        } else {
            folders.ensure_to(&content, &file.stored)?;
            disk::rename(&incoming, &under(&content, &file.stored))?;
            inventory.manifest.insert(
                digest.clone(),
                vec![format!("v{number}/content/{}", file.stored)],
            );
        }
        state.insert(file.stored, digest);
    }
    inventory.add_version(act.stamp(), &act.by, draft.message, &state);
    let (bytes, sidecar) = inventory.to_bytes()?;
    for place in [&version, &object] {
        write_checked(&place.join(FILE), &bytes)?;
        write_checked(&place.join(SIDECAR), sidecar.as_bytes())?;
    }
    let parity = parity::make(&version, draft.id, number)?;
    write_checked(&aside.join(format!("v{number}.parity")), &parity)?;
    folders.sync()
}

/// Writes one incoming file, synced, and returns its digest as read back.
fn stage(place: &Path, source: &Source) -> Result<String> {
    let written = match source {
        Source::Bytes(bytes) => {
            disk::write_new(place, bytes)?;
            sha256(bytes)
        }
        Source::File(from) => disk::copy_new(from, place)?.0,
    };
    if disk::digest_file(place, Algorithm::Sha256)?.0 != written {
        return Err(ShelfError::Unfaithful(place.to_owned()));
    }
    Ok(written)
}

fn write_checked(place: &Path, bytes: &[u8]) -> Result<()> {
    disk::write_new(place, bytes)?;
    if disk::read(place)? != bytes {
        return Err(ShelfError::Unfaithful(place.to_owned()));
    }
    Ok(())
}
