//! The columns that a control looks at, and what each of its codings explains of them.

use rayon::prelude::*;

use super::super::cells::Experiment;
use super::super::columns::Column;
use super::super::plan::Purpose;
use super::super::signal::Noise;
use super::predicted::{Blocks, Coding, Prediction};
use super::{ALIKE, HIDDEN, MISSING, NEIGHBOUR, Scored, UNEXPLAINED, UNSEEN, WORTH, rare};

/// For each lane the columns worth scoring: those that agree with it at the end stops, and those that agree with
/// nobody there.
pub(super) fn claims(
    experiment: &Experiment,
    columns: &[Column],
    varying: &[usize],
    noise: Noise,
) -> Vec<Vec<Claim>> {
    let ends: Vec<bool> = experiment
        .plan
        .settings
        .iter()
        .map(|s| s.purpose == Purpose::Ends)
        .collect();
    let lanes = experiment.lanes.len();
    let odds_at_ends: Vec<Option<Prediction>> = (0..lanes)
        .map(|l| {
            if !experiment.two_valued(l) {
                return None;
            }
            let p = |d: usize| {
                let high = experiment.plan.settings[d].positions[l] > 0;
                let p = if high { 1.0 - noise.slip } else { noise.slip };
                if ends[d] && experiment.means(l, d) {
                    p
                } else {
                    0.5
                }
            };
            Some(Prediction {
                still: false,
                one: (0..ends.len()).map(|d| p(d).ln() as f32).collect(),
                zero: (0..ends.len()).map(|d| (1.0 - p(d)).ln() as f32).collect(),
            })
        })
        .collect();
    let per_column: Vec<Vec<(usize, Claim)>> = varying
        .par_iter()
        .map(|&column| {
            let c = &columns[column];
            let coin = {
                let known: f32 = (0..ends.len())
                    .filter(|d| ends[*d])
                    .map(|d| c.known[d])
                    .sum();
                let other: f32 = (0..ends.len())
                    .filter(|d| !ends[*d])
                    .map(|d| c.known[d])
                    .sum();
                f64::from(-(known + other) * std::f32::consts::LN_2)
            };
            let odds: Vec<f64> = odds_at_ends
                .iter()
                .map(|p| p.as_ref().map_or(f64::MIN, |p| p.odds(c, coin).0))
                .collect();
            // One bit may be of two that never mean something together: each is held against the others only.
            let best = odds.iter().copied().fold(f64::MIN, f64::max);
            let best_beside = |l: usize| match experiment.conditions[l] {
                None => best,
                Some(_) => {
                    let beside = (0..lanes).filter(|o| !experiment.excludes(*o, l));
                    beside.map(|o| odds[o]).fold(f64::MIN, f64::max)
                }
            };
            (0..lanes)
                .filter_map(|l| {
                    let best = best_beside(l);
                    let near = odds[l] > best - 9.0;
                    let strong = best >= 2.5 && near;
                    let claim = Claim {
                        column,
                        strong,
                        sole: strong && odds[l] >= best,
                    };
                    (best < 2.5 || near || odds_at_ends[l].is_none()).then_some((l, claim))
                })
                .collect()
        })
        .collect();
    let mut out = vec![Vec::new(); lanes];
    for claimants in per_column {
        for (l, claim) in claimants {
            out[l].push(claim);
        }
    }
    out
}

/// A column that a lane may look at.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Claim {
    pub(super) column: usize,
    /// It follows the lane between the end stops.
    strong: bool,
    /// It follows this lane best.
    sole: bool,
}

/// What a lane looks at: the columns that follow it between the end stops (all, where it has none), and the others.
pub(super) struct Look<'a> {
    lane: usize,
    strong: Vec<Claim>,
    loose: Vec<usize>,
    /// The same to be scored.
    blocks: [Blocks; 2],
    columns: &'a [Column],
    coins: &'a [f64],
    /// The lane does not stand at two ends.
    all: bool,
}

impl<'a> Look<'a> {
    pub(super) fn of(
        experiment: &Experiment,
        columns: &'a [Column],
        coins: &'a [f64],
        lane: usize,
        mine: &[Claim],
    ) -> Self {
        let all = !experiment.two_valued(lane);
        let strong: Vec<Claim> = mine.iter().filter(|c| c.strong || all).copied().collect();
        let loose = mine.iter().filter(|c| !c.strong).map(|c| c.column);
        let loose: Vec<usize> = loose.collect();
        let settings = experiment.plan.settings.len();
        let first: Vec<usize> = strong.iter().map(|c| c.column).collect();
        let blocks = [&first, &loose].map(|some| Blocks::of(columns, coins, some, settings));
        Self {
            lane,
            strong,
            loose,
            blocks,
            columns,
            coins,
            all,
        }
    }
}

impl Look<'_> {
    /// True where a coding shows in every bit, and in every column that follows this control best.
    pub(super) fn explained_by(&self, s: &Scored) -> bool {
        let shown = |k: u32| s.matches.iter().any(|m| m.1 == k);
        let taken = |c: &Claim| s.matches.iter().any(|m| m.0 == c.column);
        (0..s.h.width).all(shown) && self.strong.iter().filter(|c| c.sole).all(taken)
    }
}

/// Scores one coding of a lane.
pub(super) fn score(experiment: &Experiment, look: &Look, coding: &Coding) -> Scored {
    let (columns, coins, all) = (look.columns, look.coins, look.all);
    let Coding {
        h,
        noise,
        price: dearer,
        predicted,
    } = coding;
    let mut matches = Vec::new();
    let mut seen = vec![0.0f64; h.width as usize];
    let mut score = 0.0;
    // The best bit for each column.
    let mut best_bit = vec![(0.0, 0, false); look.strong.len()];
    let mut most_odds = vec![f64::MIN; look.strong.len()];
    for (k, p) in predicted.iter().enumerate() {
        let odds = look.blocks[0].odds(p).into_iter();
        for ((best, most), (odds, inverted)) in best_bit.iter_mut().zip(&mut most_odds).zip(odds) {
            *most = most.max(odds);
            if odds > best.0 {
                *best = (odds, k, inverted);
            }
        }
    }
    // What does not stand at two ends is looked for in every column. There a check that covers the control may pass for
    // a bit of it; but a position slipped shows in all bits alike, so none has several misses where another has none.
    let lacks = |column: usize, odds: f64| {
        let known = columns[column].known.iter().enumerate();
        let known = known.filter(|(d, _)| experiment.means(look.lane, *d));
        let known: f32 = known.map(|(_, k)| k).sum();
        f64::from(known) * (1.0 - noise.slip).ln() - coins[column] - odds
    };
    let most = if all {
        let told = look.strong.iter().zip(&most_odds);
        let told = told.filter(|(_, odds)| **odds > WORTH);
        let least = told
            .map(|(c, odds)| lacks(c.column, *odds))
            .fold(f64::MAX, f64::min);
        least + ALIKE
    } else {
        f64::MAX
    };
    for (claim, (odds, k, inverted)) in look.strong.iter().zip(best_bit) {
        if odds > WORTH && (!all || lacks(claim.column, odds) <= most) {
            seen[k] = seen[k].max(odds);
            score += odds;
            matches.push((claim.column, k as u32, inverted, odds));
        } else if claim.sole {
            score -= UNEXPLAINED;
        }
    }
    // Bits that stand still between the end stops show in the sweeps alone: the best of the columns that do so.
    let loose = &look.loose;
    let price = ((loose.len().max(1) * 2) as f64).ln();
    let strong: Vec<&Column> = matches
        .iter()
        .map(|m: &(usize, u32, bool, f64)| &columns[m.0])
        .collect();
    let near = |c: &Column| {
        let beside = |s: &&Column| {
            s.structure == c.structure
                && (s.base.abs_diff(c.base) <= 1 || (s.base ^ c.base).count_ones() <= 1)
        };
        if strong.iter().any(beside) {
            NEIGHBOUR
        } else {
            0.0
        }
    };
    for (k, p) in predicted.iter().enumerate() {
        if !p.still || all {
            continue;
        }
        let odds = look.blocks[1].odds(p).into_iter();
        let odds: Vec<(f64, bool)> = loose
            .iter()
            .zip(odds)
            .map(|(&c, (o, i))| (o + near(&columns[c]), i))
            .collect();
        let best = odds.iter().map(|o| o.0).fold(0.0, f64::max);
        if best > 3.5 {
            seen[k] = seen[k].max(best);
            score += best - price;
            for (&c, &(o, inverted)) in loose.iter().zip(&odds) {
                if o > best - 0.7 {
                    matches.push((c, k as u32, inverted, o));
                }
            }
        }
    }
    // A dial's lowest bits are lost in its own noise: the absence of a bit says as much as its presence would.
    let mut hidden = 0.0;
    for (s, p) in seen.iter().zip(predicted) {
        if *s == 0.0 {
            let less = (p.worth() - UNSEEN).clamp(0.0, MISSING + HIDDEN);
            score -= less.min(MISSING);
            hidden += (less - MISSING).max(0.0);
        }
    }
    score -= rare(h.code) + dearer;
    Scored {
        h: *h,
        noise: *noise,
        score,
        hidden,
        matches,
    }
}
