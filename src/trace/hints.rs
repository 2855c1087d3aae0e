//! What else explains readings that do not follow their plan: an order of the readings, a data line that never moves,
//! one dial off its mark in one save.

use super::cells::{Experiment, TraceError};
use super::columns::Column;
use super::fields::Found;
use super::plan::{Plan, Save};
use super::signal;
use super::solution::{self, FoundField, Solution};
use super::solve::code_in_save;
use crate::reading::Reading;

/// Most readings of which every order is tried; of more, two are exchanged.
const ALL_ORDERS: usize = 3;

/// Controls of a solution that are likely right.
fn likely(solution: &Solution) -> usize {
    /// A control this sure is likely right.
    const LIKELY: f64 = 0.9;
    let likely = |f: &&FoundField| f.chance() >= LIKELY;
    solution.fields.iter().filter(likely).count()
}

/// The order in which readings fit their plan, as indices into those given, where they do not fit as given: one in
/// which half of the controls or more are likely right.
pub fn order(plan: &Plan, readings: &[Reading]) -> Option<Vec<usize>> {
    let lanes = plan.panel.lanes().len();
    let fits = |order: &Vec<usize>| {
        let some: Vec<Reading> = order.iter().map(|r| readings[*r].clone()).collect();
        let likely = likely(&solution::solve(plan, &some).ok()?);
        (likely * 2 >= lanes).then_some(likely)
    };
    let tried = orders(readings.len()).into_iter();
    let best = tried.filter_map(|o| Some((fits(&o)?, o)));
    best.max_by_key(|(likely, _)| *likely).map(|(_, o)| o)
}

/// Orders of a few readings other than the one they are in.
pub(crate) fn orders(count: usize) -> Vec<Vec<usize>> {
    let straight: Vec<usize> = (0..count).collect();
    let exchanged = |order: &[usize]| -> Vec<Vec<usize>> {
        let pairs = (0..count).flat_map(|i| (0..i).map(move |j| (j, i)));
        pairs
            .map(|(i, j)| {
                let mut order = order.to_vec();
                order.swap(i, j);
                order
            })
            .collect()
    };
    let mut out = exchanged(&straight);
    if count <= ALL_ORDERS {
        out = out
            .iter()
            .flat_map(|o| exchanged(o))
            .chain(out.clone())
            .collect();
        out.retain(|o| *o != straight);
    }
    out.sort();
    out.dedup();
    out
}

/// The readings that do not follow the plan, where others do by themselves.
fn strange(plan: &Plan, readings: &[Reading]) -> Option<Vec<usize>> {
    let follows = |r: &usize| {
        let saves = plan.saves.iter().filter(|s| s.reading == *r);
        let alone = Plan {
            saves: saves.map(|s| Save { reading: 0, ..*s }).collect(),
            ..plan.clone()
        };
        solution::solve(&alone, &readings[*r..=*r]).is_ok_and(|s| likely(&s) > 0)
    };
    let (some, strange): (Vec<usize>, Vec<usize>) = (0..readings.len()).partition(follows);
    (!some.is_empty() && !strange.is_empty()).then_some(strange)
}

/// Solves; where no control is likely right, sees whether another order of the readings would do better, or whether some
/// of them follow the plan by themselves.
///
/// # Errors
/// As [`solution::solve`], [`TraceError::Order`] where the readings fit in another order, and [`TraceError::Strange`]
/// where only some follow the plan.
pub fn solve_in_order<'a>(
    plan: &'a Plan,
    readings: &[Reading],
) -> Result<Solution<'a>, TraceError> {
    let given = solution::solve(plan, readings);
    let good = match &given {
        Ok(s) => likely(s) > 0,
        Err(e) => !matches!(e, TraceError::NothingFound(_)),
    };
    if good {
        return given;
    }
    if let Some(order) = order(plan, readings) {
        return Err(TraceError::Order(order));
    }
    match strange(plan, readings) {
        Some(strange) => Err(TraceError::Strange(strange)),
        None => given,
    }
}

/// Data lines that hold one value in every cell of every reading, below one that moves: chip, line, value. A chip of which
/// one line moves is taken for one with a single line.
pub(crate) fn still_lines(experiment: &Experiment) -> Vec<(usize, u8, bool)> {
    let mut out = Vec::new();
    for (c, chip) in experiment.chips.iter().enumerate() {
        let (mut zeros, mut ones) = (0u8, 0u8);
        for (values, known) in chip.values.iter().zip(&chip.known) {
            for (v, k) in values.iter().zip(known) {
                ones |= v & k;
                zeros |= !v & k;
            }
        }
        let moving = zeros & ones;
        if moving.count_ones() == 1 {
            continue;
        }
        for line in 0..chip.width {
            let held = |seen: u8| seen >> line & 1 == 1;
            if held(zeros) != held(ones) && moving >> line != 0 {
                out.push((c, line, held(ones)));
            }
        }
    }
    out
}

/// Dials that stood elsewhere than the plan says in one save, while other saves of the setting are right: save, lane,
/// and the position it seems to have stood at.
pub(crate) fn off_in_save(
    experiment: &Experiment,
    columns: &[Column],
    found: &[Option<Found>],
    bad: &[bool],
) -> Vec<(usize, usize, String)> {
    /// Least odds of every bit of a control that is judged.
    const SHOWN: f64 = 6.0;
    let (plan, panel) = (experiment.plan, experiment.panel());
    let mut out = Vec::new();
    for f in found.iter().flatten() {
        let shown = |b: &super::fields::Bit| b.homes.first().is_some_and(|h| h.odds > SHOWN);
        if f.table.is_some() || !f.bits.iter().all(shown) {
            continue;
        }
        let lane = experiment.lanes[f.lane];
        let stood = |save: usize| {
            let code = code_in_save(columns, f, save, 0)?;
            signal::step_of(f.hypothesis, panel, lane, code)
        };
        let off = |save: &usize| {
            let position = plan.settings[experiment.saves[*save].setting].positions[f.lane];
            let want = signal::step_at(f.hypothesis, panel, lane, position);
            let far = if f.hypothesis.width < 3 { 0 } else { 2 };
            stood(*save).is_some_and(|s| (s - want).abs() > far)
        };
        let means = |s: &usize| experiment.means(f.lane, experiment.saves[*s].setting);
        let judged = (0..experiment.saves.len()).filter(|s| !bad[*s] && means(s));
        let (wrong, right): (Vec<usize>, Vec<usize>) = judged.partition(off);
        // Many of them are no slips: then it is the control that is not understood.
        if wrong.len() * 6 > right.len() {
            continue;
        }
        for save in wrong {
            let same = |r: &&usize| experiment.saves[**r].setting == experiment.saves[save].setting;
            if let (Some(step), Some(_)) = (stood(save), right.iter().find(same)) {
                let at = signal::shown(f.hypothesis, panel, lane, step);
                out.push((save, f.lane, at));
            }
        }
    }
    out
}

/// Pairs of saves of one reading that hold each other's setting, as indices into those that do not hold their own.
pub(crate) fn exchanged(plan: &Plan, bad: &[(usize, Option<usize>)]) -> Vec<(usize, usize)> {
    let positions = |setting: usize| &plan.settings[setting].positions;
    let holds = |(_, other): (usize, Option<usize>), save: usize| {
        other.is_some_and(|o| positions(o) == positions(plan.saves[save].setting))
    };
    let mut out: Vec<(usize, usize)> = Vec::new();
    for (i, a) in bad.iter().enumerate() {
        let free = |k: usize| out.iter().all(|(x, y)| *x != k && *y != k);
        let with = |b: &(usize, Option<usize>)| {
            plan.saves[a.0].reading == plan.saves[b.0].reading && holds(*a, b.0) && holds(*b, a.0)
        };
        let other = (i + 1..bad.len()).find(|j| free(*j) && with(&bad[*j]));
        if let (true, Some(j)) = (free(i), other) {
            out.push((i, j));
        }
    }
    out
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]
    use super::super::panel::Panel;
    use super::super::plan::Effort;
    use super::*;
    use crate::image::ChipImage;
    use crate::reading::ChipReading;

    /// A chip with a single line, read in the highest bit of a byte, has no lines that are stuck; one whose highest and
    /// lowest bits move has six between them that may be.
    #[test]
    fn a_chip_of_one_line_has_no_stuck_ones() {
        let panel = "name = \"x\"\npresets = 2\n[[control]]\nkey = \"knob\"\nkind = \"knob\"\n";
        let plan = Plan::with(&Panel::parse(panel).unwrap(), Effort::FULL);
        let still = |mask: u8| {
            let read = |r: usize| {
                let cells: Vec<u8> = (0..64usize)
                    .map(|x| (x * 37 + r * 91) as u8 & mask)
                    .collect();
                let image = ChipImage::from_cells(8, &cells).unwrap();
                Reading::new(vec![ChipReading::new("U1", image)])
            };
            let readings: Vec<Reading> = (0..plan.readings()).map(read).collect();
            still_lines(&Experiment::new(&plan, &readings).unwrap())
        };
        assert_eq!(still(0x80), []);
        let six: Vec<(usize, u8, bool)> = (1..7).map(|line| (0, line, false)).collect();
        assert_eq!(still(0x81), six);
    }

    #[test]
    fn orders_of_a_few() {
        assert_eq!(orders(1), Vec::<Vec<usize>>::new());
        assert_eq!(orders(2), [[1, 0]]);
        assert_eq!(orders(3).len(), 5);
        // Of four, the six exchanges of two.
        assert_eq!(orders(4).len(), 6);
    }
}
