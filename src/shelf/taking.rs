//! Taking in: a bag from outside, or a job of another shelf, verified to the last byte before it becomes a job.

use std::collections::BTreeMap;
use std::path::Path;

use super::bagged::{Limits, read_bag};
use super::build::Draft;
use super::commit::Done;
use super::disk::{self, Algorithm, under};
use super::error::{Result, ShelfError};
use super::gather::{Incoming, Source, placed};
use super::inventory::{FILE, Inventory, OBJECT_MARK, SIDECAR};
use super::job::{Act, Job, NewJob, Origin, RECORD, Role};
use super::names::check_job_name;
use super::object;
use super::root::Shelf;
use super::store;
use super::unzip::{refuse, shown};

impl Shelf {
    /// Takes in a bag or a job's folder of another shelf. `new` says what the job is to be where the bag has no record
    /// of its own, and `new.name` renames the job of a bag.
    ///
    /// # Errors
    /// When anything in it does not verify, its name is taken, or it goes beyond `limits`; nothing is then taken in.
    pub fn take_in(&self, path: &Path, new: NewJob, limits: &Limits, act: &Act) -> Result<Done> {
        if disk::is_there(&path.join(OBJECT_MARK.0))? {
            return self.take_in_object(path, &new, limits);
        }
        let bag = read_bag(path, limits)?;
        let own_name = path.file_name().map_or_else(
            || path.display().to_string(),
            |n| shown(&n.to_string_lossy()),
        );
        let origin = Origin {
            bag: own_name,
            manifest_sha256: bag.manifest_sha256.clone(),
            at: act.stamp(),
        };
        let mut notices = Vec::new();
        let mut stranger = None;
        let record = match bag.payload.get(RECORD) {
            Some(place) => {
                match Job::from_bytes(&disk::read(place)?, RECORD) {
                    Ok(record) => Some(record),
                    Err(e @ ShelfError::Newer { .. }) => return Err(e),
                    Err(e) if new.instrument.is_empty() => {
                        return Err(refuse(
                            path,
                            format!(
                                "its record of the job cannot be read ({e}); say with --instrument which instrument it is of, and that file is kept as a paper"
                            ),
                        ));
                    }
                    Err(e) => {
                        notices.push(format!("the bag's own {RECORD} is no record of a job ({e}); it is kept as a paper"));
                        stranger = Some(place.clone());
                        None
                    }
                }
            }
            None => None,
        };
        let mut record = match record {
            Some(record) => record,
            None if !new.instrument.is_empty() => Job {
                instrument: new.instrument,
                layout: new.layout,
                serial: new.serial,
                customer: new.customer,
                complaint: new.complaint,
                opened: act.stamp(),
                job: bag
                    .identifier
                    .as_deref()
                    .map(super::names::slug)
                    .unwrap_or_default(),
                ..Job::default()
            },
            None => {
                return Err(refuse(
                    path,
                    "it has no record of a job; say which instrument it is of with --instrument",
                ));
            }
        };
        if let Some(name) = new.name {
            record.job = name;
        }
        check_job_name(&record.job)?;
        record.taken_in = Some(origin);
        record.own_names.clear();
        let id = record.job.clone();
        let mut files = Vec::new();
        if let Some(place) = stranger {
            files.push(placed(Role::Paper.word(), RECORD, Source::File(place)));
        }
        for (own, place) in bag.payload.iter().filter(|(own, _)| *own != RECORD) {
            let source = Source::File(place.clone());
            files.push(match Role::of_path(own) {
                Some(role) => placed(role.word(), &own[role.word().len() + 1..], source),
                None => placed(Role::Paper.word(), own, source),
            });
        }
        let turn = self.turn()?;
        self.check_free(&id)?;
        let draft = Draft {
            id: &id,
            base: None,
            kept: BTreeMap::new(),
            files,
            record,
            message: "took in a bag".to_owned(),
        };
        let mut done = self.commit(&turn, draft, act)?;
        notices.append(&mut done.notices);
        done.notices = notices;
        Ok(done)
    }

    /// Takes in a job's folder of another shelf with all its versions, as it is.
    fn take_in_object(&self, path: &Path, new: &NewJob, limits: &Limits) -> Result<Done> {
        let checked = object::check(path, true, &BTreeMap::new())?;
        if let Some(fault) = checked.faults.first() {
            return Err(refuse(
                path,
                format!("{}: {}", shown(&fault.path), fault.says),
            ));
        }
        if checked.files > limits.files as u64 {
            return Err(refuse(path, limits.too_many()));
        }
        if checked.bytes > limits.bytes {
            return Err(refuse(path, limits.too_large()));
        }
        // Its name is the one written in all its versions, whatever its folder is called now.
        let id = checked
            .inventory
            .map(|inventory| inventory.id)
            .unwrap_or_default();
        check_job_name(&id)?;
        if new.name.as_ref().is_some_and(|name| *name != id) {
            return Err(refuse(
                path,
                "a job of another shelf keeps its name, which is written in all its versions",
            ));
        }
        let other = store::read_object(&id, path)?
            .ok_or_else(|| refuse(path, "its inventory does not match its digest"))?;
        let head = other.head();
        let _turn = self.turn()?;
        let place = self.jobs_folder().join(&id);
        if disk::is_there(&place)? {
            return self.continue_job(path, &other);
        }
        self.check_same(&other, 0)?;
        let aside = self.staging().join(format!("{id}~v{head}"));
        disk::remove(&aside)?;
        let taken = self.copy_object(path, &aside, &other).and_then(|()| {
            disk::sync_folder(&self.staging())?;
            self.place_first(&aside, &id)
        });
        if let Err(e) = taken {
            if disk::is_there(&place).is_ok_and(|there| !there) {
                let _ = disk::remove(&aside);
            }
            return Err(e);
        }
        let done = format!("{id} is safe on the shelf");
        let mut cautions = Vec::from_iter(self.finish(&aside, &id, 1..=head, &done));
        cautions.extend(self.lost_caution(&id, head));
        Ok(Done {
            job: id,
            version: head,
            changed: true,
            cautions,
            notices: Vec::new(),
        })
    }

    /// Takes in the versions another shelf made after ours, one by one, where ours are all there unchanged.
    fn continue_job(&self, from: &Path, other: &store::Stored) -> Result<Done> {
        let id = other.id().to_owned();
        let ours = self.stored(&id)?;
        let both = ours.head().min(other.head());
        let differs =
            (1..=both).find(|n| ours.inventory.version(*n) != other.inventory.version(*n));
        if let Some(version) = differs {
            return Err(ShelfError::Parted { job: id, version });
        }
        self.check_same(other, ours.head())?;
        let mut cautions = Vec::new();
        for number in ours.head() + 1..=other.head() {
            let version = format!("v{number}");
            let aside = self.staging().join(format!("{id}~{version}"));
            disk::remove(&aside)?;
            let placed = copy_version(from, &aside, &version).and_then(|()| {
                disk::sync_folder(&self.staging())?;
                self.place_next(&aside, &id, number)
            });
            if let Err(e) = placed {
                if self.is_undone(&id, number, &aside) {
                    let _ = disk::remove(&aside);
                }
                return Err(e);
            }
            let done = format!("version {number} of {id} is safe on the shelf");
            cautions.extend(self.finish(&aside, &id, number..=number, &done));
        }
        let head = ours.head().max(other.head());
        cautions.extend(self.lost_caution(&id, head));
        Ok(Done {
            version: head,
            changed: other.head() > ours.head(),
            job: id,
            cautions,
            notices: Vec::new(),
        })
    }

    fn copy_object(&self, from: &Path, aside: &Path, other: &store::Stored) -> Result<()> {
        let object = aside.join("object");
        let mut folders = vec![aside.to_owned(), object.clone()];
        disk::make_folder(aside)?;
        disk::make_folder(&object)?;
        let mut paths: Vec<String> = vec![OBJECT_MARK.0.into(), FILE.into(), SIDECAR.into()];
        for number in 1..=other.head() {
            paths.extend([format!("v{number}/{FILE}"), format!("v{number}/{SIDECAR}")]);
        }
        let contents = other.inventory.contents();
        paths.extend(contents.keys().map(|p| (*p).to_owned()));
        for path in &paths {
            let to = under(&object, path);
            let mut parents: Vec<&Path> = to
                .ancestors()
                .skip(1)
                .take_while(|p| p.starts_with(&object))
                .collect();
            parents.reverse();
            for parent in parents {
                if disk::ensure_folder(parent)? {
                    folders.push(parent.to_owned());
                }
            }
            disk::copy_new(&under(from, path), &to)?;
        }
        // The copy is what counts: it is checked in full, whatever happened to the source meanwhile.
        let copied = object::check(&object, true, &BTreeMap::new())?;
        if let Some(fault) = copied.faults.first() {
            return Err(refuse(
                from,
                format!("it changed while it was copied: {}", fault.says),
            ));
        }
        folders.iter().rev().try_for_each(|f| disk::sync_folder(f))
    }
}

/// Copies a version's folder, and beside it its inventory as that of the job, all of it synced and verified.
fn copy_version(from: &Path, aside: &Path, version: &str) -> Result<()> {
    let mut folders = vec![aside.to_owned()];
    disk::make_folder(aside)?;
    let source = from.join(version);
    let files = disk::walk(&source)?.files;
    let places = files
        .iter()
        .map(|path| (under(&source, path), under(&aside.join(version), path)));
    let inventory = [FILE, SIDECAR].map(|name| (source.join(name), aside.join(name)));
    for (place, to) in places.chain(inventory) {
        let above = to.ancestors().skip(1).take_while(|p| p.starts_with(aside));
        for parent in above.collect::<Vec<_>>().into_iter().rev() {
            if disk::ensure_folder(parent)? {
                folders.push(parent.to_owned());
            }
        }
        let (written, _) = disk::copy_new(&place, &to)?;
        if disk::digest_file(&to, Algorithm::Sha256)?.0 != written {
            return Err(ShelfError::Unfaithful(to));
        }
    }
    folders
        .iter()
        .rev()
        .try_for_each(|f| disk::sync_folder(f))?;
    // The source was whole a moment ago; the copy is what counts.
    let bytes = disk::read(&aside.join(FILE))?;
    let inventory = Inventory::from_bytes(&bytes, version)?;
    let prefix = format!("{version}/");
    for (path, digest) in inventory.contents() {
        let algorithm = inventory.algorithm().unwrap_or(Algorithm::Sha256);
        if path.starts_with(&prefix)
            && disk::digest_file(&under(aside, path), algorithm)?.0 != *digest
        {
            return Err(refuse(
                from,
                format!("it changed while it was copied: {path}"),
            ));
        }
    }
    Ok(())
}

impl Incoming {
    /// Where the file will lie in the job.
    pub fn stored_path(&self) -> &str {
        &self.stored
    }
}
