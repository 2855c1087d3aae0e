//! Counts that tell more as a picture than as numbers: codes by value, dissent by read, change by direction.

use std::collections::BTreeMap;

use crate::bank::Decoded;
use crate::image::ChipImage;
use crate::layout::model::{Coding, Control};
use crate::reading::Reading;

/// Codes on each side that a code's neighbourhood reaches.
const REACH: usize = 4;
/// Count of its neighbours from which on an unseen code is called missing: were it as likely as they are, it would
/// stay unseen less than once in a hundred (e^-5 = 0.0067, by the Poisson law).
const LIKELY: u64 = 5;
/// Widths that come from a converter rather than a switch.
const CONVERTED: std::ops::RangeInclusive<u8> = 4..=12;

/// How often each code was seen in the controls of one width.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Histogram {
    /// Bits of the code.
    pub width: u8,
    /// Names of the controls counted.
    pub controls: Vec<String>,
    /// Values counted.
    pub values: u64,
    /// Times each code was seen, from 0.
    pub counts: Vec<u64>,
    /// Codes never seen although their neighbours are common.
    pub missing: Vec<u64>,
}

/// Histograms of the knobs and sliders of a reading, by width of their codes. Offset and inverted codes are counted
/// as stored: the converter made the code, whatever the panel reads.
pub fn histograms(decoded: &Decoded<'_>) -> Vec<Histogram> {
    let mut by_width: BTreeMap<u8, Histogram> = BTreeMap::new();
    for (area, codes) in decoded.layout.areas.iter().zip(&decoded.codes.areas) {
        for parameter in &area.parameters {
            let turned = matches!(parameter.control, Control::Knob | Control::Slider);
            let coded = !matches!(parameter.coding, Coding::Text(_) | Coding::OneHot);
            let width = area.fields[parameter.fields.start].width;
            if !turned || !coded || parameter.alias_of.is_some() || !CONVERTED.contains(&width) {
                continue;
            }
            let histogram = by_width.entry(width).or_insert_with(|| Histogram {
                width,
                controls: Vec::new(),
                values: 0,
                counts: vec![0; 1 << width],
                missing: Vec::new(),
            });
            histogram.controls.push(parameter.label.clone());
            for entry in 0..area.entries() {
                let code = codes.code(entry, parameter.fields.start);
                let slot = code.and_then(|c| histogram.counts.get_mut(c as usize));
                if let Some(count) = slot {
                    *count += 1;
                    histogram.values += 1;
                }
            }
        }
    }
    let mut all: Vec<Histogram> = by_width.into_values().collect();
    for histogram in &mut all {
        histogram.missing = missing(&histogram.counts);
    }
    all
}

/// Codes between the lowest and the highest one seen that are absent where their neighbours are common. The middle
/// one of the neighbours decides, so that one favourite setting does not make its surroundings look common.
fn missing(counts: &[u64]) -> Vec<u64> {
    let first = counts.iter().position(|c| *c > 0).unwrap_or(0);
    let last = counts.iter().rposition(|c| *c > 0).unwrap_or(0);
    (first..=last)
        .filter(|&code| {
            let from = code.saturating_sub(REACH);
            let to = (code + REACH + 1).min(counts.len());
            let mut near: Vec<u64> = (from..to)
                .filter(|c| *c != code)
                .map(|c| counts[c])
                .collect();
            near.sort_unstable();
            counts[code] == 0
                && near
                    .get(near.len() / 2)
                    .is_some_and(|middle| *middle >= LIKELY)
        })
        .map(|code| code as u64)
        .collect()
}

/// Bits of one data line of a chip, and how many of them differ.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LineCount {
    /// The chip's id.
    pub chip: String,
    /// Data line.
    pub line: u8,
    /// Bits that were 1 and are 0; of dissent, bits on which reads differ.
    pub fell: u64,
    /// Bits that were 0 and are 1; of dissent, none.
    pub rose: u64,
}

/// Change between two readings, by data line and direction, as the bits lie in the chip.
pub fn directions(before: &Reading, after: &Reading) -> Vec<LineCount> {
    let mut out = Vec::new();
    for (one, other) in before.chips.iter().zip(&after.chips) {
        for line in 0..one.image.width() {
            let mut count = LineCount {
                chip: one.id.clone(),
                line,
                fell: 0,
                rose: 0,
            };
            for cell in 0..one.image.words() {
                match (one.image.bit(cell, line), other.image.bit(cell, line)) {
                    (Some(true), Some(false)) => count.fell += 1,
                    (Some(false), Some(true)) => count.rose += 1,
                    _ => {}
                }
            }
            out.push(count);
        }
    }
    out
}

/// Dissent over several reads of the same chips.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Dissent {
    /// Bits on which each read stands against the majority.
    pub by_read: Vec<u64>,
    /// Bits on which the reads differ, by data line.
    pub by_line: Vec<LineCount>,
    /// Bits that all reads know.
    pub bits: u64,
}

/// Counts dissent; reads are aligned with the same layout.
pub fn dissent(reads: &[&Reading]) -> Dissent {
    let mut out = Dissent {
        by_read: vec![0; reads.len()],
        ..Dissent::default()
    };
    let Some(first) = reads.first() else {
        return out;
    };
    for (c, chip) in first.chips.iter().enumerate() {
        let images: Vec<&ChipImage> = reads
            .iter()
            .filter_map(|r| r.chips.get(c).map(|x| &x.image))
            .collect();
        for line in 0..chip.image.width() {
            let mut differ = 0;
            for cell in 0..chip.image.words() {
                let bits: Vec<Option<bool>> = images.iter().map(|i| i.bit(cell, line)).collect();
                if bits.len() != reads.len() || bits.iter().any(Option::is_none) {
                    continue;
                }
                out.bits += 1;
                let ones = bits.iter().filter(|b| **b == Some(true)).count();
                if ones == 0 || ones == bits.len() {
                    continue;
                }
                differ += 1;
                // Where as many say 1 as say 0 there is no majority to stand against.
                let majority = (ones * 2 != bits.len()).then_some(ones * 2 > bits.len());
                for (count, bit) in out.by_read.iter_mut().zip(&bits) {
                    *count += u64::from(majority.is_some() && *bit != majority);
                }
            }
            out.by_line.push(LineCount {
                chip: chip.id.clone(),
                line,
                fell: differ,
                rose: 0,
            });
        }
    }
    out
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use crate::reading::ChipReading;

    fn reading(cells: &[u8]) -> Reading {
        let image = ChipImage::from_cells(2, cells).unwrap();
        Reading::new(vec![ChipReading::new("A", image)])
    }

    #[test]
    fn direction_is_told_line_by_line() {
        let counts = directions(&reading(&[0b01, 0b11, 0b00]), &reading(&[0b10, 0b01, 0b10]));
        let told: Vec<_> = counts.iter().map(|c| (c.line, c.fell, c.rose)).collect();
        assert_eq!(told, [(0, 1, 0), (1, 1, 2)]);
    }

    #[test]
    fn the_odd_read_out_stands_against_the_majority() {
        let reads = [reading(&[1, 2]), reading(&[1, 2]), reading(&[0, 3])];
        let d = dissent(&reads.iter().collect::<Vec<_>>());
        assert_eq!(d.by_read, [0, 0, 2]);
        assert_eq!(d.bits, 4);
        let by_line: Vec<_> = d.by_line.iter().map(|l| l.fell).collect();
        assert_eq!(by_line, [2, 0]);
    }

    #[test]
    fn a_gap_among_common_codes_is_missing_and_a_gap_among_rare_ones_is_not() {
        let mut counts = vec![6; 16];
        counts[8] = 0;
        assert_eq!(missing(&counts), [8]);
        let mut rare = vec![2; 16];
        rare[8] = 0;
        assert_eq!(missing(&rare), Vec::<u64>::new());
        let mut peak = vec![1; 16];
        (peak[7], peak[8]) = (900, 0);
        assert_eq!(missing(&peak), Vec::<u64>::new());
        assert_eq!(missing(&[0; 16]), Vec::<u64>::new());
    }
}
