//! Selectors whose codes follow no rule.

use super::cells::Experiment;
use super::columns::Column;
use super::fields::{Bit, Found, Match, coins};
use super::panel::Kind;
use super::signal::{Code, Hypothesis, Noise};

/// Most that the margin of a selector's code is worth where it could have a further bit.
const FURTHER: f64 = 4.0;

/// Selectors whose codes follow no rule: every column that is a function of the position.
pub(crate) fn tables(
    experiment: &Experiment,
    columns: &[Column],
    found: &mut [Option<Found>],
    noise: Noise,
) {
    let coins = coins(experiment, columns, noise);
    let mut owned: Vec<Vec<usize>> = vec![Vec::new(); columns.len()];
    for f in found.iter().flatten() {
        for m in f.bits.iter().flat_map(|b| &b.homes) {
            if m.odds > 10.0 {
                owned[m.column].push(f.lane);
            }
        }
    }
    for (lane, of) in experiment.lanes.iter().enumerate() {
        let control = &experiment.panel().controls[of.control];
        if control.kind != Kind::Selector || control.positions.len() > 64 {
            continue;
        }
        let positions = control.positions.len();
        let coins = &coins[experiment.class(lane)];
        let at = |d: usize| experiment.plan.settings[d].positions[lane] as usize;
        let mine: Vec<usize> = found[lane]
            .iter()
            .flat_map(|f| f.bits.iter().flat_map(|b| b.homes.iter().map(|m| m.column)))
            .collect();
        let explained: f64 = found[lane]
            .iter()
            .flat_map(|f| &f.bits)
            .flat_map(|b| &b.homes)
            .map(|m| m.odds)
            .sum();
        let complete = found[lane].as_ref().is_some_and(Found::whole);
        let mut matches = Vec::new();
        // A column of nobody's that could be a further bit, though little says so.
        let mut further = false;
        for (c, column) in columns.iter().enumerate() {
            let taken = owned[c].iter().any(|o| !experiment.excludes(*o, lane));
            if !column.moves() || (taken && !mine.contains(&c)) {
                continue;
            }
            let mut ones = vec![0.0; positions];
            let mut known = vec![0.0; positions];
            for d in (0..column.ones.len()).filter(|d| experiment.means(lane, *d)) {
                ones[at(d)] += f64::from(column.ones[d]);
                known[at(d)] += f64::from(column.known[d]);
            }
            let mut odds = -coins[c];
            let mut code = Vec::new();
            for p in 0..positions {
                let most = f64::max(ones[p], known[p] - ones[p]);
                odds += most * (1.0 - noise.slip).ln() + (known[p] - most) * noise.slip.ln();
                if known[p] > 0.0 {
                    // The table's own bits are bought with the data.
                    odds -= std::f64::consts::LN_2;
                }
                code.push((known[p] > 0.0).then_some(ones[p] * 2.0 > known[p]));
            }
            let seen: Vec<bool> = code.iter().flatten().copied().collect();
            let turns = seen.contains(&true) && seen.contains(&false);
            further |= turns && odds > 0.0 && !mine.contains(&c);
            if turns && odds > 6.5 {
                matches.push((c, odds, code));
            }
        }
        let total: f64 = matches.iter().map(|m| m.1).sum();
        if let Some(f) = found[lane].as_mut().filter(|_| further) {
            f.margin = f.margin.min(FURTHER);
        }
        if matches.is_empty() || (complete && total < explained + 5.0) || matches.len() > 16 {
            continue;
        }
        matches.sort_by_key(|m| {
            let c = &columns[m.0];
            (c.chip, c.cell, c.line)
        });
        let mut table: Vec<Option<u64>> = vec![Some(0); positions];
        let mut bits = Vec::new();
        for (k, (column, odds, code)) in matches.iter().enumerate() {
            for (t, b) in table.iter_mut().zip(code) {
                *t = match (*t, b) {
                    (Some(t), Some(b)) => Some(t | u64::from(*b) << k),
                    _ => None,
                };
            }
            bits.push(Bit {
                homes: vec![Match {
                    column: *column,
                    inverted: false,
                    odds: *odds,
                    margin: *odds,
                }],
                ..Bit::default()
            });
            owned[*column].push(lane);
        }
        let rival = found[lane].as_ref().map(|f| f.hypothesis);
        found[lane] = Some(Found {
            lane,
            hypothesis: Hypothesis {
                code: Code::Binary,
                width: bits.len() as u32,
            },
            bits,
            table: Some(table),
            margin: total - explained,
            rival,
            near: Vec::new(),
            noise,
        });
    }
}
