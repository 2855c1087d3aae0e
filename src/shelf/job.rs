//! The record of a job: what `job.json` holds beside the files.

use std::collections::BTreeMap;

use jiff::Timestamp;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::error::{Result, ShelfError};
use super::names::can_be_given;
use crate::document::{Document, Headed, to_json};

/// The record's path within a job.
pub const RECORD: &str = "job.json";

/// What a file is to the job; each role is a folder of the job.
#[derive(
    Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "kebab-case")]
pub enum Role {
    /// A reading as the instrument came in.
    AsFound,
    /// A reading after the battery was changed.
    AfterSwap,
    /// One reading made out of several.
    Settled,
    /// A reading with mended values.
    Mended,
    /// What was written into the chips.
    AsWritten,
    /// What was read back from the chips afterwards.
    ReadBack,
    /// A reading of another instrument, to compare with or to copy from.
    Donor,
    /// A bank: the reading decoded.
    Bank,
    /// The layout the readings were decoded with.
    Layout,
    /// Findings and reports of an examination.
    Findings,
    /// The positions of controls that memory does not hold.
    HandSet,
    /// The plan of the backup supply.
    Standby,
    /// Sheets for dialling and comparing.
    Sheet,
    /// A report to the customer.
    Report,
    /// Photographs and recordings.
    Photograph,
    /// Any other paper of the job.
    Paper,
    /// The shop's own papers: never handed over.
    Private,
}

impl Role {
    /// Every role, in the order of a job.
    pub const ALL: [Role; 17] = [
        Role::AsFound,
        Role::AfterSwap,
        Role::Settled,
        Role::Mended,
        Role::AsWritten,
        Role::ReadBack,
        Role::Donor,
        Role::Bank,
        Role::Layout,
        Role::Findings,
        Role::HandSet,
        Role::Standby,
        Role::Sheet,
        Role::Report,
        Role::Photograph,
        Role::Paper,
        Role::Private,
    ];

    /// The role's word, which is also its folder.
    pub fn word(self) -> &'static str {
        match self {
            Role::AsFound => "as-found",
            Role::AfterSwap => "after-swap",
            Role::Settled => "settled",
            Role::Mended => "mended",
            Role::AsWritten => "as-written",
            Role::ReadBack => "read-back",
            Role::Donor => "donor",
            Role::Bank => "bank",
            Role::Layout => "layout",
            Role::Findings => "findings",
            Role::HandSet => "hand-set",
            Role::Standby => "standby",
            Role::Sheet => "sheet",
            Role::Report => "report",
            Role::Photograph => "photograph",
            Role::Paper => "paper",
            Role::Private => "private",
        }
    }

    /// What the role is for, in a few words.
    pub fn says(self) -> &'static str {
        match self {
            Role::AsFound => "a reading as the instrument came in",
            Role::AfterSwap => "a reading after the battery was changed",
            Role::Settled => "one reading made out of several",
            Role::Mended => "a reading with mended values",
            Role::AsWritten => "what was written into the chips",
            Role::ReadBack => "what was read back afterwards",
            Role::Donor => "a reading of another instrument",
            Role::Bank => "a reading decoded",
            Role::Layout => "the layout the readings are decoded with",
            Role::Findings => "findings of an examination",
            Role::HandSet => "positions of controls memory does not hold",
            Role::Standby => "the plan of the backup supply",
            Role::Sheet => "sheets for dialling and comparing",
            Role::Report => "a report to the customer",
            Role::Photograph => "photographs and recordings",
            Role::Paper => "any other paper of the job",
            Role::Private => "the shop's own papers, never handed over",
        }
    }

    /// Whether files of this role are chips of a reading.
    pub fn is_reading(self) -> bool {
        matches!(
            self,
            Role::AsFound
                | Role::AfterSwap
                | Role::Settled
                | Role::Mended
                | Role::AsWritten
                | Role::ReadBack
                | Role::Donor
        )
    }

    /// The role of that word.
    pub fn from_word(word: &str) -> Option<Role> {
        Role::ALL.into_iter().find(|r| r.word() == word)
    }

    /// The role a stored path belongs to, by its first folder.
    pub fn of_path(path: &str) -> Option<Role> {
        let (first, _) = path.split_once('/')?;
        Role::from_word(first)
    }
}

/// A remark about the job.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Note {
    /// When, in RFC 3339.
    pub at: String,
    /// Who.
    pub by: String,
    /// What.
    pub says: String,
    /// Whether the customer gets it with the hand-over.
    #[serde(default)]
    pub for_customer: bool,
}

/// How a job was closed.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Closing {
    /// When, in RFC 3339.
    pub at: String,
    /// Who.
    pub by: String,
    /// How it ended.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub says: Option<String>,
}

/// Where a job that was taken in came from.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Origin {
    /// The name of the bag.
    pub bag: String,
    /// SHA-256 of the bag's payload manifest.
    pub manifest_sha256: String,
    /// When it was taken in, in RFC 3339.
    pub at: String,
}

/// The record of one visit of one instrument.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Job {
    /// The job's name, which is also its folder's.
    pub job: String,
    /// The instrument, as the trade calls it.
    pub instrument: String,
    /// The layout's id.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub layout: Option<String>,
    /// The instrument's serial number, which links its visits.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub serial: Option<String>,
    /// The customer's reference in the shop's own book; never a name.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub customer: Option<String>,
    /// What the customer complains of.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub complaint: Option<String>,
    /// When the job was opened, in RFC 3339.
    pub opened: String,
    /// How it was closed; absent while it is open.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub closed: Option<Closing>,
    /// Remarks in the order they were made.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub notes: Vec<Note>,
    /// The own names of files whose stored name differs, by stored path.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub own_names: BTreeMap<String, String>,
    /// Where the job came from, if it was taken in from a bag.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub taken_in: Option<Origin>,
}

impl Document for Job {
    const KIND: &'static str = "job";
    const VERSION: u32 = 1;
}

impl Job {
    /// The record as it is stored.
    pub(super) fn to_bytes(&self) -> Result<Vec<u8>> {
        to_json(self)
            .map(String::into_bytes)
            .map_err(|source| ShelfError::Json {
                what: RECORD.to_owned(),
                source,
            })
    }

    /// Reads a stored record.
    ///
    /// # Errors
    /// When it is not a job's record or is of a later version than this program knows.
    pub(super) fn from_bytes(bytes: &[u8], what: &str) -> Result<Job> {
        #[derive(Deserialize)]
        struct Head {
            kind: String,
            version: u32,
        }
        let json = |source| ShelfError::Json {
            what: what.to_owned(),
            source,
        };
        let head: Head = serde_json::from_slice(bytes).map_err(json)?;
        if head.kind == Job::KIND && head.version > Job::VERSION {
            return Err(ShelfError::Newer {
                what: what.to_owned(),
                found: head.version.to_string(),
                known: Job::VERSION,
            });
        }
        let headed: Headed<Job> = serde_json::from_slice(bytes).map_err(json)?;
        Ok(headed.body)
    }

    /// The name a stored file is given back under: its own where that is harmless on any system.
    pub fn given_name<'a>(&'a self, stored: &'a str) -> &'a str {
        match self.own_names.get(stored) {
            Some(own) if Role::of_path(own) == Role::of_path(stored) && can_be_given(own) => own,
            _ => stored,
        }
    }

    /// The record without what is the shop's own: its private notes and its private papers' names.
    #[must_use]
    pub fn sealed(&self) -> Job {
        let mut sealed = self.clone();
        sealed.notes.retain(|note| note.for_customer);
        sealed
            .own_names
            .retain(|path, _| Role::of_path(path) != Some(Role::Private));
        sealed
    }
}

/// Who does something to a job, when, and what in a few words; it becomes the version's message.
#[derive(Clone, Debug)]
pub struct Act {
    /// Who.
    pub by: String,
    /// When.
    pub at: Timestamp,
}

impl Act {
    /// The time in RFC 3339, to the second.
    pub fn stamp(&self) -> String {
        stamp(self.at)
    }
}

/// A time in RFC 3339, to the second, in UTC.
pub(super) fn stamp(at: Timestamp) -> String {
    Timestamp::from_second(at.as_second())
        .unwrap_or(at)
        .to_string()
}

/// What is asked for when a job is opened.
#[derive(Clone, Debug, Default)]
pub struct NewJob {
    /// The job's name; made from date, instrument and serial number where absent.
    pub name: Option<String>,
    /// The instrument.
    pub instrument: String,
    /// The layout's id.
    pub layout: Option<String>,
    /// The serial number.
    pub serial: Option<String>,
    /// The customer's reference.
    pub customer: Option<String>,
    /// The complaint.
    pub complaint: Option<String>,
}

/// Checks that a customer is given by a reference and not by a name.
///
/// # Errors
/// [`ShelfError::BadField`] when it has no digit or has spaces.
pub(super) fn check_customer(reference: &str) -> Result<()> {
    let plain = reference
        .chars()
        .all(|c| c.is_ascii_alphanumeric() || matches!(c, '-' | '/' | '.' | '#'));
    if plain && reference.chars().any(|c| c.is_ascii_digit()) {
        return Ok(());
    }
    Err(ShelfError::BadField {
        field: "the customer",
        value: reference.to_owned(),
        why: "it takes a reference of the shop's own book, such as C-0412, so that no name is on the shelf",
    })
}
