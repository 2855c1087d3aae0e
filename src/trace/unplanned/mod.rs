//! Without a plan: what one bank shows by itself, what named changes show, what remembered settings single out.
//! All of it is hypotheses, and named so.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::document::Document;

mod changes;
mod entries;
mod facts;
mod structure;

pub use changes::{Change, ChangedCell, changes};
pub use entries::{LikelyCheck, LikelyField, fields};
pub use facts::{Fact, Facts, Remembered, remembered};
pub use structure::{AddressLine, ChipStructure, Period, structure};

/// What can be said without a plan.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Hypotheses {
    /// Structure of each chip.
    pub structure: Vec<ChipStructure>,
    /// What each further reading shows to have changed.
    pub changes: Vec<Change>,
    /// For each remembered control, the bits that fit.
    pub remembered: Vec<Remembered>,
}

impl Document for Hypotheses {
    const KIND: &'static str = "trace-hypotheses";
    const VERSION: u32 = 1;
}
