//! What a person can say about an undocumented instrument: its panel, its presets and voices, its chips.

mod when;

pub use when::When;
pub(crate) use when::{Condition, lane_beside};

use crate::document::in_words;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// One memory chip as its type number says.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ChipShape {
    /// The name printed on the board; files of a reading carry it.
    pub id: String,
    /// Number of cells.
    pub words: u32,
    /// Number of data lines, 1 to 8.
    pub width: u8,
}

/// What a control is, which decides how it can be dialled.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    /// A rotary knob, dialled from 0.0 to 10.0.
    Knob,
    /// A slider, read the same way.
    Slider,
    /// A two-position switch.
    Switch,
    /// A stepped selector.
    Selector,
    /// A number shown on a display.
    Number,
    /// A name, typed in.
    Text,
}

/// One control of the panel.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct PanelControl {
    /// Stable key, dotted lower case: "filter.cutoff".
    pub key: String,
    /// What the panel says; the key where nothing is given.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub label: String,
    /// Heading it is grouped under.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub group: Option<String>,
    /// What it is.
    pub kind: Kind,
    /// Each voice can be set apart from the others.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub per_voice: bool,
    /// Names of a selector's or switch's positions, in panel order.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub positions: Vec<String>,
    /// Lowest number of a display.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub low: Option<i64>,
    /// Highest number of a display.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub high: Option<i64>,
    /// Characters of a name.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub chars: Option<usize>,
    /// When it means something, if not always: then memory may hold another control in its bits meanwhile.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub when: Option<When>,
}

/// The panel file.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Panel {
    /// Name of the instrument for people.
    pub name: String,
    /// How many presets (or sequence steps) can be saved.
    pub presets: usize,
    /// How many voices there are.
    #[serde(default = "one")]
    pub voices: usize,
    /// What is saved one by one, if not presets: "step".
    #[serde(default = "preset_word")]
    pub axis: String,
    /// The memory chips.
    #[serde(default, rename = "chip")]
    pub chips: Vec<ChipShape>,
    /// The controls memory is thought to hold.
    #[serde(default, rename = "control")]
    pub controls: Vec<PanelControl>,
}

fn one() -> usize {
    1
}

fn preset_word() -> String {
    "preset".to_owned()
}

/// One thing that is dialled by itself: a control, of one voice where each voice has its own, one character of a name.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Lane {
    /// Index into [`Panel::controls`].
    pub control: usize,
    /// The voice, from 0, where each voice is set apart.
    pub voice: Option<usize>,
    /// The character, from 0, of a name.
    pub character: Option<usize>,
}

/// A panel that cannot be planned for.
#[derive(Debug, thiserror::Error, PartialEq, Eq)]
pub enum PanelError {
    /// Not TOML, or keys of the wrong kind.
    #[error("the panel file cannot be read: {0}")]
    Syntax(String),
    /// A statement that cannot be.
    #[error("panel: {0}")]
    Impossible(String),
}

impl crate::blame::Blame for PanelError {
    fn who(&self) -> crate::blame::Who {
        crate::blame::Who::File
    }

    fn hint(&self) -> Option<String> {
        Some("`cellkeep trace plan --help` shows a panel file to start from".to_owned())
    }
}

/// Most controls, presets and voices a plan is made for; far above any panel.
const MOST: usize = 4096;

impl Panel {
    /// Reads a panel file.
    ///
    /// # Errors
    /// When it is not TOML, has unknown keys, or says something impossible.
    pub fn parse(text: &str) -> Result<Self, PanelError> {
        let panel: Panel = toml::from_str(text)
            .map_err(|e| PanelError::Syntax(in_words(e.to_string().trim_end())))?;
        panel.check()?;
        Ok(panel)
    }

    /// Looks for statements that cannot be.
    ///
    /// # Errors
    /// The first one found.
    pub fn check(&self) -> Result<(), PanelError> {
        let no = |what: String| Err(PanelError::Impossible(what));
        if self.presets == 0 || self.presets > MOST || self.voices == 0 || self.voices > 64 {
            return no("presets must be 1 to 4096 and voices 1 to 64".to_owned());
        }
        if self.controls.is_empty() || self.controls.len() > MOST {
            return no("list the controls, one [[control]] each".to_owned());
        }
        for (i, chip) in self.chips.iter().enumerate() {
            if !file_name(&chip.id) {
                return no(format!(
                    "the chip id {:?} cannot name a file: use what is printed on the board, such as IC14",
                    chip.id
                ));
            }
            let same = |o: &ChipShape| o.id.eq_ignore_ascii_case(&chip.id);
            if self.chips[..i].iter().any(same) {
                return no(format!("two chips have the id \"{}\"", chip.id));
            }
            if crate::image::ChipImage::unknown(chip.words, chip.width).is_err() {
                return no(format!(
                    "chip {}: {} x {} is no chip",
                    chip.id, chip.words, chip.width
                ));
            }
        }
        for (i, c) in self.controls.iter().enumerate() {
            if self.controls[..i].iter().any(|o| o.key == c.key) {
                return no(format!("two controls have the key \"{}\"", c.key));
            }
            let plain = |b: u8| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'-';
            let word =
                |w: &str| w.starts_with(|c: char| c.is_ascii_lowercase()) && w.bytes().all(plain);
            if !c.key.split('.').all(word) {
                return no(format!(
                    "the key \"{}\" must be lower-case words joined by points: filter.cutoff, osc-1.pitch",
                    c.key
                ));
            }
            match c.kind {
                Kind::Selector if c.positions.len() < 2 => {
                    return no(format!("{}: a selector needs its positions", c.key));
                }
                Kind::Switch if !matches!(c.positions.len(), 0 | 2) => {
                    return no(format!("{}: a switch has two positions", c.key));
                }
                Kind::Number => {
                    let (Some(low), Some(high)) = (c.low, c.high) else {
                        return no(format!("{}: a number needs low and high", c.key));
                    };
                    if high <= low {
                        return no(format!(
                            "{}: high ({high}) must be above low ({low})",
                            c.key
                        ));
                    }
                    if i128::from(high) - i128::from(low) > 65_535 {
                        return no(format!(
                            "{}: from {low} to {high} are too many numbers, 65536 at most",
                            c.key
                        ));
                    }
                }
                Kind::Text if !(1..=64).contains(&c.chars.unwrap_or(0)) => {
                    return no(format!("{}: a name needs chars, 1 to 64", c.key));
                }
                _ => {}
            }
            let twice = |(n, p): &(usize, &String)| c.positions[..*n].contains(p);
            if let Some((_, position)) = c.positions.iter().enumerate().find(twice) {
                return no(format!("{}: two positions are called {position:?}", c.key));
            }
        }
        self.check_when()?;
        self.check_room()
    }

    /// What the chips hold must be enough for the presets, where the chips are given.
    fn check_room(&self) -> Result<(), PanelError> {
        let room = self
            .chips
            .iter()
            .map(|c| u64::from(c.words) * u64::from(c.width));
        let room: u64 = room.sum();
        // What means something only sometimes may lie in the bits of something else.
        let lanes = self.lanes().into_iter();
        let bits: u64 = lanes
            .filter(|l| self.controls[l.control].when.is_none())
            .map(|l| u64::from(self.controls[l.control].least_bits()))
            .sum();
        let least = bits.saturating_mul(self.presets as u64);
        if self.chips.is_empty() || least <= room {
            return Ok(());
        }
        Err(PanelError::Impossible(format!(
            "{} {}s of these controls take {least} bits at the very least, and the chips hold {room}: leave out \
             controls that memory does not hold, or add the chip that is missing",
            self.presets, self.axis
        )))
    }

    /// Everything that is dialled by itself, in panel order.
    pub fn lanes(&self) -> Vec<Lane> {
        let mut out = Vec::new();
        for (control, c) in self.controls.iter().enumerate() {
            let voices: Vec<Option<usize>> = if c.per_voice && self.voices > 1 {
                (0..self.voices).map(Some).collect()
            } else {
                vec![None]
            };
            let characters: Vec<Option<usize>> = match (c.kind, c.chars) {
                (Kind::Text, Some(n)) => (0..n).map(Some).collect(),
                _ => vec![None],
            };
            for &voice in &voices {
                for &character in &characters {
                    out.push(Lane {
                        control,
                        voice,
                        character,
                    });
                }
            }
        }
        out
    }

    /// A lane as a person names it.
    pub fn lane_name(&self, lane: Lane) -> String {
        let mut name = self.controls[lane.control].key.clone();
        if let Some(v) = lane.voice {
            name.push_str(&format!(" (voice {})", v + 1));
        }
        if let Some(c) = lane.character {
            name.push_str(&format!(" (character {})", c + 1));
        }
        name
    }
}

/// True where a chip's id can be the name of its file on every system.
fn file_name(id: &str) -> bool {
    let plain = |c: char| c.is_alphanumeric() || " -_+.()#".contains(c);
    (1..=64).contains(&id.len())
        && id.chars().all(plain)
        && !id.starts_with(['.', ' '])
        && !id.ends_with(['.', ' '])
}

impl PanelControl {
    /// What the panel says.
    pub fn shown(&self) -> &str {
        if self.label.is_empty() {
            &self.key
        } else {
            &self.label
        }
    }

    /// The highest position of a dial, switch, selector or display, counted from 0.
    pub fn span(&self) -> u32 {
        match self.kind {
            Kind::Knob | Kind::Slider => DIAL,
            Kind::Switch => 1,
            Kind::Selector => self.positions.len().saturating_sub(1) as u32,
            Kind::Number => {
                let (low, high) = (self.low.unwrap_or(0), self.high.unwrap_or(0));
                u32::try_from(high.saturating_sub(low)).unwrap_or(0)
            }
            Kind::Text => 127,
        }
    }

    /// Fewest bits that can hold it: what tells its positions apart, one for what is dialled by eye or typed.
    fn least_bits(&self) -> u32 {
        match self.kind {
            Kind::Knob | Kind::Slider | Kind::Text => 1,
            _ => (32 - self.span().leading_zeros()).max(1),
        }
    }

    /// Which positions it has, as part of a sentence.
    pub(crate) fn places(&self) -> String {
        let span = self.span();
        match self.kind {
            Kind::Knob | Kind::Slider => {
                format!("it goes from 0 to {span}, in tenths of a mark")
            }
            Kind::Switch | Kind::Selector => {
                format!("it has {} positions, counted from 0", span + 1)
            }
            Kind::Number => format!("it goes from 0 to {span}, counted from its lowest number"),
            Kind::Text => format!("characters are 0 to {span}, by their ASCII code"),
        }
    }

    /// True where every position is met exactly: nothing is dialled by eye.
    pub fn exact(&self) -> bool {
        !matches!(self.kind, Kind::Knob | Kind::Slider)
    }

    /// A position as it is written on the sheet.
    pub fn position(&self, at: u32) -> String {
        match self.kind {
            Kind::Knob | Kind::Slider => format!("{}.{}", at / 10, at % 10),
            Kind::Switch | Kind::Selector => match self.positions.get(at as usize) {
                Some(name) => name.clone(),
                None if self.kind == Kind::Switch => ["off", "on"][at.min(1) as usize].to_owned(),
                None => at.to_string(),
            },
            Kind::Number => (i64::from(at) + self.low.unwrap_or(0)).to_string(),
            Kind::Text => char::from_u32(at).unwrap_or('?').to_string(),
        }
    }
}

/// The highest position of a dial: tenths of a mark from 0.0 to 10.0, finer than a hand can set it.
pub const DIAL: u32 = 100;

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]
    use super::*;

    const PANEL: &str = r#"
name = "Test"
presets = 16
[[chip]]
id = "IC14"
words = 64
width = 8
[[control]]
key = "wave"
kind = "selector"
positions = ["saw", "pulse", "sine"]
[[control]]
key = "tune"
kind = "number"
low = -12
high = 12
"#;

    #[test]
    fn words_of_the_parser_are_plain() {
        for (from, to, says) in [
            ("16", "-3", "`-3`, expected a whole number, not negative"),
            (
                "16",
                "\"x\"",
                "\"x\", expected a whole number, not negative",
            ),
            (
                "words = 64",
                "words = 3.5",
                "expected a whole number, not negative",
            ),
        ] {
            let said = Panel::parse(&PANEL.replacen(from, to, 1)).unwrap_err();
            assert!(said.to_string().contains(says), "{said}");
        }
    }

    #[test]
    fn what_cannot_be_is_refused_with_the_reason() {
        Panel::parse(PANEL).unwrap();
        let chip = "[[chip]]\nid = \"ic14\"\nwords = 64\nwidth = 8\n[[control]]\nkey = \"wave\"";
        for (from, to, says) in [
            ("\"IC14\"", "\"../IC14\"", "cannot name a file"),
            ("\"IC14\"", "\"\"", "cannot name a file"),
            (
                "[[control]]\nkey = \"wave\"",
                chip,
                "two chips have the id \"ic14\"",
            ),
            ("\"pulse\"", "\"saw\"", "two positions are called \"saw\""),
            (
                "high = 12",
                "high = -12",
                "high (-12) must be above low (-12)",
            ),
            (
                "high = 12",
                "high = 1000000000",
                "too many numbers, 65536 at most",
            ),
            (
                "high = 12",
                "high = 9223372036854775807",
                "too many numbers",
            ),
            ("high = 12", "", "a number needs low and high"),
            // By hand: 3 positions take 2 bits, 25 numbers take 5; 16 presets of 7 bits are 112, 8 x 8 are 64.
            (
                "words = 64",
                "words = 8",
                "take 112 bits at the very least, and the chips hold 64",
            ),
        ] {
            assert!(PANEL.contains(from), "{from}");
            let said = Panel::parse(&PANEL.replacen(from, to, 1)).unwrap_err();
            assert!(said.to_string().contains(says), "{said}");
        }
    }
}
