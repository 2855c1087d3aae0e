//! The documents the shelf's commands print.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::job::Job;
use super::query::{Hit, Listed};
use super::store::{FileAt, VersionAt};
use crate::document::Document;

/// The jobs on a shelf.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct JobList {
    /// The jobs, the latest opened first.
    pub jobs: Vec<Listed>,
}

impl Document for JobList {
    const KIND: &'static str = "job-list";
    const VERSION: u32 = 1;
}

/// The jobs that were found.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct FoundJobs {
    /// The jobs, the latest opened first.
    pub jobs: Vec<Hit>,
}

impl Document for FoundJobs {
    const KIND: &'static str = "found-jobs";
    const VERSION: u32 = 1;
}

/// One job with its files and history.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct JobShown {
    /// The folder it lies in.
    pub folder: String,
    /// The version shown.
    #[serde(rename = "job_version")]
    pub version: u32,
    /// Its record.
    pub record: Job,
    /// Its files.
    pub files: Vec<FileAt>,
    /// Every version of the job, the first one first.
    pub history: Vec<VersionAt>,
    /// Other visits of the same instrument.
    pub visits: Vec<Listed>,
}

impl Document for JobShown {
    const KIND: &'static str = "job-shown";
    const VERSION: u32 = 1;
}

/// A shelf that was set up.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct ShelfMade {
    /// Its folder.
    pub folder: String,
}

impl Document for ShelfMade {
    const KIND: &'static str = "shelf-made";
    const VERSION: u32 = 1;
}

/// Files taken out of a job, verified.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct TakenOut {
    /// The shelf reference they were taken by, with its version.
    pub from: String,
    /// The file or folder they were written to.
    pub to: String,
    /// The files.
    pub files: Vec<FileTaken>,
}

impl Document for TakenOut {
    const KIND: &'static str = "taken-out";
    const VERSION: u32 = 1;
}

/// A file taken out of a job.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct FileTaken {
    /// Its path as it is written, below the folder.
    pub path: String,
    /// Length in bytes.
    pub bytes: usize,
    /// SHA-256.
    pub sha256: String,
}

impl Document for super::commit::Done {
    const KIND: &'static str = "job-changed";
    const VERSION: u32 = 1;
}
