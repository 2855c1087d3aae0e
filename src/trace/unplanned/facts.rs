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
    #[serde(deserialize_with = "two")]
    pub presets: [u32; 2],
    /// The control.
    pub control: String,
}

/// Two presets and no more: a third would be dropped in silence.
fn two<'de, D: serde::Deserializer<'de>>(from: D) -> Result<[u32; 2], D::Error> {
    let all = Vec::<u32>::deserialize(from)?;
    let count = all.len();
    let wrong = || {
        serde::de::Error::custom(format!(
            "presets must name two presets, as in [1, 2]; {count} are given: write one [[differ]] for each pair"
        ))
    };
    all.try_into().map_err(|_| wrong())
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
        if let Some(d) = self.differ.iter().find(|d| d.presets[0] == d.presets[1]) {
            return Err(format!(
                "{}: preset {} cannot differ from itself",
                d.control, d.presets[0]
            ));
        }
        let mut lines = self.lines.clone();
        lines.sort_unstable();
        if let Some(pair) = lines.windows(2).find(|w| w[0] == w[1]) {
            return Err(format!(
                "address line {} is named twice among the lines that choose the preset",
                pair[0]
            ));
        }
        for (i, f) in self.facts.iter().enumerate() {
            let other = |o: &Fact| (o.preset, &o.control) == (f.preset, &f.control);
            if self.facts[..i].iter().any(|o| other(o) && o.high != f.high) {
                return Err(format!(
                    "{} is said to stand at both its ends in preset {}",
                    f.control, f.preset
                ));
            }
        }
        Ok(())
    }

    /// Looks for presets and lines that the chips of a reading do not have.
    ///
    /// # Errors
    /// The first one found, as a sentence.
    pub fn check_within(&self, reading: &Reading) -> Result<(), String> {
        let words = reading.chips.iter().map(|c| c.image.words());
        let words = words.max().unwrap_or(0);
        if let Some(line) = self.lines.iter().find(|l| 1 << **l >= words) {
            return Err(format!(
                "the chips have {words} cells: address line {line} is not one of theirs"
            ));
        }
        let presets = self.facts.iter().map(|f| f.preset);
        let pairs = self.differ.iter().flat_map(|d| d.presets);
        let outside = |p: &u32| self.cell(0, *p).is_none_or(|cell| cell >= words);
        let Some(preset) = presets.chain(pairs).find(outside) else {
            return Ok(());
        };
        Err(if self.lines.is_empty() {
            format!(
                "preset {preset} would lie beyond the memory: the chips have {words} cells, presets start at cell {} \
                 and follow each other by {}",
                self.at, self.stride
            )
        } else {
            format!(
                "{} address lines choose among {} presets: there is no preset {preset}",
                self.lines.len(),
                1u64 << self.lines.len()
            )
        })
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
    // An unrelated bit fits end stops half the time each, the first of them whichever way; it is the same in two
    // presets half the time, and differs in one of several pairs unless it is the same in all.
    let halves = ends.len().saturating_sub(1) + others.len();
    let moves = match pairs.len() {
        0 => 1.0,
        n => 1.0 - 0.5f64.powi(n as i32),
    };
    out.by_chance = out.tried as f64 * 0.5f64.powi(halves as i32) * moves;
    out
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]
    use super::*;
    use crate::reading::ChipReading;

    fn facts(rest: &str) -> Result<Facts, String> {
        let facts: Facts = toml::from_str(rest).map_err(|e| e.to_string())?;
        facts.check()?;
        // Four presets of 16 cells.
        let image = ChipImage::from_cells(8, &[0x5a; 64]).unwrap();
        facts.check_within(&Reading::new(vec![ChipReading::new("U1", image)]))?;
        Ok(facts)
    }

    #[test]
    fn facts_that_cannot_be_are_refused() {
        let differ = |presets: &str| {
            facts(&format!(
                "stride = 16\n[[differ]]\npresets = {presets}\ncontrol = \"glide\""
            ))
        };
        assert!(differ("[1, 4]").is_ok());
        for (presets, says) in [
            ("[1, 2, 3]", "3 are given"),
            ("[1]", "1 are given"),
            ("[1, 1]", "preset 1 cannot differ from itself"),
            ("[1, 5]", "preset 5 would lie beyond the memory"),
        ] {
            let said = differ(presets).unwrap_err();
            assert!(said.contains(says), "{said}");
        }
        let lines = |lines: &str, preset: u32| {
            facts(&format!(
                "lines = {lines}\n[[fact]]\npreset = {preset}\ncontrol = \"glide\"\nhigh = true"
            ))
        };
        assert!(lines("[4, 5]", 4).is_ok());
        for (wrong, says) in [
            (lines("[4, 4]", 1), "address line 4 is named twice"),
            (lines("[4, 6]", 1), "address line 6 is not one of theirs"),
            (lines("[4, 5]", 5), "2 address lines choose among 4 presets"),
        ] {
            let said = wrong.unwrap_err();
            assert!(said.contains(says), "{said}");
        }
    }

    /// By hand: 16 cells of 8 bits are 128; a bit tossed like a coin differs between two presets half the time.
    #[test]
    fn what_fits_by_chance() {
        let cells: Vec<u8> = (0..64u8).map(|c| c.wrapping_mul(37)).collect();
        let image = ChipImage::from_cells(8, &cells).unwrap();
        let reading = Reading::new(vec![ChipReading::new("U1", image)]);
        let facts =
            facts("stride = 16\n[[differ]]\npresets = [1, 2]\ncontrol = \"glide\"").unwrap();
        let found = remembered(&reading, &facts);
        assert_eq!((found[0].tried, found[0].by_chance), (128, 64.0));
    }
}
