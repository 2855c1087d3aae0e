//! The inventory of an OCFL 1.1 object: which content each version of a job holds.
//!
//! Source: Oxford Common File Layout Specification 1.1, section 3.5 "Inventory".

use std::collections::{BTreeMap, BTreeSet};

use serde::{Deserialize, Serialize};

use super::disk::{Algorithm, sha256};
use super::error::{Result, ShelfError};
use crate::reading::shelf_place;

/// The value of an inventory's `type` (OCFL 1.1, section 3.5.1).
pub(super) const TYPE: &str = "https://ocfl.io/1.1/spec/#inventory";
/// An object's declaration: file name and content (section 3.2).
pub(super) const OBJECT_MARK: (&str, &str) = ("0=ocfl_object_1.1", "ocfl_object_1.1\n");
/// A storage root's declaration (section 4.1).
pub(super) const ROOT_MARK: (&str, &str) = (shelf_place::ROOT_MARK, "ocfl_1.1\n");
/// An inventory's file name.
pub(super) const FILE: &str = "inventory.json";
/// The name of the file with the digest of an inventory of ours.
pub(super) const SIDECAR: &str = "inventory.json.sha256";

/// Who made a version.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct User {
    pub(super) name: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(super) address: Option<String>,
}

/// One version of an object.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct Version {
    pub(super) created: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(super) message: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(super) user: Option<User>,
    pub(super) state: BTreeMap<String, Vec<String>>,
}

/// An inventory.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub(super) struct Inventory {
    pub(super) id: String,
    #[serde(rename = "type")]
    pub(super) spec: String,
    pub(super) digest_algorithm: String,
    pub(super) head: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(super) content_directory: Option<String>,
    pub(super) manifest: BTreeMap<String, Vec<String>>,
    pub(super) versions: BTreeMap<String, Version>,
}

impl Inventory {
    /// An inventory with no version yet.
    pub(super) fn new(id: &str) -> Self {
        Self {
            id: id.to_owned(),
            spec: TYPE.to_owned(),
            digest_algorithm: "sha256".to_owned(),
            head: "v0".to_owned(),
            content_directory: None,
            manifest: BTreeMap::new(),
            versions: BTreeMap::new(),
        }
    }

    /// Reads an inventory.
    pub(super) fn from_bytes(bytes: &[u8], job: &str) -> Result<Self> {
        serde_json::from_slice(bytes).map_err(|source| ShelfError::Json {
            what: format!("{job}/{FILE}"),
            source,
        })
    }

    /// The inventory as it is stored, and the text of its sidecar, which `sha256sum -c` understands.
    pub(super) fn to_bytes(&self) -> Result<(Vec<u8>, String)> {
        let mut bytes = serde_json::to_vec_pretty(self).map_err(|source| ShelfError::Json {
            what: FILE.to_owned(),
            source,
        })?;
        bytes.push(b'\n');
        let sidecar = sidecar_text(&bytes);
        Ok((bytes, sidecar))
    }

    /// The number of the latest version; 0 when the name is not `v` and a number.
    pub(super) fn head_number(&self) -> u32 {
        number_of(&self.head).unwrap_or(0)
    }

    /// A version by its number.
    pub(super) fn version(&self, number: u32) -> Option<&Version> {
        self.versions.get(&format!("v{number}"))
    }

    /// A version's files: logical path to digest.
    pub(super) fn state(&self, number: u32) -> Option<BTreeMap<&str, &str>> {
        let version = self.version(number)?;
        let mut files = BTreeMap::new();
        for (digest, paths) in &version.state {
            for path in paths {
                files.insert(path.as_str(), digest.as_str());
            }
        }
        Some(files)
    }

    /// Where the content of a digest lies, within the object.
    pub(super) fn content(&self, digest: &str) -> Option<&str> {
        self.manifest.get(digest)?.first().map(String::as_str)
    }

    /// Every content path with its digest.
    pub(super) fn contents(&self) -> BTreeMap<&str, &str> {
        let mut contents = BTreeMap::new();
        for (digest, paths) in &self.manifest {
            for path in paths {
                contents.insert(path.as_str(), digest.as_str());
            }
        }
        contents
    }

    /// The digest algorithm, where it is one OCFL allows.
    pub(super) fn algorithm(&self) -> Option<Algorithm> {
        Algorithm::from_name(&self.digest_algorithm)
    }

    /// The first version whose state has each logical path with its present digest: when it came in.
    pub(super) fn came_in(&self, path: &str, digest: &str, up_to: u32) -> u32 {
        let mut since = up_to;
        while since > 1 {
            let there = self
                .version(since - 1)
                .and_then(|v| v.state.get(digest))
                .is_some_and(|paths| paths.iter().any(|p| p == path));
            if !there {
                break;
            }
            since -= 1;
        }
        since
    }

    /// Adds a version whose state is given as logical path to digest.
    pub(super) fn add_version(
        &mut self,
        created: String,
        by: &str,
        message: String,
        state: &BTreeMap<String, String>,
    ) -> u32 {
        let mut by_digest: BTreeMap<String, BTreeSet<String>> = BTreeMap::new();
        for (path, digest) in state {
            by_digest
                .entry(digest.clone())
                .or_default()
                .insert(path.clone());
        }
        let number = self.head_number() + 1;
        self.head = format!("v{number}");
        self.versions.insert(
            self.head.clone(),
            Version {
                created,
                message: Some(message),
                user: Some(User {
                    name: by.to_owned(),
                    address: None,
                }),
                state: by_digest
                    .into_iter()
                    .map(|(digest, paths)| (digest, paths.into_iter().collect()))
                    .collect(),
            },
        );
        number
    }
}

/// The text of the sidecar of an inventory.
pub(super) fn sidecar_text(inventory: &[u8]) -> String {
    format!("{}  {FILE}\n", sha256(inventory))
}

/// The number of a version's name: `v12` is 12; padded or other names are none.
pub(super) fn number_of(name: &str) -> Option<u32> {
    let digits = name.strip_prefix('v')?;
    if digits.starts_with('0') || !digits.bytes().all(|b| b.is_ascii_digit()) {
        return None;
    }
    digits.parse().ok()
}
