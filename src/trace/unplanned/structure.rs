//! What one unlabelled chip shows: the length of an entry, copies, what the address lines do.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::entries::{LikelyCheck, LikelyField, check, fields};
use crate::image::ChipImage;
use crate::reading::Reading;

/// A step at which a chip's contents repeat their character.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Period {
    /// Cells from one entry to the next.
    pub stride: u32,
    /// How far above chance, in standard deviations.
    pub score: f64,
    /// Shorter steps that show as well, as words inside an entry do.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub within: Vec<u32>,
}

/// What an address line does to the contents.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct AddressLine {
    /// The line, 0 is A0.
    pub line: u32,
    /// Share of bits that agree across it, 0 to 1.
    pub agree: f64,
    /// How much of what could agree beyond chance does, 0 to 1: near 1 for a copy or for voices that play the same,
    /// more for presets and voices, which hold like things, than for slots and bits.
    pub alike: f64,
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
    /// Address lines across which nearly everything is the same: voices that play the same, or a copy with damage.
    pub nearly: Vec<u32>,
    /// Data lines that move at all, the lowest first.
    pub moving: Vec<u8>,
    /// Cells that differ from the chip's commonest value: the first and the last.
    pub used: Option<(u32, u32)>,
    /// A check that a run of entries keeps; it settles where entries begin.
    pub check: Option<LikelyCheck>,
    /// Runs of bits of an entry that look like something, by the likeliest length.
    pub fields: Vec<LikelyField>,
}

/// Structure from one reading.
pub fn structure(reading: &Reading) -> Vec<ChipStructure> {
    reading
        .chips
        .iter()
        .map(|c| {
            let lines = lines(&c.image);
            let periods = periods(&c.image);
            let across = |from: f64, to: f64| {
                let lines = lines.iter().filter(|l| (from..to).contains(&l.alike));
                lines.map(|l| l.line).collect()
            };
            let strides: Vec<u32> = periods.iter().map(|p| p.stride).collect();
            let check = check(&c.image, &strides);
            let stride = check
                .as_ref()
                .map_or(strides.first().copied(), |c| Some(c.stride));
            let fields = stride.map_or_else(Vec::new, |stride| {
                let at = check.as_ref().map_or(0, |c| c.at);
                let entries = check.as_ref().map(|c| c.entries);
                fields(&c.image, at, stride, entries)
            });
            ChipStructure {
                chip: c.id.clone(),
                copies: across(0.999_999, 2.0),
                nearly: across(0.9, 0.999_999),
                moving: (0..c.image.width())
                    .filter(|l| moving(&c.image) >> l & 1 == 1)
                    .collect(),
                used: used(&c.image),
                periods,
                lines,
                check,
                fields,
            }
        })
        .collect()
}

/// Lines that are not the same in every cell, as a mask.
pub(super) fn moving(image: &ChipImage) -> u8 {
    let first = image.values().first().copied().unwrap_or(0);
    image.values().iter().fold(0, |m, x| m | (x ^ first))
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

/// A length must stand this far above chance, in standard deviations: some two thousand are tried.
const STANDS_OUT: f64 = 5.0;
/// And must come to this share of the best.
const BESIDE_BEST: f64 = 0.25;

/// Strides at which bits of one offset are biased alike: entries of presets have like things in like places.
fn periods(image: &ChipImage) -> Vec<Period> {
    let v = image.values();
    let width = image.width();
    let n = v.len();
    let mut all: Vec<(u32, f64)> = Vec::new();
    for stride in 2..=(n / 4).min(2048) {
        // Chi-square of the share of ones by offset, against one share for each line.
        let (mut chi, mut freedom) = (0.0f64, 0.0f64);
        let mut ones = vec![[0u32; 8]; stride];
        for (i, x) in v.iter().enumerate() {
            for (line, one) in ones[i % stride].iter_mut().enumerate() {
                *one += u32::from(x >> line & 1);
            }
        }
        for line in 0..usize::from(width) {
            let share = ones.iter().map(|o| f64::from(o[line])).sum::<f64>() / n as f64;
            let variance = share * (1.0 - share);
            if variance < 1e-9 {
                continue;
            }
            for (offset, o) in ones.iter().enumerate() {
                let m = (n - offset).div_ceil(stride) as f64;
                chi += (f64::from(o[line]) - m * share).powi(2) / (m * variance);
                freedom += 1.0;
            }
        }
        if freedom > 0.0 {
            all.push((stride as u32, (chi - freedom) / (2.0 * freedom).sqrt()));
        }
    }
    all.sort_by(|a, b| b.1.total_cmp(&a.1));
    let Some(best) = all.first().map(|p| p.1) else {
        return Vec::new();
    };
    // A multiple of a length is one too; a part of it shows the words inside.
    let mut kept: Vec<Period> = Vec::new();
    for (stride, score) in all {
        if score < STANDS_OUT || score < best * BESIDE_BEST || kept.len() >= 4 {
            break;
        }
        let of = |k: &&mut Period| k.stride.is_multiple_of(stride);
        // Several times a word of an entry shows as the word does.
        let words = |k: &Period| {
            stride % k.stride == 0 || k.within.iter().any(|w| *w > 2 && stride % w == 0)
        };
        if let Some(whole) = kept.iter_mut().find(of) {
            whole.within.push(stride);
        } else if !kept.iter().any(words) {
            kept.push(Period {
                stride,
                score,
                within: Vec::new(),
            });
        }
    }
    kept
}

fn lines(image: &ChipImage) -> Vec<AddressLine> {
    let v = image.values();
    let width = u64::from(image.width());
    let bits = image.words().next_power_of_two().trailing_zeros();
    // Two bits of one data line taken at random agree this often.
    let chance = (0..image.width())
        .map(|l| {
            let ones = v.iter().filter(|x| **x >> l & 1 == 1).count() as f64 / v.len() as f64;
            ones * ones + (1.0 - ones) * (1.0 - ones)
        })
        .sum::<f64>()
        / width as f64;
    let mut out: Vec<AddressLine> = (0..bits)
        .map(|line| {
            let (mut same, mut all) = (0u64, 0u64);
            for (i, x) in v.iter().enumerate() {
                let j = i ^ 1 << line;
                if j > i && j < v.len() {
                    same += width - u64::from((x ^ v[j]).count_ones());
                    all += width;
                }
            }
            let agree = same as f64 / all.max(1) as f64;
            let alike = if chance < 1.0 {
                ((agree - chance) / (1.0 - chance)).max(0.0)
            } else {
                0.0
            };
            AddressLine { line, agree, alike }
        })
        .collect();
    out.sort_by(|a, b| b.alike.total_cmp(&a.alike));
    out
}
