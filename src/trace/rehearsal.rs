//! Tracing rehearsed: an instrument whose layout is hidden from the solver is dialled, read and solved; then a second
//! bank is decoded with what was found and compared with the truth.

use super::plan::{Effort, Plan, Purpose, Save, Setting};
use super::rng::Random;
use super::simulate::{self, Hand, Target};
use super::solution::{self, Solution};
use super::{TraceError, panel::Lane};
use crate::codec::{Memory, coding};
use crate::layout::model::{Evidence, Layout, Scale};
use crate::layout::{self};

/// What a rehearsal came to.
#[derive(Clone, Debug, PartialEq)]
pub struct Rehearsal {
    /// The instrument.
    pub instrument: String,
    /// The plan that was dialled.
    pub plan: Plan,
    /// How presets were found to be spread, a sentence a structure.
    pub structure: Vec<String>,
    /// How voices were found to lie where they lie alike.
    pub voices: Vec<String>,
    /// Controls (a voice's or a character's part counted by itself) of the plan, and how many were found certain.
    pub controls: usize,
    /// Found and called certain.
    pub certain: usize,
    /// What a second bank reads as.
    pub compared: Compared,
    /// The layout file found.
    pub layout_toml: String,
}

/// A second bank, read with the layout found, beside the truth.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Compared {
    /// Values compared.
    pub values: usize,
    /// Values that read right.
    pub right: usize,
    /// Wrong values of parameters that were called certain or traced; 0 unless the solver is at fault.
    pub certain_wrong: usize,
    /// Controls with a wrong or missing value, by name.
    pub wrong: Vec<String>,
}

/// Rehearses on a layout; `None` where it has no controls that are saved preset by preset.
///
/// # Errors
/// When the solver finds nothing.
pub fn rehearse(layout: &Layout, hand: Hand, seed: u64) -> Option<Result<Rehearsal, TraceError>> {
    let (panel, targets) = simulate::panel_of(layout)?;
    let plan = Plan::with(&panel, Effort::FULL);
    Some(run(layout, &targets, plan, hand, seed))
}

fn run(
    layout: &Layout,
    targets: &[Target],
    plan: Plan,
    hand: Hand,
    seed: u64,
) -> Result<Rehearsal, TraceError> {
    let impossible = |e: &dyn std::fmt::Display| TraceError::Plan(e.to_string());
    let readings =
        simulate::dial(layout, targets, &plan, hand, seed).map_err(|e| impossible(&e))?;
    let solution = solution::solve(&plan, &readings)?;
    let layout_toml = solution.layout_toml("traced");
    let found = layout::from_text("the layout found", &layout_toml).map_err(|e| impossible(&e))?;
    let compared = compare(layout, targets, &solution, &found, seed)?;
    Ok(Rehearsal {
        instrument: layout.name.clone(),
        structure: solution.structure(),
        voices: solution.voices(),
        controls: plan.panel.lanes().len(),
        certain: solution.fields.iter().filter(|f| f.certain()).count(),
        compared,
        layout_toml,
        plan: plan.clone(),
    })
}

/// Dials a second bank of random settings and compares what a layout found reads with the truth.
///
/// # Errors
/// When the layouts and the plan do not belong together.
pub fn compare(
    layout: &Layout,
    targets: &[Target],
    solution: &Solution,
    found: &Layout,
    seed: u64,
) -> Result<Compared, TraceError> {
    let impossible = |e: &dyn std::fmt::Display| TraceError::Plan(e.to_string());
    let plan = solution.plan();
    let second = bank(plan, seed ^ 0x5eed);
    let reading = simulate::dial(layout, targets, &second, Hand::default(), seed ^ 0xbac)
        .map_err(|e| impossible(&e))?
        .pop()
        .unwrap_or_default();
    let truth = Memory::of(layout, &reading.aligned(layout)).map_err(|e| impossible(&e))?;
    let read = Memory::of(found, &reading.aligned(found)).map_err(|e| impossible(&e))?;
    let mut out = Compared::default();
    for lane in plan.panel.lanes() {
        let certain = is_certain(solution, lane) || is_traced(found, plan, lane);
        let mut wrong = 0;
        for preset in 0..plan.panel.presets {
            let target = targets[lane.control];
            let entry = target.entry(layout, preset, lane.voice);
            if !entry.is_some_and(|e| simulate::means(layout, target, e, &truth)) {
                continue;
            }
            out.values += 1;
            let want = true_value(layout, targets[lane.control], lane, preset, &truth);
            if want.is_some() && want == found_value(found, plan, lane, preset, &read) {
                out.right += 1;
            } else {
                wrong += 1;
            }
        }
        if wrong > 0 {
            out.wrong.push(plan.panel.lane_name(lane));
            if certain {
                out.certain_wrong += wrong;
            }
        }
    }
    Ok(out)
}

fn is_certain(solution: &Solution, lane: Lane) -> bool {
    let of = |f: &&solution::FoundField| {
        (f.control, f.voice, f.character) == (lane.control, lane.voice, lane.character)
    };
    solution
        .fields
        .iter()
        .find(of)
        .is_some_and(solution::FoundField::certain)
}

/// True where the layout found calls a control traced, of a voice alone or of all.
fn is_traced(found: &Layout, plan: &Plan, lane: Lane) -> bool {
    let parameter = parameter(found, plan, lane);
    parameter.is_some_and(|(a, p)| found.areas[a].parameters[p].evidence == Evidence::Traced)
}

/// A bank of random settings for the panel of a plan, every preset its own, in one reading.
pub fn bank(plan: &Plan, seed: u64) -> Plan {
    let mut random = Random::new(seed);
    let lanes = plan.panel.lanes();
    let settings: Vec<Setting> = (0..plan.panel.presets)
        .map(|_| Setting {
            purpose: Purpose::Sweep,
            positions: lanes
                .iter()
                .map(|l| {
                    let c = &plan.panel.controls[l.control];
                    match l.character {
                        Some(_) => 65 + random.below(26) as u32,
                        None => random.between(0, c.span() as usize) as u32,
                    }
                })
                .collect(),
        })
        .collect();
    Plan {
        saves: (0..plan.panel.presets)
            .map(|preset| Save {
                reading: 0,
                preset,
                setting: preset,
            })
            .collect(),
        settings,
        ..plan.clone()
    }
}

/// A value in terms that do not depend on the layout: the name of a step, or the number above the lowest.
#[derive(Debug, PartialEq)]
enum Value {
    Step(String),
    Number(i64),
}

fn value(
    layout: &Layout,
    area: usize,
    parameter: usize,
    character: usize,
    entry: usize,
    memory: &Memory,
) -> Option<Value> {
    let a = layout.areas.get(area)?;
    let p = a.parameters.get(parameter)?;
    let field = p.fields.start + character;
    let (code, known) = memory.gather(a.field_places(entry, field));
    let width = a.fields[field].width;
    if known.count_ones() < u32::from(width) {
        return None;
    }
    let number = coding::number(&p.coding, width, code)?;
    if let Scale::Steps(steps) = &p.scale {
        return steps
            .iter()
            .find(|s| s.0 == number)
            .map(|s| Value::Step(s.1.clone()));
    }
    Some(Value::Number(number - p.range.start()))
}

fn true_value(
    layout: &Layout,
    target: Target,
    lane: Lane,
    preset: usize,
    memory: &Memory,
) -> Option<Value> {
    let entry = target.entry(layout, preset, lane.voice)?;
    value(
        layout,
        target.area,
        target.parameter,
        lane.character.unwrap_or(0),
        entry,
        memory,
    )
}

fn found_value(
    found: &Layout,
    plan: &Plan,
    lane: Lane,
    preset: usize,
    memory: &Memory,
) -> Option<Value> {
    let (a, p) = parameter(found, plan, lane)?;
    let area = &found.areas[a];
    let at: Vec<usize> = (area.axes.iter())
        .map(|x| match x.name == "voice" {
            true => lane.voice.unwrap_or(0),
            false => preset,
        })
        .collect();
    let entry = area.entry(&at)?;
    let target = Target {
        area: a,
        parameter: p,
        preset_axis: 0,
        voice_axis: None,
    };
    if !simulate::means(found, target, entry, memory) {
        return None;
    }
    value(found, a, p, 0, entry, memory)
}

/// The parameter of a layout found that is a control's: of a voice alone, or of all voices.
fn parameter(found: &Layout, plan: &Plan, lane: Lane) -> Option<(usize, usize)> {
    let control = &plan.panel.controls[lane.control].key;
    let voice = (lane.voice).map_or_else(String::new, |v| format!(".voice-{}", v + 1));
    let character = (lane.character).map_or_else(String::new, |c| format!(".character-{}", c + 1));
    let find = |key: &str| {
        let mut areas = found.areas.iter().enumerate();
        areas.find_map(|(a, area)| area.parameter(key).map(|p| (a, p)))
    };
    let own = find(&format!("{control}{voice}{character}"));
    own.or_else(|| find(&format!("{control}{character}")))
}
