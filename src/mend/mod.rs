//! Mending: values proposed for what is damaged, each with its evidence and a calibrated probability.
//!
//! A proposal is the outcome of Bayes' rule over the codes a field may hold. The prior is the field's own habit in
//! the sound part of the bank; the surviving bits, an earlier reading, sibling voices, a mirrored copy, other reads
//! and donor banks each multiply in what they say, with a reliability measured on the part of the bank where the
//! truth is known; a check that must hold rules out the rest. Nothing is applied that was not accepted.

mod apply;
mod checked;
mod damage;
mod dialled;
mod entered;
mod follow;
mod gather;
mod reconsider;
mod rest;
mod rivals;
mod sources;
mod voices;
mod weigh;
mod witness;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::blame::{Blame, Who};
use crate::codec::CodecError;
use crate::document::Document;
use crate::reading::{ChipDigest, Reading};

pub use apply::{MendRecord, Mended, apply};
pub use gather::propose;

/// A stretch of cells in words: "cell 0x0031", "cells 0x0031 to 0x0040".
fn cells(first: u32, last: u32) -> String {
    match first == last {
        true => format!("cell {first:#06x}"),
        false => format!("cells {first:#06x} to {last:#06x}"),
    }
}

/// Why a plan could not be made or applied.
#[derive(Debug, thiserror::Error)]
pub enum MendError {
    /// A reading does not fit the layout.
    #[error(transparent)]
    Layout(#[from] CodecError),
    /// Another bank does not match the reading.
    #[error("{name} does not match: {says}")]
    Other {
        /// The other reading's name.
        name: String,
        /// What is wrong.
        says: String,
    },
    /// Another reading is the reading itself once more.
    #[error("{name} holds exactly what the reading holds: given twice, it proves nothing")]
    Same {
        /// The other reading's name.
        name: String,
    },
    /// The plan is no plan.
    #[error("the plan cannot be read: {0}")]
    NotAPlan(String),
    /// The plan was made for another reading.
    #[error("the plan was made for other contents: chip {chip} differs")]
    OtherReading {
        /// The chip.
        chip: String,
    },
    /// The plan does not say for which contents of a chip it was made.
    #[error(
        "the plan does not say for which contents of chip {chip} it was made: its [[chips]] part is gone"
    )]
    NoDigest {
        /// The chip.
        chip: String,
    },
    /// The plan was made with another layout.
    #[error("the plan was made with {}, and {used} is used", match .named == .used {
        true => "another state of the layout".to_owned(),
        false => format!("the layout {named}"),
    })]
    OtherLayout {
        /// The layout's id in the plan.
        named: String,
        /// The layout at hand.
        used: String,
    },
    /// Proposals were accepted, but not the reordering they take as done.
    #[error("the proposals take the contents as put back in order, which was not accepted")]
    OutOfOrder,
    /// A proposal names what the layout does not have or what is not damaged, a code it cannot hold, or no chance.
    #[error("proposal {number} ({place}): {says}")]
    Proposal {
        /// Its number in the plan, from 1.
        number: usize,
        /// What it is about.
        place: String,
        /// What is wrong.
        says: String,
    },
}

impl Blame for MendError {
    fn who(&self) -> Who {
        match self {
            MendError::NotAPlan(_)
            | MendError::NoDigest { .. }
            | MendError::OutOfOrder
            | MendError::Proposal { .. } => Who::File,
            _ => Who::Caller,
        }
    }

    fn hint(&self) -> Option<String> {
        Some(
            match self {
                MendError::Layout(e) => return e.hint(),
                MendError::Other { .. } => "give a reading of the same layout",
                MendError::Same { .. } => {
                    "leave it out: damage in the memory is the same in every read; an earlier reading or another bank may know more"
                }
                MendError::NotAPlan(_) => {
                    "give the file that `cellkeep mend -o` wrote; where it was edited, correct the line that is named (true, false and numbers stand without quotes, words within them)"
                }
                MendError::NoDigest { .. } => {
                    "put it back: without it nothing shows that the plan belongs to this reading"
                }
                MendError::OtherLayout { .. } => {
                    "give the layout it was made with, or make a new plan with `cellkeep mend`"
                }
                MendError::OtherReading { .. } => {
                    "make a new plan for this reading with `cellkeep mend`"
                }
                MendError::OutOfOrder => "set accept = true under [reorder], or accept no proposal",
                MendError::Proposal { .. } => "correct it in the plan, or set accept = false",
            }
            .to_owned(),
        )
    }
}

/// Other readings that may know what was lost, each with its name.
#[derive(Clone, Debug, Default)]
pub struct Sources {
    /// An earlier reading of the same instrument.
    pub earlier: Option<(String, Reading)>,
    /// Other reads of the same chips.
    pub reads: Vec<(String, Reading)>,
    /// Banks of other instruments of the kind, such as a factory set.
    pub alike: Vec<(String, Reading)>,
}

/// A value proposed for one parameter.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Proposal {
    /// Whether to apply it: for the person who reads the plan to decide.
    pub accept: bool,
    /// The area.
    pub area: String,
    /// The entry as labelled.
    pub entry: String,
    /// The parameter's key.
    pub parameter: String,
    /// For a text, which character, counted from 1.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub character: Option<usize>,
    /// What is read now; lost bits show as `?`.
    #[serde(default)]
    pub now: String,
    /// The code to set: the one proposed, or another entered by hand.
    pub code: u64,
    /// The code proposed. Leave it: by it a code entered by hand is known.
    pub proposed: u64,
    /// The setting that the proposed code stands for; only to read by.
    #[serde(default)]
    pub setting: String,
    /// Chance that it is right, 0 to 1.
    #[serde(default)]
    pub probability: f64,
    /// What speaks for it.
    #[serde(default)]
    pub evidence: Vec<String>,
}

/// Contents proposed for damaged bits that belong to no parameter.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct BitsProposal {
    /// Whether to apply it: for the person who reads the plan to decide.
    pub accept: bool,
    /// Whose bits they are, in words.
    pub what: String,
    /// The chip.
    pub chip: String,
    /// The first cell.
    pub first: u32,
    /// The last cell.
    pub last: u32,
    /// The data lines concerned, 0 is D0.
    pub lines: Vec<u8>,
    /// What is read on these lines now, two hexadecimal digits a cell; `??` where it was not read.
    pub now: String,
    /// What to set on them: what is proposed, or something else entered by hand.
    pub value: String,
    /// What is proposed. Leave it: by it a value entered by hand is known.
    pub proposed: String,
    /// Chance that a cell of it is right, 0 to 1.
    pub probability: f64,
    /// What speaks for it.
    pub evidence: Vec<String>,
}

/// Damaged bits of a chip.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Damage {
    /// The chip.
    pub chip: String,
    /// The first cell.
    pub first: u32,
    /// The last cell.
    pub last: u32,
    /// The data lines concerned, 0 is D0.
    pub lines: Vec<u8>,
}

/// What cannot be mended.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Loss {
    /// The area.
    pub area: String,
    /// The entry as labelled.
    pub entry: String,
    /// The parameter's key, or what else it is: a check, reserved bits.
    pub parameter: String,
    /// What was lost, in words.
    pub lost: String,
}

/// Causes that only put contents in another order, to be undone as a whole.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Reorder {
    /// Whether to put the contents back in order first. The proposals take it as done.
    pub accept: bool,
    /// What is out of order.
    pub says: Vec<String>,
}

/// A plan for mending a reading, to be read and edited before it is applied.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct MendPlan {
    /// The reading it is for, as named.
    pub reading: String,
    /// The layout's id.
    pub layout: String,
    /// SHA-256 of the layout's text, lower-case hex.
    pub layout_sha256: String,
    /// The earlier reading, as named.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub earlier: Option<String>,
    /// Findings of a contact, a line or an address that advise to read again before anything is mended.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub read_again: Vec<String>,
    /// The chips it is for.
    pub chips: Vec<ChipDigest>,
    /// What is out of order, if anything.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reorder: Option<Reorder>,
    /// Checks that are brought in line once everything they cover is mended.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub follows: Vec<String>,
    /// Values proposed, the surest first. Where there are none nothing is written, so that one can be added by hand.
    #[serde(default, rename = "proposal", skip_serializing_if = "Vec::is_empty")]
    pub proposals: Vec<Proposal>,
    /// Bits proposed that belong to no parameter, the surest first.
    #[serde(default)]
    pub bits: Vec<BitsProposal>,
    /// What is lost.
    #[serde(default, rename = "loss")]
    pub losses: Vec<Loss>,
    /// Every bit that is damaged, so that a check over what stays damaged is left alone.
    #[serde(default)]
    pub damage: Vec<Damage>,
}

impl Document for MendPlan {
    const KIND: &'static str = "mend-plan";
    const VERSION: u32 = 1;
}

/// The plan as a file a person edits. `command` is what applies it, for its head.
///
/// # Errors
/// When a value cannot be written as TOML, such as a code above 2^63 - 1.
pub fn to_text(plan: &MendPlan, command: &str) -> Result<String, MendError> {
    let body = toml::to_string(plan).map_err(|e| MendError::NotAPlan(e.to_string()))?;
    // A comment ends with its line.
    let command = command.replace(char::is_control, " ");
    let first = match plan.read_again.is_empty() {
        true => "",
        false => {
            "\
# READ AGAIN FIRST, as the findings under read_again advise: what a bad contact hid is most likely in the chip still, and a
# fresh read beats any mending.
#
"
        }
    };
    Ok(format!(
        "\
{first}# A plan for mending a reading. Nothing here is done until it is applied.
#
# Read each proposal; set accept = true where you agree, and change the code where you know better: it is then recorded as
# entered by hand. A proposal with probability 0.95 is expected to be wrong once in twenty. Where only a check fails, any value
# under it may be the damaged one and nothing may be proposed: if you know the right one, add a [[proposal]] with accept = true,
# area, entry, parameter, code, and as proposed the code it reads now. Leave the rest as it is. Then run:
#
#   {command}

{body}"
    ))
}

/// Reads a plan file.
///
/// # Errors
/// When it is not TOML of this shape; the message says where.
pub fn from_text(text: &str) -> Result<MendPlan, MendError> {
    let wrong = |e: toml::de::Error| MendError::NotAPlan(crate::document::in_words(&e.to_string()));
    toml::from_str(text).map_err(wrong)
}
