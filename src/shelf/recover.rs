//! Settling what a killed writer left in `staging`: finished where its version is in place, undone where it is not.
//!
//! A version counts as in place when its folder is, since everything in it was synced before it was renamed there. Nothing
//! in `jobs` is ever removed here.

use std::path::Path;

use super::disk::{self, Kind};
use super::error::Result;
use super::inventory::{FILE, Inventory, SIDECAR, number_of, sidecar_text};
use super::names::check_job_name;
use super::root::{Shelf, Turn};

impl Shelf {
    /// Settles every entry of `staging`.
    pub(super) fn recover(&self, _turn: &Turn) -> Result<()> {
        for (name, _) in disk::entries(&self.staging())? {
            let aside = self.staging().join(&name);
            if let Some((id, number)) = parse(&name) {
                self.settle(id, number, &aside)?;
            }
            disk::remove(&aside)?;
        }
        disk::sync_folder(&self.staging())
    }

    fn settle(&self, id: &str, number: u32, aside: &Path) -> Result<()> {
        let place = self.jobs_folder().join(id);
        if !disk::is_there(&place)? {
            return Ok(());
        }
        self.settle_root(id, aside)?;
        disk::sync_folder(&place)?;
        disk::sync_folder(&self.jobs_folder())?;
        if disk::is_there(&place.join(format!("v{number}")))? && self.sound(id, number) {
            for version in 1..=number {
                self.place_parity(aside, id, version)?;
            }
        }
        self.index_job(id)
    }

    /// Whether everything the version brought in is there and matches.
    fn sound(&self, id: &str, number: u32) -> bool {
        let folder = self.jobs_folder().join(id);
        let Ok(Some(bytes)) = disk::read_if_there(&folder.join(format!("v{number}")).join(FILE))
        else {
            return false;
        };
        let Ok(inventory) = Inventory::from_bytes(&bytes, id) else {
            return false;
        };
        let prefix = format!("v{number}/");
        inventory
            .contents()
            .iter()
            .filter(|(path, _)| path.starts_with(&prefix))
            .all(|(path, digest)| {
                let algorithm = inventory.algorithm();
                algorithm.is_some_and(|a| {
                    disk::digest_file(&disk::under(&folder, path), a)
                        .is_ok_and(|(d, _)| d == *digest)
                })
            })
    }

    /// Makes the inventory in the object's root the one of its latest version, which is the rule of OCFL 1.1
    /// (section 3.7: the root inventory and that of the head version are identical).
    pub(super) fn settle_root(&self, id: &str, aside: &Path) -> Result<()> {
        let place = self.jobs_folder().join(id);
        let mut numbers: Vec<u32> = disk::entries(&place)?
            .iter()
            .filter(|(_, kind)| *kind == Kind::Folder)
            .filter_map(|(name, _)| number_of(name))
            .collect();
        numbers.sort_unstable();
        for number in numbers.into_iter().rev() {
            let version = place.join(format!("v{number}"));
            let Some(bytes) = disk::read_if_there(&version.join(FILE))? else {
                continue;
            };
            let sidecar = sidecar_text(&bytes);
            if disk::read_if_there(&version.join(SIDECAR))?.as_deref() != Some(sidecar.as_bytes()) {
                continue;
            }
            for (name, wanted) in [(FILE, bytes.as_slice()), (SIDECAR, sidecar.as_bytes())] {
                let root = place.join(name);
                if disk::read_if_there(&root)?.as_deref() != Some(wanted) {
                    let fresh = aside.join("fresh");
                    disk::ensure_folder(aside)?;
                    disk::remove(&fresh)?;
                    disk::write_new(&fresh, wanted)?;
                    disk::rename(&fresh, &root)?;
                }
            }
            return Ok(());
        }
        Ok(())
    }
}

/// The job and version a folder in `staging` is for.
fn parse(name: &str) -> Option<(&str, u32)> {
    let (id, version) = name.split_once('~')?;
    check_job_name(id).ok()?;
    Some((id, number_of(version)?))
}
