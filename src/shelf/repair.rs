//! Self-repair: damaged files of a job restored, all of them or none, from where their bytes lie as well and from parity.
//!
//! Everything is worked out before anything is touched. Restored bytes count only when they match the digest in the
//! inventory, and the inventory only when it matches its own digest. Damaged originals are kept in `damaged`.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::disk::{self, Algorithm, Kind, under};
use super::elsewhere::Elsewhere;
use super::error::{Result, ShelfError};
use super::inventory::{FILE, Inventory, OBJECT_MARK, SIDECAR, number_of, sidecar_text};
use super::job::Act;
use super::misplaced::Renamed;
use super::object;
use super::parity::{self, Covered, Parity};
use super::root::{Shelf, TURN, Turn, fixed_files};
use crate::document::Document;

/// What a repair did to a job.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Repaired {
    /// The job; empty for the shelf's own files.
    pub job: String,
    /// Files restored, by path within the job.
    pub restored: Vec<String>,
    /// Files that did not belong to the job and were set aside.
    pub set_aside: Vec<String>,
    /// Versions whose parity was made anew.
    pub parity_of: Vec<u32>,
    /// Folders of jobs that were renamed back.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub renamed: Vec<Renamed>,
    /// Where damaged originals are kept, within the shelf.
    pub kept_in: Option<String>,
    /// What is still wrong afterwards.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub left: Vec<String>,
}

impl Repaired {
    /// Whether there was nothing to do.
    pub fn is_nothing(&self) -> bool {
        self.restored.is_empty()
            && self.set_aside.is_empty()
            && self.parity_of.is_empty()
            && self.renamed.is_empty()
    }
}

/// A job that could not be restored and was left as it is.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Refused {
    /// The job.
    pub job: String,
    /// Why.
    pub why: String,
    /// What to do.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub hint: Option<String>,
}

/// What a repair of a shelf did.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct RepairReport {
    /// Jobs that were repaired, and what is left wrong with each.
    pub repaired: Vec<Repaired>,
    /// Jobs that could not be restored.
    pub refused: Vec<Refused>,
}

impl Document for RepairReport {
    const KIND: &'static str = "shelf-repair";
    const VERSION: u32 = 1;
}

/// A repair that has been worked out.
#[derive(Default)]
struct Plan {
    /// Files to be written: path within the job, bytes.
    write: BTreeMap<String, Vec<u8>>,
    /// What is to be set aside: where it lies, and its path among what is kept.
    aside: Vec<(PathBuf, String)>,
    /// Versions whose parity must be made anew.
    parity: Vec<u32>,
}

impl Shelf {
    /// Restores a damaged job, and renames its folder back where it has another name. What is still wrong afterwards is
    /// in the answer.
    ///
    /// # Errors
    /// [`ShelfError::BeyondParity`] when any of it cannot be restored; the job is then untouched.
    /// [`ShelfError::NoFolder`] when a link lies in its place.
    pub fn repair_job(&self, id: &str, act: &Act) -> Result<Repaired> {
        let turn = self.turn()?;
        let (id, renamed) = self.put_back(&turn, id)?;
        let place = self.jobs_folder().join(&id);
        if disk::is_there(&place)? && !disk::is_folder(&place)? {
            return Err(ShelfError::NoFolder(id));
        }
        let plan = self.plan_repair(&id)?;
        let mut repaired = self.apply_repair(&turn, &id, plan, act)?;
        repaired.renamed = renamed;
        let audit = self.audit_once(&id, &mut Vec::new())?;
        repaired.left = audit.findings.into_iter().map(|f| f.says).collect();
        Ok(repaired)
    }

    /// Why a job cannot be restored by this shelf alone, where it cannot. Nothing is touched.
    ///
    /// # Errors
    /// When the disk refuses.
    pub fn beyond_repair(&self, id: &str) -> Result<Option<String>> {
        match self.plan_repair(id) {
            Ok(_) => Ok(None),
            Err(ShelfError::BeyondParity { why, .. }) => Ok(Some(why)),
            Err(e) => Err(e),
        }
    }

    /// Restores the files every shelf has, which are the same on all shelves of this version, and sets aside what does
    /// not belong on it.
    ///
    /// # Errors
    /// When the disk refuses.
    pub fn repair_shelf(&self, act: &Act) -> Result<Repaired> {
        let turn = self.turn()?;
        let mut plan = Plan::default();
        for (path, text) in fixed_files() {
            if disk::read_plain(self.root(), &path)?.as_deref() != Some(text.as_bytes()) {
                plan.write.insert(path, text.into_bytes());
            }
        }
        let parity = self.part("parity");
        let strange = self.strange_folders(&self.job_names()?)?;
        for path in self.strangers(&strange)? {
            // A link where a job belongs is left to a person, who knows where it leads.
            let job = path.strip_prefix("jobs/");
            let has_parity = match job {
                Some(job) => disk::is_folder(&parity.join(job))?,
                None => false,
            };
            if !has_parity {
                plan.aside.push((under(self.root(), &path), path));
            }
        }
        let mut restored = Vec::new();
        if disk::read_plain(self.root(), TURN)?.is_none_or(|b| !b.is_empty()) {
            self.empty_turn()?;
            restored.push(TURN.to_owned());
        }
        let kept_in = self.write_restored(&turn, "", self.root(), &plan, act)?;
        restored.extend(plan.write.into_keys());
        let strange = self.strange_folders(&self.job_names()?)?;
        let left = self
            .shelf_faults(&strange)?
            .into_iter()
            .map(|fault| format!("{}: {}", fault.path, fault.says))
            .collect();
        Ok(Repaired {
            restored,
            set_aside: plan.aside.into_iter().map(|(_, path)| path).collect(),
            kept_in,
            left,
            ..Repaired::default()
        })
    }

    /// The lock is on this very file: it is emptied where it lies, and only a link is taken away.
    fn empty_turn(&self) -> Result<()> {
        let place = self.part(TURN);
        if !disk::is_plain(self.root(), TURN)? {
            disk::remove(&place)?;
            return disk::write_new(&place, b"");
        }
        std::fs::OpenOptions::new()
            .write(true)
            .truncate(true)
            .open(&place)
            .map_err(|e| crate::blame::DiskError::new("write", &place, e))?;
        Ok(())
    }

    fn plan_repair(&self, id: &str) -> Result<Plan> {
        let folder = self.jobs_folder().join(id);
        let beyond = |why: String| ShelfError::BeyondParity {
            job: id.to_owned(),
            why,
        };
        let head = self.last_version(id)?;
        if head == 0 {
            return Err(beyond(
                "neither a version nor parity is left of it".to_owned(),
            ));
        }
        let mut plan = Plan::default();
        let mut elsewhere = Elsewhere::new(self, id);
        for number in 1..=head {
            self.plan_version(id, number, &mut elsewhere, &mut plan)?;
        }
        // The inventory of the last version is that of the job, and what every byte is held against.
        let path = format!("v{head}/{FILE}");
        let bytes = now(&folder, &plan, &path)?
            .ok_or_else(|| beyond(format!("{path} is lost and has no parity")))?;
        let sidecar = sidecar_text(&bytes);
        for (name, wanted) in [
            (FILE, bytes.as_slice()),
            (SIDECAR, sidecar.as_bytes()),
            (OBJECT_MARK.0, OBJECT_MARK.1.as_bytes()),
        ] {
            if disk::read_plain(&folder, name)?.as_deref() != Some(wanted) {
                plan.write.insert(name.to_owned(), wanted.to_owned());
            }
        }
        if now(&folder, &plan, &format!("v{head}/{SIDECAR}"))?.as_deref()
            != Some(sidecar.as_bytes())
        {
            return Err(beyond(
                "its inventory and the digest of it do not match".to_owned(),
            ));
        }
        let inventory = Inventory::from_bytes(&bytes, id)?;
        let algorithm = inventory
            .algorithm()
            .ok_or_else(|| beyond("its digest algorithm is not known".to_owned()))?;
        for (path, digest) in inventory.contents() {
            if !super::names::is_safe_path(path) {
                return Err(beyond(format!(
                    "the inventory names {path}, which is no path of a job"
                )));
            }
            let found = match plan.write.get(path) {
                Some(bytes) => Some(algorithm.of(bytes)),
                None => digest_now(&folder, path, algorithm),
            };
            if found.as_deref() != Some(digest) {
                let bytes = elsewhere.find(digest, algorithm, true).ok_or_else(|| {
                    beyond(format!("{path} is damaged and there is no parity for it"))
                })?;
                plan.write.insert(path.to_owned(), bytes);
            }
        }
        if disk::is_there(&folder)? {
            for fault in object::check(&folder, true, &BTreeMap::new())?.faults {
                let extra = matches!(fault.code, "file.extra" | "folder.empty" | "version.extra")
                    || fault.ocfl == Some("E006");
                let place = under(&folder, &fault.path);
                let is_link = place.symlink_metadata().is_ok_and(|m| m.is_symlink());
                if extra
                    && !plan.write.contains_key(&fault.path)
                    && !inventory.contents().contains_key(fault.path.as_str())
                    && (is_link || !belongs(&fault.path, head))
                {
                    plan.aside.push((place, fault.path));
                }
            }
        }
        self.plan_parity_aside(id, head, &mut plan)?;
        Ok(plan)
    }

    /// What lies in the job's parity folder, or in its place, and is no parity of the job.
    fn plan_parity_aside(&self, id: &str, head: u32, plan: &mut Plan) -> Result<()> {
        let folder = self.part("parity").join(id);
        if !disk::is_there(&folder)? {
            return Ok(());
        }
        if !disk::is_folder(&folder)? {
            plan.aside.push((folder, format!("parity/{id}")));
            return Ok(());
        }
        for (name, kind) in disk::entries(&folder)? {
            let number = name.strip_suffix(".parity").and_then(number_of);
            if kind != Kind::File || number.is_none_or(|n| n > head) {
                plan.aside
                    .push((folder.join(&name), format!("parity/{id}/{name}")));
            }
        }
        Ok(())
    }

    fn plan_version(
        &self,
        id: &str,
        number: u32,
        elsewhere: &mut Elsewhere<'_>,
        plan: &mut Plan,
    ) -> Result<()> {
        let folder = self.jobs_folder().join(id).join(format!("v{number}"));
        let path = format!("parity/{id}/v{number}.parity");
        let file = disk::read_plain(self.root(), &path).unwrap_or_default();
        let parity = file
            .as_deref()
            .and_then(parity::read)
            .filter(|p| p.head.job == id && p.head.version == number);
        let Some(parity) = parity else {
            // Nothing to restore from: what is there must be whole, which the caller finds out, and gets new parity.
            plan.parity.push(number);
            return Ok(());
        };
        if !parity.faults.is_empty() {
            plan.parity.push(number);
        }
        let damaged: Vec<&Covered> = parity
            .head
            .files
            .iter()
            .filter(|covered| {
                let found = digest_now(&folder, &covered.path, Algorithm::Sha256);
                found.as_ref() != Some(&covered.sha256)
                    || !disk::is_plain(
                        &self.jobs_folder(),
                        &format!("{id}/v{number}/{}", covered.path),
                    )
                    .unwrap_or(false)
            })
            .collect();
        let mut restored = restored(&parity, &folder, &damaged, elsewhere)?;
        for covered in damaged {
            let full = format!("v{number}/{}", covered.path);
            if let Some(bytes) = restored
                .remove(&covered.path)
                .filter(|_| super::names::is_safe_path(&full))
            {
                plan.write.insert(full, bytes);
            }
        }
        Ok(())
    }

    fn apply_repair(&self, turn: &Turn, id: &str, plan: Plan, act: &Act) -> Result<Repaired> {
        let folder = self.jobs_folder().join(id);
        let kept_in = self.write_restored(turn, id, &folder, &plan, act)?;
        for number in &plan.parity {
            let aside = self.staging().join(format!("{id}~parity"));
            disk::ensure_folder(&aside)?;
            disk::remove(&self.parity_file(id, *number))?;
            self.place_parity(&aside, id, *number)?;
            disk::remove(&aside)?;
        }
        if !plan.write.is_empty() {
            self.index_job(id)?;
        }
        Ok(Repaired {
            job: id.to_owned(),
            restored: plan.write.into_keys().collect(),
            set_aside: plan.aside.into_iter().map(|(_, path)| path).collect(),
            parity_of: plan.parity,
            kept_in,
            ..Repaired::default()
        })
    }

    /// Keeps the damaged originals, then puts the restored files in their places one by one. A repair that is broken off
    /// is done again from the start: what has been restored by then is whole.
    fn write_restored(
        &self,
        _turn: &Turn,
        id: &str,
        folder: &Path,
        plan: &Plan,
        act: &Act,
    ) -> Result<Option<String>> {
        if plan.write.is_empty() && plan.aside.is_empty() {
            return Ok(None);
        }
        let staged = self.staging().join(format!(
            "{}~repair",
            if id.is_empty() { "shelf" } else { id }
        ));
        disk::remove(&staged)?;
        disk::make_folder(&staged)?;
        let name = if id.is_empty() { "shelf" } else { id };
        let kept_in = self.kept_folder(name, act)?;
        let mut kept_any = false;
        for (place, path) in &plan.aside {
            let to = under(&kept_in, path);
            make_all(self.root(), to.parent().unwrap_or(&kept_in))?;
            disk::rename(place, &to)?;
            disk::sync_folder(to.parent().unwrap_or(&kept_in))?;
            disk::sync_folder(place.parent().unwrap_or(folder))?;
            kept_any = true;
        }
        for (n, (path, bytes)) in plan.write.iter().enumerate() {
            let fresh = staged.join(n.to_string());
            disk::write_new(&fresh, bytes)?;
            if disk::read(&fresh)? != *bytes {
                return Err(ShelfError::Unfaithful(fresh));
            }
            let place = under(folder, path);
            if disk::is_there(&place)? {
                keep(&place, &kept_in, path)?;
                kept_any = true;
            }
            let parent = place.parent().unwrap_or(folder);
            make_all(self.root(), parent)?;
            disk::rename(&fresh, &place)?;
            disk::sync_folder(parent)?;
        }
        disk::remove(&staged)?;
        if !kept_any {
            disk::remove(&kept_in)?;
            return Ok(None);
        }
        let shown = kept_in.strip_prefix(self.root()).unwrap_or(&kept_in);
        Ok(Some(shown.display().to_string()))
    }

    fn kept_folder(&self, name: &str, act: &Act) -> Result<std::path::PathBuf> {
        let stamp: String = act
            .stamp()
            .chars()
            .filter(char::is_ascii_alphanumeric)
            .collect();
        let base = self.part("damaged").join(name);
        let mut place = base.join(&stamp);
        let mut n = 2;
        while disk::is_there(&place)? {
            place = base.join(format!("{stamp}-{n}"));
            n += 1;
        }
        make_all(self.root(), &place)?;
        Ok(place)
    }
}

/// Whether a path is a version's own folder or its inventory, which are never set aside.
fn belongs(path: &str, head: u32) -> bool {
    let mut parts = path.split('/');
    let version = parts.next().and_then(number_of).is_some_and(|n| n <= head);
    version && matches!(parts.next(), None | Some(FILE | SIDECAR))
}

/// The bytes a path has after the plan, or has now.
fn now(folder: &Path, plan: &Plan, path: &str) -> Result<Option<Vec<u8>>> {
    match plan.write.get(path) {
        Some(bytes) => Ok(Some(bytes.clone())),
        None => disk::read_plain(folder, path),
    }
}

/// The digest of what a plain file holds now; a link counts as a missing file.
fn digest_now(folder: &Path, path: &str, algorithm: Algorithm) -> Option<String> {
    if !disk::is_plain(folder, path).unwrap_or(false) {
        return None;
    }
    let (digest, _) = disk::digest_file(&under(folder, path), algorithm).ok()?;
    Some(digest)
}

/// The bytes of a version's damaged files: as they lie elsewhere in the job, then from parity; and where that is not
/// enough, with what other jobs hold.
fn restored(
    parity: &Parity<'_>,
    folder: &Path,
    damaged: &[&Covered],
    elsewhere: &mut Elsewhere<'_>,
) -> Result<BTreeMap<String, Vec<u8>>> {
    let mut given = BTreeMap::new();
    let mut far = false;
    loop {
        for covered in damaged {
            if !given.contains_key(&covered.path)
                && let Some(bytes) = elsewhere.find(&covered.sha256, Algorithm::Sha256, far)
            {
                given.insert(covered.path.clone(), bytes);
            }
        }
        if given.len() == damaged.len() {
            return Ok(given);
        }
        match parity.restore(folder, &given) {
            Err(ShelfError::BeyondParity { .. }) if !far => far = true,
            outcome => return outcome,
        }
    }
}

/// Keeps a damaged original: a copy where it can be read, the thing itself where it cannot.
fn keep(place: &Path, kept_in: &Path, path: &str) -> Result<()> {
    let to = under(kept_in, path);
    make_all(kept_in, to.parent().unwrap_or(kept_in))?;
    if disk::copy_new(place, &to).is_err() {
        disk::remove(&to)?;
        disk::rename(place, &to)?;
    }
    disk::sync_folder(to.parent().unwrap_or(kept_in))
}

/// Makes a folder and those above it, private and synced, within `top`.
fn make_all(top: &Path, folder: &Path) -> Result<()> {
    if folder == top || disk::is_folder(folder)? {
        return Ok(());
    }
    if let Some(parent) = folder.parent() {
        make_all(top, parent)?;
        disk::make_folder(folder)?;
        disk::sync_folder(parent)?;
    }
    Ok(())
}
