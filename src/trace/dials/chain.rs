//! One coding of one dial, followed from its top bit down: each bit in the column that fits best given the bits above it.

use super::super::codes::{self, Hypothesis};
use super::super::fields::{self, CHOICE, HIDDEN, MISSING, Scored, UNEXPLAINED, UNSEEN};
use super::super::signal::Noise;
use super::Dials;

/// Chance that a bit is not what its code says although the save is good: damaged cells.
const FLAW: f64 = 0.004;
/// Share of the habit in where a bit is looked for; the rest is anywhere.
const HABIT: f64 = 0.9;
/// Columns within these odds of the best are stated as what a bit could be as well.
const AS_WELL: f64 = 4.0;
/// Below these odds between columns it was the habit that chose.
const SHOWN: f64 = 3.0;

/// A column taken for a bit.
pub(super) struct Pick {
    pub(super) column: usize,
    pub(super) inverted: bool,
    /// Odds (natural logarithm) against nobody's column, the choice among columns paid for.
    pub(super) value: f64,
    /// By how much that beats the next reading.
    pub(super) margin: f64,
    /// The habit chose rather than what the column held.
    pub(super) by_habit: bool,
    /// Columns that hold the same or its complement in every save; inverted or not, and by how much this beats them.
    pub(super) copies: Vec<(usize, bool, f64)>,
    /// What it could be as well.
    pub(super) others: Vec<usize>,
}

/// A column looked at for a bit: what it gains there, before and after its place is weighed.
#[derive(Clone, Copy)]
struct Look {
    value: f64,
    raw: f64,
    column: usize,
    inverted: bool,
}

/// A coding followed down.
pub(super) struct Chain {
    pub(super) scored: Scored,
    /// Bit 0 first.
    pub(super) picks: Vec<Option<Pick>>,
}

impl Chain {
    /// A column that holds the same as another is a copy of it, unless it is taken for another bit: then nothing tells
    /// which is which.
    fn sort_copies(&mut self, used: &mut [bool]) {
        for (k, pick) in self.picks.iter_mut().enumerate() {
            let Some(pick) = pick else { continue };
            for (column, _, ahead) in &pick.copies {
                if used[*column] {
                    pick.margin = pick.margin.min(*ahead);
                    pick.by_habit = true;
                }
            }
            pick.copies.retain(|c| !used[c.0]);
            let copies = pick.copies.iter().map(|c| (c.0, c.1));
            for (column, inverted) in copies.chain([(pick.column, pick.inverted)]) {
                used[column] = true;
                let odds = pick.value + CHOICE;
                self.scored.matches.push((column, k as u32, inverted, odds));
            }
        }
    }
}

/// Columns that are followed together.
const TOGETHER: usize = 4;

/// What each save says of a column that holds 0 there, 1, or nothing that is known: as a bit, and as one inverted.
struct Told([Vec<[f64; 3]>; 2]);

impl Told {
    /// From the chance in every save that the bit is 1, and how much the save says.
    fn of(one: &[f64], weights: &[f64]) -> Self {
        let weighed = || {
            one.iter()
                .zip(weights)
                .map(|(p, w)| (w * p.ln(), w * (1.0 - p).ln()))
        };
        Self([
            weighed().map(|(one, zero)| [zero, one, 0.0]).collect(),
            weighed().map(|(one, zero)| [one, zero, 0.0]).collect(),
        ])
    }

    /// What all saves say of a few columns, each given with what it is worth as nobody's. Nothing that a save says is
    /// above nought: where all of them are behind nobody's by more than `least` already, the rest of the saves is not
    /// looked at.
    fn sums<'c>(
        &self,
        columns: impl Iterator<Item = (&'c [u8], f64)>,
        least: f64,
    ) -> [[f64; 2]; TOGETHER] {
        /// Saves between two looks at what has been lost.
        const LOOK: usize = 16;
        let saves = self.0[0].len();
        let mut rows: [&[u8]; TOGETHER] = [&[]; TOGETHER];
        let mut nobody = [f64::INFINITY; TOGETHER];
        for ((row, nobody), column) in rows.iter_mut().zip(&mut nobody).zip(columns) {
            (*row, *nobody) = column;
        }
        let first = rows[0];
        let rows = rows.map(|r| if r.is_empty() { first } else { r });
        let mut sums = [[0.0; 2]; TOGETHER];
        for from in (0..saves).step_by(LOOK) {
            let to = saves.min(from + LOOK);
            let told = self.0[0][from..to].iter().zip(&self.0[1][from..to]);
            for ((straight, turned), s) in told.zip(from..) {
                for (sums, row) in sums.iter_mut().zip(rows) {
                    let row = usize::from(row[s]).min(2);
                    sums[0] += straight[row];
                    sums[1] += turned[row];
                }
            }
            let lost = |(s, nobody): (&[f64; 2], &f64)| f64::max(s[0], s[1]) - nobody < least;
            if sums.iter().zip(&nobody).all(lost) {
                break;
            }
        }
        sums
    }
}

impl Dials<'_> {
    /// The codes one step low, right and one step high in every setting, with their chances.
    fn steps(&self, lane: usize, h: Hypothesis, noise: Noise) -> Vec<[(u64, f64); 3]> {
        let of = self.experiment.lanes[lane];
        let c = &self.experiment.panel().controls[of.control];
        let top = codes::steps(h, c);
        let settings = self.experiment.plan.settings.iter();
        settings
            .map(|s| {
                let middle = codes::step(h, c, s.positions[lane]);
                [-1, 0, 1].map(|by| {
                    let code = codes::code_at(h, c, (middle + by).clamp(0, top));
                    let chance = match by {
                        0 => 1.0 - 2.0 * noise.step,
                        _ => noise.step,
                    };
                    (code, chance)
                })
            })
            .collect()
    }

    /// Follows a coding from its top bit down among the columns it may look at; `own` are those that would be left
    /// unexplained.
    pub(super) fn chain(
        &self,
        lane: usize,
        h: Hypothesis,
        noise: Noise,
        mine: &[usize],
        own: &[usize],
    ) -> Chain {
        let saves = &self.experiment.saves;
        let steps = self.steps(lane, h, noise);
        let class = self.experiment.class(lane);
        let weights = &self.weights[class];
        // For every save the chances that it was one step low, right, one step high, and anything else.
        let mut went: Vec<[f64; 4]> = saves
            .iter()
            .map(|s| {
                let c = &steps[s.setting];
                let good = 1.0 - noise.slip;
                [c[0].1 * good, c[1].1 * good, c[2].1 * good, noise.slip]
            })
            .collect();
        let mut out = Chain {
            scored: Scored {
                h,
                noise,
                score: -fields::rare(h.code),
                hidden: 0.0,
                matches: Vec::new(),
            },
            picks: (0..h.width).map(|_| None).collect(),
        };
        let mut used = vec![false; self.columns.len()];
        for k in (0..h.width as usize).rev() {
            let one: Vec<f64> = saves
                .iter()
                .zip(&went)
                .map(|(s, w)| {
                    let bit = |j: usize| {
                        if steps[s.setting][j].0 >> k & 1 == 1 {
                            1.0 - FLAW
                        } else {
                            FLAW
                        }
                    };
                    let all = w[0] + w[1] + w[2] + w[3];
                    (w[0] * bit(0) + w[1] * bit(1) + w[2] * bit(2) + w[3] * 0.5) / all
                })
                .collect();
            let worth: f64 = one
                .iter()
                .zip(weights)
                .map(|(p, w)| {
                    w * (p * p.ln() + (1.0 - p) * (1.0 - p).ln() + std::f64::consts::LN_2)
                })
                .sum();
            let less = (worth - UNSEEN).clamp(0.0, MISSING + HIDDEN);
            let upper = out.picks.get(k + 1).and_then(Option::as_ref);
            let upper = upper.map(|p| (p.column, p.inverted));
            let absent = -if self.covered {
                less
            } else {
                less.min(MISSING)
            };
            let Some(pick) = self.pick(h, k, class, upper, &one, mine, &used, absent) else {
                out.scored.score -= less.min(MISSING);
                out.scored.hidden += (less - MISSING).max(0.0);
                continue;
            };
            let rows = &self.columns[pick.column].rows;
            for ((s, w), row) in saves.iter().zip(&mut went).zip(rows) {
                if *row == 2 || !self.experiment.means(lane, s.setting) {
                    continue;
                }
                let bit = u64::from((*row == 1) != pick.inverted);
                for (w, (code, _)) in w.iter_mut().zip(&steps[s.setting]) {
                    *w *= if code >> k & 1 == bit {
                        1.0 - FLAW
                    } else {
                        FLAW
                    };
                }
                w[3] *= 0.5;
            }
            out.scored.score += pick.value;
            used[pick.column] = true;
            out.picks[k] = Some(pick);
        }
        out.sort_copies(&mut used);
        let left = own.iter().filter(|c| !used[**c]).count();
        out.scored.score -= UNEXPLAINED * left as f64;
        out
    }

    /// The column that fits a bit best, where one fits better than none. `one`: the chance in every save that it is 1.
    #[allow(clippy::too_many_arguments)]
    fn pick(
        &self,
        h: Hypothesis,
        k: usize,
        class: usize,
        upper: Option<(usize, bool)>,
        one: &[f64],
        mine: &[usize],
        used: &[bool],
        absent: f64,
    ) -> Option<Pick> {
        /// What is further behind than this is not looked at closely.
        const FAR: f64 = 16.0;
        let told = Told::of(one, &self.weights[class]);
        let anywhere = 1.0 / mine.len().max(1) as f64;
        let mut looks: Vec<Look> = Vec::new();
        let mut best = absent;
        let free: Vec<usize> = mine.iter().copied().filter(|c| !used[*c]).collect();
        let mut sums: [[f64; 2]; TOGETHER] = [[0.0; 2]; TOGETHER];
        for (i, &c) in free.iter().enumerate() {
            let column = &self.columns[c];
            if i % TOGETHER == 0 {
                let some = &free[i..free.len().min(i + TOGETHER)];
                let columns = some
                    .iter()
                    .map(|c| (&self.columns[*c].rows[..], self.nobody[class][*c]));
                sums = told.sums(columns, best - FAR);
            }
            let [straight, turned] = sums[i % TOGETHER];
            let nobody = self.nobody[class][c];
            if f64::max(straight, turned) - nobody < best - FAR {
                continue;
            }
            let (place, inverted) = match upper {
                None => (anywhere, 0.5),
                Some((u, turned)) => {
                    let u = &self.columns[u];
                    let place = self.habit.chance(u, column, k, h.width as usize);
                    // Two's complement is plain binary with its top bit inverted.
                    let inverted = match k + 2 == h.width as usize {
                        true => 0.5,
                        false => self.habit.inverted(u, turned, column),
                    };
                    (HABIT * place + (1.0 - HABIT) * anywhere, inverted)
                }
            };
            for (raw, inverted, polarity) in [
                (straight - nobody, false, 1.0 - inverted),
                (turned - nobody, true, inverted),
            ] {
                let value = raw + place.ln() + polarity.ln();
                best = best.max(value);
                looks.push(Look {
                    value,
                    raw,
                    column: c,
                    inverted,
                });
            }
        }
        looks.sort_by(|a, b| b.value.total_cmp(&a.value));
        let first = *looks.first().filter(|l| l.value > absent)?;
        let chosen = &self.columns[first.column];
        let mut pick = Pick {
            column: first.column,
            inverted: first.inverted,
            value: first.value,
            margin: first.value - absent,
            by_habit: false,
            copies: Vec::new(),
            others: Vec::new(),
        };
        for l in &looks[1..] {
            if l.value < first.value - FAR && l.raw < first.raw - SHOWN {
                continue;
            }
            if l.column != first.column {
                if pick.copies.iter().any(|c| c.0 == l.column) {
                    continue;
                }
                if let Some(not) = self.columns[l.column].alike(chosen) {
                    let ahead = first.value - l.value;
                    pick.copies.push((l.column, first.inverted ^ not, ahead));
                    continue;
                }
                if l.value > first.value - AS_WELL && !pick.others.contains(&l.column) {
                    pick.others.push(l.column);
                }
            }
            pick.margin = pick.margin.min(first.value - l.value);
            pick.by_habit |= l.raw > first.raw - SHOWN;
        }
        Some(pick)
    }
}
