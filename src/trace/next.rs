//! The smallest further experiment: settings that move only the controls still uncertain, at the positions where the
//! likeliest readings differ most.

use super::cells::Experiment;
use super::fields::Found;
use super::panel::{Condition, Kind, Lane};
use super::plan::{Effort, Plan, Purpose, Save, Setting};
use super::rng::Random;
use super::signal::{self, Hypothesis};
use super::solution::{CERTAIN, FoundField, Solution};
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
    /// What further settings of this kind will not tell, a sentence a control; where nothing else is open, the plan is
    /// what it was.
    pub stays: Vec<String>,
    /// Chips that hold one value throughout in a reading and not in others, and that reading, from 1: with these read
    /// again less may be open, so nothing further is dialled before.
    pub read_again: Vec<(String, usize)>,
}

/// Settings in which two readings of a control should differ before they can be told apart.
const APART: usize = 5;
/// Most settings a further experiment asks for.
const MOST: usize = 8;
/// What stays open after so many settings between a control's ends, beside those of the first plan, will stay so after more.
const ENOUGH: usize = 20;
/// What one more setting tells of a bit at most (natural logarithm of the odds), slips reckoned with.
const TOLD: f64 = 0.68;
/// How often each position of a selector whose codes follow no rule is to be seen.
const SEEN: usize = 3;

/// The smallest further experiment; `None` where everything is certain.
pub fn next(solution: &Solution) -> Option<Next> {
    let solved = &solution.solved;
    let plan = solved.experiment.plan;
    let lanes = &solved.experiment.lanes;
    let mut open_lanes: Vec<(usize, Option<Hypothesis>, Option<Hypothesis>)> = Vec::new();
    let (mut open, mut stays) = (Vec::new(), Vec::new());
    let mut least = 0;
    let mut fields = solution.fields.iter();
    for (l, found) in solved.found.iter().enumerate() {
        let name = plan.panel.lane_name(lanes[l]);
        let (says, enough, wants) = match found {
            None => (
                format!("{name}: no bit follows it"),
                further(plan, l) >= ENOUGH,
                MOST,
            ),
            Some(f) => {
                let Some(field) = fields.next() else { continue };
                // No setting helps where the layout cannot hold what is known.
                if field.shown_certain() {
                    continue;
                }
                let tabled = f.table.is_some();
                let enough = match tabled {
                    true => all_seen(plan, l, lanes[l]),
                    false => further(plan, l) >= ENOUGH,
                };
                let wants = (field.lacking() / TOLD).ceil() as usize;
                (format!("{name}: {}", what_is_open(field, f)), enough, wants)
            }
        };
        if enough {
            stays.push(format!("{says}, after {} settings", plan.settings.len()));
            continue;
        }
        open.push(says);
        least = least.max(wants);
        let readings = found.as_ref().map(|f| (f.hypothesis, f.rival));
        open_lanes.push((l, readings.map(|r| r.0), readings.and_then(|r| r.1)));
    }
    let read_again = if open.is_empty() && stays.is_empty() {
        Vec::new()
    } else {
        read_again(&solved.experiment)
    };
    if open_lanes.is_empty() || !read_again.is_empty() {
        return (!stays.is_empty() || !open.is_empty()).then(|| Next {
            plan: plan.clone(),
            added: 0,
            moves: Vec::new(),
            open,
            stays,
            read_again,
        });
    }
    let mut random = Random::new(plan.settings.len() as u64);
    // As many as it takes to make up for what the odds lack.
    let (mut count, mut marks) = (least.clamp(2, MOST), Vec::new());
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
    // What means something only while another stands in some position is dialled in settings of its own.
    let conditions = &solved.perhaps();
    let mut when: Vec<Option<&Condition>> = Vec::new();
    for (l, ..) in &open_lanes {
        let condition = conditions[*l].as_ref();
        if !when.contains(&condition) {
            when.push(condition);
        }
    }
    for condition in when {
        let rest = |n: usize| {
            let mut positions = rest.clone();
            if let Some(c) = condition {
                positions[c.lane] = c.positions[n % c.positions.len()];
            }
            positions
        };
        let here = |l: &usize| conditions[*l].as_ref() == condition;
        for e in 0..ends.0 {
            let mut positions = rest(e as usize);
            for (i, (l, ..)) in open_lanes.iter().enumerate().filter(|(_, (l, ..))| here(l)) {
                let c = &plan.panel.controls[lanes[*l].control];
                positions[*l] = if ends.1[i] >> e & 1 == 1 { c.span() } else { 0 };
            }
            // No setting of end stops, since all other controls stay where they are, which is between theirs.
            extended.settings.push(Setting {
                purpose: Purpose::Sweep,
                positions,
            });
        }
        for s in 0..count {
            let mut positions = rest(s);
            for ((l, ..), (_, m)) in open_lanes.iter().zip(&marks).filter(|((l, ..), _)| here(l)) {
                positions[*l] = m[s];
            }
            extended.settings.push(Setting {
                purpose: Purpose::Sweep,
                positions,
            });
        }
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
        stays,
        read_again,
    })
}

/// Chips that are blank in some readings and not in others, with the reading, from 1.
fn read_again(experiment: &Experiment) -> Vec<(String, usize)> {
    let blank = experiment.chips.iter().flat_map(|chip| {
        let blank = chip.blank_once().into_iter();
        blank.map(|reading| (chip.id.clone(), reading + 1))
    });
    blank.collect()
}

/// In how many settings between the ends, beside those of the first plan, a control stood elsewhere than where it rests
/// while others are dialled.
fn further(plan: &Plan, l: usize) -> usize {
    let rest = plan.settings.last().map(|s| s.positions[l]);
    let sweeps = plan.settings.iter().filter(|s| s.purpose == Purpose::Sweep);
    let moved = sweeps.filter(|s| Some(s.positions[l]) != rest).count();
    moved.saturating_sub(Effort::FULL.sweeps_of(&plan.panel))
}

/// True where a selector stood at each of its positions often enough.
fn all_seen(plan: &Plan, l: usize, lane: Lane) -> bool {
    let times = |p: u32| plan.settings.iter().filter(|s| s.positions[l] == p).count();
    (0..=plan.panel.controls[lane.control].span()).all(|p| times(p) >= SEEN)
}

/// What is open about a control that was found.
fn what_is_open(field: &FoundField, f: &Found) -> String {
    if f.table.is_some() {
        return "its codes follow no rule, so only what each position was read as is known"
            .to_owned();
    }
    if let Some(r) = f.rival.filter(|_| field.sure < CERTAIN) {
        return format!("{}, or {}", f.hypothesis.says(), r.says());
    }
    let loose = field.bits.iter().filter(|b| b.sure < CERTAIN).count();
    match loose {
        0 => format!("{}, or a wider code", f.hypothesis.says()),
        _ => format!("{loose} of {} bits could be another", field.bits.len()),
    }
}

/// Positions of a lane in `count` settings, and in how many of them its readings differ at least.
fn best_marks(
    plan: &Plan,
    l: usize,
    lane: Lane,
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
