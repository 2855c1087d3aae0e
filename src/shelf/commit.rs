//! Writing: every change of a job is one new version, built aside and put in place whole.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::build::{Draft, build};
use super::disk::{self, Algorithm, sha256};
use super::error::{Result, ShelfError};
use super::gather::{Incoming, Source, settle_names};
use super::inventory::{FILE, SIDECAR};
use super::job::{Act, Closing, Job, NewJob, Note, Role, check_customer};
use super::names::{check_job_name, slug};
use super::parity;
use super::root::{Shelf, Turn};
use super::store::Stored;

/// A change that is durably on the shelf.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Done {
    /// The job.
    pub job: String,
    /// Its latest version.
    #[serde(rename = "job_version")]
    pub version: u32,
    /// Whether a version was made; without one, the shelf already held exactly this.
    pub changed: bool,
    /// What is not as it should be though the change is safe: parity or index behind, a clock that went backwards.
    pub cautions: Vec<String>,
    /// What is good to know beside: files stored under another name, or no longer part of a reading.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub notices: Vec<String>,
}

impl Done {
    /// The shelf already held exactly this.
    fn nothing(id: &str, head: u32) -> Self {
        Self {
            job: id.to_owned(),
            version: head,
            changed: false,
            cautions: Vec::new(),
            notices: Vec::new(),
        }
    }
}

impl Shelf {
    /// Opens a job with its first files.
    ///
    /// # Errors
    /// When the name is taken or cannot be one, a file cannot be read, or the disk refuses; the shelf is then as it was.
    pub fn open_job(&self, new: NewJob, files: Vec<Incoming>, act: &Act) -> Result<Done> {
        if new.instrument.trim().is_empty() {
            return Err(ShelfError::BadField {
                field: "the instrument",
                value: new.instrument,
                why: "it is empty",
            });
        }
        if let Some(customer) = &new.customer {
            check_customer(customer)?;
        }
        let turn = self.turn()?;
        let id = match &new.name {
            Some(name) => {
                check_job_name(name)?;
                self.check_free(name)?;
                name.clone()
            }
            None => self.free_name(&new, act)?,
        };
        let record = Job {
            job: id.clone(),
            instrument: new.instrument,
            layout: new.layout,
            serial: new
                .serial
                .map(|serial| serial.trim().to_owned())
                .filter(|serial| !serial.is_empty()),
            customer: new.customer,
            complaint: new.complaint,
            opened: act.stamp(),
            ..Job::default()
        };
        let draft = Draft {
            id: &id,
            base: None,
            kept: BTreeMap::new(),
            files,
            record,
            message: "opened the job".to_owned(),
        };
        self.commit(&turn, draft, act)
    }

    fn free_name(&self, new: &NewJob, act: &Act) -> Result<String> {
        let date = act.stamp().chars().take(10).collect::<String>();
        let parts = [
            Some(date),
            Some(slug(&new.instrument)),
            new.serial.as_deref().map(slug),
        ];
        let name = parts
            .into_iter()
            .flatten()
            .filter(|p| !p.is_empty())
            .collect::<Vec<_>>()
            .join("-");
        let mut free = name.clone();
        let mut n = 2;
        while !self.is_free(&free)? {
            free = format!("{name}-{n}");
            n += 1;
        }
        Ok(free)
    }

    /// Puts files into a job. A file that is already there with the same bytes changes nothing.
    ///
    /// # Errors
    /// When the job is closed, another file of the name is there and `replace` is not given, or as in
    /// [`Shelf::open_job`].
    pub fn put(&self, id: &str, files: Vec<Incoming>, replace: bool, act: &Act) -> Result<Done> {
        let turn = self.turn()?;
        let stored = self.stored(id)?;
        let head = stored.head();
        let record = stored.record(head)?;
        if record.closed.is_some() {
            return Err(ShelfError::Closed(id.to_owned()));
        }
        let mut state = owned_state(&stored, head);
        let files = settle_names(files)?;
        let coming: BTreeSet<String> = files.iter().map(|f| f.stored.clone()).collect();
        let mut added = Vec::new();
        for file in files {
            // A name that differs in case alone would be the same file on some systems.
            let there = state
                .iter()
                .find(|(path, _)| path.eq_ignore_ascii_case(&file.stored));
            if let Some((path, digest)) = there {
                let same = path == &file.stored && &source_digest(&file.source)? == digest;
                if same {
                    continue;
                }
                if !replace || path != &file.stored {
                    return Err(ShelfError::FileExists {
                        job: id.to_owned(),
                        path: path.clone(),
                    });
                }
            }
            added.push(file);
        }
        if added.is_empty() {
            return Ok(Done::nothing(id, head));
        }
        let mut notices = Vec::new();
        for path in former_reading(&state, &added, &coming) {
            let place = folder_of(&path).to_owned();
            if !replace {
                return Err(ShelfError::ReadingThere {
                    job: id.to_owned(),
                    place,
                });
            }
            notices.push(format!(
                "{path} is no part of the new reading; it stays in version {head}"
            ));
            state.remove(&path);
        }
        let message = put_message(&added);
        let draft = Draft {
            id,
            base: Some(&stored),
            kept: state,
            files: added,
            record,
            message,
        };
        let mut done = self.commit(&turn, draft, act)?;
        done.notices.extend(notices);
        Ok(done)
    }

    /// Adds a remark to a job; a closed job takes remarks too.
    ///
    /// # Errors
    /// When the note is empty, or as in [`Shelf::put`].
    pub fn note(&self, id: &str, says: &str, for_customer: bool, act: &Act) -> Result<Done> {
        if says.trim().is_empty() {
            return Err(ShelfError::Nothing("the note is empty".to_owned()));
        }
        self.amend(id, "added a note", act, |record| {
            record.notes.push(Note {
                at: act.stamp(),
                by: act.by.clone(),
                says: says.to_owned(),
                for_customer,
            });
            true
        })
    }

    /// Closes a job, or opens it again; one that is so already stays as it is, unless there are other words to it.
    ///
    /// # Errors
    /// As in [`Shelf::put`].
    pub fn close(&self, id: &str, says: Option<&str>, again: bool, act: &Act) -> Result<Done> {
        let message = if again {
            "opened the job again"
        } else {
            "closed the job"
        };
        self.amend(id, message, act, |record| {
            let closed = record.closed.as_ref();
            let new_words = says.is_some() && closed.is_some_and(|c| c.says.as_deref() != says);
            if closed.is_some() != again && !new_words {
                return false;
            }
            record.closed = (!again).then(|| Closing {
                at: act.stamp(),
                by: act.by.clone(),
                says: says.map(str::to_owned),
            });
            true
        })
    }

    /// Makes a version of a record that `change` alters; none where it says that there is nothing to alter. It is asked
    /// in the writer's turn: what it decides by is what the version builds on.
    fn amend(
        &self,
        id: &str,
        message: &str,
        act: &Act,
        change: impl FnOnce(&mut Job) -> bool,
    ) -> Result<Done> {
        let turn = self.turn()?;
        let stored = self.stored(id)?;
        let head = stored.head();
        let mut record = stored.record(head)?;
        if !change(&mut record) {
            return Ok(Done::nothing(id, head));
        }
        let draft = Draft {
            id,
            base: Some(&stored),
            kept: owned_state(&stored, head),
            files: Vec::new(),
            record,
            message: message.to_owned(),
        };
        self.commit(&turn, draft, act)
    }

    /// Builds a version aside, puts it in place and makes it last.
    pub(super) fn commit(&self, _turn: &Turn, draft: Draft<'_>, act: &Act) -> Result<Done> {
        let id = draft.id.to_owned();
        let mut cautions = clock_caution(&draft, act);
        let notices = stored_names(&draft.files);
        let number = draft.base.map_or(0, Stored::head) + 1;
        self.check_last(&id, number - 1)?;
        let aside = self.staging().join(format!("{id}~v{number}"));
        disk::remove(&aside)?;
        let built = build(&aside, draft, number, act);
        let placed = built.and_then(|()| {
            disk::sync_folder(&self.staging())?;
            if number == 1 {
                self.place_first(&aside, &id)
            } else {
                self.place_next(&aside, &id, number)
            }
        });
        if let Err(e) = placed {
            // Undone as far as the disk allows. A version that could not be taken back, or whose inventory is still the
            // job's, keeps its entry in staging, by which the next command finishes or undoes it.
            if self.is_undone(&id, number, &aside) {
                let _ = disk::remove(&aside);
            }
            return Err(e);
        }
        // From here on the version is on the shelf for good. What fails now is told, and made good by the next command.
        let done = format!("version {number} of {id} is safe on the shelf");
        cautions.extend(self.finish(&aside, &id, number..=number, &done));
        Ok(Done {
            job: id,
            version: number,
            changed: true,
            cautions,
            notices,
        })
    }

    /// Whether nothing of a version is left in its job, whose inventory is brought in line with that.
    pub(super) fn is_undone(&self, id: &str, number: u32, aside: &Path) -> bool {
        let place = self.jobs_folder().join(id);
        let gone = |path: &Path| disk::is_there(path).is_ok_and(|there| !there);
        gone(&place)
            || (gone(&place.join(format!("v{number}"))) && self.settle_root(id, aside).is_ok())
    }

    pub(super) fn place_first(&self, aside: &Path, id: &str) -> Result<()> {
        let place = self.jobs_folder().join(id);
        let object = aside.join("object");
        disk::rename(&object, &place)?;
        disk::sync_folder(&self.jobs_folder()).inspect_err(|_| {
            let _ = disk::rename(&place, &object);
        })
    }

    pub(super) fn place_next(&self, aside: &Path, id: &str, number: u32) -> Result<()> {
        let place = self.jobs_folder().join(id);
        let version = format!("v{number}");
        let put = || -> Result<()> {
            disk::rename(&aside.join(&version), &place.join(&version))?;
            disk::rename(&aside.join(FILE), &place.join(FILE))?;
            disk::rename(&aside.join(SIDECAR), &place.join(SIDECAR))?;
            disk::sync_folder(&place)
        };
        put().inspect_err(|_| {
            let _ = disk::rename(&place.join(&version), &aside.join(&version));
        })
    }

    /// Places the parity of versions that are on the shelf for good, indexes their job and clears the staging entry. What
    /// fails of it takes nothing back: it is the caution returned, which begins with what is `done`.
    pub(super) fn finish(
        &self,
        aside: &Path,
        id: &str,
        mut versions: std::ops::RangeInclusive<u32>,
        done: &str,
    ) -> Option<String> {
        versions
            .try_for_each(|number| self.place_parity(aside, id, number))
            .and_then(|()| self.index_job(id))
            .and_then(|()| disk::remove(aside))
            .err()
            .map(|e| format!("{done}, but its parity or the index is behind: {e}"))
    }

    /// Puts the parity file of a version in place, from `aside` where it is there, made anew where it is not.
    pub(super) fn place_parity(&self, aside: &Path, id: &str, number: u32) -> Result<()> {
        let place = self.parity_file(id, number);
        let folder = self.part("parity").join(id);
        let fresh = disk::ensure_folder(&folder)?;
        let staged = aside.join(format!("v{number}.parity"));
        // What a killed writer staged counts only where it is whole.
        let whole = disk::read_if_there(&staged)?
            .as_deref()
            .and_then(parity::read)
            .is_some_and(|parity| parity.faults.is_empty());
        if !whole {
            if disk::is_there(&place)? {
                return Ok(());
            }
            let version = self.jobs_folder().join(id).join(format!("v{number}"));
            disk::remove(&staged)?;
            disk::write_new(&staged, &parity::make(&version, id, number)?)?;
        }
        disk::rename(&staged, &place)?;
        disk::sync_folder(&folder)?;
        if fresh {
            disk::sync_folder(&self.part("parity"))?;
        }
        Ok(())
    }
}

pub(super) fn owned_state(stored: &Stored, version: u32) -> BTreeMap<String, String> {
    stored
        .inventory
        .state(version)
        .unwrap_or_default()
        .into_iter()
        .map(|(path, digest)| (path.to_owned(), digest.to_owned()))
        .collect()
}

/// The folder of a stored path.
fn folder_of(path: &str) -> &str {
    path.rsplit_once('/').map_or("", |(folder, _)| folder)
}

/// The files of readings that would be mixed with another reading: those in a folder that gets a file it does not have,
/// or one in the place of its own, but for those that are part of what is coming.
fn former_reading(
    state: &BTreeMap<String, String>,
    added: &[Incoming],
    coming: &BTreeSet<String>,
) -> Vec<String> {
    let of_reading = |path: &str| Role::of_path(path).is_some_and(Role::is_reading);
    state
        .keys()
        .filter(|path| of_reading(path) && !coming.contains(*path))
        .filter(|path| {
            added
                .iter()
                .any(|file| folder_of(&file.stored).eq_ignore_ascii_case(folder_of(path)))
        })
        .cloned()
        .collect()
}

/// What files are stored as, where that is not their own name.
fn stored_names(files: &[Incoming]) -> Vec<String> {
    files
        .iter()
        .filter_map(|file| {
            let own = file.own.as_ref()?;
            let back = match super::names::can_be_given(own) {
                true => "; its own name is kept and given back with it",
                false => "; its own name is kept in the record",
            };
            Some(format!("{own} is stored as {}{back}", file.stored))
        })
        .collect()
}

fn source_digest(source: &Source) -> Result<String> {
    match source {
        Source::Bytes(bytes) => Ok(sha256(bytes)),
        Source::File(path) => digest_of_file(path),
    }
}

/// SHA-256 of a plain file.
///
/// # Errors
/// When it is not a plain file or cannot be read.
pub fn digest_of_file(path: &Path) -> Result<String> {
    disk::open_plain(path)?;
    Ok(disk::digest_file(path, Algorithm::Sha256)?.0)
}

fn put_message(files: &[Incoming]) -> String {
    let mut roles: Vec<&str> = files
        .iter()
        .filter_map(|f| f.stored.split('/').next())
        .collect();
    roles.sort_unstable();
    roles.dedup();
    let plural = if files.len() == 1 { "file" } else { "files" };
    format!("put in {} {plural}: {}", files.len(), roles.join(", "))
}

fn clock_caution(draft: &Draft<'_>, act: &Act) -> Vec<String> {
    let last = draft
        .base
        .and_then(|s| s.inventory.version(s.head()))
        .and_then(|v| v.created.parse::<jiff::Timestamp>().ok());
    match last {
        Some(last) if last.as_second() > act.at.as_second() => vec![format!(
            "this computer's clock says {}, which is before the time of the job's last version ({}): if it is this one that is wrong, set it; the order of versions is kept by their numbers",
            act.stamp(),
            super::job::stamp(last)
        )],
        _ => Vec::new(),
    }
}
