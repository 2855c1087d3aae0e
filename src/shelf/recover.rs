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
    /// Settles every entry of `staging`. One whose version cannot be read just now stays for the next command, so that
    /// a bad spot on the disk keeps nobody from writing.
    pub(super) fn recover(&self, _turn: &Turn) -> Result<()> {
        for (name, _) in disk::entries(&self.staging())? {
            let aside = self.staging().join(&name);
            let settled = match parse(&name) {
                Some((id, number)) => self.settle(id, number, &aside)?,
                None => true,
            };
            if settled {
                disk::remove(&aside)?;
            }
        }
        disk::sync_folder(&self.staging())
    }

    fn settle(&self, id: &str, number: u32, aside: &Path) -> Result<bool> {
        let place = self.jobs_folder().join(id);
        if !disk::is_there(&place)? {
            return Ok(true);
        }
        self.settle_root(id, aside)?;
        disk::sync_folder(&place)?;
        disk::sync_folder(&self.jobs_folder())?;
        let sound = self.sound(id, number);
        if matches!(sound, Ok(true)) {
            for version in 1..=number {
                self.place_parity(aside, id, version)?;
            }
        }
        self.index_job(id)?;
        Ok(sound.is_ok())
    }

    /// Whether everything the version brought in is there and matches; an error where it cannot be read.
    fn sound(&self, id: &str, number: u32) -> Result<bool> {
        let folder = self.jobs_folder().join(id);
        let Some(bytes) = disk::read_if_there(&folder.join(format!("v{number}")).join(FILE))?
        else {
            return Ok(false);
        };
        let Ok(inventory) = Inventory::from_bytes(&bytes, id) else {
            return Ok(false);
        };
        let Some(algorithm) = inventory.algorithm() else {
            return Ok(false);
        };
        let prefix = format!("v{number}/");
        for (path, digest) in inventory.contents() {
            if path.starts_with(&prefix) {
                let file = disk::under(&folder, path);
                if !disk::is_there(&file)? || disk::digest_file(&file, algorithm)?.0 != *digest {
                    return Ok(false);
                }
            }
        }
        Ok(true)
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
