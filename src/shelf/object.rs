//! Checking one object of the store against OCFL 1.1 and against every digest: its declaration, its inventories and its
//! folders here, its content in `content`.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use serde_json::Value;

use super::content::content;
use super::disk::{self, Kind, under};
use super::error::Result;
use super::inventory::{FILE, Inventory, OBJECT_MARK, SIDECAR, number_of, sidecar_text};
use super::parity::Covered;
use super::rules::{self, Ruled};

/// One thing wrong with an object.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Fault {
    /// Our own code for the finding.
    pub(super) code: &'static str,
    /// The code of OCFL 1.1, where the standard has one.
    pub(super) ocfl: Option<&'static str>,
    /// The file it is about, within the object.
    pub(super) path: String,
    pub(super) says: String,
}

/// What the check of an object found.
#[derive(Default)]
pub(super) struct Checked {
    pub(super) faults: Vec<Fault>,
    /// The inventory everything was held against.
    pub(super) inventory: Option<Inventory>,
    pub(super) head: u32,
    pub(super) files: u64,
    pub(super) bytes: u64,
    /// Content paths whose bytes are not there or not right.
    pub(super) unsound: BTreeSet<String>,
    /// Digests of the files that were read, by path within the object.
    pub(super) digests: BTreeMap<String, String>,
    /// The record of the latest version as it was read, where the object is one of ours.
    pub(super) record: Option<Vec<u8>>,
}

impl Checked {
    pub(super) fn say(
        &mut self,
        code: &'static str,
        ocfl: impl Into<Option<&'static str>>,
        path: &str,
        says: impl Into<String>,
    ) {
        self.faults.push(Fault {
            code,
            ocfl: ocfl.into(),
            path: path.to_owned(),
            says: says.into(),
        });
    }
}

/// Checks an object. `own` demands what this program always writes beyond the standard: an inventory in every version
/// and sidecars byte for byte. `covered` is what parity knows of the files, by path within the object.
///
/// # Errors
/// When a folder cannot be read at all; an unreadable file is a fault.
pub(super) fn check(
    folder: &Path,
    own: bool,
    covered: &BTreeMap<String, Covered>,
) -> Result<Checked> {
    let mut checked = Checked::default();
    let list = disk::entries(folder)?;
    declaration(folder, &list, &mut checked);
    let root = inventory(folder, FILE, None, &mut checked);
    let mut holds = None;
    if let Some((value, bytes)) = &root {
        let ruled = rules::check(value);
        for (code, says) in &ruled.broken {
            checked.say(
                "inventory.broken",
                *code,
                FILE,
                format!("the inventory: {says}"),
            );
        }
        if sidecar(folder, FILE, bytes, &ruled, own, &mut checked) {
            holds = Some(ruled);
        }
    }
    // A damaged inventory in the root does not hide what is still good: the latest version has the same one.
    let trusted = if holds.is_some() || !own {
        root
    } else {
        newest_inventory(folder, &list).or(root)
    };
    let Some((root, bytes)) = trusted else {
        return Ok(checked);
    };
    let ruled = holds.unwrap_or_else(|| rules::check(&root));
    checked.head = ruled.versions;
    checked.inventory = serde_json::from_slice(&bytes).ok();
    root_entries(&list, &ruled, folder, &mut checked);
    let mut with_content = Vec::new();
    for number in 1..=ruled.versions {
        let name = format!("v{number}");
        let is_folder = !list
            .iter()
            .any(|(n, kind)| *n == name && *kind != Kind::Folder);
        if is_folder && version(folder, number, (&root, &bytes), &ruled, own, &mut checked) {
            with_content.push(number);
        }
    }
    content(folder, &with_content, &ruled, covered, &mut checked);
    Ok(checked)
}

/// The inventory of the latest version whose own digest holds.
fn newest_inventory(folder: &Path, list: &[(String, Kind)]) -> Option<(Value, Vec<u8>)> {
    let mut numbers: Vec<u32> = list
        .iter()
        .filter_map(|(name, _)| number_of(name))
        .collect();
    numbers.sort_unstable();
    numbers.into_iter().rev().find_map(|number| {
        let place = folder.join(format!("v{number}"));
        let bytes = disk::read(&place.join(FILE)).ok()?;
        let sidecar = disk::read(&place.join(SIDECAR)).ok()?;
        if sidecar != sidecar_text(&bytes).as_bytes() {
            return None;
        }
        Some((serde_json::from_slice(&bytes).ok()?, bytes))
    })
}

fn declaration(folder: &Path, list: &[(String, Kind)], checked: &mut Checked) {
    let marks: Vec<&str> = list
        .iter()
        .map(|(name, _)| name.as_str())
        .filter(|name| name.starts_with("0="))
        .collect();
    for mark in &marks {
        if *mark != OBJECT_MARK.0 {
            checked.say(
                "job.declaration",
                "E006",
                mark,
                "a declaration of another version of OCFL",
            );
        }
    }
    if !marks.contains(&OBJECT_MARK.0) {
        checked.say(
            "job.declaration",
            "E003",
            OBJECT_MARK.0,
            "the job's declaration is missing",
        );
        return;
    }
    match disk::read_if_there(&folder.join(OBJECT_MARK.0)) {
        Ok(Some(text)) if text == OBJECT_MARK.1.as_bytes() => {
            checked.files += 1;
            checked.bytes += text.len() as u64;
        }
        _ => checked.say(
            "job.declaration",
            "E007",
            OBJECT_MARK.0,
            "the job's declaration is damaged",
        ),
    }
}

/// Reads an inventory as JSON; `path` is that of the file within the object.
fn inventory(
    folder: &Path,
    path: &str,
    same_as: Option<&[u8]>,
    checked: &mut Checked,
) -> Option<(Value, Vec<u8>)> {
    let in_root = path == FILE;
    match disk::read_if_there(&under(folder, path)) {
        Ok(Some(bytes)) => {
            checked.files += 1;
            checked.bytes += bytes.len() as u64;
            if same_as == Some(bytes.as_slice()) {
                return Some((Value::Null, bytes));
            }
            match serde_json::from_slice(&bytes) {
                Ok(value) => return Some((value, bytes)),
                Err(e) => checked.say(
                    "inventory.broken",
                    "E033",
                    path,
                    format!("an inventory is not JSON: {e}"),
                ),
            }
        }
        Ok(None) if in_root => {
            checked.say(
                "inventory.missing",
                "E063",
                path,
                "the job's inventory is missing",
            );
        }
        Ok(None) => checked.say(
            "inventory.missing",
            None,
            path,
            "a version's inventory is missing",
        ),
        Err(e) => checked.say(
            "inventory.broken",
            "E033",
            path,
            format!("an inventory cannot be read: {e}"),
        ),
    }
    None
}

/// Checks the digest of an inventory, and says whether it holds.
fn sidecar(
    folder: &Path,
    path: &str,
    inventory: &[u8],
    ruled: &Ruled,
    own: bool,
    checked: &mut Checked,
) -> bool {
    let Some(algorithm) = ruled.algorithm else {
        return false;
    };
    let before = checked.faults.len();
    let path = format!("{path}.{}", algorithm.name());
    let digest = algorithm.of(inventory);
    match disk::read_if_there(&under(folder, &path)) {
        Ok(Some(text)) => {
            checked.files += 1;
            checked.bytes += text.len() as u64;
            let line = String::from_utf8_lossy(&text);
            let parts: Vec<&str> = line
                .lines()
                .next()
                .unwrap_or("")
                .split_whitespace()
                .collect();
            match parts.as_slice() {
                [kept, FILE] if kept.eq_ignore_ascii_case(&digest) => {
                    if own && text != format!("{digest}  {FILE}\n").as_bytes() {
                        checked.say(
                            "inventory.digest",
                            None,
                            &path,
                            "the digest of an inventory is not written as this program writes it",
                        );
                    }
                }
                [_, FILE] => checked.say(
                    "inventory.digest",
                    "E060",
                    &path,
                    "an inventory and its digest do not match: one of them is damaged",
                ),
                _ => checked.say(
                    "inventory.digest",
                    "E061",
                    &path,
                    "the digest of an inventory cannot be read",
                ),
            }
        }
        Ok(None) => checked.say(
            "inventory.digest",
            "E058",
            &path,
            "the digest of an inventory is missing",
        ),
        Err(e) => checked.say(
            "inventory.digest",
            "E058",
            &path,
            format!("the digest of an inventory: {e}"),
        ),
    }
    checked.faults.len() == before
}

fn root_entries(list: &[(String, Kind)], ruled: &Ruled, folder: &Path, checked: &mut Checked) {
    let sidecar = ruled.algorithm.map(|a| format!("{FILE}.{}", a.name()));
    for (name, kind) in list {
        match kind {
            Kind::File => {
                let known =
                    name == FILE || name.starts_with("0=") || Some(name) == sidecar.as_ref();
                if !known {
                    checked.say(
                        "file.extra",
                        "E001",
                        name,
                        "a file that does not belong to the job",
                    );
                }
            }
            Kind::Folder => match number_of(name) {
                Some(n) if n <= ruled.versions => {}
                Some(_) => checked.say(
                    "version.extra",
                    "E046",
                    name,
                    "a version the inventory does not know",
                ),
                None if name == "extensions" => {
                    for (entry, kind) in disk::entries(&folder.join(name)).unwrap_or_default() {
                        if kind != Kind::Folder {
                            let path = format!("{name}/{entry}");
                            checked.say(
                                "file.extra",
                                "E067",
                                &path,
                                "a file that does not belong there",
                            );
                        }
                    }
                }
                None if name == "logs" => {}
                None => checked.say(
                    "file.extra",
                    "E001",
                    name,
                    "a folder that does not belong to the job",
                ),
            },
            Kind::Other => checked.say(
                "file.extra",
                "E001",
                name,
                "a link or device that does not belong to the job",
            ),
        }
    }
}

/// Checks a version's folder but for its content, and says whether it has a folder for that.
fn version(
    folder: &Path,
    number: u32,
    root: (&Value, &[u8]),
    ruled: &Ruled,
    own: bool,
    checked: &mut Checked,
) -> bool {
    let name = format!("v{number}");
    let place = folder.join(&name);
    let Ok(list) = disk::entries(&place) else {
        checked.say(
            "version.missing",
            "E046",
            &name,
            "a whole version is missing",
        );
        return false;
    };
    let path = format!("{name}/{FILE}");
    let has_inventory = list.iter().any(|(entry, _)| entry == FILE);
    let mut sidecar_name = None;
    if number == ruled.versions {
        if (has_inventory || own)
            && let Some((_, bytes)) = inventory(folder, &path, Some(root.1), checked)
        {
            if bytes != root.1 {
                checked.say(
                    "inventory.differs",
                    "E064",
                    &path,
                    "the inventory of the latest version is not that of the job",
                );
            }
            sidecar(folder, &path, &bytes, ruled, own, checked);
        }
        sidecar_name = ruled.algorithm;
    } else if (has_inventory || own)
        && let Some((value, bytes)) = inventory(folder, &path, None, checked)
    {
        let prior = rules::check(&value);
        for (code, says) in &prior.broken {
            checked.say(
                "inventory.broken",
                *code,
                &path,
                format!("an inventory: {says}"),
            );
        }
        if prior.id.is_some() && prior.id != ruled.id {
            checked.say(
                "inventory.differs",
                "E037",
                &path,
                "an inventory is that of another job",
            );
        }
        if prior.content_directory != ruled.content_directory {
            let code = if prior.sets_content_directory {
                "E020"
            } else {
                "E019"
            };
            checked.say(
                "inventory.differs",
                code,
                &path,
                "its content folder is not that of the job",
            );
        }
        if prior.spec > ruled.spec {
            checked.say(
                "inventory.differs",
                "E103",
                &path,
                "an inventory is of a later version of OCFL than the job's",
            );
        }
        if prior.versions != number {
            checked.say(
                "inventory.differs",
                "E066",
                &path,
                "an inventory is not that of its version",
            );
        }
        for (code, says) in rules::check_prior(root.0, &value, prior.versions.min(number)) {
            checked.say("inventory.differs", code, &path, says);
        }
        if prior.contents.iter().any(|(path, digest)| {
            prior.algorithm == ruled.algorithm && ruled.contents.get(path) != Some(digest)
        }) {
            checked.say(
                "inventory.differs",
                "E023",
                &path,
                "an inventory has content the job's does not have",
            );
        }
        sidecar(folder, &path, &bytes, &prior, own, checked);
        sidecar_name = prior.algorithm;
    }
    let mut has_content = false;
    let sidecar_name = sidecar_name.map(|a| format!("{FILE}.{}", a.name()));
    for (entry, kind) in &list {
        let path = format!("{name}/{entry}");
        match kind {
            Kind::File if entry == FILE || Some(entry) == sidecar_name.as_ref() => {}
            Kind::Folder if *entry == ruled.content_directory => has_content = true,
            Kind::Folder if !own => {}
            Kind::Folder => checked.say(
                "file.extra",
                None,
                &path,
                "a folder that does not belong to the version",
            ),
            _ => checked.say(
                "file.extra",
                "E015",
                &path,
                "a file that does not belong to the version",
            ),
        }
    }
    has_content
}
