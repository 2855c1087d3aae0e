//! Hand-over: a job as one zip file for the customer, a BagIt 1.0 bag (RFC 8493) without the shop's private papers.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::fs::File;
use std::io::Write;
use std::path::Path;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use zip::write::SimpleFileOptions;

use super::bagged::{Limits, read_bag};
use super::disk::{self, sha256};
use super::error::Result;
use super::job::{Act, Job, RECORD, Role};
use super::root::Shelf;
use crate::bank::{Bank, listing};
use crate::document::Document;
use crate::reading::place::{check_file_place, write_file_proved};

/// The plain page's name in a bag.
pub const PLAIN_PAGE: &str = "READ-ME.txt";

/// A job that was handed over.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct HandOver {
    /// The job.
    pub job: String,
    /// The version handed over.
    #[serde(rename = "job_version")]
    pub version: u32,
    /// The zip file.
    pub zip: String,
    /// SHA-256 of the zip file.
    pub sha256: String,
    /// Files in the bag's payload.
    pub files: Vec<String>,
    /// Bytes of the payload.
    pub bytes: u64,
    /// Files of the job that were left out, being the shop's own.
    pub left_out: Vec<String>,
    /// Private notes that were left out.
    pub notes_left_out: usize,
    /// What a customer would miss: parts of the job nothing was put in for.
    pub not_there: Vec<String>,
}

impl Document for HandOver {
    const KIND: &'static str = "hand-over";
    const VERSION: u32 = 1;
}

impl Shelf {
    /// Writes a version of a job as a bag in a zip file, which is read back and verified before it gets its name.
    ///
    /// # Errors
    /// When a file of the job is damaged, the place is taken and `replace` is not given, or the disk refuses.
    pub fn hand_over(
        &self,
        id: &str,
        version: Option<u32>,
        target: &Path,
        replace: bool,
        act: &Act,
    ) -> Result<HandOver> {
        check_file_place(target, replace)?;
        let stored = self.stored(id)?;
        let version = stored.version_or_head(version)?;
        let record = stored.record(version)?;
        let sealed = record.sealed();
        let mut payload: BTreeMap<String, Vec<u8>> = BTreeMap::new();
        let mut left_out = Vec::new();
        let mut roles = Vec::new();
        for file in stored.files(version)? {
            match file.role {
                Some(Role::Private) => left_out.push(file.path),
                Some(role) => {
                    roles.push(role);
                    let bytes = stored.bytes_of(&file.digest, &file.path)?;
                    if let Some(text) = listing_of(&file.path, &bytes) {
                        payload.insert(
                            format!("data/{}.txt", file.path.trim_end_matches(".json")),
                            text,
                        );
                    }
                    let mut name = format!("data/{}", record.given_name(&file.path));
                    if payload.contains_key(&name) {
                        name = format!("data/{}", file.path);
                    }
                    payload.insert(name, bytes);
                }
                None if file.path == RECORD => {}
                None => left_out.push(file.path),
            }
        }
        payload.insert(format!("data/{RECORD}"), sealed.to_bytes()?);
        let bytes = payload.values().map(|b| b.len() as u64).sum();
        let tags = tag_files(&sealed, version, &payload, act);
        let sha256 = write_zip(target, id, &payload, &tags, replace)?;
        let wanted = [Role::Layout, Role::Bank, Role::Sheet, Role::Report];
        Ok(HandOver {
            job: id.to_owned(),
            version,
            zip: target.display().to_string(),
            sha256,
            files: payload.into_keys().collect(),
            bytes,
            left_out,
            notes_left_out: record.notes.len() - sealed.notes.len(),
            not_there: wanted
                .into_iter()
                .filter(|role| !roles.contains(role))
                .map(|role| role.word().to_owned())
                .collect(),
        })
    }
}

/// A bank as a listing a person can read, where the file is one.
fn listing_of(path: &str, bytes: &[u8]) -> Option<Vec<u8>> {
    if Role::of_path(path) != Some(Role::Bank) || !path.ends_with(".json") {
        return None;
    }
    let bank: Bank = serde_json::from_slice(bytes).ok()?;
    (bank.kind.as_deref() == Some(Bank::KIND)).then(|| listing(&bank).into_bytes())
}

/// The bag's tag files, by name.
fn tag_files(
    record: &Job,
    version: u32,
    payload: &BTreeMap<String, Vec<u8>>,
    act: &Act,
) -> BTreeMap<String, String> {
    let mut tags = BTreeMap::new();
    let mut manifest = String::new();
    let mut oxum = 0;
    for (path, bytes) in payload {
        // RFC 8493, section 2.1.3: of CR, LF and %, which are encoded, only % can be in a name.
        let _ = writeln!(manifest, "{}  {}", sha256(bytes), path.replace('%', "%25"));
        oxum += bytes.len();
    }
    tags.insert(
        "bagit.txt".to_owned(),
        "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n".to_owned(),
    );
    tags.insert("manifest-sha256.txt".to_owned(), manifest);
    tags.insert(
        "bag-info.txt".to_owned(),
        format!(
            "Bagging-Date: {}\nExternal-Identifier: {}\nExternal-Description: Patch memory of one {}, version {version} of the job\nPayload-Oxum: {oxum}.{}\nBag-Software-Agent: cellkeep {}\n",
            act.stamp().get(..10).unwrap_or_default(),
            record.job,
            one_line(&record.instrument),
            payload.len(),
            env!("CARGO_PKG_VERSION"),
        ),
    );
    tags.insert(PLAIN_PAGE.to_owned(), plain_page(record, version, payload));
    let mut tagmanifest = String::new();
    for (name, text) in &tags {
        let _ = writeln!(tagmanifest, "{}  {name}", sha256(text.as_bytes()));
    }
    tags.insert("tagmanifest-sha256.txt".to_owned(), tagmanifest);
    tags
}

fn one_line(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// The page a customer reads first.
fn plain_page(record: &Job, version: u32, payload: &BTreeMap<String, Vec<u8>>) -> String {
    let mut page = String::new();
    let _ = writeln!(
        page,
        "THE SOUNDS OF YOUR {}",
        one_line(&record.instrument).to_uppercase()
    );
    let serial = record.serial.as_deref().unwrap_or("not noted");
    let _ = writeln!(
        page,
        "\nInstrument  {}\nSerial      {serial}\nJob         {}, version {version}\nOpened      {}",
        one_line(&record.instrument),
        record.job,
        record.opened
    );
    if let Some(complaint) = &record.complaint {
        let _ = writeln!(page, "Complaint   {}", one_line(complaint));
    }
    page.push_str(
        "\nThis folder holds what the memory of the instrument held, and what was done about\n\
         it. Keep it: with it the sounds can be put back, even if the instrument loses them\n\
         again. No special program is needed to read it; a technician needs the chip files\n\
         and the layout, which says in plain text where each value lies in them.\n",
    );
    let _ = writeln!(page, "\nWHAT IS IN IT\n");
    for role in Role::ALL {
        let count = payload
            .keys()
            .filter(|path| path.strip_prefix("data/").and_then(Role::of_path) == Some(role))
            .count();
        if count > 0 {
            let files = if count == 1 { "file" } else { "files" };
            let _ = writeln!(
                page,
                "  data/{:<12} {count:>3} {files:<6} {}",
                role.word(),
                role.says()
            );
        }
    }
    let _ = writeln!(page, "  data/{RECORD:<12}            the record of the job");
    if !record.notes.is_empty() {
        let _ = writeln!(page, "\nNOTES\n");
        for note in &record.notes {
            let day = note.at.get(..10).unwrap_or(&note.at);
            let _ = writeln!(page, "  {day}  {}", one_line(&note.says));
        }
    }
    if let Some(closed) = &record.closed {
        let says = closed.says.as_deref().map(one_line).unwrap_or_default();
        let _ = writeln!(
            page,
            "\nClosed {}  {says}",
            closed.at.get(..10).unwrap_or(&closed.at)
        );
    }
    page.push_str(
        "\nHOW TO CHECK THAT IT IS WHOLE\n\n\
         In this folder, the one with manifest-sha256.txt, run\n\n\
         \x20 sha256sum -c manifest-sha256.txt            Linux, and Windows with a Unix shell\n\
         \x20 shasum -a 256 -c manifest-sha256.txt        macOS\n\n\
         Every line must end in OK. On Windows without either, compare one file at a time\n\
         with its line in manifest-sha256.txt:\n\n\
         \x20 certutil -hashfile data\\job.json SHA256\n\n\
         The folder is a \"bag\" as RFC 8493 (BagIt 1.0) describes it; any program for bags\n\
         checks it too.\n",
    );
    page
}

fn write_zip(
    target: &Path,
    top: &str,
    payload: &BTreeMap<String, Vec<u8>>,
    tags: &BTreeMap<String, String>,
    replace: bool,
) -> Result<String> {
    write_file_proved(
        target,
        replace,
        |out| fill_zip(out, top, payload, tags).map_err(Into::into),
        // What the customer gets is what was read back and found whole.
        |written| {
            read_bag(written, &Limits::own())?;
            Ok(disk::digest_file(written, disk::Algorithm::Sha256)?.0)
        },
    )
}

fn fill_zip(
    file: &mut File,
    top: &str,
    payload: &BTreeMap<String, Vec<u8>>,
    tags: &BTreeMap<String, String>,
) -> zip::result::ZipResult<()> {
    let mut zip = zip::ZipWriter::new(file);
    // One fixed time: the same job gives the same zip file.
    let options = SimpleFileOptions::default()
        .unix_permissions(0o644)
        .last_modified_time(zip::DateTime::default());
    let all = tags
        .iter()
        .map(|(name, text)| (name, text.as_bytes()))
        .chain(payload.iter().map(|(name, bytes)| (name, bytes.as_slice())));
    for (name, bytes) in all {
        zip.start_file(format!("{top}/{name}"), options)?;
        zip.write_all(bytes)?;
    }
    zip.finish()?;
    Ok(())
}
