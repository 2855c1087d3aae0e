//! What entries of a guessed length show: a check that a run of them keeps, and runs of bits that look like something.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::super::checks::method_says;
use super::structure::moving;
use crate::codec::checks::compute_over;
use crate::image::ChipImage;
use crate::layout::crcs::CATALOGUE;
use crate::layout::model::Method;

/// A check that a run of entries keeps.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct LikelyCheck {
    /// What it is: "sum of the 29 cells before it".
    pub says: String,
    /// Cell of the first entry's first cell.
    pub at: u32,
    /// Cells from one entry to the next.
    pub stride: u32,
    /// Entries in a row that keep it.
    pub entries: u32,
    /// Where an entry keeps it: the offset of its first cell, and how many cells.
    pub stored: (u32, u32),
    /// Bits by which that is better than chance, after all that was tried.
    pub evidence: f64,
}

impl LikelyCheck {
    /// True where a cell holds the check of one of the entries.
    pub fn keeps(&self, cell: u32) -> bool {
        let (offset, cells) = self.stored;
        cell.checked_sub(self.at).is_some_and(|d| {
            d / self.stride.max(1) < self.entries
                && (offset..offset + cells).contains(&(d % self.stride.max(1)))
        })
    }
}

/// A run of bits of an entry.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct LikelyField {
    /// First offset from the entry's first cell.
    pub offset: u32,
    /// Number of cells.
    pub cells: u32,
    /// Lines it is about, the highest first.
    pub lines: Vec<u8>,
    /// What it looks like.
    pub says: String,
}

/// Least evidence for a check, in bits.
const BELIEVED: f64 = 20.0;

/// Where a check of some bytes is kept, and in what order.
#[derive(Clone, Copy)]
struct Kept {
    bytes: u32,
    before: bool,
    low_first: bool,
}

/// A check kept in the first or last cells of entries, by the longest run of entries that keep it. Only 8-bit chips;
/// lines are taken as they come.
pub(super) fn check(image: &ChipImage, strides: &[u32]) -> Option<LikelyCheck> {
    if image.width() != 8 || moving(image).count_ones() < 8 {
        return None;
    }
    let v = image.values();
    let mut methods: Vec<(Method, u32)> = Vec::new();
    for bytes in [1, 2] {
        methods.push((Method::Sum { add: 0 }, bytes));
        methods.push((Method::SumTwosComplement { add: 0 }, bytes));
        methods.push((Method::SumOnesComplement, bytes));
    }
    methods.push((Method::Xor { with: 0 }, 1));
    for (name, crc) in CATALOGUE {
        if matches!(crc.width(), 8 | 16) {
            let name = (*name).to_owned();
            methods.push((Method::Crc { name }, u32::from(crc.width()) / 8));
        }
    }
    let strides: Vec<u32> = strides
        .iter()
        .copied()
        .filter(|s| (4..=512).contains(s))
        .collect();
    // Phase, method, side and byte order are all chosen with the data; so is where the run begins and ends.
    let tried =
        f64::from(strides.iter().sum::<u32>()) * methods.len() as f64 * 4.0 * v.len() as f64;
    let mut best: Option<LikelyCheck> = None;
    for &stride in &strides {
        let count = v.len() as u32 / stride;
        for phase in 0..stride {
            for (method, bytes) in &methods {
                for before in [false, true] {
                    for low_first in [false, true] {
                        if *bytes == 1 && low_first {
                            continue;
                        }
                        let kept = Kept {
                            bytes: *bytes,
                            before,
                            low_first,
                        };
                        let holds = |e: u32| holds(v, phase + e * stride, stride, method, kept);
                        // Of entries spread over the chip at least one pair of neighbours must keep it.
                        let probe = [1, 2, 3, 5, 6].map(|k| count * k / 7);
                        if !probe
                            .iter()
                            .any(|&e| holds(e) == Some(true) && holds(e + 1) == Some(true))
                        {
                            continue;
                        }
                        let (first, entries, told) = longest(v, phase, stride, count, holds);
                        let evidence = f64::from(told * bytes * 8) - tried.log2();
                        if evidence >= BELIEVED
                            && best.as_ref().is_none_or(|b| evidence > b.evidence)
                        {
                            best = Some(LikelyCheck {
                                says: says(method, stride - bytes, before, low_first),
                                at: phase + first * stride,
                                stride,
                                entries,
                                stored: (if before { 0 } else { stride - bytes }, *bytes),
                                evidence,
                            });
                        }
                    }
                }
            }
        }
    }
    best
}

/// First entry and length of the longest run, and how many of its entries differ from the one before: only those tell.
fn longest(
    v: &[u8],
    phase: u32,
    stride: u32,
    count: u32,
    holds: impl Fn(u32) -> Option<bool>,
) -> (u32, u32, u32) {
    let cells = |e: u32| {
        let at = (phase + e * stride) as usize;
        v.get(at..at + stride as usize)
    };
    let mut best = (0, 0, 0);
    let mut run = (0, 0, 0);
    for e in 0..=count {
        if holds(e) != Some(true) {
            run = (e + 1, 0, 0);
            continue;
        }
        let blank = cells(e).is_none_or(|c| c.iter().all(|b| *b == c[0]));
        let told = !blank && (e == 0 || cells(e) != cells(e - 1));
        run = (run.0, run.1 + 1, run.2 + u32::from(told));
        if run.2 > best.2 {
            best = run;
        }
    }
    best
}

/// Whether the entry at a cell keeps the check; `None` outside the chip.
fn holds(v: &[u8], at: u32, stride: u32, method: &Method, kept: Kept) -> Option<bool> {
    let entry = v.get(at as usize..(at + stride) as usize)?;
    let (stored, covered) = if kept.before {
        entry.split_at(kept.bytes as usize)
    } else {
        let (covered, stored) = entry.split_at((stride - kept.bytes) as usize);
        (stored, covered)
    };
    let words: Vec<(u64, u8)> = covered.iter().map(|b| (u64::from(*b), 8)).collect();
    let code = compute_over(method, kept.bytes as u8 * 8, &words)?;
    let fold = |s: u64, b: &u8| s << 8 | u64::from(*b);
    let stored = if kept.low_first {
        stored.iter().rev().fold(0, fold)
    } else {
        stored.iter().fold(0, fold)
    };
    Some(stored == code)
}

fn says(method: &Method, covered: u32, before: bool, low_first: bool) -> String {
    format!(
        "{} of the {covered} cells {}{}",
        method_says(method),
        if before { "after it" } else { "before it" },
        if low_first { ", low byte first" } else { "" }
    )
}

/// What the bits of an entry look like over all entries: never moving, characters of a name, or in use.
pub fn fields(image: &ChipImage, at: u32, stride: u32, entries: Option<u32>) -> Vec<LikelyField> {
    let v = image.values();
    let moving_anywhere = moving(image);
    let room = (v.len() as u32).saturating_sub(at) / stride.max(1);
    let count = entries.unwrap_or(room).min(room);
    if count < 4 || stride == 0 || stride > 4096 {
        return Vec::new();
    }
    let cell = |offset: u32, e: u32| v[(at + e * stride + offset) as usize];
    let looks: Vec<Vec<(u8, &'static str)>> = (0..stride)
        .map(|offset| {
            let all = || (0..count).map(|e| cell(offset, e));
            let first = cell(offset, 0);
            let moving = all().fold(0, |m, x| m | (x ^ first));
            let letters = all()
                .filter(|x| x.is_ascii_alphanumeric() || *x == b' ')
                .count();
            let text =
                image.width() == 8 && moving.count_ones() >= 3 && letters as u32 * 20 >= count * 19;
            (0..image.width())
                .rev()
                .filter(|line| moving_anywhere >> line & 1 == 1)
                .map(|line| {
                    let look = match (moving >> line & 1, first >> line & 1) {
                        _ if text => "characters of a name",
                        (0, 0) => "always 0",
                        (0, _) => "always 1",
                        _ => "in use",
                    };
                    (line, look)
                })
                .collect()
        })
        .collect();
    let mut out: Vec<LikelyField> = Vec::new();
    for (offset, cell) in looks.iter().enumerate() {
        for part in cell.chunk_by(|a, b| a.1 == b.1) {
            let lines: Vec<u8> = part.iter().map(|p| p.0).collect();
            let says = part[0].1;
            match out.last_mut() {
                Some(f)
                    if f.says == says
                        && f.lines == lines
                        && lines.len() == cell.len()
                        && f.offset + f.cells == offset as u32 =>
                {
                    f.cells += 1;
                }
                _ => out.push(LikelyField {
                    offset: offset as u32,
                    cells: 1,
                    lines,
                    says: says.to_owned(),
                }),
            }
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand: entries of 16 cells from cell 4 on, two of them, kept in the last cell: 19 and 35.
    #[test]
    fn cells_of_a_check() {
        let check = LikelyCheck {
            says: String::new(),
            at: 4,
            stride: 16,
            entries: 2,
            stored: (15, 1),
            evidence: 30.0,
        };
        let kept: Vec<u32> = (0..80).filter(|c| check.keeps(*c)).collect();
        assert_eq!(kept, [19, 35]);
    }
}
