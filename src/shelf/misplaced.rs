//! Jobs whose folder has another name than they have: told by their inventory, and put back.

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::disk;
use super::error::{Result, ShelfError};
use super::inventory::{FILE, Inventory, SIDECAR, sidecar_text};
use super::names::check_job_name;
use super::root::{Shelf, Turn};

/// A job's folder that was renamed back.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Renamed {
    /// What it was called.
    pub from: String,
    /// The job it holds, and what it is called now.
    pub to: String,
}

impl Shelf {
    /// The job a folder of another name holds. Only an inventory whose own digest holds is believed.
    pub(super) fn held_in(&self, folder: &str) -> Option<String> {
        let place = self.jobs_folder().join(folder);
        if !disk::is_folder(&place).unwrap_or(false) {
            return None;
        }
        let bytes = disk::read_plain(&place, FILE).ok()??;
        // Nearly always the folder's own name stands near the beginning, as this program writes it.
        let own = format!("\"id\": \"{folder}\"");
        let beginning = &bytes[..bytes.len().min(256)];
        if beginning
            .windows(own.len())
            .any(|part| part == own.as_bytes())
        {
            return None;
        }
        let sidecar = disk::read_plain(&place, SIDECAR).ok()??;
        if sidecar != sidecar_text(&bytes).as_bytes() {
            return None;
        }
        let id = Inventory::from_bytes(&bytes, folder).ok()?.id;
        (id != folder && check_job_name(&id).is_ok()).then_some(id)
    }

    /// Renames a job's folder back, and those that stand in its way because they have each other's names. Returns the
    /// job to go on with, and what was renamed.
    ///
    /// # Errors
    /// [`ShelfError::Misplaced`] when the job has a folder of its own already.
    pub(super) fn put_back(&self, _turn: &Turn, id: &str) -> Result<(String, Vec<Renamed>)> {
        let start = if disk::is_folder(&self.jobs_folder().join(id))? {
            Some(id.to_owned())
        } else {
            let mut names = self.job_names()?.into_iter();
            names.find(|name| self.held_in(name).as_deref() == Some(id))
        };
        let mut misplaced = BTreeMap::new();
        let mut next = start.clone();
        while let Some(folder) = next.filter(|folder| !misplaced.contains_key(folder)) {
            let Some(job) = self.held_in(&folder) else {
                break;
            };
            misplaced.insert(folder, job.clone());
            next = Some(job);
        }
        let renamed = self.rename_back(misplaced)?;
        let job = match start {
            Some(folder) if !disk::is_folder(&self.jobs_folder().join(&folder))? => renamed
                .iter()
                .find(|renamed| renamed.from == folder)
                .map_or(folder, |renamed| renamed.to.clone()),
            _ => id.to_owned(),
        };
        if let Some(held) = self.held_in(&job) {
            return Err(ShelfError::Misplaced {
                folder: job,
                job: held,
            });
        }
        Ok((job, renamed))
    }

    /// One after the other, each into a place that is free. Where all places are taken by one another, one steps aside
    /// within `jobs`, under a name by which a repair that is broken off here finds it again.
    fn rename_back(&self, mut misplaced: BTreeMap<String, String>) -> Result<Vec<Renamed>> {
        let jobs = self.jobs_folder();
        let mut renamed = Vec::new();
        let mut called: BTreeMap<String, String> = BTreeMap::new();
        loop {
            let mut free = None;
            for (folder, job) in &misplaced {
                if !disk::is_there(&jobs.join(job))? {
                    free = Some((folder.clone(), job.clone()));
                }
            }
            if let Some((folder, job)) = free {
                disk::rename(&jobs.join(&folder), &jobs.join(&job))?;
                disk::sync_folder(&jobs)?;
                misplaced.remove(&folder);
                self.index_job(&folder)?;
                self.index_job(&job)?;
                let from = called.remove(&folder).unwrap_or(folder);
                renamed.push(Renamed { from, to: job });
                continue;
            }
            let circle = misplaced
                .iter()
                .find(|(folder, job)| !called.contains_key(*folder) && misplaced.contains_key(*job))
                .map(|(folder, job)| (folder.clone(), job.clone()));
            let Some((folder, job)) = circle else {
                return Ok(renamed);
            };
            let aside = format!("{}-on-its-way-back", job.get(..60).unwrap_or(&job));
            disk::rename(&jobs.join(&folder), &jobs.join(&aside))?;
            misplaced.remove(&folder);
            misplaced.insert(aside.clone(), job);
            called.insert(aside, folder);
        }
    }
}
