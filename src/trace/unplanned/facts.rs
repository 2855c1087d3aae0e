//! What a person remembers of some presets, and the bits that fit.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::image::ChipImage;
use crate::reading::Reading;

/// A control a person remembers, with what fits.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Remembered {
    /// The control.
    pub control: String,
    /// Facts given for it.
    pub facts: usize,
    /// Bits that fit every fact, as "CHIP offset N line M", counted within an entry: one value wherever it stood high
    /// and the other wherever it stood low; among the bits in which presets differ that differ in this control alone.
    pub fits: Vec<String>,
    /// Bits tried.
    pub tried: usize,
    /// How many of the bits tried would fit by chance.
    pub by_chance: f64,
}

/// What a person remembers of one preset.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Fact {
    /// The preset, from 1.
    pub preset: u32,
    /// The control.
    pub control: String,
    /// It stood at its high end; at its low end otherwise.
    pub high: bool,
}

/// Two presets that differ in one control alone.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Differ {
    /// The presets, from 1.
    pub presets: [u32; 2],
    /// The control.
    pub control: String,
}

/// A file of facts, with the entry length they are tried at.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Facts {
    /// Cells from one preset to the next; 0 where address lines choose the preset.
    #[serde(default)]
    pub stride: u32,
    /// Cell of the first preset's first cell.
    #[serde(default)]
    pub at: u32,
    /// Address lines that choose the preset, the lowest bit first, in place of `stride`.
    #[serde(default)]
    pub lines: Vec<u32>,
    /// Controls that stood at an end.
    #[serde(default, rename = "fact")]
    pub facts: Vec<Fact>,
    /// Presets that differ in one control.
    #[serde(default, rename = "differ")]
    pub differ: Vec<Differ>,
}

impl Facts {
    /// Looks for statements that cannot be.
    ///
    /// # Errors
    /// The first one found, as a sentence.
    pub fn check(&self) -> Result<(), String> {
        if self.facts.is_empty() && self.differ.is_empty() {
            return Err("nothing is remembered: add [[fact]] or [[differ]]".to_owned());
        }
        let stepped = (1..=1 << 16).contains(&self.stride) && self.lines.is_empty();
        let wired = self.stride == 0 && !self.lines.is_empty();
        if !(stepped || wired) || self.at > 1 << 24 {
            return Err("say how presets follow each other: either stride, 1 to 65536 cells, or lines, the address \
                        lines that choose the preset; `cellkeep trace remember` on the reading shows what is likely"
                .to_owned());
        }
        if self.lines.iter().any(|l| *l > 23) {
            return Err("address lines are 0 to 23".to_owned());
        }
        let presets = self.facts.iter().map(|f| f.preset);
        let pairs = self.differ.iter().flat_map(|d| d.presets);
        if presets.chain(pairs).any(|p| p == 0) {
            return Err("presets are counted from 1".to_owned());
        }
        Ok(())
    }

    /// Cell of an offset of an entry in a preset; `None` outside.
    fn cell(&self, offset: u32, preset: u32) -> Option<u32> {
        let p = preset.checked_sub(1)?;
        if self.lines.is_empty() {
            return p
                .checked_mul(self.stride)?
                .checked_add(self.at)?
                .checked_add(offset);
        }
        if p >> self.lines.len().min(31) != 0 {
            return None;
        }
        let turned = self.lines.iter().enumerate();
        Some(turned.fold(offset, |c, (i, line)| c ^ (p >> i & 1) << line))
    }

    /// Offsets of an entry in a chip.
    fn offsets(&self, image: &ChipImage) -> Vec<u32> {
        if self.lines.is_empty() {
            return (0..self.stride.min(image.words())).collect();
        }
        let preset = self.lines.iter().fold(0u32, |m, l| m | 1 << l);
        (0..image.words()).filter(|c| c & preset == 0).collect()
    }
}

/// For every control remembered, the bits of an entry that fit.
pub fn remembered(reading: &Reading, facts: &Facts) -> Vec<Remembered> {
    let mut names: Vec<&str> = Vec::new();
    let all = facts.facts.iter().map(|f| &f.control);
    for name in all.chain(facts.differ.iter().map(|d| &d.control)) {
        if !names.contains(&name.as_str()) {
            names.push(name);
        }
    }
    names.iter().map(|name| one(reading, facts, name)).collect()
}

fn one(reading: &Reading, facts: &Facts, name: &str) -> Remembered {
    let ends: Vec<&Fact> = facts.facts.iter().filter(|f| f.control == name).collect();
    let pairs: Vec<&Differ> = facts.differ.iter().filter(|d| d.control == name).collect();
    // Where presets differ in another control alone, this one's bits are the same.
    let others: Vec<&Differ> = facts.differ.iter().filter(|d| d.control != name).collect();
    let mut out = Remembered {
        control: name.to_owned(),
        facts: ends.len() + pairs.len(),
        fits: Vec::new(),
        tried: 0,
        by_chance: 0.0,
    };
    for chip in &reading.chips {
        for offset in facts.offsets(&chip.image) {
            for line in 0..chip.image.width() {
                let bit = |preset: u32| chip.image.bit(facts.cell(offset, preset)?, line);
                out.tried += 1;
                let seen: Vec<Option<bool>> = ends
                    .iter()
                    .map(|f| bit(f.preset).map(|b| b == f.high))
                    .collect();
                let straight = seen.iter().all(|b| *b == Some(true));
                let turned = seen.iter().all(|b| *b == Some(false));
                let differs = |d: &&&Differ| {
                    let [a, b] = d.presets.map(bit);
                    a.is_some() && b.is_some() && a != b
                };
                let same = |d: &&Differ| {
                    let [a, b] = d.presets.map(bit);
                    a == b
                };
                // Not every bit of a control changes with it, so a pair tells only what may be its bit.
                let moved = pairs.is_empty() || pairs.iter().any(|d| differs(&d));
                if !(straight || turned) || !moved || !others.iter().all(same) {
                    continue;
                }
                let not = if turned && !straight {
                    ", inverted"
                } else {
                    ""
                };
                out.fits
                    .push(format!("{} offset {offset} line {line}{not}", chip.id));
            }
        }
    }
    // An unrelated bit fits end stops half the time each, the first of them whichever way.
    let halves = ends.len().saturating_sub(1) as i32;
    out.by_chance = out.tried as f64 * 0.5f64.powi(halves);
    out
}
