//! The audit: every digest of every version of every job, every inventory, the parity, the shelf's own files, and the
//! index against the store.

use std::collections::{BTreeMap, BTreeSet};

use rayon::prelude::*;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::disk::{self, Kind, sha256};
use super::error::{Result, ShelfError};
use super::inventory::{FILE, ROOT_MARK, number_of};
use super::job::{Job, RECORD};
use super::known::Known;
use super::object::{self, Checked, Fault};
use super::parity::{self, Head};
use super::root::{MANIFEST, PARTS, Shelf, TURN, fixed_files};
use super::store::Stored;
use crate::document::Document;
use crate::finding::{Finding, Severity};

/// Told how many jobs have just been done, and how many there are.
pub type Progress<'a> = dyn Fn(u64, u64) + Sync + 'a;

/// What the audit of one job found.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct JobAudit {
    /// The job.
    pub job: String,
    /// Its versions.
    pub versions: u32,
    /// Files that were read, inventories and parity included.
    pub files: u64,
    /// Bytes that were read.
    pub bytes: u64,
    /// Files of the latest version that are whole.
    pub good: Vec<String>,
    /// The job its folder holds, where that is another than the folder's name says.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub holds: Option<String>,
    /// Files of the latest version that are lost or damaged.
    pub lost: Vec<String>,
    /// Everything that is wrong, with the file it is about in the evidence.
    pub findings: Vec<Finding>,
}

/// What the audit of a shelf found.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct AuditReport {
    /// Jobs that were audited.
    pub jobs: u64,
    /// Versions of these.
    pub versions: u64,
    /// Files that were read.
    pub files: u64,
    /// Bytes that were read.
    pub bytes: u64,
    /// Jobs that are missing as a whole, of which only parity or an entry in the index is left.
    pub missing: Vec<String>,
    /// What is wrong with the shelf itself, its index included.
    pub shelf: Vec<Finding>,
    /// The jobs something is wrong with.
    pub damaged: Vec<JobAudit>,
}

impl Document for AuditReport {
    const KIND: &'static str = "shelf-audit";
    const VERSION: u32 = 1;
}

fn finding(fault: Fault) -> Finding {
    let severity = match fault.code {
        "parity.missing" | "parity.damaged" | "parity.extra" | "index.behind" => Severity::Caution,
        _ => Severity::Damage,
    };
    let mut says = fault.says;
    if !fault.path.is_empty() {
        says = format!("{}: {says}", fault.path);
    }
    let mut finding = Finding::new(&format!("shelf.{}", fault.code), severity, says);
    if !fault.path.is_empty() {
        finding.evidence.push(format!("file {}", fault.path));
    }
    if let Some(code) = fault.ocfl {
        finding.evidence.push(format!("OCFL 1.1 {code}"));
    }
    finding
}

fn fault(code: &'static str, path: &str, says: impl Into<String>) -> Fault {
    Fault {
        code,
        ocfl: None,
        path: path.to_owned(),
        says: says.into(),
    }
}

impl Shelf {
    /// Audits the whole shelf, jobs in parallel.
    ///
    /// # Errors
    /// When a folder cannot be read at all.
    pub fn audit(&self, progress: Option<&Progress<'_>>) -> Result<AuditReport> {
        let mut names = self.job_names()?;
        let strange = self.strange_folders(&names)?;
        names.retain(|name| !strange.contains(name));
        let whole = names.len() as u64;
        let jobs = || {
            names
                .par_iter()
                .map_init(Vec::new, |room, id| {
                    let audit = self.audit_in(id, room);
                    if let Some(progress) = progress {
                        progress(1, whole);
                    }
                    audit
                })
                .collect::<Result<Vec<_>>>()
        };
        let (audits, known) = rayon::join(jobs, || self.index_known());
        let (audits, known) = (audits?, known?);
        let mut missing = self.missing_of(&known)?;
        missing.retain(|job| audits.iter().all(|a| a.holds.as_ref() != Some(job)));
        let mut faults = self.shelf_faults(&strange)?;
        for says in self.index_faults(known, &audits)? {
            faults.push(fault("index.behind", "index/shelf.sqlite", says));
        }
        let mut report = AuditReport {
            missing,
            shelf: faults.into_iter().map(finding).collect(),
            ..AuditReport::default()
        };
        for audit in audits {
            report.add(audit);
        }
        Ok(report)
    }

    /// Audits one job. What a writer at work makes look wrong is looked at again in the audit's own turn.
    ///
    /// # Errors
    /// When its folder cannot be read at all.
    pub fn audit_job(&self, id: &str) -> Result<JobAudit> {
        self.audit_in(id, &mut Vec::new())
    }

    fn audit_in(&self, id: &str, room: &mut Vec<u8>) -> Result<JobAudit> {
        let audit = self.audit_once(id, room)?;
        if audit.findings.is_empty() {
            return Ok(audit);
        }
        match self.turn() {
            Ok(_turn) => self.audit_once(id, room),
            Err(ShelfError::ReadOnly { .. }) => Ok(audit),
            Err(e) => Err(e),
        }
    }

    /// `room` is for the parity files, and serves for one job after the other.
    pub(super) fn audit_once(&self, id: &str, room: &mut Vec<u8>) -> Result<JobAudit> {
        let folder = self.jobs_folder().join(id);
        let holds = self.held_in(id);
        let mut parities = self.parities(holds.as_deref().unwrap_or(id), room)?;
        let mut covered = BTreeMap::new();
        for (version, head) in std::mem::take(&mut parities.whole) {
            for file in head.files {
                covered.insert(format!("v{version}/{}", file.path), file);
            }
        }
        let mut checked = object::check(&folder, true, &covered)?;
        let mut faults = std::mem::take(&mut checked.faults);
        faults.extend(parity_faults(&parities, &covered, &checked));
        if let Some(job) = &holds {
            let own =
                disk::is_folder(&self.jobs_folder().join(job))? && self.held_in(job).is_none();
            let (code, says) = match own {
                true => (
                    "job.copy",
                    "which has a folder of its own: this one is a copy",
                ),
                false => ("job.misplaced", "and belongs in a folder of that name"),
            };
            faults.insert(
                0,
                fault(code, "", format!("this folder holds the job {job}, {says}")),
            );
        }
        let mut audit = JobAudit {
            job: id.to_owned(),
            holds,
            versions: checked.head,
            files: checked.files + parities.files,
            bytes: checked.bytes + parities.bytes,
            ..JobAudit::default()
        };
        if let Some(inventory) = &checked.inventory {
            let state = inventory.state(inventory.head_number()).unwrap_or_default();
            for (path, digest) in &state {
                let whole = inventory
                    .content(digest)
                    .is_some_and(|content| !checked.unsound.contains(content));
                let list = if whole {
                    &mut audit.good
                } else {
                    &mut audit.lost
                };
                list.push((*path).to_owned());
            }
            if !state.contains_key(RECORD) {
                faults.push(fault("record.missing", RECORD, "the job has no record"));
            }
        }
        if faults.is_empty() {
            // Whole to the last byte; but it must also be a job this program can read.
            let read = match checked.inventory.take() {
                Some(inventory) => Stored::of(id, &folder, inventory).map(drop),
                None => self.stored(id).map(drop),
            };
            let record = checked.record.unwrap_or_default();
            if let Err(e) =
                read.and_then(|()| Job::from_bytes(&record, &format!("{id}/{RECORD}")).map(drop))
            {
                faults.push(fault("record.unreadable", RECORD, e.to_string()));
            }
        }
        audit.findings = faults.into_iter().map(finding).collect();
        Ok(audit)
    }

    /// Everything in the parity folder of a job.
    fn parities(&self, id: &str, room: &mut Vec<u8>) -> Result<Parities> {
        let mut parities = Parities::default();
        let folder = self.part("parity").join(id);
        for (name, kind) in disk::entries_if_there(&folder)? {
            let number = name
                .strip_suffix(".parity")
                .and_then(super::inventory::number_of)
                .filter(|_| kind == Kind::File);
            let Some(number) = number else {
                parities.faults.push(fault(
                    "parity.extra",
                    &format!("parity/{id}/{name}"),
                    "a file that does not belong there",
                ));
                continue;
            };
            let path = format!("parity/{id}/{name}");
            parities.named.insert(number);
            let file = folder.join(&name);
            if let Ok(Some((head, length))) = parity::whole(&file, room)
                && (head.job.as_str(), head.version) == (id, number)
            {
                parities.files += 1;
                parities.bytes += length;
                parities.whole.insert(number, head);
                continue;
            }
            if let Err(e) = disk::read_into(&file, room) {
                let says = format!("it cannot be read: {e}");
                parities.faults.push(fault("parity.damaged", &path, says));
                continue;
            }
            parities.files += 1;
            parities.bytes += room.len() as u64;
            match parity::read(room) {
                Some(parity) => {
                    for says in &parity.faults {
                        parities.faults.push(fault("parity.damaged", &path, *says));
                    }
                    if parity.head.job != id || parity.head.version != number {
                        parities.faults.push(fault(
                            "parity.damaged",
                            &path,
                            "it is the parity of something else",
                        ));
                    } else {
                        parities.whole.insert(number, parity.head);
                    }
                }
                None => parities.faults.push(fault(
                    "parity.damaged",
                    &path,
                    "neither of its heads can be read",
                )),
            }
        }
        Ok(parities)
    }

    /// Jobs that are missing as a whole: only their parity is left, or what the index knows of them.
    pub(super) fn missing_of(&self, known: &Known) -> Result<Vec<String>> {
        let mut missing: BTreeSet<String> = known.jobs().cloned().collect();
        let parity = disk::entries_if_there(&self.part("parity"))?;
        missing.extend(parity.into_iter().map(|(name, _)| name));
        // Looked for now and not in an earlier list: another writer may have opened the job since.
        let mut gone = Vec::new();
        for name in missing {
            if !disk::is_there(&self.jobs_folder().join(&name))? {
                gone.push(name);
            }
        }
        Ok(gone)
    }

    /// What is wrong with the index. What a writer at work makes look wrong is looked at again in the audit's own turn.
    fn index_faults(&self, known: Known, audits: &[JobAudit]) -> Result<Vec<String>> {
        let store = audits
            .iter()
            .map(|audit| {
                let whole = audit.findings.is_empty().then_some(audit.versions);
                (audit.job.as_str(), whole)
            })
            .collect();
        let faults = known.faults(&store);
        if faults.is_empty() {
            return Ok(faults);
        }
        let _turn = match self.turn() {
            Ok(turn) => turn,
            Err(ShelfError::ReadOnly { .. }) => return Ok(faults),
            Err(e) => return Err(e),
        };
        let names = self.job_names()?;
        let store = names
            .iter()
            .map(|id| (id.as_str(), self.stored(id).ok().map(|s| s.head())))
            .collect();
        Ok(self.index_known()?.faults(&store))
    }

    /// Folders among the jobs that nothing shows to be one: no declaration, no inventory, no version, no parity.
    pub(super) fn strange_folders(&self, names: &[String]) -> Result<Vec<String>> {
        let mut strange = Vec::new();
        for name in names {
            let of_a_job = |(entry, _): &(String, Kind)| {
                entry.starts_with("0=") || entry.starts_with(FILE) || number_of(entry).is_some()
            };
            if !disk::entries(&self.jobs_folder().join(name))?
                .iter()
                .any(of_a_job)
                && !disk::is_there(&self.part("parity").join(name))?
            {
                strange.push(name.clone());
            }
        }
        Ok(strange)
    }

    /// Things on the shelf and among its jobs that do not belong there, by their paths. A link where a job is known to
    /// belong is left to a person.
    pub(super) fn strangers(&self, strange: &[String]) -> Result<Vec<String>> {
        let mut found = Vec::new();
        for (name, _) in disk::entries(self.root())? {
            if !PARTS.contains(&name.as_str()) {
                found.push(name);
            }
        }
        let known: Vec<&str> = vec![ROOT_MARK.0, "ocfl_layout.json", "extensions"];
        for (name, kind) in disk::entries(&self.jobs_folder())? {
            let is_job = kind == Kind::Folder && !strange.contains(&name);
            if !is_job && !known.contains(&name.as_str()) {
                found.push(format!("jobs/{name}"));
            }
        }
        Ok(found)
    }

    pub(super) fn shelf_faults(&self, strange: &[String]) -> Result<Vec<Fault>> {
        let mut faults = self.fixed_faults()?;
        for path in self.strangers(strange)? {
            let link = disk::under(self.root(), &path)
                .symlink_metadata()
                .is_ok_and(|meta| meta.is_symlink());
            let (code, says) = match path.split_once('/') {
                Some(_) if link => (
                    "job.link",
                    "a link where a job belongs; links are not followed on a shelf",
                ),
                Some(_) => ("file.extra", "something that is not a job"),
                None => ("file.extra", "something that does not belong to the shelf"),
            };
            faults.push(fault(code, &path, says));
        }
        if !disk::is_there(&self.part("parity"))? {
            faults.push(fault(
                "parity.missing",
                "parity",
                "the whole parity folder is missing",
            ));
        }
        Ok(faults)
    }

    /// What is wrong with the files every shelf has. Each line of the manifest must be one this program could have
    /// written, so that no damage to it goes unseen.
    pub(super) fn fixed_faults(&self) -> Result<Vec<Fault>> {
        let mut faults = Vec::new();
        let mut named = BTreeSet::new();
        let manifest = disk::read_if_there(&self.part(MANIFEST))?.unwrap_or_default();
        let text = String::from_utf8_lossy(&manifest);
        if !text.ends_with('\n') {
            faults.push(fault("file.altered", MANIFEST, "it is missing or cut off"));
        }
        for line in text.split_terminator('\n') {
            let Some((digest, path)) = line.split_once("  ").filter(|(d, _)| d.len() == 64) else {
                faults.push(fault(
                    "file.altered",
                    MANIFEST,
                    "one of its lines is damaged",
                ));
                continue;
            };
            named.insert(path.to_owned());
            let place = disk::under(self.root(), path);
            match disk::read_if_there(&place).unwrap_or_default() {
                None => faults.push(fault(
                    "file.missing",
                    path,
                    "a file of the shelf is missing",
                )),
                Some(_) if !disk::is_plain(self.root(), path)? => faults.push(fault(
                    "file.altered",
                    path,
                    "a link lies in the place of a file of the shelf",
                )),
                Some(bytes) if sha256(&bytes) != digest => {
                    faults.push(fault(
                        "file.altered",
                        path,
                        "a file of the shelf does not match its digest",
                    ));
                }
                Some(_) => {}
            }
        }
        for (path, _) in fixed_files().iter().skip(1) {
            if !named.contains(path) {
                faults.push(fault(
                    "file.altered",
                    MANIFEST,
                    format!("it does not name {path}"),
                ));
            }
        }
        if disk::read_plain(self.root(), TURN)?.is_none_or(|b| !b.is_empty()) {
            faults.push(fault("file.altered", TURN, "it is missing or not empty"));
        }
        Ok(faults)
    }
}

#[derive(Default)]
struct Parities {
    whole: BTreeMap<u32, Head>,
    /// Versions a parity file is named for, readable or not.
    named: BTreeSet<u32>,
    faults: Vec<Fault>,
    files: u64,
    bytes: u64,
}

fn parity_faults(
    parities: &Parities,
    covered: &BTreeMap<String, parity::Covered>,
    checked: &Checked,
) -> Vec<Fault> {
    let mut faults = parities.faults.clone();
    for number in 1..=checked.head {
        if !parities.named.contains(&number) {
            faults.push(fault(
                "parity.missing",
                &format!("v{number}.parity"),
                "a version has no parity",
            ));
        }
    }
    for number in parities.named.iter().filter(|n| **n > checked.head) {
        faults.push(fault(
            "version.missing",
            &format!("v{number}"),
            "a version is missing; its parity is still there",
        ));
    }
    for (path, file) in covered {
        let sound = checked.digests.get(path);
        if sound.is_some_and(|d| *d != file.sha256 && !checked.unsound.contains(path)) {
            faults.push(fault(
                "parity.damaged",
                path,
                "its parity is that of other bytes",
            ));
        }
    }
    faults
}

impl AuditReport {
    /// Adds the audit of a job.
    pub fn add(&mut self, audit: JobAudit) {
        self.jobs += 1;
        self.versions += u64::from(audit.versions);
        self.files += audit.files;
        self.bytes += audit.bytes;
        if !audit.findings.is_empty() {
            self.damaged.push(audit);
        }
    }

    /// Whether nothing at all is wrong.
    pub fn is_clean(&self) -> bool {
        self.shelf.is_empty() && self.damaged.is_empty() && self.missing.is_empty()
    }
}
