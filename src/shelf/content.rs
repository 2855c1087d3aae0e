//! The content of an object, every file against its digest: the part of the check that reads everything.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use super::disk::{self, Algorithm, under};
use super::job::RECORD;
use super::object::Checked;
use super::parity::Covered;
use super::rules::Ruled;

/// Checks the content of the versions that have some: what is there against what the inventory rules, and every file
/// against its digests.
pub(super) fn content(
    folder: &Path,
    with_content: &[u32],
    ruled: &Ruled,
    covered: &BTreeMap<String, Covered>,
    checked: &mut Checked,
) {
    let Some(algorithm) = ruled.algorithm else {
        return;
    };
    let there = listed(folder, with_content, ruled, checked);
    let record = checked.inventory.as_ref().and_then(|inventory| {
        let state = inventory.state(inventory.head_number())?;
        inventory.content(state.get(RECORD)?).map(str::to_owned)
    });
    for (path, digest) in &ruled.contents {
        if !there.contains(path) {
            checked.say("file.missing", "E092", path, "a file is missing");
            checked.unsound.insert(path.clone());
            continue;
        }
        let place = under(folder, path);
        let read = if record.as_ref() == Some(path) {
            disk::read(&place).map(|bytes| {
                let (digest, length) = (algorithm.of(&bytes), bytes.len() as u64);
                checked.record = Some(bytes);
                (digest, length)
            })
        } else {
            disk::digest_file(&place, algorithm)
        };
        match read {
            Ok((found, length)) => {
                checked.files += 1;
                checked.bytes += length;
                if found != *digest {
                    let says = describe(&found, length, ruled, covered.get(path));
                    checked.say(says.0, "E092", path, says.1);
                    checked.unsound.insert(path.clone());
                }
                checked.digests.insert(path.clone(), found);
            }
            Err(e) => {
                checked.say(
                    "file.unreadable",
                    "E092",
                    path,
                    format!("a file cannot be read: {e}"),
                );
                checked.unsound.insert(path.clone());
            }
        }
    }
    fixity(folder, ruled, checked);
}

/// The files there are; says what does not belong among them.
fn listed(
    folder: &Path,
    with_content: &[u32],
    ruled: &Ruled,
    checked: &mut Checked,
) -> BTreeSet<String> {
    let mut there = BTreeSet::new();
    for number in with_content {
        let prefix = format!("v{number}/{}", ruled.content_directory);
        let place = under(folder, &prefix);
        match disk::walk(&place) {
            Ok(walk) => {
                there.extend(walk.files.into_iter().map(|f| format!("{prefix}/{f}")));
                for path in walk.empty_folders {
                    checked.say(
                        "folder.empty",
                        "E024",
                        &format!("{prefix}/{path}"),
                        "an empty folder",
                    );
                }
                for path in walk.others {
                    checked.say(
                        "file.extra",
                        "E023",
                        &format!("{prefix}/{path}"),
                        "a link or device among the content",
                    );
                }
            }
            Err(e) => checked.say("file.unreadable", None, &prefix, e.to_string()),
        }
    }
    for path in there.iter().filter(|p| !ruled.contents.contains_key(*p)) {
        checked.say(
            "file.extra",
            "E023",
            path,
            "a file the inventory does not know",
        );
    }
    there
}

/// Checks the further digests an inventory may hold, as far as this program knows their algorithms.
fn fixity(folder: &Path, ruled: &Ruled, checked: &mut Checked) {
    for (name, digest, path) in &ruled.fixity {
        let other = Algorithm::from_name(name);
        if let Some(other) = other
            && disk::digest_file(&under(folder, path), other)
                .is_ok_and(|(found, _)| found != *digest)
        {
            checked.say(
                "file.altered",
                "E093",
                path,
                format!("a file does not match its {name} digest"),
            );
        }
    }
}

/// What kind of damage a wrong digest is.
fn describe(
    found: &str,
    length: u64,
    ruled: &Ruled,
    covered: Option<&Covered>,
) -> (&'static str, String) {
    if let Some((other, _)) = ruled.contents.iter().find(|(_, d)| *d == found) {
        return (
            "file.exchanged",
            format!("a file holds the bytes of {other}"),
        );
    }
    match covered.map(|c| c.bytes) {
        Some(whole) if length < whole => (
            "file.truncated",
            format!("a file is cut off: {length} of {whole} bytes are left"),
        ),
        Some(whole) if length > whole => (
            "file.altered",
            format!("a file is {} bytes too long", length - whole),
        ),
        _ => (
            "file.altered",
            "a file does not match its digest".to_owned(),
        ),
    }
}
