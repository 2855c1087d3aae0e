//! Checks and mirrored copies beside an earlier reading: whoever edits keeps them, and whatever flips does not.

use std::collections::HashSet;

use super::field::{BROKEN, broken, failed};
use super::given::Before;
use super::shape::verified;
use crate::codec::{LEANINGS, Memory, Open, checks, leaning};
use crate::evidence::{at_rate, marked};
use crate::layout::model::{BitPlace, Check};

/// Bits by which a check that held before breaks more rarely than one of which nothing is known: the layout is right
/// about it, and whoever saves keeps it (common practice, no source).
pub(super) const SINCE: f64 = 6.0;

/// Bits of a stored check that may have flipped where it does not fit what is told.
const FORGIVEN: u32 = 2;

/// Bits of a check that hardly holds by chance.
const SURE: u8 = 8;

impl Before<'_> {
    /// Cells under checks that hold now and are others than before by more than flips make them: what changed there was saved.
    pub(super) fn kept(&self, now: &Memory) -> HashSet<(u16, u32)> {
        let mut out = HashSet::new();
        for a in 0..self.content.layout.areas.len() {
            let wide = |c: &(usize, &Check)| c.1.width >= SURE;
            for (c, check) in self.content.verified(a).filter(wide) {
                let plan = &self.content.checks[a][c];
                for (i, instance) in check.instances.iter().enumerate() {
                    let (stored, before) = (
                        now.gather(&instance.stored),
                        self.memory.gather(&instance.stored),
                    );
                    let changed = (stored.0 ^ before.0) & stored.1 & before.1;
                    if changed.count_ones() > FORGIVEN
                        && matches!(plan.verdict(i, now), checks::Verdict::Holds)
                    {
                        out.extend(instance.words.bits().iter().map(|p| (p.chip, p.cell)));
                    }
                }
            }
        }
        out
    }

    /// Bits for the checks and copies of one entry that held before and that its edit did not keep, where a flipped bit is told
    /// at this price.
    pub(super) fn unkept(&self, a: usize, e: usize, edited: &Memory, price: f64) -> f64 {
        let area = &self.content.layout.areas[a];
        let mut bits = 0.0;
        for (c, check) in self.content.verified(a) {
            let plan = &self.content.checks[a][c];
            let of_entry = check.instances.iter().enumerate();
            for (i, instance) in of_entry.filter(|i| i.1.entry == Some(e)) {
                if self.fails[a][c][i] {
                    continue;
                }
                if let checks::Verdict::Fails { stored, computed } = plan.verdict(i, edited)
                    && (stored ^ computed).count_ones() > FORGIVEN
                {
                    let rests_on = instance.words.bits().len() + instance.stored.len();
                    bits += f64::from(check.width) + broken_by_flips((-price).exp2(), rests_on);
                }
            }
        }
        let changed = |p: &BitPlace| edited.difference(&self.memory, *p) >> p.line & 1 == 1;
        for copy in area.copies.iter().filter(|c| verified(c.policy)) {
            let range = e * area.bits_per_entry..(e + 1) * area.bits_per_entry;
            let pairs = area.places[range.clone()].iter().zip(&copy.places[range]);
            bits += BROKEN * pairs.filter(|(p, q)| changed(p) && !changed(q)).count() as f64;
        }
        bits
    }

    /// Where an edit was taken back as flips, a mirrored copy or a check that held before holds again.
    pub(super) fn restore_promises(&self, edited: &mut Memory) {
        for (a, area) in self.content.layout.areas.iter().enumerate() {
            for copy in &area.copies {
                for (p, q) in area.places.iter().zip(&copy.places) {
                    if edited.bit(*p) == self.memory.bit(*p) {
                        put(edited, *q, self.memory.bit(*q));
                    }
                }
            }
            for (c, check) in area.checks.iter().enumerate() {
                let plan = &self.content.checks[a][c];
                for (i, instance) in check.instances.iter().enumerate() {
                    if !self.fails[a][c][i] && !plan.touched(i, edited, &self.memory) {
                        continue;
                    }
                    let checks::Verdict::Fails { stored, computed } = plan.verdict(i, edited)
                    else {
                        continue;
                    };
                    let before = self.memory.gather(&instance.stored).0;
                    if (stored ^ computed).count_ones() <= FORGIVEN || before == computed {
                        edited.scatter(&instance.stored, computed);
                    }
                }
            }
        }
    }

    /// Bits for checks and mirrored copies that held before and no longer do. Of what rests on bits that are not seen only
    /// the seen ones show anything, since an edit may hide in the others. Where this share of all bits flipped, an edited
    /// entry may hold flips that nobody can place: its check fails as often as so many break it.
    pub(super) fn broken_since(&self, edited: &Memory, seen: Option<&Memory>, flipped: f64) -> f64 {
        let mut bits = 0.0;
        let hidden = |p: &BitPlace| seen.is_some_and(|s| s.bit(*p).is_none());
        for (a, area) in self.content.layout.areas.iter().enumerate() {
            for (c, check) in self.content.verified(a) {
                let plan = &self.content.checks[a][c];
                let (mut k, mut codes, mut by_flips) = (0, 0, 0.0);
                let mut open = [0.0; LEANINGS.len()];
                for (i, instance) in check.instances.iter().enumerate() {
                    if self.fails[a][c][i] || !plan.touched(i, edited, &self.memory) {
                        continue;
                    }
                    let stored = match plan.verdict(i, seen.unwrap_or(edited)) {
                        checks::Verdict::Holds => continue,
                        checks::Verdict::Fails { .. } => u32::from(check.width),
                        checks::Verdict::Undecided => match plan.open(i, seen.unwrap_or(edited)) {
                            Open::Fits { bits: told, .. } => {
                                open.iter_mut().zip(told).for_each(|(o, b)| *o += b);
                                continue;
                            }
                            Open::Broken(stored) => stored,
                        },
                    };
                    k += 1;
                    codes += u64::from(stored);
                    let rests_on = instance.words.bits().len() + instance.stored.len();
                    by_flips += broken_by_flips(flipped, rests_on);
                }
                let n = check.instances.len() as u64;
                let told = SINCE * k as f64 + failed(n, k, check.width);
                bits += told.min(by_flips) + codes as f64 + leaning(open);
            }
            for copy in area.copies.iter().filter(|c| verified(c.policy)) {
                let touched = |p: &BitPlace| edited.difference(&self.memory, *p) != 0;
                let differ =
                    |m: &Memory, p, q| matches!((m.bit(p), m.bit(q)), (Some(x), Some(y)) if x != y);
                let (mut k, mut unseen, mut other, mut all) = (0, 0, 0, 0);
                for (p, q) in area.places.iter().zip(&copy.places) {
                    all += u64::from(touched(p) || touched(q));
                    let new = (touched(p) || touched(q))
                        && differ(edited, *p, *q)
                        && !differ(&self.memory, *p, *q);
                    if hidden(p) || hidden(q) {
                        unseen += 1;
                        other += u64::from(new);
                    } else {
                        k += u64::from(new);
                    }
                }
                // Where bits flipped some did in what was edited, in either of the two.
                let by_flips = match flipped > 0.0 {
                    true => at_rate(all, k, 2.0 * flipped),
                    false => f64::INFINITY,
                };
                bits += broken(area.places.len() as u64, k).min(by_flips);
                if other > 0 {
                    bits += marked(unseen, other);
                }
            }
        }
        bits
    }
}

/// Bits for a check that fails over so many bits, where this share of all bits flipped.
fn broken_by_flips(flipped: f64, rests_on: usize) -> f64 {
    let whole = (1.0 - flipped).powf(rests_on as f64);
    (SINCE + BROKEN).min(-(1.0 - whole).log2())
}

fn put(memory: &mut Memory, place: BitPlace, bit: Option<bool>) {
    if let Some(bit) = bit {
        memory.set_bit(place, bit);
    }
}
