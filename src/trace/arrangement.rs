//! How the bits of one control lie beside each other in this instrument, learned from the controls whose bits are plain.
//!
//! A programmer packs codes by a habit: the next lower bit on the next line, in the next cell, in the next chip. Where a
//! dial's own noise drowns its lowest bits, the habit says where to look for them. Several descriptions of the step
//! from a bit to the next lower one are counted, and each is trusted as far as it would have foretold the steps that are
//! known, each left out in turn.

use std::collections::BTreeMap;

use super::columns::Column;
use super::fields::{Found, Match};

/// What a step is told by, and what it leads to.
type Step = ([i64; 3], [i64; 3]);

/// Number of descriptions of a step.
const WAYS: usize = 6;

/// How the bits of controls lie beside each other, and how lines are inverted.
pub(crate) struct Arrangement {
    /// How often each step was seen, and how often what tells it.
    steps: [BTreeMap<Step, f64>; WAYS],
    from: [BTreeMap<[i64; 3], f64>; WAYS],
    /// How far each description is trusted; the sum is 1 at most.
    trust: [f64; WAYS],
    /// Bits found inverted less bits found straight, by structure and line.
    lines: BTreeMap<(usize, u8), f64>,
    /// The chance that a bit is inverted as its line and its control's other bits are.
    steady: f64,
}

/// A step in every description: by the lines it leaves and reaches, by how far it goes, and by which bit it comes to.
fn ways(from: &Column, to: &Column, bit: usize, width: usize) -> [Step; WAYS] {
    let (structure, line) = (from.structure as i64, i64::from(from.line));
    let chips = to.structure as i64 - structure;
    let far = i64::from(to.base) - i64::from(from.base);
    let turned = i64::from(to.base ^ from.base);
    let lines = i64::from(to.line) - line;
    let reached = |by: i64| [to.structure as i64, by, i64::from(to.line)];
    [
        ([structure, line, 0], reached(far)),
        ([structure, line, 0], reached(turned)),
        ([0; 3], [chips, far, lines]),
        ([0; 3], [chips, turned, lines]),
        ([bit as i64, 0, 0], [chips, turned, lines]),
        ([(width - bit) as i64, 0, 0], [chips, turned, lines]),
    ]
}

/// A home that may be learned from.
fn plain(m: &&Match) -> bool {
    m.odds > 8.0 && m.margin > 3.0
}

impl Arrangement {
    /// What the controls found so far show.
    pub(crate) fn learn(columns: &[Column], found: &[Option<Found>]) -> Self {
        let mut out = Self {
            steps: Default::default(),
            from: Default::default(),
            trust: [1.0 / WAYS as f64; WAYS],
            lines: BTreeMap::new(),
            steady: 0.5,
        };
        let mut seen: Vec<[Step; WAYS]> = Vec::new();
        for f in found.iter().flatten() {
            let home = |k: usize| f.bits[k].homes.first().filter(plain);
            for m in (0..f.bits.len()).filter_map(home) {
                let c = &columns[m.column];
                let line = out.lines.entry((c.structure, c.line)).or_default();
                *line += if m.inverted { 1.0 } else { -1.0 };
            }
            for k in 1..f.bits.len() {
                if let (Some(upper), Some(lower)) = (home(k), home(k - 1)) {
                    let (from, to) = (&columns[upper.column], &columns[lower.column]);
                    seen.push(ways(from, to, k - 1, f.bits.len()));
                }
            }
        }
        for way in 0..WAYS {
            for step in seen.iter().map(|s| s[way]) {
                *out.steps[way].entry(step).or_default() += 1.0;
                *out.from[way].entry(step.0).or_default() += 1.0;
            }
        }
        out.weigh(&seen);
        out.steady = out.steadiness(columns, found);
        out
    }

    /// The chance of a step by one description, as if it had been seen `less` times less.
    fn one(&self, way: usize, step: &Step, less: f64) -> f64 {
        let times = self.steps[way].get(step).map_or(0.0, |n| n - less);
        let all = self.from[way].get(&step.0).map_or(0.0, |n| n - less);
        times / (all + 1.0)
    }

    /// Trusts each description by what it says of known steps.
    fn weigh(&mut self, seen: &[[Step; WAYS]]) {
        /// Rounds in which the shares settle well enough.
        const ROUNDS: usize = 12;
        for _ in 0..ROUNDS {
            let mut share = [0.0; WAYS];
            for steps in seen {
                let said: Vec<f64> = (0..WAYS)
                    .map(|w| self.trust[w] * self.one(w, &steps[w], 1.0))
                    .collect();
                let all: f64 = said.iter().sum();
                if all > 0.0 {
                    for (share, said) in share.iter_mut().zip(&said) {
                        *share += said / all;
                    }
                }
            }
            // Every description keeps a little trust, and a little is left to what none foretells.
            let all = seen.len() as f64 + WAYS as f64;
            for (trust, share) in self.trust.iter_mut().zip(share) {
                *trust = (share + 0.5) / all;
            }
        }
    }

    /// The chance that the next lower bit, `bit` of `width`, of a bit at `from` lies at `to`.
    pub(crate) fn chance(&self, from: &Column, to: &Column, bit: usize, width: usize) -> f64 {
        let ways = ways(from, to, bit, width);
        (0..WAYS)
            .map(|w| self.trust[w] * self.one(w, &ways[w], 0.0))
            .sum()
    }

    /// Whether a line is inverted, by what else was found on it.
    fn line(&self, column: &Column) -> bool {
        self.lines
            .get(&(column.structure, column.line))
            .is_some_and(|n| *n > 0.0)
    }

    /// The chance that a bit at `to` is inverted, where the bit above it is at `from` and inverted or not.
    pub(crate) fn inverted(&self, from: &Column, inverted: bool, to: &Column) -> f64 {
        let expected = inverted ^ self.line(from) ^ self.line(to);
        if expected {
            self.steady
        } else {
            1.0 - self.steady
        }
    }

    /// How often neighbouring bits are inverted as their lines say.
    fn steadiness(&self, columns: &[Column], found: &[Option<Found>]) -> f64 {
        let (mut like, mut all) = (1.0, 2.0);
        for f in found.iter().flatten() {
            let mut turned = Vec::new();
            for m in f.bits.iter().filter_map(|b| b.homes.first().filter(plain)) {
                turned.push(m.inverted ^ self.line(&columns[m.column]));
            }
            for pair in turned.windows(2) {
                all += 1.0;
                like += f64::from(u8::from(pair[0] == pair[1]));
            }
        }
        f64::min(like / all, 0.98)
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]
    use super::super::fields::Bit;
    use super::super::signal::{Code, Hypothesis, Noise};
    use super::*;

    fn column(base: u32, line: u8) -> Column {
        Column {
            structure: 0,
            base,
            line,
            chip: 0,
            cell: base,
            rows: Vec::new(),
            ones: Vec::new(),
            known: Vec::new(),
            written: true,
        }
    }

    fn field(columns: &[usize], inverted: bool) -> Option<Found> {
        let bit = |column: &usize| Bit {
            homes: vec![Match {
                column: *column,
                inverted,
                odds: 20.0,
                margin: 20.0,
            }],
            ..Bit::default()
        };
        Some(Found {
            lane: 0,
            hypothesis: Hypothesis {
                code: Code::Binary,
                width: columns.len() as u32,
            },
            bits: columns.iter().map(bit).collect(),
            table: None,
            margin: 20.0,
            rival: None,
            near: Vec::new(),
            noise: Noise::START,
        })
    }

    /// Codes packed line by line: the next lower bit lies one line down, or on the top line of the cell before.
    #[test]
    fn a_habit_is_learned_from_whole_fields() {
        let columns: Vec<Column> = (0..80).map(|i| column(i / 8, (i % 8) as u8)).collect();
        let fields: Vec<Option<Found>> = (0..10)
            .map(|f| field(&(f * 6..f * 6 + 6).collect::<Vec<_>>(), f % 3 == 0))
            .collect();
        let habit = Arrangement::learn(&columns, &fields);
        let next = |from: usize, to: usize| habit.chance(&columns[from], &columns[to], 0, 6);
        assert!(next(66, 65) > 0.7, "{}", next(66, 65));
        assert!(next(72, 71) > 0.4, "{}", next(72, 71));
        assert!(next(66, 64) < 0.05 && next(66, 67) < 0.05);
        assert!(habit.inverted(&columns[66], true, &columns[65]) > 0.9);
        assert!(habit.inverted(&columns[66], false, &columns[65]) < 0.1);
    }

    /// From nothing nothing is learned: every step is as unlikely, and inversion is open.
    #[test]
    fn nothing_is_learned_from_nothing() {
        let habit = Arrangement::learn(&[], &[]);
        assert_eq!(habit.chance(&column(0, 1), &column(0, 0), 0, 2), 0.0);
        assert_eq!(
            habit.inverted(&column(0, 1), true, &column(0, 0)),
            1.0 - habit.inverted(&column(0, 1), false, &column(0, 0))
        );
    }
}
