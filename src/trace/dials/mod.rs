//! Dials once more: all bits of a code together, save by save.
//!
//! A converter that is one step off turns all the bits that a carry turns. So the bits above say in each save which way
//! the step went, and that says what the bit below should hold: far more than its share of ones in each setting does.
//! Every coding that came near is followed from its top bit down, each bit in the column that fits best given the bits
//! above it and the instrument's habits (`arrangement`(super::arrangement)); the codings are compared by what they
//! explain in all, beside what the control's other voices say of them (`voices`(super::voices)).

mod chain;

use rayon::prelude::*;

use super::arrangement::Arrangement;
use super::cells::Experiment;
use super::codes::{self, Hypothesis};
use super::columns::Column;
use super::fields::{self, Bit, CHOICE, Chosen, Found, Match, QUIET, Rivals, Scored};
use super::plan::Purpose;
use super::signal::{self, EVEN, Noise};
use super::voices;
use chain::{Chain, Pick};

/// The columns that a dial may look at, those that would be left unexplained, and its codings scored on them.
#[derive(Clone, Default)]
struct Looked {
    mine: Vec<usize>,
    own: Vec<usize>,
    codings: Vec<Scored>,
}

struct Dials<'a> {
    experiment: &'a Experiment<'a>,
    columns: &'a [Column],
    /// How much each save says, for each class of settings over those.
    weights: Vec<Vec<f64>>,
    /// What each column is worth as nobody's, likewise.
    nobody: Vec<Vec<f64>>,
    habit: Arrangement,
    covered: bool,
    noise: Noise,
}

/// Looks at every dial again.
pub(crate) fn settle(
    experiment: &Experiment,
    columns: &[Column],
    mut found: Vec<Option<Found>>,
    bad: &[bool],
    covered: bool,
    noise: Noise,
) -> Vec<Option<Found>> {
    let all = weights(experiment, columns, &found, bad);
    let over = |class: &Vec<bool>| -> Vec<f64> {
        let saves = experiment.saves.iter().zip(&all);
        saves
            .map(|(s, w)| if class[s.setting] { *w } else { 0.0 })
            .collect()
    };
    let weights: Vec<Vec<f64>> = experiment.classes().iter().map(over).collect();
    let nobody = |weights: &Vec<f64>| nobody(experiment, columns, weights, noise);
    let dials = Dials {
        nobody: weights.iter().map(nobody).collect(),
        habit: Arrangement::learn(columns, &found),
        experiment,
        columns,
        weights,
        covered,
        noise,
    };
    for (lane, chosen) in dials.all(&found) {
        found[lane] = Some(chosen);
    }
    found
}

/// How much each save says. Copies of a setting share what a hand did, but a converter may convert for each save anew:
/// as far as copies differ where noise would make them, each says something of its own.
fn weights(
    experiment: &Experiment,
    columns: &[Column],
    found: &[Option<Found>],
    bad: &[bool],
) -> Vec<f64> {
    let plan = experiment.plan;
    let mut of: Vec<Vec<usize>> = vec![Vec::new(); plan.settings.len()];
    for (s, save) in experiment.saves.iter().enumerate() {
        if !bad[s] {
            of[save.setting].push(s);
        }
    }
    let (mut seen, mut expected) = (0.0, 0.0);
    for f in found.iter().flatten().filter(|f| dial(experiment, f)) {
        let lane = experiment.lanes[f.lane];
        let chances = signal::chances(f.hypothesis, plan, f.lane, lane, f.noise);
        for (bit, chances) in f.bits.iter().zip(&chances) {
            if let Some(home) = bit.homes.first().filter(|h| h.odds > 8.0) {
                let rows = &columns[home.column].rows;
                let meant = of.iter().zip(chances).enumerate();
                let meant = meant.filter(|(d, _)| experiment.means(f.lane, *d));
                for (_, (saves, p)) in meant {
                    for pair in saves.windows(2) {
                        let (a, b) = (rows[pair[0]], rows[pair[1]]);
                        if a < 2 && b < 2 {
                            expected += 2.0 * p * (1.0 - p);
                            seen += f64::from(u8::from(a != b));
                        }
                    }
                }
            }
        }
    }
    let anew = if expected > 0.0 {
        f64::min(seen / expected, 1.0)
    } else {
        0.0
    };
    let mut out = vec![0.0; experiment.saves.len()];
    for saves in &of {
        let n = saves.len() as f64;
        for &s in saves {
            out[s] = (1.0 + (n - 1.0) * anew) / n;
        }
    }
    out
}

/// What columns are worth as nobody's bit, as in [`fields::coins`], by how much each save says.
fn nobody(experiment: &Experiment, columns: &[Column], weights: &[f64], noise: Noise) -> Vec<f64> {
    let plan = experiment.plan;
    let (hit, miss) = ((1.0 - noise.slip).ln(), noise.slip.ln());
    let worth = |c: &Column| {
        let part = |ends: bool| {
            let (mut ones, mut known) = (0.0, 0.0);
            for ((save, row), weight) in experiment.saves.iter().zip(&c.rows).zip(weights) {
                let here = (plan.settings[save.setting].purpose == Purpose::Ends) == ends;
                if here && *row < 2 {
                    ones += weight * f64::from(*row);
                    known += weight;
                }
            }
            let most = f64::max(ones, known - ones);
            let still = most * hit + (known - most) * miss - std::f64::consts::LN_2;
            still.max(-known * std::f64::consts::LN_2)
        };
        part(true) + part(false)
    };
    columns.iter().map(worth).collect()
}

fn dial(experiment: &Experiment, f: &Found) -> bool {
    f.table.is_none() && !experiment.panel().controls[experiment.lanes[f.lane].control].exact()
}

impl Dials<'_> {
    /// What is found of every dial.
    fn all(&self, found: &[Option<Found>]) -> Vec<(usize, Found)> {
        /// How often a column that two claim goes to the better, and the other looks again.
        const ROUNDS: usize = 3;
        // Columns that are plainly somebody's.
        let mut owners: Vec<Vec<usize>> = vec![Vec::new(); self.columns.len()];
        for f in found.iter().flatten() {
            for m in f.bits.iter().flat_map(|b| &b.homes) {
                if m.odds > 10.0 && m.margin > 3.0 {
                    owners[m.column].push(f.lane);
                }
            }
        }
        let varying: Vec<usize> = (0..self.columns.len())
            .filter(|c| self.columns[*c].moves())
            .collect();
        let mut denied: Vec<Vec<usize>> = vec![Vec::new(); found.len()];
        let mut todo: Vec<&Found> = found.iter().flatten().collect();
        todo.retain(|f| dial(self.experiment, f));
        let together = self.together(&todo);
        let mut tried: Vec<Vec<Hypothesis>> =
            together.iter().map(|v| self.near(v, found)).collect();
        let mut looked: Vec<Looked> = vec![Looked::default(); found.len()];
        let mut out: Vec<Option<(Chosen, Chain)>> = found.iter().map(|_| None).collect();
        let mut rivals = Rivals::new(self.experiment, self.columns.len());
        for _ in 0..ROUNDS {
            let done: Vec<(usize, Looked)> = todo
                .par_iter()
                .map(|f| {
                    let other = |o: &usize| *o != f.lane && !self.experiment.excludes(*o, f.lane);
                    let mine =
                        |c: &usize| !owners[*c].iter().any(other) && !denied[f.lane].contains(c);
                    let mine: Vec<usize> = varying.iter().copied().filter(mine).collect();
                    let own = |c: &usize| owners[*c].contains(&f.lane);
                    let own: Vec<usize> = mine.iter().copied().filter(own).collect();
                    let mut looked = Looked {
                        mine,
                        own,
                        codings: Vec::new(),
                    };
                    if let Some(v) = together.iter().position(|v| v.contains(&f.lane)) {
                        looked.codings = self.codings(f, &tried[v], &looked);
                    }
                    (f.lane, looked)
                })
                .collect();
            for (lane, dial) in done {
                looked[lane] = dial;
            }
            let again = |v: &[usize]| todo.iter().any(|f| v.contains(&f.lane));
            for (voices, tried) in together.iter().zip(&mut tried).filter(|(v, _)| again(v)) {
                self.further(voices, tried, found, &mut looked);
            }
            let again: Vec<&Vec<usize>> = together.iter().filter(|v| again(v)).collect();
            let done: Vec<(usize, Option<(Chosen, Chain)>)> = again
                .into_par_iter()
                .flat_map_iter(|v| {
                    let mut all: Vec<Vec<Scored>> =
                        v.iter().map(|lane| looked[*lane].codings.clone()).collect();
                    voices::weigh(&mut all);
                    let looked = &looked;
                    let of = v.iter().copied().zip(all);
                    of.map(|(lane, codings)| (lane, self.choose(lane, &looked[lane], codings)))
                })
                .collect();
            for (lane, chosen) in done {
                out[lane] = chosen;
            }
            rivals = Rivals::new(self.experiment, self.columns.len());
            for (lane, chain) in out.iter().enumerate() {
                for p in chain.iter().flat_map(|(_, c)| c.picks.iter().flatten()) {
                    rivals.claim(p.column, p.value, lane);
                }
            }
            todo.clear();
            for f in found.iter().flatten() {
                let Some((_, chain)) = &out[f.lane] else {
                    continue;
                };
                let lost = |p: &&Pick| !rivals.wins(p.column, f.lane, p.value);
                let before = denied[f.lane].len();
                denied[f.lane].extend(chain.picks.iter().flatten().filter(lost).map(|p| p.column));
                if denied[f.lane].len() > before {
                    todo.push(f);
                }
            }
            if todo.is_empty() {
                break;
            }
        }
        let all = out.into_iter().enumerate();
        all.filter_map(|(lane, o)| o.map(|(chosen, chain)| (lane, chosen, chain)))
            .filter_map(|(lane, chosen, chain)| {
                Some((lane, self.found(lane, chosen, chain, &rivals)?))
            })
            .collect()
    }

    fn found(&self, lane: usize, chosen: Chosen, chain: Chain, rivals: &Rivals) -> Option<Found> {
        let bit = |pick: Option<Pick>| {
            let Some(p) = pick else { return Bit::default() };
            let mut could_be = p.others;
            if !rivals.wins(p.column, lane, p.value) {
                could_be.insert(0, p.column);
                return Bit {
                    could_be,
                    ..Bit::default()
                };
            }
            let home = |(column, inverted)| Match {
                column,
                inverted,
                odds: p.value + CHOICE,
                margin: p
                    .margin
                    .min(p.value - rivals.next(p.column, lane, f64::MIN)),
            };
            let copies = p.copies.iter().map(|c| (c.0, c.1));
            let homes = [(p.column, p.inverted)].into_iter().chain(copies);
            Bit {
                homes: homes.map(home).collect(),
                by_neighbours: p.by_habit,
                could_be,
            }
        };
        let bits: Vec<Bit> = chain.picks.into_iter().map(bit).collect();
        let any = bits.iter().any(|b| !b.homes.is_empty());
        any.then_some(Found {
            lane,
            hypothesis: chosen.scored.h,
            bits,
            table: None,
            margin: chosen.margin,
            rival: chosen.rival,
            near: chosen.near,
            noise: chosen.scored.noise,
        })
    }

    /// The dials of one control, a voice each.
    fn together(&self, dials: &[&Found]) -> Vec<Vec<usize>> {
        let control = |lane: usize| self.experiment.lanes[lane].control;
        let mut out: Vec<Vec<usize>> = Vec::new();
        for f in dials {
            match out.iter_mut().find(|v| control(v[0]) == control(f.lane)) {
                Some(voices) => voices.push(f.lane),
                None => out.push(vec![f.lane]),
            }
        }
        out
    }

    /// The codings that came near in any voice of a control, and their next wider and narrower ones.
    fn near(&self, voices: &[usize], found: &[Option<Found>]) -> Vec<Hypothesis> {
        let near = |h: &Hypothesis| {
            let beside = |n: &Hypothesis| n.code == h.code && n.width.abs_diff(h.width) < 2;
            let all = voices.iter().filter_map(|lane| found[*lane].as_ref());
            let mut all = all.map(|f| &f.near);
            all.any(|n| n.contains(h) || n.iter().take(2).any(beside))
        };
        self.possible(voices).into_iter().filter(near).collect()
    }

    /// The codings that the voices of a control could have.
    fn possible(&self, voices: &[usize]) -> Vec<Hypothesis> {
        let lane = voices.first().map(|lane| self.experiment.lanes[*lane]);
        lane.map_or(Vec::new(), |lane| {
            codes::hypotheses(self.experiment.panel(), lane)
        })
    }

    /// Tries further codings of a control as long as the best of those tried is the widest tried of its kind: bits taken one by
    /// one, setting by setting, may show too little of a dial for all of its bits to have come near. What is then best is held
    /// against every other kind that is as wide, too: it is no surer than what it was compared with.
    fn further(
        &self,
        voices: &[usize],
        tried: &mut Vec<Hypothesis>,
        found: &[Option<Found>],
        looked: &mut [Looked],
    ) {
        let possible = self.possible(voices);
        let mut widened = false;
        loop {
            let best = |lane: &usize| {
                let all = looked[*lane].codings.iter();
                all.max_by(|a, b| a.score.total_cmp(&b.score)).map(|s| s.h)
            };
            let best: Vec<Hypothesis> = voices.iter().filter_map(best).collect();
            let untried: Vec<Hypothesis> = (possible.iter().copied())
                .filter(|h| !tried.contains(h))
                .collect();
            let of = |fits: &dyn Fn(&Hypothesis, &Hypothesis) -> bool| -> Vec<Hypothesis> {
                let some = untried.iter().filter(|h| best.iter().any(|b| fits(b, h)));
                some.copied().collect()
            };
            let wider = |by: u32| of(&|best, h| (best.code, best.width + by) == (h.code, h.width));
            let mut more = wider(1);
            if !more.is_empty() {
                widened = true;
                more.extend(wider(2));
                more.sort_unstable();
                more.dedup();
            } else if widened {
                more = of(&|best, h| best.width == h.width);
            }
            if more.is_empty() {
                return;
            }
            let scored = |lane: &usize| {
                let f = found[*lane].as_ref()?;
                Some((*lane, self.codings(f, &more, &looked[*lane])))
            };
            let done: Vec<(usize, Vec<Scored>)> = voices.par_iter().filter_map(scored).collect();
            for (lane, codings) in done {
                looked[lane].codings.extend(codings);
            }
            tried.extend(more);
        }
    }

    /// Codings of a dial, scored beside those that it was looked at with before.
    fn codings(&self, f: &Found, some: &[Hypothesis], dial: &Looked) -> Vec<Scored> {
        /// What another noise may make up for.
        const OTHERWISE: f64 = 20.0;
        let with = |h: Hypothesis, (step, price): (f64, f64)| {
            let noise = Noise { step, ..self.noise };
            let mut scored = self.chain(f.lane, h, noise, &dial.mine, &dial.own).scored;
            scored.score -= price;
            scored
        };
        let usual = |step: f64| {
            if step == self.noise.step {
                0.0
            } else {
                self.noise.apart
            }
        };
        let first = (f.noise.step, usual(f.noise.step));
        let all: Vec<Scored> = some.iter().map(|h| with(*h, first)).collect();
        // Noise that suits another coding better is tried with those that come near, and with the next wider ones: a
        // step of theirs is half a step, so where a narrow code looks quiet by chance they are far behind until then.
        let best = (all.iter().chain(&dial.codings)).max_by(|a, b| a.score.total_cmp(&b.score));
        let (most, best) = best.map_or((f64::MIN, None), |s| (s.score, Some(s.h)));
        let wider = |h: Hypothesis| {
            let by = |b: Hypothesis| h.width.saturating_sub(b.width);
            best.is_some_and(|b| b.code == h.code && (1..=2).contains(&by(b)))
        };
        let all = all.into_iter().map(|s| {
            if s.score < most - OTHERWISE && !wider(s.h) {
                return s;
            }
            let h = s.h;
            let others = [self.noise.step, QUIET, EVEN].map(|step| (step, usual(step)));
            let others = others.into_iter().filter(|o| *o != first);
            others
                .map(|o| with(h, o))
                .fold(s, |a, b| match b.score > a.score {
                    true => b,
                    false => a,
                })
        });
        all.filter(|s| !s.matches.is_empty()).collect()
    }

    /// The best coding of a dial, followed down.
    fn choose(&self, lane: usize, dial: &Looked, codings: Vec<Scored>) -> Option<(Chosen, Chain)> {
        let chosen = fields::best_of(codings, self.covered)?;
        let (h, noise) = (chosen.scored.h, chosen.scored.noise);
        let chain = self.chain(lane, h, noise, &dial.mine, &dial.own);
        Some((chosen, chain))
    }
}
