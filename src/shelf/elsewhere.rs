//! Bytes of damaged files, looked for where they may lie as well: elsewhere in their job, and in the other jobs.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use super::disk::{self, Algorithm};
use super::inventory::{FILE, Inventory};
use super::root::Shelf;

/// Where bytes lie, by their digest.
type Places = BTreeMap<String, PathBuf>;

/// Looks for bytes by their digest. What it finds is read whole and verified.
pub(super) struct Elsewhere<'a> {
    shelf: &'a Shelf,
    id: &'a str,
    own: BTreeMap<&'static str, Places>,
    others: BTreeMap<&'static str, Places>,
}

impl<'a> Elsewhere<'a> {
    /// For the files of a job.
    pub(super) fn new(shelf: &'a Shelf, id: &'a str) -> Self {
        Self {
            shelf,
            id,
            own: BTreeMap::new(),
            others: BTreeMap::new(),
        }
    }

    /// The bytes of a digest, from the job's own folder; with `far` from any other job too.
    pub(super) fn find(
        &mut self,
        digest: &str,
        algorithm: Algorithm,
        far: bool,
    ) -> Option<Vec<u8>> {
        let (shelf, id) = (self.shelf, self.id);
        let own = self
            .own
            .entry(algorithm.name())
            .or_insert_with(|| own(&shelf.jobs_folder().join(id), algorithm));
        if let Some(bytes) = own.get(digest).and_then(|p| verified(p, digest, algorithm)) {
            return Some(bytes);
        }
        if !far {
            return None;
        }
        let others = self
            .others
            .entry(algorithm.name())
            .or_insert_with(|| others(shelf, id, algorithm));
        others
            .get(digest)
            .and_then(|place| verified(place, digest, algorithm))
    }
}

fn verified(place: &Path, digest: &str, algorithm: Algorithm) -> Option<Vec<u8>> {
    let bytes = disk::read(place).ok()?;
    (algorithm.of(&bytes) == digest).then_some(bytes)
}

/// Every plain file in a job's folder, by what it holds now.
fn own(folder: &Path, algorithm: Algorithm) -> Places {
    let files = disk::walk(folder)
        .map(|walk| walk.files)
        .unwrap_or_default();
    files
        .into_iter()
        .filter_map(|path| {
            let place = disk::under(folder, &path);
            let (digest, _) = disk::digest_file(&place, algorithm).ok()?;
            Some((digest, place))
        })
        .collect()
}

/// What the inventories of the other jobs say they hold.
fn others(shelf: &Shelf, id: &str, algorithm: Algorithm) -> Places {
    let mut places = Places::new();
    for name in shelf.job_names().unwrap_or_default() {
        let folder = shelf.jobs_folder().join(&name);
        let inventory = disk::read_plain(&folder, FILE)
            .ok()
            .flatten()
            .and_then(|bytes| Inventory::from_bytes(&bytes, &name).ok())
            .filter(|i| name != id && i.algorithm() == Some(algorithm));
        for (path, digest) in inventory.iter().flat_map(|i| i.contents()) {
            if super::names::is_safe_path(path) && disk::is_plain(&folder, path).unwrap_or(false) {
                places
                    .entry(digest.to_owned())
                    .or_insert_with(|| disk::under(&folder, path));
            }
        }
    }
    places
}
