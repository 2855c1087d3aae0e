//! What every source says, and how far it is to be believed: measured where the truth is known.

use std::ops::Range;

use super::gather::Bench;
use super::witness::{Witness, testimony};
use super::{MendError, Sources};
use crate::codec::{Codes, Memory, low_mask};
use crate::image::ChipImage;
use crate::reading::Reading;

/// A source laid out for comparison.
pub(super) struct Source {
    /// The source in words.
    pub who: String,
    pub witness: Witness,
    pub codes: Codes,
    /// What it knows.
    pub memory: Memory,
    /// Chance that it holds the truth, by area, measured where the truth is known.
    pub reliable: Vec<f64>,
}

/// What is expected of a source before anything is compared: a rate of agreement, and how many values of
/// experience it is worth. Between visits owners edit one value in a hundred.
pub(super) const SAME: (f64, f64) = (0.99, 40.0);
/// The same for a source of which nothing is known beforehand.
pub(super) const UNSURE: (f64, f64) = (0.5, 2.0);
/// Weight of the whole bank's agreement beside that of the entry at hand, in values.
const WHOLE: f64 = 6.0;

impl Bench<'_> {
    /// Hears every other reading, as far as it can speak for what is damaged.
    pub(super) fn ask(
        &mut self,
        reading: &Reading,
        contents: (&[ChipImage], &[ChipImage]),
        sources: &Sources,
    ) -> Result<(), MendError> {
        let earlier = sources.earlier.as_ref().map(|e| &e.1);
        let named = sources
            .earlier
            .iter()
            .map(|e| (Witness::Earlier, e))
            .chain(sources.reads.iter().map(|r| (Witness::Read, r)))
            .chain(sources.alike.iter().map(|r| (Witness::Alike, r)));
        let layout = self.content.layout;
        let read = Memory::of(layout, reading)?;
        for (witness, (name, other)) in named {
            let memory = Memory::of(layout, other).map_err(|e| MendError::Other {
                name: name.clone(),
                says: e.to_string(),
            })?;
            if witness != Witness::Earlier && memory == read {
                return Err(MendError::Same { name: name.clone() });
            }
            let images = testimony(layout, (name, other), witness, contents, earlier)?;
            let memory = Memory::of_images(layout, &images.iter().collect::<Vec<_>>())?;
            let expected = match witness {
                Witness::Alike => UNSURE,
                _ => SAME,
            };
            let codes = self.content.codec.decode(&memory);
            let reliable = self.by_area(expected, |a, e, f| Some(codes.areas[a].get(e, f)));
            self.sources.push(Source {
                who: match witness {
                    Witness::Earlier => format!("the earlier reading {name} holds it"),
                    Witness::Read => format!("the read {name} shows it"),
                    Witness::Alike => format!("the bank {name} holds it"),
                },
                witness,
                codes,
                memory,
                reliable,
            });
        }
        Ok(())
    }

    /// Chance that a source holds the truth, by area. Each area is edited at its own rate: that others agree well says
    /// nothing for it, that they agree badly speaks against the source everywhere.
    pub(super) fn by_area(
        &self,
        (rate, weight): (f64, f64),
        other: impl Fn(usize, usize, usize) -> Option<(u64, u64)>,
    ) -> Vec<f64> {
        let areas = 0..self.content.shape.areas.len();
        let whole = self.agreement((rate, weight), areas.clone(), &other);
        let expected = (rate.min(whole), weight);
        areas
            .map(|a| self.agreement(expected, a..a + 1, &other))
            .collect()
    }

    /// Chance that a source holds the truth in some areas, from the values where the truth is known.
    pub(super) fn agreement(
        &self,
        expected: (f64, f64),
        areas: Range<usize>,
        other: impl Fn(usize, usize, usize) -> Option<(u64, u64)>,
    ) -> f64 {
        let (mut same, mut n, mut by_chance) = expected_counts(expected);
        for a in areas {
            let shape = &self.content.shape.areas[a];
            for &f in &shape.values {
                let full = low_mask(shape.fields[f].width);
                for e in 0..shape.entries {
                    let Some((x, kx)) = other(a, e, f) else {
                        continue;
                    };
                    let Some(truth) = self.codes.areas[a].code(e, f) else {
                        continue;
                    };
                    if kx == full {
                        n += 1.0;
                        same += f64::from(u8::from(x == truth));
                        by_chance += 1.0 / shape.fields[f].legal_codes.max(2.0);
                    }
                }
            }
        }
        corrected(same, n, by_chance)
    }

    pub(super) fn copy_agreement(&self) -> f64 {
        let (mut same, mut n) = (1.0, 2.0);
        for area in &self.content.layout.areas {
            for copy in &area.copies {
                for (p, q) in area.places.iter().zip(&copy.places) {
                    if let (Some(x), Some(y)) = (self.firm.bit(*p), self.firm.bit(*q)) {
                        n += 1.0;
                        same += f64::from(u8::from(x == y));
                    }
                }
            }
        }
        same / n
    }

    /// How reliable a source is for one entry: its agreement over the bank, weighed with its agreement there.
    pub(super) fn here(
        &self,
        a: usize,
        e: usize,
        whole: f64,
        other: impl Fn(usize) -> Option<(u64, u64)>,
    ) -> f64 {
        let shape = &self.content.shape.areas[a];
        let (mut same, mut n, mut by_chance) = (0.0, 0.0, 0.0);
        for &f in &shape.values {
            let (x, kx) = self.codes.areas[a].get(e, f);
            let Some((y, ky)) = other(f) else { continue };
            let known = kx & ky;
            if known == 0 {
                continue;
            }
            n += 1.0;
            same += f64::from(u8::from((x ^ y) & known == 0));
            by_chance += f64::from(known.count_ones()).exp2().recip();
        }
        let chance = if n > 0.0 { by_chance / n } else { 0.5 };
        let expected = whole + (1.0 - whole) * chance;
        // The bank's experience smooths already.
        let rate = (same + WHOLE * expected) / (n + WHOLE);
        ((rate - chance) / (1.0 - chance)).clamp(0.0, 0.999_99)
    }
}

/// An agreement with what chance alone would give taken out, and smoothed by one agreement and one dissent.
fn corrected(same: f64, n: f64, by_chance: f64) -> f64 {
    let rate = (same + 0.5) / (n + 1.0);
    let chance = if n > 0.0 { by_chance / n } else { 0.5 };
    ((rate - chance) / (1.0 - chance)).clamp(0.0, 0.999_99)
}

fn expected_counts((rate, weight): (f64, f64)) -> (f64, f64, f64) {
    (rate * weight, weight, 0.1 * weight)
}
