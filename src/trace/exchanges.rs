//! Presets of one reading that were saved in each other's places.
//!
//! Two that are exchanged are seen best together: each holds what the plan has in the other, which chance would have to
//! bring twice. Where few bits of a save are known, as those of four controls, neither shows by itself which setting it
//! holds, nor plainly that it does not hold its own; and where two settings have much in common, a dial or two seem off
//! their mark in both.

use super::cells::Experiment;
use super::columns::Column;
use super::solve::Solved;
use super::standing::{self, Agreement, Expected};

/// Odds (natural logarithm) against one pair of presets being exchanged in a reading, beside the number of pairs: once in
/// about twenty readings, and as much again to be sure of it.
const RARE: f64 = 6.0;
/// Share of bits, one in so many, that an exchanged save may hold otherwise than the other's setting.
const FEW: u32 = 8;

/// A save, by its place in the plan, and the setting it holds in place of its own.
pub(crate) type Holds = (usize, usize);

/// How the bits of a save agree with a setting.
pub(crate) fn agreement(
    columns: &[Column],
    expected: &[Expected],
    save: usize,
    setting: usize,
) -> Agreement {
    let mut out = Agreement::default();
    for e in expected {
        if let Some(sure) = e.sure[setting] {
            out.add(sure, columns[e.column].rows[save]);
        }
    }
    out
}

/// Pairs that all known bits show, or those of one structure alone: others may rest on a structure that the exchange itself
/// led astray.
pub(crate) fn plain(solved: &Solved) -> Vec<[Holds; 2]> {
    let (experiment, columns) = (&solved.experiment, &solved.columns);
    let expected = standing::expected(experiment, &solved.found);
    let mut out = exchanged(experiment, columns, &expected);
    for structure in 0..solved.structures.len() {
        let here = |e: &&Expected| columns[e.column].structure == structure;
        let expected: Vec<Expected> = expected.iter().filter(here).cloned().collect();
        let free = |pair: &[Holds; 2], out: &[[Holds; 2]]| {
            let taken = |save: usize| out.iter().flatten().any(|(s, _)| *s == save);
            !pair.iter().any(|(s, _)| taken(*s))
        };
        for pair in exchanged(experiment, columns, &expected) {
            if free(&pair, &out) {
                out.push(pair);
            }
        }
    }
    out
}

/// Pairs of saves of one reading that hold each other's settings, the plainest first; no save is in two.
pub(crate) fn exchanged(
    experiment: &Experiment,
    columns: &[Column],
    expected: &[Expected],
) -> Vec<[Holds; 2]> {
    let plan = experiment.plan;
    let positions = |setting: usize| &plan.settings[setting].positions;
    let mut out: Vec<(f64, [Holds; 2])> = Vec::new();
    for reading in 0..plan.readings() {
        let own = |s: usize| agreement(columns, expected, s, experiment.saves[s].setting);
        // Saves that hold all of their own setting are not looked at.
        let off: Vec<(usize, Agreement)> = (0..experiment.saves.len())
            .filter(|s| experiment.saves[*s].reading == reading)
            .map(|s| (s, own(s)))
            .filter(|(_, own)| own.wrong > 0)
            .collect();
        let presets = plan.panel.presets as f64;
        let price = (presets * (presets - 1.0) / 2.0).max(1.0).ln() + RARE;
        for (i, (a, own_a)) in off.iter().enumerate() {
            for (b, own_b) in &off[..i] {
                let (of_a, of_b) = (experiment.saves[*a].setting, experiment.saves[*b].setting);
                if positions(of_a) == positions(of_b) {
                    continue;
                }
                let each = [
                    agreement(columns, expected, *a, of_b),
                    agreement(columns, expected, *b, of_a),
                ];
                if each.iter().any(|e| e.wrong * FEW > e.all) {
                    continue;
                }
                let odds: f64 = each.iter().map(|e| e.odds()).sum();
                let gain = odds - own_a.odds() - own_b.odds();
                if gain > price {
                    out.push((gain, [(*b, of_a), (*a, of_b)]));
                }
            }
        }
    }
    out.sort_by(|a, b| b.0.total_cmp(&a.0));
    let mut taken = vec![false; experiment.saves.len()];
    out.into_iter()
        .map(|(_, pair)| pair)
        .filter(|pair| {
            let free = pair.iter().all(|(s, _)| !taken[*s]);
            for (s, _) in pair.iter().filter(|_| free) {
                taken[*s] = true;
            }
            free
        })
        .collect()
}
