//! Which contents a document is about.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::Reading;

/// The contents of a chip that a document is about.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ChipDigest {
    /// The chip's id.
    pub chip: String,
    /// SHA-256 of its contents as [`crate::reading::ChipReading::sha256`] has it.
    pub sha256: String,
}

impl Reading {
    /// The digest of each chip, for a document about this reading.
    pub fn digests(&self) -> Vec<ChipDigest> {
        let one = |c: &super::ChipReading| ChipDigest {
            chip: c.id.clone(),
            sha256: c.sha256(),
        };
        self.chips.iter().map(one).collect()
    }

    /// The first chip that is not what a document with these digests is about; nothing where all are.
    pub fn differs_from(&self, said: &[ChipDigest]) -> Option<String> {
        let other = said.iter().find(|s| {
            let chip = self.chip(&s.chip);
            chip.is_none_or(|c| c.sha256() != s.sha256)
        });
        let is_said = |id: &str| said.iter().any(|s| s.chip.eq_ignore_ascii_case(id));
        let left_out = || self.chips.iter().find(|c| !is_said(&c.id));
        other
            .map(|s| s.chip.clone())
            .or_else(|| left_out().map(|c| c.id.clone()))
    }
}
