//! Controls that mean something only while another stands in some position, where the panel file does not say so.
//!
//! Where nobody told, such a control is dialled in every setting, but the cells follow it only in those in which the
//! switch or selector that decides stood right. So of a control that was not found, or that several settings contradict,
//! it is asked whether there are a switch or selector and some of its positions such that the cells follow the dial there
//! and not elsewhere. That is weighed as all is here: what it explains beyond the control that always means something, or
//! is not there at all, less what it takes to choose who decides, the positions, and the cells.

mod weigh;

use rayon::prelude::*;

use super::cells::Experiment;
use super::fields::Found;
use super::panel::{Condition, Kind, When, lane_beside};
use super::signal;
use super::solve::Solved;
use weigh::{Decider, Scales};

/// A condition that the settings speak for and the panel file does not tell.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Noticed {
    /// Index into the panel's controls.
    pub(crate) control: usize,
    /// Index into the panel's controls: the switch or selector that decides.
    pub(crate) by: usize,
    /// Its positions in which the control means something, from 0, in ascending order.
    pub(crate) positions: Vec<u32>,
    /// The chance that it is so, 0 to 1.
    pub(crate) chance: f64,
    /// What it explains beyond what else was weighed, in bits.
    pub(crate) bits: f64,
    /// Settings in which what decides stands so: those that follow the control, and all.
    pub(crate) within: (usize, usize),
    /// The other settings, likewise.
    pub(crate) without: (usize, usize),
}

impl Noticed {
    /// From this chance on the control is looked for, and written, as meaning something then alone.
    const WRITTEN: f64 = 0.9;
    /// From this chance on it is said.
    const SAID: f64 = 0.5;

    /// True where it is sure enough to be reckoned with.
    pub(crate) fn written(&self) -> bool {
        self.chance >= Self::WRITTEN
    }

    /// The same where solving with it shows less than without.
    pub(crate) fn doubted(self) -> Self {
        Self {
            chance: self.chance.min(Self::SAID),
            ..self
        }
    }

    /// As part of a sentence: "osc.wave is at pulse".
    pub(crate) fn says(&self, experiment: &Experiment) -> String {
        let when = self.when(experiment);
        format!("{} is at {}", when.key, when.is.join(" or "))
    }

    /// As a panel file says it.
    pub(crate) fn when(&self, experiment: &Experiment) -> When {
        let by = &experiment.panel().controls[self.by];
        When {
            key: by.key.clone(),
            is: self.positions.iter().map(|p| by.position(*p)).collect(),
        }
    }

    /// What speaks for it, as part of a sentence.
    pub(crate) fn evidence(&self) -> String {
        format!(
            "cells follow it in {} of {} settings there and in {} of {} others, {:.0} bits better than without",
            self.within.0, self.within.1, self.without.0, self.without.1, self.bits
        )
    }
}

/// Lanes of a control, in the order of [`Experiment::lanes`].
pub(crate) fn lanes_of(experiment: &Experiment, control: usize) -> Vec<usize> {
    let lanes = experiment.lanes.iter().enumerate();
    let of = lanes.filter(|(_, l)| l.control == control);
    of.map(|(l, _)| l).collect()
}

/// The lane of what decides that goes with another lane: of the same voice where each has its own.
fn lane_of(experiment: &Experiment, by: usize, lane: usize) -> Option<usize> {
    lane_beside(&experiment.lanes, by, &experiment.lanes[lane])
}

impl Solved<'_> {
    /// For each lane when it means something, as far as anything speaks for it: told, noticed, or supposed only.
    pub(crate) fn perhaps(&self) -> Vec<Option<Condition>> {
        let mut out = self.experiment.conditions.clone();
        for n in self.noticed.iter().filter(|n| !n.written()) {
            for (lane, condition) in supposed(&self.experiment, n) {
                out[lane] = Some(condition);
            }
        }
        out
    }
}

/// What was noticed, lane by lane of its control.
fn supposed(experiment: &Experiment, noticed: &Noticed) -> Vec<(usize, Condition)> {
    let lanes = lanes_of(experiment, noticed.control).into_iter();
    let condition = |lane| {
        let condition = Condition {
            lane: lane_of(experiment, noticed.by, lane)?,
            positions: noticed.positions.clone(),
        };
        Some((lane, condition))
    };
    lanes.filter_map(condition).collect()
}

/// Takes what was noticed for given.
pub(crate) fn suppose(experiment: &mut Experiment, noticed: &Noticed) {
    for (lane, condition) in supposed(experiment, noticed) {
        experiment.suppose(lane, condition);
    }
}

/// True where the control is found in some lane by its uppermost bit, looked for where it means something.
pub(crate) fn borne_out(solved: &Solved, noticed: &Noticed) -> bool {
    let shown = |f: &Found| {
        let homes = f.bits.last().map(|b| &b.homes[..]);
        homes.is_some_and(|h| h.iter().any(|m| m.odds > WEAK))
    };
    let lanes = lanes_of(&solved.experiment, noticed.control);
    lanes
        .iter()
        .any(|l| solved.found[*l].as_ref().is_some_and(shown))
}

/// Settings that contradict what is found of a lane, where it means something, beyond doubt.
fn contradicted(solved: &Solved, f: &Found) -> usize {
    let experiment = &solved.experiment;
    if f.table.is_some() {
        return 0;
    }
    let (plan, lane) = (experiment.plan, experiment.lanes[f.lane]);
    let chances = signal::chances(f.hypothesis, plan, f.lane, lane, f.noise);
    let off = |d: &usize| {
        let bits = f.bits.iter().zip(&chances);
        let homes = bits.flat_map(|(b, p)| b.homes.iter().map(|m| (m, p[*d])));
        let off = |(m, p): (&super::fields::Match, f64)| {
            let column = &solved.columns[m.column];
            let (one, known) = (f64::from(column.ones[*d]), f64::from(column.known[*d]));
            let want = (p > 0.5) != m.inverted;
            let holds = if want { one } else { known - one };
            m.odds > WEAK && !(0.1..=0.9).contains(&p) && holds * 2.0 < known
        };
        experiment.means(f.lane, *d) && homes.into_iter().any(off)
    };
    (0..plan.settings.len()).filter(off).count()
}

/// Odds (natural logarithm) below which a bit shows nothing to be contradicted.
const WEAK: f64 = 5.0;
/// A hand slips once; so many settings that contradict a control want another reason.
const SEVERAL: usize = 2;

/// True where a lane wants an explanation: it was not found, or not its uppermost bits, or settings contradict it.
fn suspicious(solved: &Solved, lane: usize) -> bool {
    let Some(f) = &solved.found[lane] else {
        return true;
    };
    let control = solved.experiment.lanes[lane].control;
    let control = &solved.experiment.panel().controls[control];
    let shown = |b: &super::fields::Bit| b.homes.first().is_some_and(|m| m.odds > WEAK + 1.0);
    // Low bits of a dial drown in its noise, and upper ones of a display may never be set.
    let wanted = match control.kind {
        Kind::Switch | Kind::Selector => f.bits.iter().all(shown),
        Kind::Number => f.bits.iter().any(shown),
        _ => f.bits.last().is_some_and(shown),
    };
    !wanted || contradicted(solved, f) >= SEVERAL
}

/// Who could decide: switches and selectors that always mean something and were found whole.
fn deciders(solved: &Solved, contradicted: &[usize]) -> Vec<usize> {
    let experiment = &solved.experiment;
    let found = |lane: &usize| {
        let f = solved.found[*lane].as_ref();
        let shown = |b: &super::fields::Bit| b.homes.first().is_some_and(|m| m.odds > WEAK);
        experiment.conditions[*lane].is_none()
            && contradicted[*lane] < SEVERAL
            && f.is_some_and(|f| f.bits.iter().all(shown))
    };
    let controls = experiment.panel().controls.iter().enumerate();
    let may = controls.filter(|(c, control)| {
        matches!(control.kind, Kind::Switch | Kind::Selector)
            && control.span() < weigh::MOST_POSITIONS
            && lanes_of(experiment, *c).iter().all(found)
    });
    may.map(|(c, _)| c).collect()
}

/// What the settings say of conditions that nobody told, the surest first.
pub(crate) fn notice(solved: &Solved) -> Vec<Noticed> {
    let experiment = &solved.experiment;
    let contradictions: Vec<usize> = (solved.found.iter())
        .map(|f| f.as_ref().map_or(0, |f| contradicted(solved, f)))
        .collect();
    let controls = &experiment.panel().controls;
    let open: Vec<usize> = (0..controls.len())
        .filter(|c| {
            let lanes = lanes_of(experiment, *c);
            lanes.iter().all(|l| experiment.conditions[*l].is_none())
                && lanes.iter().any(|l| suspicious(solved, *l))
        })
        .collect();
    if open.is_empty() {
        return Vec::new();
    }
    let deciders = deciders(solved, &contradictions);
    // What hangs on another decides nothing, and what decides hangs on nothing.
    let known: Vec<usize> = (experiment.conditions.iter().flatten())
        .map(|c| experiment.lanes[c.lane].control)
        .collect();
    let scales = Scales::new(solved, &contradictions);
    let weighed = open.into_par_iter().filter(|c| !known.contains(c));
    let mut out: Vec<Noticed> = weighed
        .filter_map(|control| {
            let may = |by: &&usize| {
                **by != control && (!controls[**by].per_voice || controls[control].per_voice)
            };
            let of: Vec<usize> = deciders.iter().filter(may).copied().collect();
            let of: Vec<Decider> = of
                .iter()
                .map(|by| Decider {
                    control: *by,
                    price: weigh::price(known.contains(by), of.len(), controls[*by].span()),
                    positions: controls[*by].span() + 1,
                })
                .collect();
            scales.best(control, &of)
        })
        .filter(|n| n.chance >= Noticed::SAID)
        .collect();
    out.sort_by(|a, b| {
        b.chance
            .total_cmp(&a.chance)
            .then(b.bits.total_cmp(&a.bits))
    });
    // A control that is said to hang on another is not one that decides, and the surer is believed.
    let mut kept: Vec<Noticed> = Vec::new();
    for n in out {
        if !kept.iter().any(|k| k.control == n.by || k.by == n.control) {
            kept.push(n);
        }
    }
    kept
}
