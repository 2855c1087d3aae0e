//! A bag from outside, verified to the last byte.
//!
//! It is held to RFC 8493 strictly: a line that cannot be read is an error, every payload file must be in every
//! manifest, and nothing may be left to fetch from elsewhere.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use super::disk::{self, Algorithm};
use super::error::Result;
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
    pub(super) payload: BTreeMap<String, std::path::PathBuf>,
    /// SHA-256 of the payload manifest.
    pub(super) manifest_sha256: String,
    /// The bag's own name for itself, from bag-info.txt.
    pub(super) identifier: Option<String>,
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
