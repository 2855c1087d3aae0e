//! Cautions: where the work can hurt someone, or the only copy of the presets.
//!
//! They live in one data file, `cautions.toml`, and are shown with the steps they belong to, on paper too. They
//! replace neither local rules nor licensed practice.

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// What is at stake.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Stake {
    /// A person.
    Person,
    /// The presets or the instrument.
    Presets,
}

/// One caution.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Caution {
    /// Stable key.
    #[serde(default)]
    pub key: String,
    /// Two or three words.
    pub title: String,
    /// What to do and what not to do.
    pub text: String,
    /// What is at stake.
    pub stake: Stake,
    /// Where it comes from.
    pub source: String,
}

/// The sentence under every set of cautions.
pub const DEFER: &str =
    "Local rules and licensed practice decide; where they say otherwise, follow them.";

/// All cautions by key; empty only if the file shipped with the program were broken, which a test rules out.
pub fn all() -> BTreeMap<String, Caution> {
    let mut cautions: BTreeMap<String, Caution> =
        toml::from_str(include_str!("cautions.toml")).unwrap_or_default();
    for (key, caution) in &mut cautions {
        caution.key.clone_from(key);
    }
    cautions
}

/// The cautions of some keys, in that order, each once; an unknown key is left out.
pub fn pick(keys: &[&str]) -> Vec<Caution> {
    let all = all();
    let mut picked: Vec<Caution> = Vec::new();
    for key in keys {
        if let Some(caution) = all.get(*key)
            && !picked.contains(caution)
        {
            picked.push(caution.clone());
        }
    }
    picked
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_file_is_sound_and_every_caution_has_a_source() {
        let all = all();
        for key in [
            "mains",
            "primary-lithium",
            "polarity",
            "alkaline-leak",
            "tags",
            "static",
            "live-memory",
            "disposal",
        ] {
            assert!(all.contains_key(key), "{key}");
        }
        for (key, caution) in all {
            assert!(caution.text.len() > 30, "{key}");
            assert!(!caution.source.is_empty(), "{key}");
        }
    }
}
