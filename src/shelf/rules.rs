//! The rules of OCFL 1.1 for an inventory, each with the standard's own code.
//!
//! Source: Oxford Common File Layout Specification 1.1 and its table of validation codes. An inventory is looked at as
//! plain JSON here, so that everything wrong with it is reported and not only the first thing.

use std::collections::{BTreeMap, BTreeSet};

use serde_json::{Map, Value};

use super::disk::Algorithm;
use super::inventory::number_of;

/// A rule that is broken: the standard's code, and a sentence.
pub(super) type Broken = (&'static str, String);

/// What the rules found in an inventory.
#[derive(Default)]
pub(super) struct Ruled {
    pub(super) broken: Vec<Broken>,
    /// The object's id.
    pub(super) id: Option<String>,
    /// The numbers of the versions, as far as they follow each other from 1.
    pub(super) versions: u32,
    /// The content folder's name.
    pub(super) content_directory: String,
    /// Whether the inventory sets it.
    pub(super) sets_content_directory: bool,
    /// The digest algorithm, where it is an allowed one.
    pub(super) algorithm: Option<Algorithm>,
    /// The version of the standard.
    pub(super) spec: String,
    /// Content path to digest in small letters, for paths that keep inside the object.
    pub(super) contents: BTreeMap<String, String>,
    /// Additional digests: algorithm, digest, content path.
    pub(super) fixity: Vec<(String, String, String)>,
}

/// Checks an inventory by itself.
pub(super) fn check(inventory: &Value) -> Ruled {
    let mut ruled = Ruled {
        content_directory: "content".to_owned(),
        spec: "1.1".to_owned(),
        ..Ruled::default()
    };
    let Some(fields) = inventory.as_object() else {
        ruled.say("E033", "it is not a JSON object");
        return ruled;
    };
    ruled.head_fields(fields);
    let digests = match fields.get("manifest") {
        None => {
            ruled.say("E041", "it has no manifest");
            None
        }
        Some(manifest) => ruled.manifest(manifest),
    };
    match fields.get("versions") {
        None => ruled.say("E041", "it has no versions"),
        Some(versions) => ruled.versions(versions, digests.as_ref()),
    }
    match fields.get("head").map(Value::as_str) {
        None => ruled.say("E036", "it names no head"),
        Some(head) => {
            let expected = format!("v{}", ruled.versions);
            if ruled.versions > 0 && head != Some(expected.as_str()) {
                ruled.say(
                    "E040",
                    format!("its head is not its latest version, {expected}"),
                );
            }
        }
    }
    if let Some(fixity) = fields.get("fixity") {
        ruled.fixity(fixity);
    }
    let outside: Vec<String> = ruled
        .contents
        .keys()
        .filter(|path| {
            let version = path.split('/').next().and_then(number_of).unwrap_or(0);
            version == 0 || version > ruled.versions
        })
        .cloned()
        .collect();
    if ruled.versions > 0 {
        for path in outside {
            ruled.say("E042", format!("{path} lies in no version"));
        }
    }
    ruled
}

impl Ruled {
    fn say(&mut self, code: &'static str, says: impl Into<String>) {
        self.broken.push((code, says.into()));
    }

    fn head_fields(&mut self, fields: &Map<String, Value>) {
        match fields.get("id") {
            None => self.say("E036", "it has no id"),
            Some(id) => match id.as_str().filter(|id| !id.is_empty()) {
                Some(id) => self.id = Some(id.to_owned()),
                None => self.say("E037", "its id is empty or not text"),
            },
        }
        match fields.get("type").map(Value::as_str) {
            None => self.say("E036", "it has no type"),
            Some(Some("https://ocfl.io/1.1/spec/#inventory")) => {}
            Some(Some("https://ocfl.io/1.0/spec/#inventory")) => self.spec = "1.0".to_owned(),
            Some(_) => self.say("E038", "its type is not that of an OCFL 1.1 inventory"),
        }
        match fields.get("digestAlgorithm").map(Value::as_str) {
            None => self.say("E036", "it names no digest algorithm"),
            Some(name) => {
                self.algorithm = name.and_then(Algorithm::from_name);
                if self.algorithm.is_none() {
                    self.say("E025", "its digest algorithm is neither sha512 nor sha256");
                }
            }
        }
        if let Some(directory) = fields.get("contentDirectory") {
            match directory.as_str() {
                None => self.say("E017", "its content folder is not text"),
                Some(name) if name.contains('/') => {
                    self.say("E017", "its content folder's name has a slash");
                }
                Some("." | "..") => self.say("E018", "its content folder's name is a dot"),
                Some(name) => {
                    self.content_directory = name.to_owned();
                    self.sets_content_directory = true;
                }
            }
        }
    }

    fn is_digest(&self, text: &str) -> bool {
        let digits = self.algorithm.unwrap_or(Algorithm::Sha512).digits();
        text.len() == digits && text.bytes().all(|b| b.is_ascii_hexdigit())
    }

    /// Checks the manifest, and returns its digests exactly as written.
    fn manifest(&mut self, manifest: &Value) -> Option<BTreeSet<String>> {
        let Some(entries) = manifest.as_object() else {
            self.say("E041", "its manifest is not a JSON object");
            return None;
        };
        let mut written = BTreeSet::new();
        let mut folded = BTreeSet::new();
        let mut paths = BTreeSet::new();
        for (digest, files) in entries {
            if !self.is_digest(digest) {
                self.say("E025", format!("\"{digest}\" in its manifest is no digest"));
                continue;
            }
            let Some(files) = files.as_array() else {
                self.say(
                    "E092",
                    format!("the files of digest {digest} are not a list"),
                );
                continue;
            };
            written.insert(digest.clone());
            if !folded.insert(digest.to_ascii_lowercase()) {
                self.say(
                    "E096",
                    format!("digest {digest} is there twice in its manifest"),
                );
            }
            for file in files {
                let Some(path) = file.as_str() else {
                    self.say(
                        "E042",
                        format!("a content path of digest {digest} is not text"),
                    );
                    continue;
                };
                if self.content_path(path) && !paths.insert(path.to_owned()) {
                    self.say("E101", format!("{path} is there twice in its manifest"));
                } else if paths.contains(path) {
                    self.contents
                        .insert(path.to_owned(), digest.to_ascii_lowercase());
                }
            }
        }
        for path in &paths {
            if is_folder_too(path, &paths) {
                self.say("E101", format!("{path} is both a file and a folder"));
            }
        }
        Some(written)
    }

    fn content_path(&mut self, path: &str) -> bool {
        if path.starts_with('/') || path.ends_with('/') {
            self.say(
                "E100",
                format!("the content path \"{path}\" begins or ends with a slash"),
            );
            return false;
        }
        let parts: Vec<&str> = path.split('/').collect();
        if parts.iter().any(|part| matches!(*part, "" | "." | "..")) {
            self.say(
                "E099",
                format!("the content path \"{path}\" has an empty part or dots"),
            );
            return false;
        }
        let version = parts[0]
            .strip_prefix('v')
            .is_some_and(|n| !n.is_empty() && n.bytes().all(|b| b.is_ascii_digit()));
        if parts.len() < 3 || !version || parts[1] != self.content_directory {
            self.say(
                "E042",
                format!("the content path \"{path}\" lies in no version's content"),
            );
            return false;
        }
        true
    }

    fn versions(&mut self, versions: &Value, digests: Option<&BTreeSet<String>>) {
        let Some(entries) = versions.as_object() else {
            self.say("E044", "its versions are not a JSON object");
            return;
        };
        if entries.is_empty() {
            self.say("E008", "it has no version");
            return;
        }
        while entries.contains_key(&format!("v{}", self.versions + 1)) {
            self.versions += 1;
        }
        if self.versions == 0 {
            self.say("E009", "it has no version v1");
            return;
        }
        if entries.len() != self.versions as usize {
            self.say("E010", "its versions do not follow each other");
        }
        let mut used = BTreeSet::new();
        for number in 1..=self.versions {
            let name = format!("v{number}");
            self.version(&name, &entries[&name], digests, &mut used);
        }
        let in_manifest: BTreeSet<String> = self.contents.values().cloned().collect();
        if in_manifest.iter().any(|digest| !used.contains(digest)) {
            self.say("E107", "its manifest has a digest that no version uses");
        }
    }

    fn version(
        &mut self,
        name: &str,
        version: &Value,
        digests: Option<&BTreeSet<String>>,
        used: &mut BTreeSet<String>,
    ) {
        match version.get("created") {
            None => self.say("E048", format!("{name} does not say when it was made")),
            Some(created) => {
                let good = created.as_str().is_some_and(|text| {
                    text.parse::<jiff::Timestamp>().is_ok() && text.matches(':').count() >= 2
                });
                if !good {
                    self.say("E049", format!("the date of {name} is not one of RFC 3339"));
                }
            }
        }
        if version.get("message").is_some_and(|m| !m.is_string()) {
            self.say("E094", format!("the message of {name} is not text"));
        }
        if let Some(user) = version.get("user") {
            let address = user.get("address").is_none_or(Value::is_string);
            if !user.get("name").is_some_and(Value::is_string) || !address {
                self.say("E054", format!("the user of {name} is not as it must be"));
            }
        }
        let Some(state) = version.get("state") else {
            self.say("E048", format!("{name} has no state"));
            return;
        };
        let Some(state) = state.as_object() else {
            self.say("E050", format!("the state of {name} is not a JSON object"));
            return;
        };
        let mut paths = BTreeSet::new();
        for (digest, files) in state {
            let (true, Some(files)) = (self.is_digest(digest), files.as_array()) else {
                self.say(
                    "E050",
                    format!("\"{digest}\" in the state of {name} is no digest with files"),
                );
                continue;
            };
            used.insert(digest.to_ascii_lowercase());
            if digests.is_some_and(|d| !d.contains(digest)) {
                self.say(
                    "E050",
                    format!("digest {digest} of {name} is not in the manifest"),
                );
            }
            for path in files {
                let Some(path) = path.as_str() else {
                    self.say("E051", format!("a path of {name} is not text"));
                    continue;
                };
                if path.starts_with('/') || path.ends_with('/') {
                    self.say(
                        "E053",
                        format!("the path \"{path}\" of {name} begins or ends with a slash"),
                    );
                } else if path.split('/').any(|part| matches!(part, "" | "." | "..")) {
                    self.say(
                        "E052",
                        format!("the path \"{path}\" of {name} has an empty part or dots"),
                    );
                } else if !paths.insert(path.to_owned()) {
                    self.say("E095", format!("{path} is there twice in {name}"));
                }
            }
        }
        for path in &paths {
            if is_folder_too(path, &paths) {
                self.say(
                    "E095",
                    format!("{path} is both a file and a folder in {name}"),
                );
            }
        }
    }

    fn fixity(&mut self, fixity: &Value) {
        let Some(entries) = fixity.as_object() else {
            self.say("E111", "its fixity block is not a JSON object");
            return;
        };
        for (algorithm, digests) in entries {
            let Some(digits) = fixity_digits(algorithm) else {
                self.say(
                    "E056",
                    format!("\"{algorithm}\" in its fixity block is no digest algorithm"),
                );
                continue;
            };
            let Some(digests) = digests.as_object() else {
                self.say(
                    "E057",
                    format!("its fixity block for {algorithm} is not a JSON object"),
                );
                continue;
            };
            let mut folded = BTreeSet::new();
            for (digest, files) in digests {
                let good = digest.len() == digits && digest.bytes().all(|b| b.is_ascii_hexdigit());
                let (true, Some(files)) = (good, files.as_array()) else {
                    self.say(
                        "E057",
                        format!("\"{digest}\" in its fixity block is no digest with files"),
                    );
                    continue;
                };
                if !folded.insert(digest.to_ascii_lowercase()) {
                    self.say(
                        "E097",
                        format!("digest {digest} is there twice in its fixity block"),
                    );
                }
                for file in files {
                    match file.as_str().filter(|f| self.contents.contains_key(*f)) {
                        Some(file) => self.fixity.push((
                            algorithm.clone(),
                            digest.to_ascii_lowercase(),
                            file.to_owned(),
                        )),
                        None => self.say(
                            "E057",
                            format!("its fixity block names {file}, which is not in the manifest"),
                        ),
                    }
                }
            }
        }
    }
}

/// Digits of a digest the OCFL allows in a fixity block (section 3.5.4 and extension 0001).
fn fixity_digits(algorithm: &str) -> Option<usize> {
    Some(match algorithm {
        "md5" => 32,
        "sha1" => 40,
        "sha256" | "sha512/256" | "blake2b-256" => 64,
        "sha512" | "blake2b-512" => 128,
        "blake2b-160" => 40,
        "blake2b-384" => 96,
        _ => return None,
    })
}

fn is_folder_too(path: &str, paths: &BTreeSet<String>) -> bool {
    let prefix = format!("{path}/");
    paths
        .range(prefix.clone()..)
        .next()
        .is_some_and(|next| next.starts_with(&prefix))
}

/// Whether an older inventory tells of its versions the same as the root's (E066).
pub(super) fn check_prior(root: &Value, prior: &Value, versions: u32) -> Vec<Broken> {
    let mut broken = Vec::new();
    for number in 1..=versions {
        let name = format!("v{number}");
        match (state_map(root, &name), state_map(prior, &name)) {
            (Some(a), Some(b)) if a == b => {}
            _ => broken.push((
                "E066",
                format!("it tells of {name} otherwise than the inventory of the job"),
            )),
        }
    }
    broken
}

fn state_map(inventory: &Value, version: &str) -> Option<BTreeMap<String, String>> {
    let state = inventory.get("versions")?.get(version)?.get("state")?;
    let mut map = BTreeMap::new();
    for (digest, files) in state.as_object()? {
        for file in files.as_array()? {
            map.insert(file.as_str()?.to_owned(), digest.to_ascii_lowercase());
        }
    }
    Some(map)
}
