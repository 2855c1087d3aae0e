//! The entries of a group of chips as words.

use std::collections::{BTreeMap, HashSet};

use super::super::groups::Group;
use super::super::solve::Solved;

/// Every entry of every reading as a row of words, in the positions the lines have on the chips.
pub(super) struct Words {
    /// Number of lines of a word.
    pub(super) lines: u32,
    /// Slot of every unit, rising.
    pub(super) units: Vec<u32>,
    /// Reading and preset of every entry.
    pub(super) entries: Vec<(usize, usize)>,
    /// `values[unit][entry]`.
    pub(super) values: Vec<Vec<u64>>,
    /// Lines that belong to a control, a mask a unit.
    pub(super) claimed: Vec<u64>,
    /// Lines that differ between entries.
    pub(super) moving: Vec<u64>,
    /// Slots count up in the order of addresses, so that ranges of them mean something.
    pub(super) counted: bool,
}

/// Fewest entries that are worth a search.
const FEWEST: usize = 6;

/// Entries of more units than this are long.
const LONG: usize = 64;

impl Words {
    /// `None` where there is too little to look at.
    pub(super) fn new(solved: &Solved, group: &Group) -> Option<Self> {
        let readings = solved.experiment.plan.readings();
        let first = solved.structures.get(*group.structures.first()?)?;
        let presets = first.map.offset.len();
        let mut entries: Vec<(usize, usize)> = (0..readings)
            .flat_map(|r| (0..presets).map(move |p| (r, p)))
            .collect();
        let mut by_unit: BTreeMap<u32, Vec<u64>> = BTreeMap::new();
        let mut complete: BTreeMap<u32, usize> = BTreeMap::new();
        let mut known = vec![true; entries.len()];
        for &s in &group.structures {
            let e = &solved.structures[s];
            let len = e.space.len();
            let mut seen = HashSet::new();
            for &base in &e.bases {
                let unit = group.unit(e, base);
                if !seen.insert(unit) {
                    continue;
                }
                let row = by_unit
                    .entry(unit)
                    .or_insert_with(|| vec![0; entries.len()]);
                for (i, &(reading, preset)) in entries.iter().enumerate() {
                    let Some(address) = e.map.cell(base, preset, len) else {
                        known[i] = false;
                        continue;
                    };
                    let (chip, cell) = e.space.place(address);
                    let chip = &solved.experiment.chips[chip];
                    let (v, k) = (
                        chip.values[reading][cell as usize],
                        chip.known[reading][cell as usize],
                    );
                    known[i] &= k.count_ones() >= u32::from(e.space.width);
                    let at = group.position(s, 0)?;
                    row[i] |= u64::from(v) << at;
                }
                *complete.entry(unit).or_default() += 1;
            }
        }
        by_unit.retain(|unit, _| complete.get(unit) == Some(&group.structures.len()));
        let keep = |row: &[u64]| -> Vec<u64> {
            let pairs = row.iter().zip(&known);
            pairs.filter(|(_, k)| **k).map(|(v, _)| *v).collect()
        };
        let units: Vec<u32> = by_unit.keys().copied().collect();
        let values: Vec<Vec<u64>> = by_unit.values().map(|row| keep(row)).collect();
        let mut mask = known.iter();
        entries.retain(|_| mask.next().copied().unwrap_or(false));
        if entries.len() < FEWEST || units.len() < 2 {
            return None;
        }
        let mut claimed = vec![0u64; units.len()];
        for m in solved
            .found
            .iter()
            .flatten()
            .flat_map(|f| &f.bits)
            .flat_map(|b| &b.homes)
        {
            let c = &solved.columns[m.column];
            let Some(position) = group.position(c.structure, c.line) else {
                continue;
            };
            let unit = group.unit(&solved.structures[c.structure], c.base);
            if let Ok(at) = units.binary_search(&unit) {
                claimed[at] |= 1 << position;
            }
        }
        let moving = values
            .iter()
            .map(|row| row.iter().fold(0, |m, v| m | (v ^ row[0])))
            .collect();
        Some(Self {
            lines: group.total,
            units,
            entries,
            values,
            claimed,
            moving,
            counted: !first.map.xor,
        })
    }

    /// Whether a check could be kept in these units: they lie side by side, no control is there, and most lines of
    /// the lowest or highest of them move.
    pub(super) fn could_store(&self, units: &[usize]) -> bool {
        let there = |u: &usize| *u < self.units.len() && self.claimed[*u] == 0;
        let moves = |u: &usize| self.moving[*u].count_ones() * 2 >= self.lines;
        matches!(self.lines, 4..=8)
            && units.iter().all(there)
            && units
                .windows(2)
                .all(|w| self.units[w[1]] == self.units[w[0]] + 1)
            && units.iter().all(|u| self.moving[*u] != 0)
            && units.iter().any(moves)
    }

    /// Units in which what is covered by a check kept in these may begin naturally: the first, the first with a
    /// control, the one behind the check.
    pub(super) fn begins(&self, stored: &[usize]) -> [usize; 3] {
        let last = self.units.len() - 1;
        let claimed = self.claimed.iter().position(|c| *c != 0).unwrap_or(0);
        let behind = stored.last().map_or(0, |u| (u + 1).min(last));
        [0, claimed, behind]
    }

    /// The same for its end: the last, the last with a control, the one before the check.
    pub(super) fn ends(&self, stored: &[usize]) -> [usize; 3] {
        let last = self.units.len() - 1;
        let claimed = self.claimed.iter().rposition(|c| *c != 0).unwrap_or(last);
        let before = stored.first().map_or(last, |u| u.saturating_sub(1));
        [last, claimed, before]
    }

    /// First and last unit of every range that a check kept in these units may cover. Where slots have no order only
    /// the whole entry means something; in long entries only what begins or ends in a natural place is tried.
    pub(super) fn ranges(&self, stored: &[usize]) -> Vec<(usize, usize)> {
        let count = self.units.len();
        if !self.counted {
            return vec![(0, count - 1)];
        }
        if count <= LONG {
            let all = (0..count).flat_map(|from| (from..count).map(move |to| (from, to)));
            return all.collect();
        }
        let (begins, ends) = (self.begins(stored), self.ends(stored));
        let mut out: Vec<(usize, usize)> = (0..count)
            .flat_map(|u| {
                begins
                    .map(|b| (b, u))
                    .into_iter()
                    .chain(ends.map(|e| (u, e)))
            })
            .filter(|(from, to)| from <= to)
            .collect();
        out.sort_unstable();
        out.dedup();
        out
    }

    /// Bits of surprise that entries agree with a check, beside what columns of the same bias would: each different
    /// content of what is covered and stored counts once. Returns them with the number of different contents.
    pub(super) fn surprise(
        &self,
        stored: &[(usize, u64)],
        over: &[usize],
        fails: &[usize],
    ) -> (f64, usize) {
        let mut seen = HashSet::new();
        let mut rows: Vec<usize> = Vec::new();
        for e in 0..self.entries.len() {
            if fails.contains(&e) {
                continue;
            }
            let content: Vec<u64> = over
                .iter()
                .map(|u| self.values[*u][e])
                .chain(stored.iter().map(|(u, mask)| self.values[*u][e] & mask))
                .collect();
            if seen.insert(content) {
                rows.push(e);
            }
        }
        let n = rows.len() as f64;
        let mut bits = 0.0;
        for &(u, mask) in stored {
            for line in (0..self.lines).filter(|l| mask >> l & 1 == 1) {
                let ones = rows
                    .iter()
                    .filter(|e| self.values[u][**e] >> line & 1 == 1)
                    .count() as f64;
                for k in [ones, n - ones] {
                    bits -= k * ((k + 0.5) / (n + 1.0)).log2();
                }
            }
        }
        (bits, rows.len())
    }
}

/// Bits it takes to say which few of many entries fail.
pub(super) fn exceptions(fails: usize, of: usize) -> f64 {
    (0..fails)
        .map(|i| ((of - i) as f64 / (i + 1) as f64).log2())
        .sum()
}
