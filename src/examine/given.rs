//! How many bits it takes to tell a bank when an earlier reading of it is at hand: what the owner edited since.

use std::collections::HashMap;

use super::content::{Content, Told};
use super::field::{BROKEN, broken};
use super::shape::{Kind, verified};
use crate::codec::{AreaCodes, Codes, Memory, checks};
use crate::evidence::{log2_choose, marked};
use crate::layout::model::BitPlace;

/// Bits to say how an entry was edited: some values, everything, or copied from elsewhere (common practice, no source).
const EDITED: f64 = 3.0;

/// Bits by which a check that held before breaks more rarely than one of which nothing is known: the layout is right
/// about it, and whoever saves keeps it (common practice, no source).
const SINCE: f64 = 6.0;

/// Codes by which a knob saved again may differ without having been moved (common practice, no source).
pub(crate) const NUDGE: u64 = 4;

/// An earlier reading, told.
pub(crate) struct Before<'a> {
    pub content: &'a Content<'a>,
    pub memory: Memory,
    pub codes: Codes,
    pub told: Told,
    /// Entries of each area by their values.
    by_value: Vec<HashMap<Vec<u64>, usize>>,
    /// Which instances of each check of each area fail.
    fails: Vec<Vec<Vec<bool>>>,
}

/// A bank to be told from an earlier one.
pub(crate) struct Now {
    memory: Memory,
    codes: Codes,
    /// Which bits are seen, where some were filled in from the earlier reading: those cost nothing to tell.
    seen: Option<(Memory, Codes)>,
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
            Some((_, seen)) => (code, known & seen.areas[a].get(e, f).1),
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

/// One value of an entry that changed.
struct ChangedValue {
    field: usize,
    /// Bits that differ, of those seen.
    flips: u32,
    /// Bits to tell the new code.
    tell: f64,
    /// Whether the code moved as little as a knob saved again does.
    near: bool,
}

/// One entry that changed, with what it takes to tell the change in each way that does not depend on which of the
/// changes are taken for flips.
struct ChangedEntry {
    entry: usize,
    flips: u32,
    /// Bits for constants and reserved bits that changed.
    promises: f64,
    /// Every field that changed, of any kind.
    fields: Vec<usize>,
    values: Vec<ChangedValue>,
    /// Values seen.
    seen: u64,
    /// The cheapest of telling all its values, naming an entry that held them, and following the first voice.
    whole: f64,
}

/// What changed in a bank since the earlier reading, by area.
pub(crate) struct Changes(Vec<Vec<ChangedEntry>>);

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
        let fails = (0..content.layout.areas.len())
            .map(|a| {
                let checks = content.layout.areas[a].checks.iter().enumerate();
                let all = checks.map(|(c, check)| {
                    let instances = 0..check.instances.len();
                    let verdict = |i| content.checks[a][c].verdict(i, &memory);
                    instances
                        .map(|i| matches!(verdict(i), checks::Verdict::Fails { .. }))
                        .collect()
                });
                all.collect()
            })
            .collect();
        Self {
            content,
            memory,
            codes,
            told,
            by_value,
            fails,
        }
    }

    /// Prepares a bank for telling; `seen` knows only the bits that were not filled in from the earlier reading.
    pub(crate) fn now(&self, memory: Memory, seen: Option<Memory>) -> Now {
        Now {
            codes: self.content.codec.decode(&memory),
            seen: seen.map(|s| {
                let codes = self.content.codec.decode(&s);
                (s, codes)
            }),
            memory,
        }
    }

    /// What changed, entry by entry.
    pub(crate) fn changes(&self, now: &Now) -> Changes {
        let areas = 0..now.codes.areas.len();
        Changes(areas.map(|a| self.changed_entries(a, now)).collect())
    }

    fn changed_entries(&self, a: usize, now: &Now) -> Vec<ChangedEntry> {
        let codes = &now.codes.areas[a];
        let shape = &self.content.shape.areas[a];
        let before = &self.codes.areas[a];
        let mut out = Vec::new();
        let mut differ = Vec::new();
        let mut tells = vec![0.0; shape.fields.len()];
        for e in 0..shape.entries {
            differ.clear();
            for f in 0..shape.fields.len() {
                let ((x, kx), (y, ky)) = (codes.get(e, f), before.get(e, f));
                let d = (x ^ y) & kx & ky;
                if d != 0 {
                    differ.push((f, d));
                }
            }
            if differ.is_empty() {
                continue;
            }
            for f in &shape.values {
                let (code, known) = now.get(a, e, *f);
                tells[*f] = self.told.models[a][*f]
                    .as_ref()
                    .map_or(0.0, |m| m.bits(&shape.fields[*f], code, known));
            }
            let mut entry = ChangedEntry {
                entry: e,
                flips: 0,
                promises: 0.0,
                fields: Vec::with_capacity(differ.len()),
                values: Vec::new(),
                // Of the values, those seen: where a cause hides the others, an edit hides there too.
                seen: shape
                    .values
                    .iter()
                    .filter(|f| now.get(a, e, **f).1 != 0)
                    .count() as u64,
                whole: self.whole(a, codes, e, &tells),
            };
            for &(f, d) in &differ {
                let field = &shape.fields[f];
                entry.flips += d.count_ones();
                entry.fields.push(f);
                match field.kind {
                    Kind::Value(_) => {
                        let ((new, known), (old, was)) = (now.get(a, e, f), before.get(e, f));
                        entry.values.push(ChangedValue {
                            field: f,
                            flips: ((new ^ old) & known & was).count_ones(),
                            tell: tells[f],
                            near: field.knob && new.abs_diff(old) <= NUDGE,
                        });
                    }
                    Kind::Constant(_) => entry.promises += BROKEN,
                    Kind::Reserved => entry.promises += 2.0 + f64::from(field.width),
                    Kind::Skipped => {}
                }
            }
            out.push(entry);
        }
        out
    }

    /// Bits for an edit of a whole entry: all values, a copy of another entry, or the same edit as the first voice
    /// had.
    fn whole(&self, a: usize, codes: &AreaCodes, e: usize, tells: &[f64]) -> f64 {
        let shape = &self.content.shape.areas[a];
        let mut best = 2.0 + shape.values.iter().map(|f| tells[*f]).sum::<f64>();
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
                .map(|f| tells[*f])
                .sum();
            best = best.min(2.0 + log2_choose(same + differ, differ) + differ as f64 + told);
        }
        best
    }

    /// Tells `now`. With a price, changed bits that look more like single flips than like an edit are left out of
    /// the edits (at that many bits each) and must be told as flips by the caller.
    ///
    /// Nothing where it takes more bits than the limit.
    pub(crate) fn tell(
        &self,
        now: &Now,
        changes: &Changes,
        price: Option<f64>,
        limit: f64,
    ) -> Option<Given> {
        let mut edited = now.memory.clone();
        let mut bits = 0.0;
        let mut entries = Vec::new();
        for (a, changed) in changes.0.iter().enumerate() {
            let (area_bits, touched) = self.tell_area(a, changed, price, &mut edited, limit - bits);
            bits += area_bits;
            entries.push(touched);
            if bits > limit {
                return None;
            }
        }
        if price.is_some() {
            self.restore_promises(&mut edited);
        }
        bits += self.tell_spare(price, &mut edited);
        bits += self.broken_since(&edited, now.seen.as_ref().map(|s| &s.0));
        (bits <= limit).then_some(Given {
            bits,
            edited,
            entries,
        })
    }

    fn tell_area(
        &self,
        a: usize,
        changed: &[ChangedEntry],
        price: Option<f64>,
        edited: &mut Memory,
        limit: f64,
    ) -> (f64, Vec<usize>) {
        let area = &self.content.layout.areas[a];
        let entries = self.content.shape.areas[a].entries;
        let mut bits = 0.0;
        let mut touched = Vec::new();
        for c in changed {
            let all = || c.values.iter();
            let whole = EDITED + c.promises + c.edit(all());
            let mut edit = whole;
            if let Some(price) = price {
                // Of an edited entry, single values may have flipped; of an untouched one, all of them.
                let kept = |v: &&ChangedValue| f64::from(v.flips) * price >= v.tell + 3.0;
                let back = || all().filter(|v| !kept(v));
                let flipped: f64 = back().map(|v| f64::from(v.flips) * price).sum();
                let some = EDITED + c.promises + c.edit(all().filter(kept)) + flipped;
                let mut restore = |f: usize| self.restore(edited, area.field_places(c.entry, f));
                if f64::from(c.flips) * price < whole.min(some) {
                    c.fields.iter().copied().for_each(restore);
                    continue;
                }
                if some < whole {
                    back().for_each(|v| restore(v.field));
                    edit = some - flipped;
                }
            }
            touched.push(c.entry);
            bits += edit;
            if bits > limit {
                break;
            }
        }
        bits += which(entries as u64, &touched);
        (bits, touched)
    }

    /// Puts the bits of a field back to what they were.
    fn restore(&self, edited: &mut Memory, places: &[BitPlace]) {
        let mut rest = places;
        while let Some(first) = rest.first() {
            // All bits in one cell at once.
            let same = |p: &&BitPlace| (p.chip, p.cell) == (first.chip, first.cell);
            let n = rest.iter().take_while(same).count();
            let (cell, others) = rest.split_at(n);
            rest = others;
            let changed = edited.difference(&self.memory, *first);
            let lines = cell.iter().fold(0u8, |lines, p| lines | 1 << p.line);
            edited.flip(usize::from(first.chip), first.cell, changed & lines);
        }
    }

    /// Where an edit was taken back as flips, a mirrored copy or a check that held before holds again.
    fn restore_promises(&self, edited: &mut Memory) {
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
                    if (stored ^ computed).count_ones() <= 2 || before == computed {
                        edited.scatter(&instance.stored, computed);
                    }
                }
            }
        }
    }

    /// Bits for checks and mirrored copies that held before and no longer do. What rests on bits that are not seen shows
    /// nothing, since an edit may hide there: what is seen of it is told bit by bit.
    fn broken_since(&self, edited: &Memory, seen: Option<&Memory>) -> f64 {
        let mut bits = 0.0;
        let hidden = |p: &BitPlace| seen.is_some_and(|s| s.bit(*p).is_none());
        for (a, area) in self.content.layout.areas.iter().enumerate() {
            for (c, check) in self.content.verified(a) {
                let plan = &self.content.checks[a][c];
                let fails = |i| matches!(plan.verdict(i, edited), checks::Verdict::Fails { .. });
                let mut k = 0;
                for (i, instance) in check.instances.iter().enumerate() {
                    if self.fails[a][c][i] || !plan.touched(i, edited, &self.memory) {
                        continue;
                    }
                    match seen.map(|s| (plan.verdict(i, s), s.gather(&instance.stored).1)) {
                        Some((checks::Verdict::Undecided, known)) => {
                            bits += f64::from(known.count_ones());
                        }
                        _ => k += u64::from(fails(i)),
                    }
                }
                bits += SINCE * k as f64
                    + broken(check.instances.len() as u64, k)
                    + (k * u64::from(check.width)) as f64;
            }
            for copy in area.copies.iter().filter(|c| verified(c.policy)) {
                let touched = |p: &BitPlace| edited.difference(&self.memory, *p) != 0;
                let differ =
                    |m: &Memory, p, q| matches!((m.bit(p), m.bit(q)), (Some(x), Some(y)) if x != y);
                let (mut k, mut unseen, mut other) = (0, 0, 0);
                for (p, q) in area.places.iter().zip(&copy.places) {
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
                bits += broken(area.places.len() as u64, k);
                if other > 0 {
                    bits += marked(unseen, other);
                }
            }
        }
        bits
    }

    fn tell_spare(&self, price: Option<f64>, edited: &mut Memory) -> f64 {
        let mut bits = 0.0;
        // The changed cells of a chip with the unclaimed lines that changed.
        let (mut chip, mut changes) = (usize::MAX, Vec::new());
        for spare in &self.content.shape.spare {
            if spare.chip != chip {
                chip = spare.chip;
                changes = self.unclaimed_changes(chip, edited);
            }
            let line = 1u8 << spare.line;
            let changed = || changes.iter().filter(|c| c.1 & line != 0).map(|c| c.0);
            let k = changed().count();
            if k == 0 {
                continue;
            }
            let told = 2.0 + marked(spare.cells.len() as u64, k as u64);
            if price.is_some_and(|p| k as f64 * p < told) {
                changed().for_each(|cell| edited.flip(chip, cell, line));
            } else {
                bits += told;
            }
        }
        bits
    }

    /// Cells of a chip where unclaimed lines changed, with those lines.
    fn unclaimed_changes(&self, chip: usize, edited: &Memory) -> Vec<(u32, u8)> {
        let (now, before) = (edited.cells(chip), self.memory.cells(chip));
        let masks = [edited.known_cells(chip), self.memory.known_cells(chip)];
        let mut out = Vec::new();
        for (cell, mask) in self.content.shape.unclaimed[chip].iter().enumerate() {
            let known = masks.iter().flatten().fold(*mask, |m, k| m & k[cell]);
            let changed = (now[cell] ^ before[cell]) & known;
            if changed != 0 {
                out.push((cell as u32, changed));
            }
        }
        out
    }
}

impl ChangedEntry {
    /// Bits for an edit of some of its changed values: as some values, as the whole entry, or as a preset saved
    /// again with its knobs read a few codes off (noise, or a worn track), whichever is the cheapest.
    fn edit<'v>(&self, values: impl Iterator<Item = &'v ChangedValue>) -> f64 {
        let (mut k, mut told, mut nudged) = (0u64, 0.0, 4.0);
        for v in values {
            k += 1;
            told += v.tell;
            nudged += if v.near { 3.2 } else { 3.0 + v.tell };
        }
        if k == 0 {
            return 0.0;
        }
        let which = log2_choose(self.seen, k);
        // Most edits move a few values, hence a falling prior on their number (common practice, no source).
        let some = which + (k as f64 + 1.0).log2() * 2.0 + told;
        some.min(self.whole).min(which + nudged)
    }
}

/// Bits to say which of `n` entries were edited, given in order: any of them, or in a few stretches, since what stands side
/// by side is often edited together.
fn which(n: u64, edited: &[usize]) -> f64 {
    let k = edited.len() as u64;
    if k < 2 {
        return marked(n, k);
    }
    let runs = edited.chunk_by(|a, b| a + 1 == *b).count() as u64;
    let counts = ((n + 1) as f64).log2() + (k as f64).log2();
    let stretches = counts + log2_choose(k - 1, runs - 1) + log2_choose(n + 1 - k, runs);
    1.0 + marked(n, k).min(stretches)
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
