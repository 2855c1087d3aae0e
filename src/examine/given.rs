//! How many bits it takes to tell a bank when an earlier reading of it is at hand: what the owner edited since.

use std::collections::HashMap;

use super::changed::{
    ChangedArea, ChangedEntry, ChangedPromise, ChangedValue, Changes, Way, flipped, which,
};
use super::content::{Content, Told};
use super::field::BROKEN;
use super::many::{Chosen, Edited, Held, Places, Search};
use super::shape::{AreaShape, Kind};
use crate::codec::{AreaCodes, Codes, Memory, checks};
use crate::evidence::{log2_choose, marked, one_of};
use crate::layout::model::BitPlace;

/// Bits to say that an entry was emptied before some of its values were set (common practice, no source).
const EMPTIED_FIRST: f64 = 5.0;

/// Bits for broken checks and copies of one entry above which it is not looked whether they are broken.
const MOST_BROKEN: f64 = 200.0;

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
    /// Where the entries of each area stand.
    places: Vec<Places>,
    /// Which instances of each check of each area fail.
    pub(super) fails: Vec<Vec<Vec<bool>>>,
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

    /// A value as far as it is seen, what is not seen reading 0.
    fn masked(&self, a: usize, e: usize, f: usize) -> (u64, u64) {
        let (code, known) = self.get(a, e, f);
        (code & known, known)
    }
}

/// What the entries of an area hold now, as far as it is seen.
struct NowArea<'n> {
    shape: &'n AreaShape,
    now: &'n Now,
    a: usize,
}

impl Held for NowArea<'_> {
    fn code(&self, entry: usize, field: usize, code: u64, known: u64) -> bool {
        let (held, seen) = self.now.get(self.a, entry, field);
        (held ^ code) & known & seen == 0
    }

    fn same(&self, entry: usize, other: usize) -> bool {
        self.shape.values.iter().all(|f| {
            let (code, known) = self.now.get(self.a, other, *f);
            self.code(entry, *f, code, known)
        })
    }

    fn empty(&self, entry: usize) -> bool {
        let values = self.shape.values.iter();
        self.shape.emptied(
            &values
                .map(|f| self.now.masked(self.a, entry, *f))
                .collect::<Vec<_>>(),
        )
    }
}

/// A bank told from an earlier one.
pub(crate) struct Given {
    /// Bits for the edits.
    pub bits: f64,
    /// The contents after edits but before flips.
    pub edited: Memory,
    /// The edits.
    pub edits: Edited,
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
            places: content.shape.areas.iter().map(Places::new).collect(),
            fails,
        }
    }

    /// Whether an entry holds what some entry held before.
    pub(crate) fn held_before(&self, a: usize, values: &Vec<u64>) -> bool {
        self.by_value[a].contains_key(values)
    }

    /// Bits of the values of an entry that are other than before.
    pub(crate) fn edited_bits(&self, now: &Codes, a: usize, e: usize) -> usize {
        let shape = &self.content.shape.areas[a];
        let differs = |f: &&usize| {
            let ((x, kx), (y, ky)) = (now.areas[a].get(e, **f), self.codes.areas[a].get(e, **f));
            (x ^ y) & kx & ky != 0
        };
        let edited = shape.values.iter().filter(differs);
        edited.map(|f| usize::from(shape.fields[*f].width)).sum()
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
        let kept = self.kept(&now.memory);
        let changed = areas.map(|a| {
            let mut entries = self.changed_entries(a, now);
            for c in entries.iter_mut().filter(|_| !kept.is_empty()) {
                let area = &self.content.layout.areas[a];
                let fields = c.fields.iter();
                let mut places = fields.flat_map(|f| area.field_places(c.entry, *f));
                c.kept = places.any(|p| kept.contains(&(p.chip, p.cell)));
            }
            let shape = &self.content.shape.areas[a];
            let search = Search {
                shape,
                places: &self.places[a],
                changed: &entries,
                held: &NowArea { shape, now, a },
            };
            let mut many = search.candidates();
            // Whatever the changed bits are, what is not worth it among edits is not worth it among flips.
            let worth = Chosen::new(&many, &entries, shape.entries, None).which;
            let mut at = 0..many.len();
            many.retain(|_| at.next().is_some_and(|i| worth.contains(&i)));
            ChangedArea { entries, many }
        });
        let chips = 0..self.content.layout.chips.len();
        Changes {
            areas: changed.collect(),
            unclaimed: chips
                .map(|c| self.unclaimed_changes(c, &now.memory))
                .collect(),
        }
    }

    fn changed_entries(&self, a: usize, now: &Now) -> Vec<ChangedEntry> {
        let codes = &now.codes.areas[a];
        let shape = &self.content.shape.areas[a];
        let before = &self.codes.areas[a];
        let mut out = Vec::new();
        let mut differ = Vec::new();
        // The first of the changed entries that hold the same values now.
        let mut first_now: HashMap<Vec<u64>, usize> = HashMap::new();
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
            let held = values(self.content, a, codes, e);
            let held_before = self.by_value[a].contains_key(&held);
            let same = *first_now.entry(held).or_insert(e);
            let again = same != e || held_before;
            let row: f64 = shape.values.iter().map(|f| tells[*f]).sum();
            let row = if held_before {
                row.min((shape.entries.max(2) as f64).log2())
            } else {
                row
            };
            let held_now = shape.values.iter().map(|f| now.masked(a, e, *f));
            let held_now: Vec<(u64, u64)> = held_now.collect();
            let emptied = shape.emptied(&held_now);
            // What does not hold what emptying leaves was set after that.
            let set: Vec<usize> = shape.not_empty(&held_now).collect();
            let mut entry = ChangedEntry {
                entry: e,
                flips: 0,
                promises: Vec::new(),
                kept: false,
                fields: Vec::with_capacity(differ.len()),
                values: Vec::new(),
                // Of the values, those seen: where a cause hides the others, an edit hides there too.
                seen: held_now.iter().filter(|v| v.1 != 0).count() as u64,
                emptied,
                same,
                row,
                left: Vec::new(),
                whole: if emptied {
                    2.0
                } else {
                    let whole = self.whole(a, codes, e, &tells, again);
                    whole.min(after_emptying(shape, &set, &tells))
                },
            };
            for &(f, d) in &differ {
                let field = &shape.fields[f];
                entry.flips += d.count_ones();
                entry.fields.push(f);
                let promise = |tell| ChangedPromise {
                    field: f,
                    flips: d.count_ones(),
                    tell,
                };
                match field.kind {
                    Kind::Value(_) => {
                        let ((new, known), (old, was)) = (now.get(a, e, f), before.get(e, f));
                        entry.values.push(ChangedValue {
                            field: f,
                            new: new & known,
                            old: old & known,
                            known: known & was,
                            flips: ((new ^ old) & known & was).count_ones(),
                            tell: tells[f],
                            near: field.knob && new.abs_diff(old) <= NUDGE,
                        });
                    }
                    Kind::Constant(_) => entry.promises.push(promise(BROKEN)),
                    Kind::Reserved => {
                        // What never moved moves for no edit.
                        let (code, known) = codes.get(e, f);
                        let model = self.told.models[a][f].as_ref();
                        let told = model.map_or(0.0, |m| m.bits(field, code, known));
                        entry.promises.push(promise(2.0 + told));
                    }
                    Kind::Skipped => {}
                }
            }
            if !emptied && shape.mostly_emptied(&held_now) {
                let is_set = |v: &ChangedValue| set.contains(&v.field);
                // What is set as it was before could not be told from what was never emptied.
                if entry.values.iter().filter(|v| is_set(v)).count() == set.len() {
                    let values = entry.values.iter().enumerate();
                    entry.left = values.filter(|v| !is_set(v.1)).map(|v| v.0).collect();
                }
            }
            out.push(entry);
        }
        out
    }

    /// Bits for an edit of a whole entry: all values, a copy of another entry as it was or is (`again`), or the same edit as
    /// the first voice had.
    fn whole(&self, a: usize, codes: &AreaCodes, e: usize, tells: &[f64], again: bool) -> f64 {
        let shape = &self.content.shape.areas[a];
        let mut best = 2.0 + shape.values.iter().map(|f| tells[*f]).sum::<f64>();
        if again {
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
        let (mut bits, mut flips) = (0.0, 0);
        let mut edits = Edited::default();
        for (a, changed) in changes.areas.iter().enumerate() {
            let entries = self.content.shape.areas[a].entries;
            let chosen = Chosen::new(&changed.many, &changed.entries, entries, price);
            let many = chosen.which.iter().map(|c| &changed.many[*c]);
            let alike = many.map(|m| m.alike(a, &changed.entries));
            edits.alike.extend(alike);
            let (area_bits, touched) = self.tell_area(
                (a, changed, &chosen),
                price,
                &mut edited,
                &mut flips,
                limit - bits,
            );
            bits += area_bits;
            edits.entries.push(touched);
            if bits > limit {
                return None;
            }
        }
        if price.is_some() {
            self.restore_promises(&mut edited);
        }
        bits += self.tell_spare(&changes.unclaimed, price, &mut edited, &mut flips);
        let chips = self.content.layout.chips.iter();
        let all: u64 = chips.map(|c| u64::from(c.words) * u64::from(c.width)).sum();
        let seen = now.seen.as_ref().map(|s| edited.masked(&s.0));
        bits += self.broken_since(&edited, seen.as_ref(), flips as f64 / all.max(1) as f64);
        (bits <= limit).then_some(Given {
            bits,
            edited,
            edits,
        })
    }

    fn tell_area(
        &self,
        (a, changed, chosen): (usize, &ChangedArea, &Chosen),
        price: Option<f64>,
        edited: &mut Memory,
        flips: &mut u64,
        limit: f64,
    ) -> (f64, Vec<usize>) {
        let area = &self.content.layout.areas[a];
        let entries = self.content.shape.areas[a].entries;
        let mut bits = chosen.bits;
        let (mut named, mut touched) = (Vec::new(), Vec::new());
        for (i, c) in changed.entries.iter().enumerate() {
            let own = |j: usize| !chosen.tells(i, j);
            let told = c.told(price, &own);
            let mut restore = |f: usize| self.restore(edited, area.field_places(c.entry, f));
            let mut taken_back = 0;
            if let (Way::Partly, Some(price)) = (told.way, price) {
                let values = c.values.iter().enumerate().filter(|(j, _)| own(*j));
                for (_, v) in values.filter(|(_, v)| flipped(v, price)) {
                    restore(v.field);
                    taken_back += u64::from(v.flips);
                }
                for p in c.promises.iter().filter(|p| p.flipped(price)) {
                    restore(p.field);
                    taken_back += u64::from(p.flips);
                }
            }
            let all_flipped = match (told.way, price) {
                (Way::Flips, _) => true,
                _ if c.kept => false,
                // An edit keeps the checks and copies over its entry, and where it did not, nothing may have been edited.
                (_, Some(price)) if (0..c.values.len()).all(own) => {
                    let edit = told.with_flips() + one_of(entries);
                    let all = f64::from(c.flips) * price;
                    all < edit + MOST_BROKEN && all < edit + self.unkept(a, c.entry, edited, price)
                }
                _ => false,
            };
            if all_flipped {
                for f in &c.fields {
                    self.restore(edited, area.field_places(c.entry, *f));
                }
                *flips += u64::from(c.flips);
                continue;
            }
            *flips += taken_back;
            touched.push(c.entry);
            if told.named {
                named.push(c.entry);
            }
            bits += told.bits;
            if bits > limit {
                break;
            }
        }
        bits += which(entries as u64, &named);
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

    fn tell_spare(
        &self,
        changes: &[Vec<(u32, u8)>],
        price: Option<f64>,
        edited: &mut Memory,
        flips: &mut u64,
    ) -> f64 {
        let mut bits = 0.0;
        for spare in &self.content.shape.spare {
            let (chip, changes) = (spare.chip, &changes[spare.chip]);
            let line = 1u8 << spare.line;
            let changed = || changes.iter().filter(|c| c.1 & line != 0).map(|c| c.0);
            let k = changed().count();
            if k == 0 {
                continue;
            }
            let told = 2.0 + marked(spare.cells.len() as u64, k as u64);
            if price.is_some_and(|p| k as f64 * p < told) {
                changed().for_each(|cell| edited.flip(chip, cell, line));
                *flips += k as u64;
            } else {
                bits += told;
            }
        }
        bits
    }

    /// Cells of a chip where unclaimed lines changed, with those lines.
    fn unclaimed_changes(&self, chip: usize, now: &Memory) -> Vec<(u32, u8)> {
        let masks = [now.known_cells(chip), self.memory.known_cells(chip)];
        let cells = now.cells(chip).iter().zip(self.memory.cells(chip));
        let cells = cells.zip(&self.content.shape.unclaimed[chip]).enumerate();
        let changed = cells.filter_map(|(cell, ((now, before), mask))| {
            let changed = (now ^ before) & mask;
            if changed == 0 {
                return None;
            }
            let changed = masks.iter().flatten().fold(changed, |c, k| c & k[cell]);
            (changed != 0).then_some((cell as u32, changed))
        });
        changed.collect()
    }
}

/// Bits for an entry that was emptied and in which some values were set after that.
fn after_emptying(shape: &AreaShape, set: &[usize], tells: &[f64]) -> f64 {
    let (n, k) = (shape.values.len() as u64, set.len() as u64);
    let told: f64 = set.iter().map(|f| tells[*f]).sum();
    EMPTIED_FIRST + log2_choose(n, k) + (k as f64 + 1.0).log2() * 2.0 + told
}

/// The values of an entry, unknown bits reading 0.
pub(crate) fn values(content: &Content, a: usize, codes: &AreaCodes, e: usize) -> Vec<u64> {
    let shape = &content.shape.areas[a];
    shape.values.iter().map(|f| codes.get(e, *f).0).collect()
}
