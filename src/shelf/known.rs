//! What the index knows, for the audit: held against the store, and against its own seals.

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::disk;
use super::entry::seals;
use super::error::{Result, ShelfError};
use super::index::Index;
use super::root::{Shelf, has_jobs};
use crate::document::Document;

/// What making the index anew came to.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Rebuilt {
    /// How many jobs it knows.
    pub jobs: usize,
    /// Jobs the disk would not give; they are in it by name alone and tried again by the next command.
    pub unread: Vec<String>,
    /// Jobs the old index or the parity knows, whose folders are not there.
    pub gone: Vec<String>,
}

impl Document for Rebuilt {
    const KIND: &'static str = "index-made";
    const VERSION: u32 = 1;
}

/// What the index knows.
pub(super) struct Known {
    /// What is wrong with the index by itself, a sentence each.
    faults: Vec<String>,
    /// The version it knows each job at, where it can be read.
    heads: Option<BTreeMap<String, u32>>,
}

impl Known {
    /// The jobs it knows.
    pub(super) fn jobs(&self) -> impl Iterator<Item = &String> {
        self.heads.iter().flat_map(BTreeMap::keys)
    }

    /// What is wrong with it, held against the latest version of every job in the store. A job that is itself damaged
    /// has none: its own audit reports it.
    pub(super) fn faults(self, store: &BTreeMap<&str, Option<u32>>) -> Vec<String> {
        let mut faults = self.faults;
        let Some(heads) = self.heads else {
            return faults;
        };
        for (job, head) in &heads {
            match store.get(job.as_str()) {
                Some(Some(is)) if is != head => {
                    faults.push(format!("it knows {job} at version {head}, not {is}"));
                }
                _ => {}
            }
        }
        for job in store.keys().filter(|job| !heads.contains_key(**job)) {
            faults.push(format!("it does not know the job {job}"));
        }
        faults
    }
}

impl Shelf {
    /// What the index knows, for the audit.
    pub(super) fn index_known(&self) -> Result<Known> {
        let nothing = |faults| {
            Ok(Known {
                faults,
                heads: None,
            })
        };
        if !disk::is_there(&self.index_file())? {
            // The first job makes it.
            return nothing(match has_jobs(self.root())? {
                true => vec!["it is missing".to_owned()],
                false => Vec::new(),
            });
        }
        let known = self.index_on_disk().and_then(|index| match index {
            Some(index) => index.known(),
            None if !self.index_is_file() => nothing(vec![
                "something that is not a file lies in its place".to_owned(),
            ]),
            None => nothing(vec!["it is of another version of this program".to_owned()]),
        });
        match known {
            Err(ShelfError::Index(e)) => nothing(vec![format!("it cannot be read: {e}")]),
            outcome => outcome,
        }
    }
}

impl Index {
    /// What is wrong with the database, by SQLite's own checks and by the seals, and the jobs it knows.
    fn known(&self) -> Result<Known> {
        let mut faults: Vec<String> = self
            .connection
            .prepare("PRAGMA integrity_check")?
            .query_map([], |r| r.get::<_, String>(0))?
            .filter(|line| line.as_ref().map_or(true, |l| l != "ok"))
            .collect::<std::result::Result<_, _>>()?;
        // The full-text part can be asked to check itself only where it could be written.
        let writable = !self.connection.is_readonly(rusqlite::MAIN_DB)?;
        if writable
            && let Err(e) = self
                .connection
                .execute("INSERT INTO words (words) VALUES ('integrity-check')", [])
        {
            faults.push(format!("its full-text part: {e}"));
        }
        // One reading for all jobs: every query by itself would lock and unlock the file.
        let reading = self.connection.unchecked_transaction()?;
        let rows = reading
            .prepare("SELECT id, job, head, seal FROM jobs ORDER BY job")?
            .query_map([], |r| Ok((r.get(0)?, r.get(1)?, r.get(2)?, r.get(3)?)))?
            .collect::<std::result::Result<Vec<(i64, String, u32, String)>, _>>()?;
        let seals = seals(&reading, ">=", i64::MIN)?;
        let mut heads = BTreeMap::new();
        for (id, job, head, kept) in rows {
            if seals.get(&id) != Some(&kept) {
                faults.push(format!("what it holds of {job} is damaged"));
            }
            heads.insert(job, head);
        }
        Ok(Known {
            faults,
            heads: Some(heads),
        })
    }
}
