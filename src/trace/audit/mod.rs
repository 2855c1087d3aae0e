//! Which single changes to a layout would no reading at hand notice?
//!
//! A change is one bit of a parameter read the other way round or exchanged with another bit of the entry; or one of
//! the whole area: a start, a step, two voices, two presets, an address or data line. It is noticed where, with the
//! plan the readings were taken after, controls would no longer read as they were dialled; without a plan where a legal
//! code becomes an illegal one, or a check that held fails. What is not noticed is not proved.

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::cells::TraceError;
use super::hints;
use super::panel::{Lane, Panel};
use super::plan::Plan;
use super::simulate::{self, Target};
use crate::codec::{CodecError, Memory, setting};
use crate::document::Document;
use crate::layout::model::{Area, BitPlace, FieldOwner, Layout};
use crate::reading::Reading;

mod structure;

/// One parameter, or the structure of an area, with the changes that nothing at hand would notice.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Unproved {
    /// The area.
    pub area: String,
    /// The parameter's key, or "(structure)".
    pub key: String,
    /// Single changes tried.
    pub tried: usize,
    /// Those that no reading notices.
    pub unnoticed: usize,
    /// The first of them, in words.
    pub examples: Vec<String>,
}

/// A parameter that does not read as it was dialled.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Contradicted {
    /// The area.
    pub area: String,
    /// The parameter's key.
    pub key: String,
    /// Values compared.
    pub compared: usize,
    /// Those that are off by more than a step of a dial.
    pub off: usize,
}

/// What an audit of a layout found.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct LayoutAudit {
    /// The layout's id.
    pub layout: String,
    /// Readings looked at.
    pub readings: usize,
    /// Whether a plan says what was dialled.
    pub planned: bool,
    /// Parameters that do not read as they were dialled: the layout is wrong there, or the plan was not followed.
    pub contradicted: Vec<Contradicted>,
    /// Single changes tried.
    pub tried: usize,
    /// Those that no reading notices.
    pub unnoticed: usize,
    /// Parameters with unnoticed changes, the least proved first.
    pub unproved: Vec<Unproved>,
    /// Parameters that the layout itself calls guessed.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub guessed: Vec<String>,
    /// Controls of the plan that the layout does not have.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub missing: Vec<String>,
}

impl Document for LayoutAudit {
    const KIND: &'static str = "trace-audit";
    const VERSION: u32 = 1;
}

/// Settings in which a change must show before it is not put down to a slip of the hand.
const SHOWS: usize = 2;
/// Share of values off, in percent, from which a parameter is said to contradict the plan.
const CONTRADICTS: usize = 20;

/// One value that was dialled: where, and the code it should have.
struct Dialled {
    memory: usize,
    entry: usize,
    setting: usize,
    field: usize,
    /// The code of the position, and those a step of the dial away.
    want: u64,
    near: [Option<u64>; 2],
}

/// What an audit looks at.
struct Evidence<'a> {
    layout: &'a Layout,
    memories: Vec<Memory>,
    plan: Option<&'a Plan>,
    /// Values dialled, by area and parameter.
    dialled: Vec<Vec<Vec<Dialled>>>,
}

/// Sees whether a plan and its readings can be of the instrument that a layout describes.
///
/// # Errors
/// When readings are missing or too many, or the plan is of other chips, presets or controls.
pub fn belongs(layout: &Layout, plan: &Plan, readings: usize) -> Result<(), TraceError> {
    if readings != plan.readings() {
        return Err(TraceError::Readings {
            found: readings,
            expected: plan.readings(),
            missing: super::cells::missing(plan, readings),
        });
    }
    let other = |what: String| {
        Err(TraceError::Other(format!(
            "the plan is of another instrument ({}) than the layout ({}): {what}",
            plan.panel.name, layout.name
        )))
    };
    for chip in &plan.panel.chips {
        let alike = |c: &crate::layout::model::Chip| {
            c.id.eq_ignore_ascii_case(&chip.id) && (c.words, c.width) == (chip.words, chip.width)
        };
        if !layout.chips.iter().any(alike) {
            return other(format!(
                "the layout has no chip {} of {} x {}",
                chip.id, chip.words, chip.width
            ));
        }
    }
    let panel = simulate::panel_of(layout).map(|p| p.0);
    if let Some(panel) = panel.filter(|p| p.presets != plan.panel.presets) {
        return other(format!(
            "it saves {} {}s, the layout has {}",
            plan.panel.presets, plan.panel.axis, panel.presets
        ));
    }
    if missing(layout, plan).len() == plan.panel.lanes().len() {
        return other("none of its controls is in the layout".to_owned());
    }
    Ok(())
}

/// Controls of a plan that a layout does not have.
fn missing(layout: &Layout, plan: &Plan) -> Vec<String> {
    let of_layout = simulate::panel_of(layout);
    let has = |lane: &Lane| {
        let (panel, targets) = of_layout.as_ref()?;
        place(
            panel,
            targets,
            &plan.panel.controls[lane.control].key,
            *lane,
        )
    };
    let lanes = plan.panel.lanes().into_iter();
    lanes
        .filter(|l| has(l).is_none())
        .map(|l| plan.panel.lane_name(l))
        .collect()
}

/// Where a layout keeps what is dialled: its target, and the character within it. A traced layout has a key of its own
/// for each voice and character.
fn place(panel: &Panel, targets: &[Target], key: &str, lane: Lane) -> Option<(Target, usize)> {
    let target = |key: &str| {
        let at = panel.controls.iter().position(|c| c.key == key)?;
        targets.get(at).copied()
    };
    let mut traced = key.to_owned();
    if let Some(v) = lane.voice {
        traced.push_str(&format!(".voice-{}", v + 1));
    }
    if let Some(c) = lane.character {
        traced.push_str(&format!(".character-{}", c + 1));
    }
    let character = lane.character.unwrap_or(0);
    target(key)
        .map(|t| (t, character))
        .or_else(|| target(&traced).map(|t| (t, 0)))
}

/// The order in which the readings hold what the plan says under a layout, as indices into those given, where they do not
/// as given: more than half of the controls that can be compared read otherwise as given, and at most an eighth of them in
/// that order.
///
/// # Errors
/// When a reading does not have the layout's chips.
pub fn order_of(
    layout: &Layout,
    readings: &[Reading],
    plan: &Plan,
) -> Result<Option<Vec<usize>>, CodecError> {
    let contradicted = |order: &[usize]| -> Result<(usize, usize), CodecError> {
        let memory = |r: &usize| Memory::of(layout, &readings[*r].aligned(layout));
        let evidence = Evidence {
            layout,
            dialled: dialled(layout, Some(plan), readings.len()),
            memories: order.iter().map(memory).collect::<Result<_, _>>()?,
            plan: Some(plan),
        };
        let (mut all, mut off) = (0, 0);
        for (a, area) in layout.areas.iter().enumerate() {
            for p in 0..area.parameters.len() {
                all += usize::from(!evidence.dialled[a][p].is_empty());
                off += usize::from(evidence.contradicted(a, p).is_some());
            }
        }
        Ok((all, off))
    };
    let given: Vec<usize> = (0..readings.len()).collect();
    let (all, off) = contradicted(&given)?;
    if off * 2 <= all {
        return Ok(None);
    }
    let mut best: Option<(usize, Vec<usize>)> = None;
    for order in hints::orders(readings.len()) {
        let (_, off) = contradicted(&order)?;
        if off * 8 <= all && best.as_ref().is_none_or(|(least, _)| off < *least) {
            best = Some((off, order));
        }
    }
    Ok(best.map(|(_, order)| order))
}

/// Audits a layout by readings, and by the plan they were taken after, if there was one.
///
/// # Errors
/// When a reading does not have the layout's chips.
pub fn audit(
    layout: &Layout,
    readings: &[Reading],
    plan: Option<&Plan>,
) -> Result<LayoutAudit, CodecError> {
    let memories: Vec<Memory> = readings
        .iter()
        .map(|r| Memory::of(layout, &r.aligned(layout)))
        .collect::<Result<_, _>>()?;
    let evidence = Evidence {
        layout,
        dialled: dialled(layout, plan, memories.len()),
        memories,
        plan,
    };
    let mut out = LayoutAudit {
        layout: layout.id.clone(),
        readings: readings.len(),
        planned: plan.is_some(),
        contradicted: Vec::new(),
        tried: 0,
        unnoticed: 0,
        unproved: Vec::new(),
        guessed: Vec::new(),
        missing: plan.map_or_else(Vec::new, |p| missing(layout, p)),
    };
    for (a, area) in layout.areas.iter().enumerate() {
        for (p, parameter) in area.parameters.iter().enumerate() {
            if parameter.alias_of.is_some() {
                continue;
            }
            if parameter.evidence == crate::layout::model::Evidence::Guessed {
                out.guessed.push(parameter.key.clone());
            }
            out.contradicted.extend(evidence.contradicted(a, p));
            out.add(evidence.parameter(a, p));
        }
        out.add(structure::structure(&evidence, a));
    }
    out.unproved
        .sort_by(|x, y| (y.unnoticed * x.tried).cmp(&(x.unnoticed * y.tried)));
    Ok(out)
}

impl LayoutAudit {
    /// Nothing is left open: every change would be noticed, nothing reads otherwise, nothing is guessed or missing.
    pub fn proves(&self) -> bool {
        self.unnoticed == 0
            && self.contradicted.is_empty()
            && self.guessed.is_empty()
            && self.missing.is_empty()
    }

    fn add(&mut self, row: Unproved) {
        self.tried += row.tried;
        self.unnoticed += row.unnoticed;
        if row.unnoticed > 0 {
            self.unproved.push(row);
        }
    }
}

impl Unproved {
    fn new(area: &Area, key: &str) -> Self {
        Self {
            area: area.name.clone(),
            key: key.to_owned(),
            tried: 0,
            unnoticed: 0,
            examples: Vec::new(),
        }
    }

    fn change(&mut self, noticed: bool, says: impl FnOnce() -> String) {
        self.tried += 1;
        if !noticed {
            self.unnoticed += 1;
            if self.examples.len() < 3 {
                self.examples.push(says());
            }
        }
    }
}

/// How many values of each setting a change loses, less those it wins: copies of a setting share its slips, so settings
/// are counted, not values.
#[derive(Default)]
struct Tally {
    lost: BTreeMap<usize, i64>,
}

impl Tally {
    fn count(&mut self, setting: usize, was: bool, is: bool) {
        *self.lost.entry(setting).or_default() += i64::from(was) - i64::from(is);
    }

    /// It shows where more settings lose than win by a slip's worth, and by more than jitter would toss up.
    fn shows(&self) -> bool {
        let lost = self.lost.values().filter(|n| **n > 0).count();
        let won = self.lost.values().filter(|n| **n < 0).count();
        lost as f64 >= (won + SHOWS) as f64 + 2.0 * (2.0 * won as f64).sqrt()
    }
}

impl Evidence<'_> {
    /// Values that do not read as they were dialled, where they are too many for slips and jitter.
    fn contradicted(&self, a: usize, p: usize) -> Option<Contradicted> {
        let area = &self.layout.areas[a];
        let (mut compared, mut off) = (0, 0);
        for d in &self.dialled[a][p] {
            let places = area.field_places(d.entry, d.field);
            let (code, known) = self.memories[d.memory].gather(places);
            if (known.count_ones() as usize) < places.len() {
                continue;
            }
            compared += 1;
            off += usize::from(code != d.want && !d.near.contains(&Some(code)));
        }
        (off * 100 > compared * CONTRADICTS).then(|| Contradicted {
            area: area.name.clone(),
            key: area.parameters[p].key.clone(),
            compared,
            off,
        })
    }

    /// Every bit of a parameter turned, and exchanged with every other bit of the entry.
    fn parameter(&self, a: usize, p: usize) -> Unproved {
        let area = &self.layout.areas[a];
        let parameter = &area.parameters[p];
        let mut row = Unproved::new(area, &parameter.key);
        let bits: Vec<(usize, u32)> = (0..area.fields.len())
            .flat_map(|f| (0..u32::from(area.fields[f].width)).map(move |k| (f, k)))
            .collect();
        for f in parameter.fields.clone() {
            for k in 0..u32::from(area.fields[f].width) {
                let own = |entry: usize| area.field_places(entry, f)[k as usize];
                let turned = self.notices(a, p, f, k, &|m, entry| m.bit(own(entry)).map(|b| !b));
                row.change(turned, || format!("bit {k} the other way round"));
                for &(of, ok) in &bits {
                    let place = |entry: usize| area.field_places(entry, of)[ok as usize];
                    // The same cell shown in another way is no exchange.
                    let same = |x: BitPlace, y: BitPlace| {
                        (x.chip, x.cell, x.line) == (y.chip, y.cell, y.line)
                    };
                    if same(place(0), own(0)) {
                        continue;
                    }
                    let seen = self.notices(a, p, f, k, &|m, entry| m.bit(place(entry)));
                    row.change(seen, || {
                        format!("bit {k} exchanged with {}", bit_name(area, of, ok))
                    });
                }
            }
        }
        row
    }

    /// Whether bit `k` of a field, read as `changed` says, is noticed.
    fn notices(
        &self,
        a: usize,
        p: usize,
        field: usize,
        k: u32,
        changed: &dyn Fn(&Memory, usize) -> Option<bool>,
    ) -> bool {
        let area = &self.layout.areas[a];
        let dialled = &self.dialled[a][p];
        if dialled.iter().any(|d| d.field == field) {
            let mut tally = Tally::default();
            for d in dialled.iter().filter(|d| d.field == field) {
                let m = &self.memories[d.memory];
                let (code, known) = m.gather(area.field_places(d.entry, field));
                if known.count_ones() < u32::from(area.fields[field].width) {
                    continue;
                }
                let Some(bit) = changed(m, d.entry) else {
                    continue;
                };
                let other = code & !(1 << k) | u64::from(bit) << k;
                tally.count(d.setting, code == d.want, other == d.want);
            }
            return tally.shows();
        }
        let (parameter, width) = (&area.parameters[p], area.fields[field].width);
        self.memories.iter().any(|m| {
            (0..area.entries()).any(|entry| {
                let (code, known) = m.gather(area.field_places(entry, field));
                if known.count_ones() < u32::from(width) || !setting::legal(parameter, width, code)
                {
                    return false;
                }
                changed(m, entry).is_some_and(|bit| {
                    let code = code & !(1 << k) | u64::from(bit) << k;
                    !setting::legal(parameter, width, code)
                })
            })
        })
    }
}

fn bit_name(area: &Area, field: usize, k: u32) -> String {
    let owner = match area.fields[field].owner {
        FieldOwner::Parameter(p) => area.parameters[p].key.as_str(),
        FieldOwner::Check(c) => area.checks.get(c).map_or("a check", |c| c.key.as_str()),
        FieldOwner::Constant(_) => "a constant",
        FieldOwner::Reserved => "a reserved field",
    };
    format!("{owner} bit {k}")
}

/// What was dialled, by area and parameter.
fn dialled(layout: &Layout, plan: Option<&Plan>, readings: usize) -> Vec<Vec<Vec<Dialled>>> {
    let mut out: Vec<Vec<Vec<Dialled>>> = layout
        .areas
        .iter()
        .map(|a| a.parameters.iter().map(|_| Vec::new()).collect())
        .collect();
    let (Some(plan), Some((panel, targets))) = (plan, simulate::panel_of(layout)) else {
        return out;
    };
    let conditions = plan.panel.conditions();
    for (l, lane) in plan.panel.lanes().iter().enumerate() {
        let control = &plan.panel.controls[lane.control];
        let Some((target, character)) = place(&panel, &targets, &control.key, *lane) else {
            continue;
        };
        let Target {
            area, parameter, ..
        } = target;
        let field = layout.areas[area].parameters[parameter].fields.start + character;
        let condition = conditions[l].as_ref();
        let means = |s: &&super::plan::Save| {
            let positions = &plan.settings[s.setting].positions;
            condition.is_none_or(|c| c.holds(positions))
        };
        let saves = plan.saves.iter().filter(|s| s.reading < readings);
        for save in saves.filter(means) {
            let position = plan.settings[save.setting].positions[l];
            let code = |jitter| simulate::code_at(layout, target, control, position, jitter);
            let (Some(entry), Some(want)) =
                (target.entry(layout, save.preset, lane.voice), code(0))
            else {
                continue;
            };
            out[area][parameter].push(Dialled {
                memory: save.reading,
                entry,
                setting: save.setting,
                field,
                want,
                near: [code(-1), code(1)],
            });
        }
    }
    out
}
