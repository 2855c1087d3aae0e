//! Without a plan: what one bank shows by itself, what a named change shows, what remembered settings single out.
//! All of it is hypotheses, and named so.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::document::Document;
use crate::image::ChipImage;
use crate::reading::Reading;

/// A step at which a chip's contents repeat their character.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Period {
    /// Cells from one entry to the next.
    pub stride: u32,
    /// How far above chance, in standard deviations.
    pub score: f64,
}

/// What an address line does to the contents.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct AddressLine {
    /// The line, 0 is A0.
    pub line: u32,
    /// Share of bits that agree across it, 0 to 1: near 1 for a copy, high for presets and voices that hold like
    /// things, near what chance gives for slots and bits.
    pub agree: f64,
}

/// What one chip shows by itself.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ChipStructure {
    /// The chip.
    pub chip: String,
    /// Likely entry lengths, the likeliest first.
    pub periods: Vec<Period>,
    /// Address lines, the most alike first.
    pub lines: Vec<AddressLine>,
    /// Address lines across which everything is the same.
    pub copies: Vec<u32>,
    /// Cells that differ from the chip's commonest value: the first and the last.
    pub used: Option<(u32, u32)>,
}

/// One bit that changed between two readings.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Changed {
    /// The chip.
    pub chip: String,
    /// The cell.
    pub cell: u32,
    /// The data line.
    pub line: u8,
    /// Before; after is the other.
    pub before: bool,
}

/// What can be said without a plan.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Hypotheses {
    /// Structure of each chip.
    pub structure: Vec<ChipStructure>,
    /// Bits that changed between the two readings, if two were given.
    pub changed: Vec<Changed>,
    /// For each remembered control, the bits that could be its top bit.
    pub remembered: Vec<Remembered>,
}

impl Document for Hypotheses {
    const KIND: &'static str = "trace-hypotheses";
    const VERSION: u32 = 1;
}

/// A control a person remembers, with what fits.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Remembered {
    /// The control.
    pub control: String,
    /// Bits that hold one value in every preset where it stood high and the other where it stood low; as
    /// "CHIP offset N line M", counted within an entry.
    pub fits: Vec<String>,
    /// Bits tried.
    pub tried: usize,
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

/// A file of facts with the entry length they are tried at.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Facts {
    /// Cells from one preset to the next.
    pub stride: u32,
    /// Cell of the first preset's first cell.
    #[serde(default)]
    pub at: u32,
    /// What is remembered.
    #[serde(rename = "fact")]
    pub facts: Vec<Fact>,
}

/// Structure from one reading.
pub fn structure(reading: &Reading) -> Vec<ChipStructure> {
    reading
        .chips
        .iter()
        .map(|c| ChipStructure {
            chip: c.id.clone(),
            periods: periods(&c.image),
            lines: lines(&c.image),
            copies: lines(&c.image)
                .iter()
                .filter(|l| l.agree > 0.999)
                .map(|l| l.line)
                .collect(),
            used: used(&c.image),
        })
        .collect()
}

fn used(image: &ChipImage) -> Option<(u32, u32)> {
    let v = image.values();
    let mut counts = [0u32; 256];
    for x in v {
        counts[usize::from(*x)] += 1;
    }
    let common = (0..256).max_by_key(|i| counts[*i])? as u8;
    let first = v.iter().position(|x| *x != common)?;
    let last = v.iter().rposition(|x| *x != common)?;
    Some((first as u32, last as u32))
}

/// Strides at which bits of one offset are biased alike: entries of presets have like things in like places.
fn periods(image: &ChipImage) -> Vec<Period> {
    let v = image.values();
    let width = image.width();
    let n = v.len();
    let mut out = Vec::new();
    for stride in 2..=(n / 4).min(2048) {
        // Chi-square of the share of ones by offset, against one share for each line.
        let (mut chi, mut freedom) = (0.0f64, 0.0f64);
        for line in 0..width {
            let ones = v.iter().filter(|x| **x >> line & 1 == 1).count() as f64 / n as f64;
            let variance = ones * (1.0 - ones);
            if variance < 1e-9 {
                continue;
            }
            for offset in 0..stride {
                let mut k = 0u32;
                let mut m = 0u32;
                let mut i = offset;
                while i < n {
                    k += u32::from(v[i] >> line & 1);
                    m += 1;
                    i += stride;
                }
                let m = f64::from(m);
                chi += (f64::from(k) - m * ones).powi(2) / (m * variance);
                freedom += 1.0;
            }
        }
        if freedom > 0.0 {
            out.push(Period {
                stride: stride as u32,
                score: (chi - freedom) / (2.0 * freedom).sqrt(),
            });
        }
    }
    out.sort_by(|a, b| b.score.total_cmp(&a.score));
    // A multiple of a period is one too; the shortest stands for them.
    let mut kept: Vec<Period> = Vec::new();
    for p in out {
        if p.score < 4.0 || kept.len() >= 5 {
            break;
        }
        if kept.iter().all(|k| p.stride % k.stride != 0) {
            kept.push(p);
        }
    }
    kept
}

fn lines(image: &ChipImage) -> Vec<AddressLine> {
    let v = image.values();
    let bits = image.words().next_power_of_two().trailing_zeros();
    let mut out: Vec<AddressLine> = (0..bits)
        .map(|line| {
            let (mut same, mut all) = (0u64, 0u64);
            for (i, x) in v.iter().enumerate() {
                let j = i ^ 1 << line;
                if j > i && j < v.len() {
                    same += u64::from(image.width()) - u64::from((x ^ v[j]).count_ones());
                    all += u64::from(image.width());
                }
            }
            AddressLine {
                line,
                agree: same as f64 / all.max(1) as f64,
            }
        })
        .collect();
    out.sort_by(|a, b| b.agree.total_cmp(&a.agree));
    out
}

/// The bits that one named change turned.
pub fn changes(before: &Reading, after: &Reading) -> Vec<Changed> {
    let mut out = Vec::new();
    for chip in &before.chips {
        let Some(other) = after.chip(&chip.id) else {
            continue;
        };
        for cell in 0..chip.image.words() {
            for line in 0..chip.image.width() {
                if let (Some(b), Some(a)) =
                    (chip.image.bit(cell, line), other.image.bit(cell, line))
                    && a != b
                {
                    out.push(Changed {
                        chip: chip.id.clone(),
                        cell,
                        line,
                        before: b,
                    });
                }
            }
        }
    }
    out
}

/// For every control remembered, the bits of an entry that fit.
pub fn remembered(reading: &Reading, facts: &Facts) -> Vec<Remembered> {
    let mut names: Vec<&str> = Vec::new();
    for f in &facts.facts {
        if !names.contains(&f.control.as_str()) {
            names.push(&f.control);
        }
    }
    names
        .into_iter()
        .map(|name| {
            let mine: Vec<&Fact> = facts.facts.iter().filter(|f| f.control == name).collect();
            let mut fits = Vec::new();
            let mut tried = 0;
            for chip in &reading.chips {
                for offset in 0..facts.stride {
                    for line in 0..chip.image.width() {
                        tried += 1;
                        let bit = |f: &Fact| {
                            let cell = facts.at
                                + offset
                                + f.preset.checked_sub(1)?.checked_mul(facts.stride)?;
                            chip.image.bit(cell, line).map(|b| b == f.high)
                        };
                        let seen: Vec<Option<bool>> = mine.iter().map(|f| bit(f)).collect();
                        let straight = seen.iter().all(|b| *b == Some(true));
                        let turned = seen.iter().all(|b| *b == Some(false));
                        if straight || turned {
                            let not = if turned { ", inverted" } else { "" };
                            fits.push(format!("{} offset {offset} line {line}{not}", chip.id));
                        }
                    }
                }
            }
            Remembered {
                control: name.to_owned(),
                fits,
                tried,
            }
        })
        .collect()
}
