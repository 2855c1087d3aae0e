//! How many bits it takes to tell a bank when an earlier reading of it is at hand: what the owner edited since.

use std::collections::HashMap;

use super::content::{Content, Told};
use super::field::{BROKEN, broken};
use super::shape::{Kind, verified};
use crate::codec::{AreaCodes, Codes, Memory, checks};
use crate::evidence::{log2_choose, marked};
use crate::layout::model::{BitPlace, CheckInstance};

/// Bits to say how an entry was edited: some values, everything, or copied from elsewhere.
const EDITED: f64 = 3.0;

/// Codes by which a knob saved again may differ without having been moved.
pub(crate) const NUDGE: u64 = 4;

/// An earlier reading, told.
pub(crate) struct Before<'a> {
    pub content: &'a Content<'a>,
    pub memory: Memory,
    pub codes: Codes,
    pub told: Told,
    /// Entries of each area by their values.
    by_value: Vec<HashMap<Vec<u64>, usize>>,
}

/// A bank to be told from an earlier one.
pub(crate) struct Now {
    memory: Memory,
    codes: Codes,
    /// Which bits are seen, where some were filled in from the earlier reading: those cost nothing to tell.
    seen: Option<Codes>,
}

impl Now {
    /// The whole contents.
    pub(crate) fn memory(&self) -> &Memory {
        &self.memory
    }

    /// A value as far as it is seen.
    fn get(&self, a: usize, e: usize, f: usize) -> (u64, u64) {
        let (code, known) = self.codes.areas[a].get(e, f);
        match &self.seen {
            Some(seen) => (code, known & seen.areas[a].get(e, f).1),
            None => (code, known),
        }
    }
}

/// A bank told from an earlier one.
pub(crate) struct Given {
    /// Bits for the edits.
    pub bits: f64,
    /// The contents after edits but before flips.
    pub edited: Memory,
    /// Entries taken as edited, by area.
    pub entries: Vec<Vec<usize>>,
}

impl<'a> Before<'a> {
    pub(crate) fn new(content: &'a Content<'a>, memory: Memory) -> Self {
        let codes = content.codec.decode(&memory);
        let told = content.tell(&memory);
        let by_value = codes
            .areas
            .iter()
            .enumerate()
            .map(|(a, codes)| {
                let mut map = HashMap::new();
                for e in 0..content.shape.areas[a].entries {
                    map.entry(values(content, a, codes, e)).or_insert(e);
                }
                map
            })
            .collect();
        Self {
            content,
            memory,
            codes,
            told,
            by_value,
        }
    }

    /// Prepares a bank for telling; `seen` knows only the bits that were not filled in from the earlier reading.
    pub(crate) fn now(&self, memory: Memory, seen: Option<&Memory>) -> Now {
        Now {
            codes: self.content.codec.decode(&memory),
            seen: seen.map(|s| self.content.codec.decode(s)),
            memory,
        }
    }

    /// Tells `now`. With a price, changed bits that look more like single flips than like an edit are left out of
    /// the edits (at that many bits each) and must be told as flips by the caller.
    pub(crate) fn tell(&self, now: &Now, price: Option<f64>) -> Given {
        let mut edited = now.memory.clone();
        let mut bits = 0.0;
        let mut entries = Vec::new();
        for a in 0..now.codes.areas.len() {
            let (area_bits, touched) = self.tell_area(a, now, price, &mut edited);
            bits += area_bits;
            entries.push(touched);
        }
        if price.is_some() {
            self.restore_promises(&mut edited);
        }
        bits += self.tell_spare(price, &mut edited);
        bits += self.broken_since(&edited);
        Given {
            bits,
            edited,
            entries,
        }
    }

    fn tell_area(
        &self,
        a: usize,
        now: &Now,
        price: Option<f64>,
        edited: &mut Memory,
    ) -> (f64, Vec<usize>) {
        let codes = &now.codes.areas[a];
        let area = &self.content.layout.areas[a];
        let shape = &self.content.shape.areas[a];
        let before = &self.codes.areas[a];
        let mut bits = 0.0;
        let mut touched = Vec::new();
        for e in 0..shape.entries {
            let mut flips = 0u32;
            let mut changed = Vec::new();
            let mut promises = 0.0;
            for (f, field) in shape.fields.iter().enumerate() {
                let ((x, kx), (y, ky)) = (codes.get(e, f), before.get(e, f));
                let d = (x ^ y) & kx & ky;
                if d == 0 {
                    continue;
                }
                flips += d.count_ones();
                match field.kind {
                    Kind::Value(_) => changed.push(f),
                    Kind::Constant(_) => promises += BROKEN,
                    Kind::Reserved => promises += 2.0 + f64::from(field.width),
                    Kind::Skipped => {}
                }
            }
            if flips == 0 {
                continue;
            }
            let whole = EDITED + promises + self.edit(a, now, e, &changed);
            let mut edit = whole;
            if let Some(price) = price {
                // Of an edited entry, single values may have flipped; of an untouched one, all of them.
                let (kept, back) = self.sift(a, now, e, &changed, price);
                let some = EDITED + promises + self.edit(a, now, e, &kept) + back.1;
                if f64::from(flips) * price < whole.min(some) {
                    let at = e * area.bits_per_entry;
                    for p in &area.places[at..at + area.bits_per_entry] {
                        put(edited, *p, self.memory.bit(*p));
                    }
                    continue;
                }
                if some < whole {
                    for f in back.0 {
                        for p in area.field_places(e, f) {
                            put(edited, *p, self.memory.bit(*p));
                        }
                    }
                    edit = some - back.1;
                }
            }
            touched.push(e);
            bits += edit;
        }
        bits += marked(shape.entries as u64, touched.len() as u64);
        (bits, touched)
    }

    /// Splits the changed values of an edited entry into those that look edited and those that look flipped, with
    /// the bits for the latter.
    fn sift(
        &self,
        a: usize,
        now: &Now,
        e: usize,
        changed: &[usize],
        price: f64,
    ) -> (Vec<usize>, (Vec<usize>, f64)) {
        let shape = &self.content.shape.areas[a];
        let (mut kept, mut back, mut bits) = (Vec::new(), Vec::new(), 0.0);
        for &f in changed {
            let ((x, kx), (y, ky)) = (now.get(a, e, f), self.codes.areas[a].get(e, f));
            let flips = f64::from(((x ^ y) & kx & ky).count_ones()) * price;
            let model = self.told.models[a][f].as_ref();
            let tell = model.map_or(0.0, |m| m.bits(&shape.fields[f], x, kx));
            if flips < tell + 3.0 {
                back.push(f);
                bits += flips;
            } else {
                kept.push(f);
            }
        }
        (kept, (back, bits))
    }

    /// Bits for an edit of an entry: the cheapest of some values, all values, a copy of another entry, or the same
    /// edit as the first voice had.
    fn edit(&self, a: usize, now: &Now, e: usize, changed: &[usize]) -> f64 {
        if changed.is_empty() {
            return 0.0;
        }
        let codes = &now.codes.areas[a];
        let shape = &self.content.shape.areas[a];
        let models = &self.told.models[a];
        let tell = |f: usize| {
            let (code, known) = now.get(a, e, f);
            models[f]
                .as_ref()
                .map_or(0.0, |m| m.bits(&shape.fields[f], code, known))
        };
        // Of the values, those seen: where a cause hides the others, an edit hides there too.
        let seen = shape.values.iter().filter(|f| now.get(a, e, **f).1 != 0);
        let n = seen.count() as u64;
        let k = changed.len() as u64;
        // Most edits move a few values, hence a falling prior on their number.
        let some = log2_choose(n, k)
            + (k as f64 + 1.0).log2() * 2.0
            + changed.iter().map(|f| tell(*f)).sum::<f64>();
        let all = 2.0 + shape.values.iter().map(|f| tell(*f)).sum::<f64>();
        let mut best = some
            .min(all)
            .min(log2_choose(n, k) + self.nudged(a, codes, e, changed, &tell));
        if self.by_value[a].contains_key(&values(self.content, a, codes, e)) {
            best = best.min(2.0 + (shape.entries.max(2) as f64).log2());
        }
        let first = shape.first_voice[e];
        if first != e {
            let (same, differ) = self.content.likeness(a, codes, e, first);
            let told: f64 = shape
                .values
                .iter()
                .filter(|f| codes.get(e, **f) != codes.get(first, **f))
                .map(|f| tell(*f))
                .sum();
            best = best.min(2.0 + log2_choose(same + differ, differ) + differ as f64 + told);
        }
        best
    }

    /// Bits for a preset saved again with its knobs read a few codes off: noise, or a worn track.
    fn nudged(
        &self,
        a: usize,
        codes: &AreaCodes,
        e: usize,
        changed: &[usize],
        tell: &dyn Fn(usize) -> f64,
    ) -> f64 {
        let shape = &self.content.shape.areas[a];
        changed.iter().fold(4.0, |bits, f| {
            let (new, old) = (codes.get(e, *f).0, self.codes.areas[a].get(e, *f).0);
            let near = shape.fields[*f].knob && new.abs_diff(old) <= NUDGE;
            bits + if near { 3.2 } else { 3.0 + tell(*f) }
        })
    }

    /// Where an edit was taken back as flips, a mirrored copy or a check that held before holds again.
    fn restore_promises(&self, edited: &mut Memory) {
        for area in &self.content.layout.areas {
            for copy in &area.copies {
                for (p, q) in area.places.iter().zip(&copy.places) {
                    if edited.bit(*p) == self.memory.bit(*p) {
                        put(edited, *q, self.memory.bit(*q));
                    }
                }
            }
            for check in &area.checks {
                for instance in &check.instances {
                    let checks::Verdict::Fails { stored, computed } =
                        checks::verdict(check, instance, edited)
                    else {
                        continue;
                    };
                    let before = self.memory.gather(&instance.stored).0;
                    if (stored ^ computed).count_ones() <= 2 || before == computed {
                        edited.scatter(&instance.stored, computed);
                    }
                }
            }
        }
    }

    /// Bits for checks and mirrored copies that held before and no longer do.
    fn broken_since(&self, edited: &Memory) -> f64 {
        let changed = edited.changed(&self.memory);
        if !changed.iter().flatten().any(|c| *c) {
            return 0.0;
        }
        let touched = |p: &BitPlace| {
            changed
                .get(usize::from(p.chip))
                .is_some_and(|c| c[p.cell as usize])
        };
        let mut bits = 0.0;
        for area in &self.content.layout.areas {
            for check in area.checks.iter().filter(|c| verified(c.policy)) {
                let fails = |i: &CheckInstance, m: &Memory| {
                    matches!(checks::verdict(check, i, m), checks::Verdict::Fails { .. })
                };
                let k = check
                    .instances
                    .iter()
                    .filter(|i| i.words.iter().flatten().chain(&i.stored).any(touched))
                    .filter(|i| fails(i, edited) && !fails(i, &self.memory))
                    .count() as u64;
                bits +=
                    broken(check.instances.len() as u64, k) + (k * u64::from(check.width)) as f64;
            }
            for copy in area.copies.iter().filter(|c| verified(c.policy)) {
                let differ =
                    |m: &Memory, p, q| matches!((m.bit(p), m.bit(q)), (Some(x), Some(y)) if x != y);
                let k = area
                    .places
                    .iter()
                    .zip(&copy.places)
                    .filter(|(p, q)| touched(p) || touched(q))
                    .filter(|(p, q)| differ(edited, **p, **q) && !differ(&self.memory, **p, **q))
                    .count() as u64;
                bits += broken(area.places.len() as u64, k);
            }
        }
        bits
    }

    fn tell_spare(&self, price: Option<f64>, edited: &mut Memory) -> f64 {
        let mut bits = 0.0;
        for spare in &self.content.shape.spare {
            let place = |cell: u32| BitPlace {
                chip: spare.chip as u16,
                cell,
                line: spare.line,
                inverted: false,
            };
            let changed: Vec<u32> = spare
                .cells
                .iter()
                .copied()
                .filter(
                    |c| match (edited.bit(place(*c)), self.memory.bit(place(*c))) {
                        (Some(x), Some(y)) => x != y,
                        _ => false,
                    },
                )
                .collect();
            if changed.is_empty() {
                continue;
            }
            let told = 2.0 + marked(spare.cells.len() as u64, changed.len() as u64);
            if price.is_some_and(|p| changed.len() as f64 * p < told) {
                for c in changed {
                    put(edited, place(c), self.memory.bit(place(c)));
                }
            } else {
                bits += told;
            }
        }
        bits
    }
}

fn put(memory: &mut Memory, place: BitPlace, bit: Option<bool>) {
    if let Some(bit) = bit {
        memory.set_bit(place, bit);
    }
}

/// The values of an entry, unknown bits reading 0.
pub(crate) fn values(content: &Content, a: usize, codes: &AreaCodes, e: usize) -> Vec<u64> {
    let shape = &content.shape.areas[a];
    shape.values.iter().map(|f| codes.get(e, *f).0).collect()
}
