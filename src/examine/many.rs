//! What an owner did alike in many entries, told once: one control set to one code or shifted by one amount, entries
//! emptied or filled with one and the same.
//!
//! Told entry by entry it looks like a fault: a switch set alike in forty presets is forty changed bits on one line. Told
//! at once it takes which control, how, and in which entries, however many these are. A fault of a line, a chip or the
//! converter is not confined to one control, and so gains nothing by it.

#[cfg(test)]
mod tests;

use std::collections::BTreeMap;

use super::changed::{ChangedEntry, ChangedValue, EDITED, which};
use super::shape::AreaShape;
use crate::evidence::one_of;

/// Bits to say that a control was changed alike in many entries, before saying which (common practice, no source).
const ALIKE: f64 = 5.0;
/// Bits by which shifting a control by one amount is rarer than setting it to one code (common practice, no source).
const SHIFTED: f64 = 3.0;
/// Fewest entries that are many.
const MANY: usize = 3;
/// Widest field, in bits, that is looked at.
const WIDEST: u8 = 16;
/// Changes of one area that are looked at, those that promise most first.
const MOST: usize = 24;

/// What was done alike.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum How {
    /// One field was set to this code, as far as it is seen.
    Set(usize, u64),
    /// One field was shifted by this much.
    Shifted(usize, i64),
    /// Entries were emptied.
    Emptied,
    /// Entries were filled with one and the same.
    Filled,
}

/// What was done alike in many entries of an area.
#[derive(Clone, Debug)]
pub(crate) struct Many {
    pub(crate) how: How,
    /// Bits to tell it.
    bits: f64,
    /// Places of the changed entries, each with the places of the values told by it among those that changed.
    members: Vec<Member>,
}

/// The place of a changed entry, with the places of those of its changed values that are told.
type Member = (usize, Vec<usize>);

impl Many {
    /// What was done alike, among the changes of an area.
    pub(super) fn alike(&self, area: usize, changed: &[ChangedEntry]) -> Alike {
        Alike {
            area,
            how: self.how,
            entries: self.members.iter().map(|m| changed[m.0].entry).collect(),
        }
    }
}

/// What was done alike, as it was told.
#[derive(Clone, Debug)]
pub(crate) struct Alike {
    pub(crate) area: usize,
    pub(crate) how: How,
    /// The entries concerned, in order.
    pub(crate) entries: Vec<usize>,
}

/// What was edited since an earlier reading.
#[derive(Clone, Debug, Default)]
pub(crate) struct Edited {
    /// The entries edited, by area.
    pub(crate) entries: Vec<Vec<usize>>,
    /// What was done alike in many of them.
    pub(crate) alike: Vec<Alike>,
}

impl Edited {
    /// The entries of an area.
    pub(crate) fn of(&self, area: usize) -> &[usize] {
        self.entries.get(area).map_or(&[], Vec::as_slice)
    }
}

/// Where an entry stands among the presets of its area, and which of their voices it is.
pub(super) struct Places {
    of: Vec<(usize, usize)>,
    presets: Vec<Vec<usize>>,
}

impl Places {
    pub(super) fn new(shape: &AreaShape) -> Self {
        let presets = shape.presets();
        let mut of = vec![(0, 0); shape.entries];
        for (p, group) in presets.iter().enumerate() {
            for (v, e) in group.iter().enumerate() {
                of[*e] = (p, v);
            }
        }
        Self { of, presets }
    }

    /// Bits to say in which entries, given in order, a control was changed alike: any, those of whole presets, or those of
    /// one voice. An entry that `holds` what the others were set to may be one of them.
    fn which(&self, entries: &[usize], holds: &dyn Fn(usize) -> bool) -> f64 {
        let any = stretched(self.of.len(), entries, holds);
        let voices = self.presets.iter().map(Vec::len).max().unwrap_or(1);
        if voices < 2 {
            return any;
        }
        let n = self.presets.len();
        let within = |e: &usize| entries.binary_search(e).is_ok() || holds(*e);
        let whole = |p: usize| self.presets[p].iter().all(within);
        let mut presets: Vec<usize> = entries.iter().map(|e| self.of[*e].0).collect();
        presets.sort_unstable();
        presets.dedup();
        let mut best = any;
        if presets.iter().all(|p| whole(*p)) {
            best = best.min(stretched(n, &presets, &whole));
        }
        let voice = self.of[entries[0]].1;
        if entries.iter().all(|e| self.of[*e].1 == voice) {
            let hold = |p: usize| self.presets[p].get(voice).is_some_and(|e| holds(*e));
            best = best.min(one_of(voices) + stretched(n, &presets, &hold));
        }
        one_of(3) + best
    }
}

/// Bits to say which of `n` are meant, given in order, where what `holds` already may be meant too.
fn stretched(n: usize, meant: &[usize], holds: &dyn Fn(usize) -> bool) -> f64 {
    let mut closed = Vec::with_capacity(meant.len());
    for pair in meant.windows(2) {
        closed.push(pair[0]);
        let gap = pair[0] + 1..pair[1];
        if gap.clone().all(holds) {
            closed.extend(gap);
        }
    }
    closed.extend(meant.last());
    which(n as u64, &closed).min(which(n as u64, meant))
}

/// Most bits that an entry may save where one of its values is told elsewhere.
fn promised(entry: &ChangedEntry, value: &ChangedValue, n: usize) -> f64 {
    let (k, seen) = (entry.values.len() as f64, entry.seen as f64);
    let named = if k > 1.0 { 0.0 } else { EDITED + one_of(n) };
    let single = value.tell + 3.0 + ((seen - k + 1.0).max(1.0) / k).log2();
    named + single.min(entry.whole)
}

/// What entries hold now.
pub(super) trait Held {
    /// Whether an entry holds this code of a field, as far as these bits are seen.
    fn code(&self, entry: usize, field: usize, code: u64, known: u64) -> bool;
    /// Whether an entry holds what another holds.
    fn same(&self, entry: usize, other: usize) -> bool;
    /// Whether an entry is empty.
    fn empty(&self, entry: usize) -> bool;
}

/// The changes of one area, in search of what was done alike.
pub(super) struct Search<'c> {
    pub(super) shape: &'c AreaShape,
    pub(super) places: &'c Places,
    pub(super) changed: &'c [ChangedEntry],
    pub(super) held: &'c dyn Held,
}

impl Search<'_> {
    /// What may have been done alike, the most promising first: for each what it takes to tell it.
    pub(super) fn candidates(&self) -> Vec<Many> {
        let mut found = Vec::new();
        if self.changed.len() >= MANY {
            self.fields(&mut found);
            self.rows(&mut found);
        }
        found.sort_by(|a, b| b.0.total_cmp(&a.0));
        found.truncate(MOST);
        found.into_iter().map(|f| f.1).collect()
    }

    /// Whole entries emptied, or filled with one and the same.
    fn rows(&self, found: &mut Vec<(f64, Many)>) {
        let mut emptied = Vec::new();
        let mut filled: BTreeMap<usize, Vec<Member>> = BTreeMap::new();
        for (i, c) in self.changed.iter().enumerate() {
            let member = (i, (0..c.values.len()).collect());
            if c.emptied {
                emptied.push(member);
            } else {
                if !c.left.is_empty() {
                    emptied.push((i, c.left.clone()));
                }
                filled.entry(c.same).or_default().push(member);
            }
        }
        found.extend(self.row(How::Emptied, 1.0, emptied, &|e| self.held.empty(e)));
        for (first, members) in filled {
            let Some(told) = members.first().map(|m| 1.0 + self.changed[m.0].row) else {
                continue;
            };
            let same = |e: usize| self.held.same(e, first);
            found.extend(self.row(How::Filled, told, members, &same));
        }
    }

    /// Whole entries changed alike, with the most that telling it once may save.
    fn row(
        &self,
        how: How,
        told: f64,
        members: Vec<Member>,
        holds: &dyn Fn(usize) -> bool,
    ) -> Option<(f64, Many)> {
        if members.len() < MANY {
            return None;
        }
        let entries: Vec<usize> = members.iter().map(|m| self.changed[m.0].entry).collect();
        let bits = ALIKE + told + self.places.which(&entries, holds);
        let each = members.iter().map(|m| EDITED + self.changed[m.0].whole);
        let most = each.sum::<f64>() + which(self.shape.entries as u64, &entries);
        (most > bits).then_some((most - bits, Many { how, bits, members }))
    }

    /// Single controls set or shifted alike.
    fn fields(&self, found: &mut Vec<(f64, Many)>) {
        let mut by_field: Vec<Vec<(usize, usize)>> = vec![Vec::new(); self.shape.fields.len()];
        for (i, entry) in self.changed.iter().enumerate() {
            for (j, value) in entry.values.iter().enumerate() {
                by_field[value.field].push((i, j));
            }
        }
        let value = |m: &(usize, usize)| &self.changed[m.0].values[m.1];
        for (field, members) in by_field.iter_mut().enumerate() {
            let width = self.shape.fields[field].width;
            if members.len() < MANY || width > WIDEST {
                continue;
            }
            let legal = self.shape.fields[field].legal_codes.max(1.0).log2();
            members.sort_unstable_by_key(|m| (value(m).known, value(m).new, m.0));
            let alike = |a: &(usize, usize), b: &(usize, usize)| {
                let (a, b) = (value(a), value(b));
                (a.known, a.new) == (b.known, b.new)
            };
            for run in members.chunk_by(alike).filter(|r| r.len() >= MANY) {
                let v = value(&run[0]);
                let told = 1.0 + v.tell.min(legal.min(f64::from(v.known.count_ones())));
                found.extend(self.field(How::Set(field, v.new), v.known, told, run));
            }
            if width < 3 {
                continue;
            }
            let full = crate::codec::low_mask(width);
            members.retain(|m| value(m).known == full);
            members.sort_unstable_by_key(|m| (value(m).step(), m.0));
            let step = |a: &(usize, usize), b: &(usize, usize)| value(a).step() == value(b).step();
            for run in members.chunk_by(step).filter(|r| r.len() >= MANY) {
                // Up or down, and by so much; by little is as likely as by much.
                let told = SHIFTED + 1.0 + f64::from(width);
                let how = How::Shifted(field, value(&run[0]).step());
                found.extend(self.field(how, full, told, run));
            }
        }
    }

    /// One control changed alike, with the most that telling it once may save.
    fn field(
        &self,
        how: How,
        known: u64,
        told: f64,
        members: &[(usize, usize)],
    ) -> Option<(f64, Many)> {
        let n = self.shape.entries;
        let before = ALIKE + 1.0 + one_of(self.shape.values.len()) + told;
        let most = members.iter().map(|(i, j)| {
            let entry = &self.changed[*i];
            promised(entry, &entry.values[*j], n)
        });
        let most: f64 = most.sum();
        // Most do not even save what naming one stretch takes.
        if most <= before + 1.0 + ((n + 1) as f64).log2() {
            return None;
        }
        let entries: Vec<usize> = members.iter().map(|m| self.changed[m.0].entry).collect();
        let holds = |e: usize| match how {
            How::Set(field, code) => self.held.code(e, field, code, known),
            _ => false,
        };
        let bits = before + self.places.which(&entries, &holds);
        (most > bits).then(|| {
            let members = members.iter().map(|(i, j)| (*i, vec![*j])).collect();
            (most - bits, Many { how, bits, members })
        })
    }
}

/// Marks which of so many values are told.
fn mark(told: &mut Vec<bool>, by: &[usize], n: usize) {
    told.resize(n, false);
    for j in by {
        if let Some(t) = told.get_mut(*j) {
            *t = true;
        }
    }
}

/// What of an area's changes is told as done alike in many entries.
#[derive(Default)]
pub(super) struct Chosen {
    /// Places among the candidates.
    pub(super) which: Vec<usize>,
    /// Bits to tell them.
    pub(super) bits: f64,
    /// For each changed entry which of its values need no more telling; empty where none does.
    told: Vec<Vec<bool>>,
}

impl Chosen {
    /// Whether a value of a changed entry is told already.
    pub(super) fn tells(&self, entry: usize, value: usize) -> bool {
        let told = self.told.get(entry).and_then(|t| t.get(value));
        told.copied().unwrap_or(false)
    }

    /// Chooses of the candidates those that make the changes of an area of `n` entries shorter to tell, at this price for a
    /// flipped bit.
    pub(super) fn new(
        candidates: &[Many],
        changed: &[ChangedEntry],
        n: usize,
        price: Option<f64>,
    ) -> Self {
        let mut out = Self::default();
        if candidates.is_empty() {
            return out;
        }
        out.told = vec![Vec::new(); changed.len()];
        let cost = |i: usize, told: &[bool]| {
            let own = |j: usize| !told.get(j).copied().unwrap_or(false);
            let told = changed[i].told(price, &own);
            (told.with_flips(), told.named)
        };
        let mut costs: Vec<(f64, bool)> = (0..changed.len()).map(|i| cost(i, &[])).collect();
        let named = |costs: &[(f64, bool)]| {
            let named = changed.iter().zip(costs).filter(|c| c.1.1);
            which(n as u64, &named.map(|c| c.0.entry).collect::<Vec<_>>())
        };
        let mut naming = named(&costs);
        let mut told = Vec::new();
        // What the members cost without a candidate, to be put back where it does not pay.
        let mut without: Vec<(f64, bool)> = Vec::new();
        for (c, many) in candidates.iter().enumerate() {
            let mut saved = naming - many.bits;
            let mut renamed = false;
            without.clear();
            for (i, told_by) in &many.members {
                told.clone_from(&out.told[*i]);
                mark(&mut told, told_by, changed[*i].values.len());
                let (before, after) = (costs[*i], cost(*i, &told));
                without.push(before);
                renamed |= before.1 != after.1;
                saved += before.0 - after.0;
                costs[*i] = after;
            }
            let now = if renamed { named(&costs) } else { naming };
            if saved > now {
                naming = now;
                out.which.push(c);
                out.bits += many.bits;
                for (i, told_by) in &many.members {
                    mark(&mut out.told[*i], told_by, changed[*i].values.len());
                }
            } else {
                for ((i, _), cost) in many.members.iter().zip(&without) {
                    costs[*i] = *cost;
                }
            }
        }
        out
    }
}
