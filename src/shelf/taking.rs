//! Taking in: a bag from outside, or a job of another shelf, verified to the last byte before it becomes a job.
//!
//! A bag is held to RFC 8493 strictly: a line that cannot be read is an error, every payload file must be in every
//! manifest, and nothing may be left to fetch from elsewhere.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use super::commit::{Done, Draft};
use super::disk::{self, Algorithm, under};
use super::error::{Result, ShelfError};
use super::gather::{Incoming, Source, placed};
use super::inventory::{FILE, Inventory, OBJECT_MARK, SIDECAR};
use super::job::{Act, Job, NewJob, Origin, RECORD, Role};
use super::names::check_job_name;
use super::object;
use super::root::Shelf;
use super::store;
use super::unzip::{Unpacked, refuse, shown, unpack};

/// Bounds on what is taken in.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Limits {
    /// Most files.
    pub files: usize,
    /// Most bytes, unpacked.
    pub bytes: u64,
}

impl Default for Limits {
    fn default() -> Self {
        Self {
            files: 10_000,
            bytes: 1 << 30,
        }
    }
}

impl Limits {
    /// For what this program has just written itself.
    pub(super) fn own() -> Self {
        Self {
            files: 65_534,
            bytes: u64::MAX - 1,
        }
    }

    pub(super) fn too_many(&self) -> String {
        format!(
            "it holds more than {} files; allow more with --most-files",
            self.files
        )
    }

    pub(super) fn too_large(&self) -> String {
        format!(
            "it holds more than {} MiB; allow more with --most-bytes",
            self.bytes >> 20
        )
    }
}

/// A bag that has been verified.
pub(super) struct Bag {
    /// Payload path, without `data/`, to where its bytes lie.
    payload: BTreeMap<String, std::path::PathBuf>,
    /// SHA-256 of the payload manifest.
    manifest_sha256: String,
    /// The bag's own name for itself, from bag-info.txt.
    identifier: Option<String>,
    _unpacked: Unpacked,
}

/// Longest tag file that is read.
const LONGEST_TAG: u64 = 64 << 20;

/// Reads and verifies a bag.
///
/// # Errors
/// [`ShelfError::BadBag`] with the first thing that is wrong.
pub(super) fn read_bag(path: &Path, limits: &Limits) -> Result<Bag> {
    let unpacked = unpack(path, limits)?;
    let top =
        top_of(&unpacked).ok_or_else(|| refuse(path, "it has no bagit.txt: it is not a bag"))?;
    let files: BTreeMap<&str, (&Path, u64)> = unpacked
        .files
        .iter()
        .filter_map(|(name, (place, length))| {
            Some((name.strip_prefix(&top)?, (place.as_path(), *length)))
        })
        .collect();
    if files.len() != unpacked.files.len() {
        return Err(refuse(path, "there is something beside the bag's folder"));
    }
    let text = |name: &str| -> Result<String> {
        let (place, length) = files[name];
        if length > LONGEST_TAG {
            return Err(refuse(path, format!("{name} is too long")));
        }
        String::from_utf8(disk::read(place)?)
            .map_err(|_| refuse(path, format!("{name} is not UTF-8")))
    };
    declaration(path, &text("bagit.txt")?)?;
    if files.contains_key("fetch.txt") {
        return Err(refuse(path, "parts of it lie elsewhere (fetch.txt)"));
    }
    let mut manifest_sha256 = None;
    let payload: BTreeSet<&str> = files
        .keys()
        .copied()
        .filter(|n| n.starts_with("data/"))
        .collect();
    let manifests: Vec<&str> = files
        .keys()
        .copied()
        .filter(|n| !n.contains('/') && is_manifest(n).is_some())
        .collect();
    for name in &manifests {
        let (of_tags, algorithm) = is_manifest(name).unwrap_or_default();
        let lines = manifest(path, name, &text(name)?, &files)?;
        if !of_tags {
            let listed: BTreeSet<&str> = lines.keys().map(String::as_str).collect();
            if let Some(missing) = payload.difference(&listed).next() {
                return Err(refuse(
                    path,
                    format!("{name} does not list {}", shown(missing)),
                ));
            }
        } else if let Some(missing) = manifests
            .iter()
            .find(|m| is_manifest(m).is_some_and(|(tags, _)| !tags) && !lines.contains_key(**m))
        {
            return Err(refuse(path, format!("{name} does not list {missing}")));
        }
        for (file, digest) in &lines {
            let Some((place, _)) = files.get(file.as_str()) else {
                return Err(refuse(path, format!("{} is missing", shown(file))));
            };
            if of_tags == file.starts_with("data/") {
                return Err(refuse(
                    path,
                    format!("{name} lists {}, which does not belong there", shown(file)),
                ));
            }
            if let Some(algorithm) = Algorithm::from_name(algorithm)
                && disk::digest_file(place, algorithm)?.0 != *digest
            {
                return Err(refuse(
                    path,
                    format!("{} does not match its digest in {name}", shown(file)),
                ));
            }
        }
        if !of_tags && Algorithm::from_name(algorithm).is_some() {
            manifest_sha256 = Some(disk::digest_file(files[name].0, Algorithm::Sha256)?.0);
        }
    }
    let manifest_sha256 = manifest_sha256.ok_or_else(|| {
        refuse(
            path,
            "it has no manifest of SHA-256 or SHA-512 digests, so nothing in it can be proved",
        )
    })?;
    let mut identifier = None;
    if files.contains_key("bag-info.txt") {
        let info = text("bag-info.txt")?;
        let value = |label: &str| {
            info.lines().find_map(|l| {
                l.strip_prefix(label)?
                    .strip_prefix(':')
                    .map(|v| v.trim().to_owned())
            })
        };
        identifier = value("External-Identifier");
        let bytes: u64 = payload.iter().map(|n| files[n].1).sum();
        if let Some(oxum) = value("Payload-Oxum")
            && oxum != format!("{bytes}.{}", payload.len())
        {
            return Err(refuse(
                path,
                "its payload is not as large as bag-info.txt says",
            ));
        }
    }
    let payload = payload
        .into_iter()
        .filter_map(|n| Some((n.strip_prefix("data/")?.to_owned(), files[n].0.to_owned())))
        .collect();
    Ok(Bag {
        payload,
        manifest_sha256,
        identifier,
        _unpacked: unpacked,
    })
}

/// The folder the bag lies in, with its slash: none, or one.
fn top_of(unpacked: &Unpacked) -> Option<String> {
    if unpacked.files.contains_key("bagit.txt") {
        return Some(String::new());
    }
    unpacked
        .files
        .keys()
        .find_map(|name| {
            name.strip_suffix("bagit.txt")
                .filter(|top| top.matches('/').count() == 1)
        })
        .map(str::to_owned)
}

/// RFC 8493, section 2.1.1: two lines, no byte order mark.
fn declaration(path: &Path, text: &str) -> Result<()> {
    let lines: Vec<&str> = text.lines().collect();
    match lines.as_slice() {
        [
            "BagIt-Version: 1.0" | "BagIt-Version: 0.97",
            "Tag-File-Character-Encoding: UTF-8",
        ] => Ok(()),
        [version, _] if version.starts_with("BagIt-Version: ") => Err(refuse(
            path,
            format!(
                "its bagit.txt says \"{}\"; bags of versions 0.97 and 1.0 in UTF-8 are known",
                shown(version)
            ),
        )),
        _ => Err(refuse(path, "its bagit.txt is not as RFC 8493 demands")),
    }
}

/// Whether a name is that of a manifest: of tag files or of payload, and its algorithm.
fn is_manifest(name: &str) -> Option<(bool, &str)> {
    let stem = name.strip_suffix(".txt")?;
    match stem.strip_prefix("tagmanifest-") {
        Some(algorithm) => Some((true, algorithm)),
        None => stem.strip_prefix("manifest-").map(|a| (false, a)),
    }
}

/// The lines of a manifest: path to digest. A line that cannot be read is an error.
fn manifest(
    path: &Path,
    name: &str,
    text: &str,
    files: &BTreeMap<&str, (&Path, u64)>,
) -> Result<BTreeMap<String, String>> {
    let mut lines = BTreeMap::new();
    for line in text.split(['\n', '\r']).filter(|l| !l.is_empty()) {
        let bad = || {
            refuse(
                path,
                format!("a line of {name} cannot be read: \"{}\"", shown(line)),
            )
        };
        let (digest, file) = line.split_once([' ', '\t']).ok_or_else(bad)?;
        let file = file.trim_start_matches([' ', '\t']);
        if digest.is_empty() || !digest.bytes().all(|b| b.is_ascii_hexdigit()) || file.is_empty() {
            return Err(bad());
        }
        // RFC 8493 encodes CR, LF and % in paths; some makers of bags leave % as it is.
        let decoded = decode(file);
        let file = if files.contains_key(decoded.as_str()) {
            decoded
        } else {
            file.to_owned()
        };
        if lines
            .insert(file.clone(), digest.to_ascii_lowercase())
            .is_some()
        {
            return Err(refuse(path, format!("{name} lists {} twice", shown(&file))));
        }
    }
    Ok(lines)
}

fn decode(path: &str) -> String {
    path.replace("%0A", "\n")
        .replace("%0a", "\n")
        .replace("%0D", "\r")
        .replace("%0d", "\r")
        .replace("%25", "%")
}

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
