//! Where an explanation beside an earlier reading spends its bits, cell by cell: what a further cause can save is there.
//!
//! After many edits of one kind most of what changed is told in a few bits, and counting changed cells says little of
//! where something is odd.

use super::cause::Shared;
use super::changed::ChangedEntry;
use super::facts;
use super::field::BROKEN;
use super::given::Before;
use super::many::{Alike, Edited, How};
use super::misses::{compare, fill, misses};
use super::shape::verified;
use super::since::SINCE;
use super::weigh::{Bench, Explanation, memory_of};
use crate::codec::Memory;
use crate::evidence::one_of;
use crate::image::ChipImage;
use crate::layout::model::BitPlace;

/// Bits that a changed bit takes where it is not told yet, roughly: one in a value that was set anew.
const ANEW: f64 = 2.0;

/// Share of what the earlier bank takes to tell above which a large reading is not looked at cell by cell: something befell whole chips,
/// and that shows without.
const MUCH: f64 = 0.1;
/// Most entries that break promises for it to be looked at all the same: then something small lies among many edits.
const FEW: usize = 6;

/// What an explanation spends on each cell of each chip.
pub(super) struct Spent {
    /// Contents as the explanation has them, before flips are taken back.
    truth: Vec<ChipImage>,
    /// Bits spent on the changes of each cell.
    changes: Vec<Vec<f32>>,
    /// The same, spread over all cells of each value that changed.
    values: Vec<Vec<f32>>,
    /// Bits for a flipped bit.
    flip: f64,
    /// Whether edits were told as done alike in many entries.
    pub(super) alike: bool,
}

/// Whether a changed value, by its place among those of its entry, is told by what was done alike in many.
fn covered(alike: &[&Alike], c: &ChangedEntry, value: usize) -> bool {
    alike.iter().any(|m| match m.how {
        How::Set(field, _) | How::Shifted(field, _) => c.values[value].field == field,
        How::Emptied => c.emptied || c.left.contains(&value),
        How::Filled => true,
    })
}

impl Spent {
    /// Where the explanation spends its bits; `seen` is what is seen with its causes undone.
    pub(super) fn of(bench: &Bench, known: &Explanation, seen: &[ChipImage]) -> Option<Self> {
        let (before, earlier) = (bench.before?, bench.earlier?);
        let mut truth = seen.to_vec();
        fill(&mut truth, earlier);
        let told = memory_of(before.content, &known.truth).ok()?;
        let failing = facts::broken(before.content, &told);
        if bench.large() && known.bits > MUCH * before.told.bits {
            let mut broken: Vec<_> = failing.iter().map(|b| b.at).collect();
            broken.sort_unstable();
            broken.dedup();
            if broken.is_empty() || broken.len() > FEW {
                return None;
            }
        }
        let now = before.now(memory_of(before.content, &truth).ok()?, None);
        let all: u64 = truth.iter().map(ChipImage::bits).sum();
        let cells = |c: &ChipImage| vec![0.0; c.values().len()];
        let mut out = Self {
            changes: truth.iter().map(cells).collect(),
            values: truth.iter().map(cells).collect(),
            flip: (all as f64 / known.flips.max(1) as f64).log2() + 1.5,
            alike: !known.edits.alike.is_empty(),
            truth,
        };
        let changes = before.changes(&now);
        for (a, area) in changes.areas.iter().enumerate() {
            for c in &area.entries {
                let promised = failing.iter().filter(|b| b.at == (a, Some(c.entry)));
                // Impossible codes and constants are told with the values, copies cell by cell.
                let checks = promised.filter(|b| b.code == "check.mismatch").count();
                out.entry(before, (a, c), (now.memory(), &told), &known.edits, checks);
            }
        }
        out.copies(before, &told);
        for (chip, (truth, told)) in out.truth.iter().zip(&known.truth).enumerate() {
            for (cell, lines) in &changes.unclaimed[chip] {
                let flipped = told.values()[*cell as usize] ^ truth.values()[*cell as usize];
                let each = if flipped & lines != 0 { out.flip } else { ANEW };
                let bits = each * f64::from(lines.count_ones());
                out.changes[chip][*cell as usize] += bits as f32;
                out.values[chip][*cell as usize] += bits as f32;
            }
        }
        Some(out)
    }

    /// Where a mirrored copy and its original no longer agree, either may have been written over.
    fn copies(&mut self, before: &Before, told: &Memory) {
        for area in &before.content.layout.areas {
            for copy in area.copies.iter().filter(|c| verified(c.policy)) {
                for (p, q) in area.places.iter().zip(&copy.places) {
                    let differ =
                        |m: &Memory| matches!((m.bit(*p), m.bit(*q)), (Some(x), Some(y)) if x != y);
                    if differ(told) && !differ(&before.memory) {
                        for p in [p, q] {
                            let (chip, cell) = (usize::from(p.chip), p.cell as usize);
                            self.changes[chip][cell] += BROKEN as f32;
                            self.values[chip][cell] += BROKEN as f32;
                        }
                    }
                }
            }
        }
    }

    /// Spreads what an entry's changes take over their cells.
    fn entry(
        &mut self,
        before: &Before,
        (a, c): (usize, &ChangedEntry),
        (now, told): (&Memory, &Memory),
        edits: &Edited,
        checks: usize,
    ) {
        let area = &before.content.layout.areas[a];
        let of_area = edits.alike.iter().filter(|m| m.area == a);
        let alike: Vec<&Alike> = of_area
            .filter(|m| m.entries.binary_search(&c.entry).is_ok())
            .collect();
        let flips = |f: usize| {
            let places = area.field_places(c.entry, f);
            told.gather(places).0 == before.memory.gather(places).0
        };
        let own = |v: usize| !covered(&alike, c, v) && !flips(c.values[v].field);
        let mut bits = c.told(None, &own).bits + (SINCE + BROKEN) * checks as f64;
        if c.values.iter().enumerate().any(|(v, _)| own(v)) {
            bits += one_of(area.entries());
        }
        // How much of it is each field's. Of an entry that was emptied what was set after that.
        let shape = &before.content.shape.areas[a];
        let empty = |v: usize| c.values[v].new == shape.fields[c.values[v].field].empty;
        let emptied = (0..c.values.len()).filter(|v| empty(*v)).count() * 2 > c.values.len();
        let weight = |f: usize| match c.values.iter().position(|v| v.field == f) {
            _ if flips(f) => 0.0,
            Some(v) if emptied && empty(v) => 0.0,
            Some(v) if own(v) => c.values[v].tell + 3.0,
            Some(_) => 0.0,
            None => BROKEN,
        };
        let weights: Vec<f64> = c.fields.iter().map(|f| weight(*f)).collect();
        let total: f64 = weights.iter().sum();
        for (f, weight) in c.fields.iter().zip(weights) {
            let places = area.field_places(c.entry, *f);
            let changed = |p: &&BitPlace| now.difference(&before.memory, **p) >> p.line & 1 == 1;
            let n = places.iter().filter(changed).count().max(1);
            let share = match weight > 0.0 {
                true => bits * weight / total,
                false if flips(*f) => self.flip * n as f64,
                false => 0.0,
            };
            for p in places {
                let (chip, cell) = (usize::from(p.chip), p.cell as usize);
                self.values[chip][cell] += (share / places.len() as f64) as f32;
                if changed(&p) {
                    self.changes[chip][cell] += (share / n as f64) as f32;
                }
            }
        }
    }

    /// Stretches of a chip on which more is spent than noise would take, with what they save by that: those that cannot be
    /// made to save more by moving an end.
    pub(super) fn stretches(&self, chip: usize, width: f64) -> Vec<(u32, u32, f64)> {
        let gains = self.values[chip].iter().map(|s| f64::from(*s) - width);
        maximal(gains)
    }

    /// Bits that a cause beside those known saves, roughly, before what it takes to name it.
    pub(super) fn saves(&self, cause: &Shared, seen: &[ChipImage], earlier: &[ChipImage]) -> f64 {
        let spent = |chip: usize, cell: usize| f64::from(self.changes[chip][cell]);
        if let Some(s) = cause.stretch() {
            let of = |chip: usize| -> f64 {
                let width = f64::from(seen[chip].width());
                let cells = s.first as usize..=s.last as usize;
                cells.map(|c| spent(chip, c) - width).sum()
            };
            return s.chips.iter().map(|c| of(*c)).sum();
        }
        let mut truth = seen.to_vec();
        cause.undo(&mut truth, false);
        fill(&mut truth, earlier);
        let mut predicted = truth.clone();
        cause.forward(&mut predicted);
        let mut saved = 0.0;
        for chip in cause.chips() {
            let found = compare(&predicted[chip], &seen[chip]);
            saved -= found.open as f64 + self.flip.min(8.0) * found.missed as f64;
            let held = truth[chip].values().iter().zip(self.truth[chip].values());
            for (cell, (changed, (now, told))) in
                misses(&truth[chip], &earlier[chip]).zip(held).enumerate()
            {
                if now != told {
                    saved += spent(chip, cell) - ANEW * f64::from(changed.count_ones());
                }
            }
        }
        saved
    }
}

/// The maximal stretches of positive sum (W. L. Ruzzo and M. Tompa, "A Linear Time Algorithm for Finding All Maximal Scoring
/// Subsequences", 1999), each with its first and last place and its sum.
fn maximal(gains: impl Iterator<Item = f64>) -> Vec<(u32, u32, f64)> {
    struct Piece {
        first: u32,
        last: u32,
        left: f64,
        right: f64,
    }
    let mut pieces: Vec<Piece> = Vec::new();
    let mut sum = 0.0;
    for (at, gain) in (0u32..).zip(gains) {
        let left = sum;
        sum += gain;
        if gain <= 0.0 {
            continue;
        }
        let mut piece = Piece {
            first: at,
            last: at,
            left,
            right: sum,
        };
        while let Some(j) = pieces.iter().rposition(|p| p.left < piece.left) {
            if pieces[j].right >= piece.right {
                break;
            }
            piece.first = pieces[j].first;
            piece.left = pieces[j].left;
            pieces.truncate(j);
        }
        pieces.push(piece);
    }
    let told = |p: Piece| (p.first, p.last, p.right - p.left);
    pieces.into_iter().map(told).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The example of the paper: 4, -5, 3, -3, 1, 2, -2, 2, -2, 1, 5 has the maximal stretches 4; 3; and 1, 2, -2, 2, -2, 1, 5.
    #[test]
    fn maximal_stretches_are_those_of_the_paper() {
        let gains = [4.0, -5.0, 3.0, -3.0, 1.0, 2.0, -2.0, 2.0, -2.0, 1.0, 5.0];
        let found = maximal(gains.into_iter());
        assert_eq!(found, [(0, 0, 4.0), (2, 2, 3.0), (4, 10, 7.0)]);
    }
}
