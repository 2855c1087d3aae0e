//! The smallest further experiment: settings that move only the controls still uncertain, at the positions where the
//! likeliest readings differ most.

use super::panel::Kind;
use super::plan::{Plan, Purpose, Save, Setting};
use super::rng::Random;
use super::signal::{self, Hypothesis};
use super::solution::Solution;
use super::words;

/// A further experiment.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Next {
    /// The plan with the new settings and one more reading.
    pub plan: Plan,
    /// How many settings are new.
    pub added: usize,
    /// The controls they move, as named on the sheet.
    pub moves: Vec<String>,
    /// What is open about each, a sentence each.
    pub open: Vec<String>,
}

/// Settings in which two readings of a control should differ before they can be told apart.
const APART: usize = 5;
/// Most settings a further experiment asks for.
const MOST: usize = 8;

/// The smallest further experiment; `None` where everything is certain.
pub fn next(solution: &Solution) -> Option<Next> {
    let solved = &solution.solved;
    let plan = solved.experiment.plan;
    let lanes = &solved.experiment.lanes;
    let mut open_lanes: Vec<(usize, Option<Hypothesis>, Option<Hypothesis>)> = Vec::new();
    let mut open = Vec::new();
    let mut fields = solution.fields.iter();
    for (l, found) in solved.found.iter().enumerate() {
        let name = plan.panel.lane_name(lanes[l]);
        match found {
            None => {
                open.push(format!("{name}: no bit follows it"));
                open_lanes.push((l, None, None));
            }
            Some(f) => {
                let Some(field) = fields.next() else { continue };
                if field.certain() {
                    continue;
                }
                let loose = field
                    .bits
                    .iter()
                    .filter(|b| b.sure < super::solution::CERTAIN)
                    .count();
                open.push(match f.rival {
                    Some(r) if field.sure < super::solution::CERTAIN => {
                        format!("{name}: {}, or {}", f.hypothesis.says(), r.says())
                    }
                    _ => format!(
                        "{name}: {loose} of {} bits could be another",
                        field.bits.len()
                    ),
                });
                open_lanes.push((l, Some(f.hypothesis), f.rival));
            }
        }
    }
    if open_lanes.is_empty() {
        return None;
    }
    let mut random = Random::new(plan.settings.len() as u64);
    let (mut count, mut marks) = (2, Vec::new());
    while count <= MOST {
        marks = open_lanes
            .iter()
            .map(|(l, h, r)| best_marks(plan, *l, lanes[*l], *h, *r, count, &mut random))
            .collect::<Vec<_>>();
        if marks.iter().all(|(apart, _)| *apart >= APART.min(count)) {
            break;
        }
        count += 1;
    }
    let count = count.min(MOST);
    // The end stops once more, where controls must be told from each other.
    let ends = if open_lanes.iter().any(|(_, h, _)| h.is_none()) {
        words::shortest(open_lanes.len().max(2), 2, 7)
    } else {
        (0, Vec::new())
    };
    let rest = plan
        .settings
        .last()
        .map_or_else(Vec::new, |s| s.positions.clone());
    let mut extended = plan.clone();
    for e in 0..ends.0 {
        let mut positions = rest.clone();
        for (i, (l, ..)) in open_lanes.iter().enumerate() {
            let c = &plan.panel.controls[lanes[*l].control];
            positions[*l] = if ends.1[i] >> e & 1 == 1 { c.span() } else { 0 };
        }
        extended.settings.push(Setting {
            purpose: Purpose::Ends,
            positions,
        });
    }
    for s in 0..count {
        let mut positions = rest.clone();
        for ((l, ..), (_, m)) in open_lanes.iter().zip(&marks) {
            positions[*l] = m[s];
        }
        extended.settings.push(Setting {
            purpose: Purpose::Sweep,
            positions,
        });
    }
    let added = extended.settings.len() - plan.settings.len();
    let first = plan.readings();
    for (i, setting) in (plan.settings.len()..extended.settings.len()).enumerate() {
        extended.saves.push(Save {
            reading: first + i / plan.panel.presets,
            preset: i % plan.panel.presets,
            setting,
        });
    }
    // Presets that are not saved anew still hold what they held.
    let last = extended.readings();
    for reading in first..last {
        for preset in 0..plan.panel.presets {
            if extended
                .saves
                .iter()
                .any(|s| s.reading == reading && s.preset == preset)
            {
                continue;
            }
            let before = plan
                .saves
                .iter()
                .rev()
                .find(|s| s.preset == preset)
                .copied();
            if let Some(before) = before {
                extended.saves.push(Save { reading, ..before });
            }
        }
    }
    Some(Next {
        plan: extended,
        added,
        moves: open_lanes
            .iter()
            .map(|(l, ..)| plan.panel.lane_name(lanes[*l]))
            .collect(),
        open,
    })
}

/// Positions of a lane in `count` settings, and in how many of them its readings differ at least.
fn best_marks(
    plan: &Plan,
    l: usize,
    lane: super::panel::Lane,
    h: Option<Hypothesis>,
    rival: Option<Hypothesis>,
    count: usize,
    random: &mut Random,
) -> (usize, Vec<u32>) {
    let c = &plan.panel.controls[lane.control];
    let span = c.span();
    let mut best = (0, vec![0; count], 0);
    for _ in 0..120 {
        let marks: Vec<u32> = (0..count)
            .map(|_| {
                if c.kind == Kind::Text {
                    65 + random.below(26) as u32
                } else {
                    random.between(0, span as usize) as u32
                }
            })
            .collect();
        let bits = |h: Hypothesis, m: u32| signal::code(h, &plan.panel, lane, m);
        let (mut least, mut sum) = (usize::MAX, 0);
        if let (Some(h), Some(r)) = (h, rival) {
            // Differences in the bits both readings have, counted from the top.
            let d: usize = marks
                .iter()
                .map(|&m| {
                    let n = h.width.min(r.width);
                    ((bits(h, m) >> (h.width - n)) ^ (bits(r, m) >> (r.width - n))).count_ones()
                        as usize
                })
                .sum();
            least = least.min(d);
            sum += d;
        }
        if let Some(h) = h {
            for a in 1..h.width {
                let d = marks
                    .iter()
                    .filter(|&&m| (bits(h, m) >> a ^ bits(h, m) >> (a - 1)) & 1 == 1)
                    .count();
                sum += d;
            }
        }
        let moves = marks
            .iter()
            .filter(|m| **m != plan.settings[0].positions[l])
            .count();
        least = least.min(moves.max(1) * 2);
        if (least, sum) >= (best.0, best.2) {
            best = (least, marks, sum);
        }
    }
    (best.0, best.1)
}
