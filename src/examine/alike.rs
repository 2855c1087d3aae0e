//! Entries told by other entries: voices that agree with one of their preset, repeats, the rest of a bank that nobody
//! filled.

use std::collections::HashMap;

use super::content::Content;
use super::field::ln_gamma;
use super::shape::AreaShape;
use crate::codec::AreaCodes;
use crate::evidence::{log2_choose, one_of};

/// How an entry is told.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Mode {
    /// On its own.
    Own,
    /// As the model voice of the same preset, but for a few values.
    Voice,
    /// As an earlier entry, exactly.
    Repeat(usize),
    /// Blank.
    Blank,
}

/// Bits to say in which of four ways each entry is told; all alike is common (common practice, no source).
pub(super) fn kinds(counts: &[u64; 4]) -> f64 {
    let n: u64 = counts.iter().sum();
    if counts.contains(&n) {
        return 2.0;
    }
    1.0 + log2_choose(n, counts[0])
        + log2_choose(n - counts[0], counts[1])
        + log2_choose(n - counts[0] - counts[1], counts[2])
        + log2_choose(n + 3, 3)
}

/// Bits to say which earlier entry each repeat repeats; what is repeated often is cheap to repeat again.
pub(super) fn sources(modes: &[Mode]) -> f64 {
    const BELIEF: f64 = 0.1;
    let mut counts: HashMap<usize, u32> = HashMap::new();
    for mode in modes {
        if let Mode::Repeat(from) = mode {
            *counts.entry(*from).or_default() += 1;
        }
    }
    let all = modes.len() as f64 * BELIEF;
    let n: u32 = counts.values().sum();
    let ln = ln_gamma(f64::from(n) + all)
        - ln_gamma(all)
        - counts
            .values()
            .map(|c| ln_gamma(f64::from(*c) + BELIEF) - ln_gamma(BELIEF))
            .sum::<f64>();
    if n == 0 {
        0.0
    } else {
        ln / std::f64::consts::LN_2
    }
}

/// A number that values which are alike share, and others hardly ever.
pub(super) fn digest(values: &[(u64, u64)]) -> u64 {
    let mix = |hash: u64, v: u64| (hash.rotate_left(5) ^ v).wrapping_mul(0x9e37_79b9_7f4a_7c15);
    values
        .iter()
        .fold(0, |hash, (code, known)| mix(mix(hash, *code), *known))
}

impl Content<'_> {
    /// The order in which entries are told, each preset's model voice first, with the model voice of every entry and
    /// the bits to name the model voices.
    ///
    /// The model voice is the one that agrees best with the others, whichever it is: voices are exchangeable, so
    /// exchanging the boards they lie on must neither save nor cost anything.
    pub(super) fn model_voices(&self, a: usize, rows: &Rows) -> (Vec<usize>, Vec<usize>, Vec<f64>) {
        let shape = &self.shape.areas[a];
        let seen = |e: &usize| rows.of(*e).iter().any(|v| v.1 != 0);
        let mut groups = shape.presets();
        groups.iter_mut().for_each(|g| g.retain(seen));
        let mut order = Vec::with_capacity(shape.entries);
        let mut references: Vec<usize> = (0..shape.entries).collect();
        let mut naming = vec![0.0; shape.entries];
        let groups = groups.iter().filter(|g| !g.is_empty());
        for group in groups.step_by(self.step) {
            let mut scores = vec![0u64; group.len()];
            for (i, e) in group.iter().enumerate() {
                for (j, o) in group.iter().enumerate().skip(i + 1) {
                    let same = rows.likeness(*e, *o).0;
                    scores[i] += same;
                    scores[j] += same;
                }
            }
            let most = scores.iter().copied().max().unwrap_or(0);
            let at = scores.iter().position(|s| *s == most).unwrap_or(0);
            let equal = scores.iter().filter(|s| **s == most).count();
            order.push(group[at]);
            order.extend(group.iter().copied().filter(|e| *e != group[at]));
            for e in group {
                references[*e] = group[at];
            }
            naming[group[at]] = one_of(group.len()) - one_of(equal);
        }
        (order, references, naming)
    }

    /// The first of the presets from which on all hold the same, as the rest of a bank that nobody filled does
    /// (common practice, no source), named by its first voice; nothing where only the last one does. One of
    /// its entries shows every bit that a later one shows.
    pub(super) fn tail(&self, a: usize, codes: &AreaCodes) -> Option<usize> {
        let shape = &self.shape.areas[a];
        // Of each value the bits known of it from the last entry on backwards.
        let mut rest = vec![(0u64, 0u64); shape.values.len()];
        let mut alike = Vec::new();
        let mut unlike = None;
        let mut order: Vec<usize> = (0..shape.entries).collect();
        order.sort_by_key(|e| std::cmp::Reverse(shape.first_voice[*e]));
        for e in order {
            if unlike.is_some_and(|u| shape.first_voice[e] < u) {
                break;
            }
            let now = || shape.values.iter().map(|f| codes.get(e, *f));
            if now().zip(&rest).all(|(n, r)| (n.0 ^ r.0) & n.1 & r.1 == 0) {
                for (n, r) in now().zip(&mut rest) {
                    *r = (r.0 | n.0 & n.1, r.1 | n.1);
                }
                alike.push(e);
            } else {
                unlike = Some(shape.first_voice[e]);
            }
        }
        let shows = |e: &usize| {
            shape
                .values
                .iter()
                .zip(&rest)
                .all(|(f, r)| codes.get(*e, *f).1 == r.1)
        };
        let place = |e: &usize| shape.first_voice[*e];
        alike.retain(|e| unlike != Some(place(e)));
        let seen = |e: &usize| shape.values.iter().any(|f| codes.get(*e, *f).1 != 0);
        let first = alike
            .iter()
            .filter(|e| seen(e) && shows(e))
            .map(place)
            .min()?;
        alike
            .iter()
            .any(|e| seen(e) && place(e) > first)
            .then_some(first)
    }

    /// An entry told before that shows all this one does, where this one is seen in part.
    pub(super) fn covered(
        &self,
        a: usize,
        rows: &Rows,
        key: &[(u64, u64)],
        told: &[usize],
    ) -> Option<usize> {
        let shape = &self.shape.areas[a];
        let mut values = shape.values.iter().zip(key);
        if values.all(|(f, (_, known))| *known == self.full(a, *f)) {
            return None;
        }
        let covers = |o: &usize| {
            let mut pairs = rows.of(*o).iter().zip(key);
            pairs.all(|((c, k), (code, known))| known & !k == 0 && (c ^ code) & known == 0)
        };
        told.iter().copied().find(covers)
    }

    /// Values of two entries that agree and that differ, where both are known.
    pub(crate) fn likeness(&self, a: usize, codes: &AreaCodes, e: usize, o: usize) -> (u64, u64) {
        let row = |e| {
            self.shape.areas[a]
                .values
                .iter()
                .map(move |f| codes.get(e, *f))
        };
        likeness(row(e), row(o))
    }
}

/// Values of two rows that agree and that differ, where both are known.
fn likeness(
    x: impl Iterator<Item = (u64, u64)>,
    y: impl Iterator<Item = (u64, u64)>,
) -> (u64, u64) {
    let (mut same, mut both) = (0, 0);
    for ((x, kx), (y, ky)) in x.zip(y) {
        let known = kx & ky;
        both += u64::from(known != 0);
        same += u64::from(known != 0 && (x ^ y) & known == 0);
    }
    (same, both - same)
}

/// The values of every entry of an area with their known bits, side by side.
pub(super) struct Rows {
    values: Vec<(u64, u64)>,
    wide: usize,
}

impl Rows {
    pub(super) fn new(shape: &AreaShape, codes: &AreaCodes) -> Self {
        let entries = 0..shape.entries;
        let row = |e| shape.values.iter().map(move |f| codes.get(e, *f));
        Self {
            values: entries.flat_map(row).collect(),
            wide: shape.values.len(),
        }
    }

    /// The values of an entry.
    pub(super) fn of(&self, entry: usize) -> &[(u64, u64)] {
        &self.values[entry * self.wide..(entry + 1) * self.wide]
    }

    /// As [`Content::likeness`].
    pub(super) fn likeness(&self, e: usize, o: usize) -> (u64, u64) {
        let row = |e| self.of(e).iter().copied();
        likeness(row(e), row(o))
    }
}
