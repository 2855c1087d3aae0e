//! The readings a job holds, told by their files: what may be compared with what, and when each came in.

use std::collections::{BTreeMap, BTreeSet};

use super::gather::Incoming;
use super::job::Role;
use super::store::FileAt;

/// A reading of a job: the files of chips in one folder of a part.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ReadingAt {
    /// Its part.
    pub role: Role,
    /// Its folder within the job: "read-back", or "read-back/week-two".
    pub place: String,
    /// Names and digests of its files, never none.
    pub files: BTreeSet<(String, String)>,
    /// The version with which the last of them came in.
    pub since: u32,
}

/// What is no chip's: the documents beside a reading, which tell nothing of what the memory held.
fn is_document(path: &str) -> bool {
    path.to_ascii_lowercase().ends_with(".json")
}

/// The readings among the files of a version, in the order of their places. A folder in which only documents lie is none.
pub fn readings(files: &[FileAt]) -> Vec<ReadingAt> {
    let mut found: BTreeMap<&str, ReadingAt> = BTreeMap::new();
    for file in files {
        let (Some(role), Some((place, name))) = (file.role, file.path.rsplit_once('/')) else {
            continue;
        };
        if !role.is_reading() || is_document(name) {
            continue;
        }
        let reading = found.entry(place).or_insert_with(|| ReadingAt {
            role,
            place: place.to_owned(),
            files: BTreeSet::new(),
            since: 0,
        });
        reading.files.insert((name.to_owned(), file.digest.clone()));
        reading.since = reading.since.max(file.since);
    }
    found.into_values().collect()
}

/// The places of the readings among files on their way into a job.
pub fn places_of(files: &[Incoming]) -> BTreeSet<String> {
    let chips = files.iter().filter(|file| !is_document(&file.stored));
    let folders = chips.filter_map(|file| file.stored.rsplit_once('/'));
    folders
        .filter(|(place, _)| Role::of_path(&format!("{place}/")).is_some_and(Role::is_reading))
        .map(|(place, _)| place.to_owned())
        .collect()
}
