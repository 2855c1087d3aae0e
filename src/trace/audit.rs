//! Which single changes to a layout would no reading at hand notice?
//!
//! A change is one bit of a parameter read the other way round, or exchanged with another bit of the entry. It is
//! noticed where a legal code becomes an illegal one, or, with the plan the readings were taken after, where a
//! control would no longer read as it was dialled. What is not noticed is not proved.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::plan::Plan;
use super::simulate::{self, Target};
use crate::codec::{CodecError, Memory, setting};
use crate::document::Document;
use crate::layout::model::{BitPlace, Layout};
use crate::reading::Reading;

/// One parameter with the changes that nothing at hand would notice.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Unproved {
    /// The area.
    pub area: String,
    /// The parameter's key.
    pub key: String,
    /// Single changes tried.
    pub tried: usize,
    /// Those that no reading notices.
    pub unnoticed: usize,
    /// The first of them, in words.
    pub examples: Vec<String>,
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
    /// Single changes tried.
    pub tried: usize,
    /// Those that no reading notices.
    pub unnoticed: usize,
    /// Parameters with unnoticed changes, the least proved first.
    pub unproved: Vec<Unproved>,
}

impl Document for LayoutAudit {
    const KIND: &'static str = "trace-audit";
    const VERSION: u32 = 1;
}

/// Saves in which a change must show before it is not put down to a slip of the hand.
const SHOWS: usize = 2;

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
    let targets = simulate::panel_of(layout);
    let mut out = LayoutAudit {
        layout: layout.id.clone(),
        readings: readings.len(),
        planned: plan.is_some(),
        tried: 0,
        unnoticed: 0,
        unproved: Vec::new(),
    };
    for (a, area) in layout.areas.iter().enumerate() {
        // Every bit of an entry with its owner's name.
        let mut bits: Vec<(usize, u32, String)> = Vec::new();
        for p in &area.parameters {
            for f in p.fields.clone() {
                for k in 0..u32::from(area.fields[f].width) {
                    bits.push((f, k, format!("{} bit {k}", p.key)));
                }
            }
        }
        for (p, parameter) in area.parameters.iter().enumerate() {
            if parameter.alias_of.is_some() {
                continue;
            }
            let dialled = plan
                .zip(targets.as_ref())
                .and_then(|(plan, (panel, targets))| {
                    let t = targets
                        .iter()
                        .position(|t| (t.area, t.parameter) == (a, p))?;
                    let control = plan
                        .panel
                        .controls
                        .iter()
                        .position(|c| c.key == panel.controls[t].key)?;
                    Some(saves(layout, plan, targets[t], control))
                });
            let mut row = Unproved {
                area: area.name.clone(),
                key: parameter.key.clone(),
                tried: 0,
                unnoticed: 0,
                examples: Vec::new(),
            };
            for f in parameter.fields.clone() {
                let width = area.fields[f].width;
                for k in 0..u32::from(width) {
                    // The bit as it is, and as it would be after the change, wherever evidence looks.
                    let places = |entry: usize, field: usize, bit: u32| -> BitPlace {
                        area.field_places(entry, field)[bit as usize]
                    };
                    let notices = |changed: &dyn Fn(&Memory, usize) -> Option<bool>| -> bool {
                        match &dialled {
                            Some(saves) => {
                                let shows = saves.iter().filter(|(reading, entry)| {
                                    memories.get(*reading).is_some_and(|m| {
                                        let was = m.bit(places(*entry, f, k));
                                        was.is_some()
                                            && changed(m, *entry).is_some_and(|c| Some(c) != was)
                                    })
                                });
                                shows.take(SHOWS).count() == SHOWS
                            }
                            None => memories.iter().any(|m| {
                                (0..area.entries()).any(|entry| {
                                    let (code, known) = m.gather(area.field_places(entry, f));
                                    if known.count_ones() < u32::from(width)
                                        || !setting::legal(parameter, width, code)
                                    {
                                        return false;
                                    }
                                    changed(m, entry).is_some_and(|bit| {
                                        let code = code & !(1 << k) | u64::from(bit) << k;
                                        !setting::legal(parameter, width, code)
                                    })
                                })
                            }),
                        }
                    };
                    let mut change = |says: String, noticed: bool| {
                        row.tried += 1;
                        if !noticed {
                            row.unnoticed += 1;
                            if row.examples.len() < 3 {
                                row.examples.push(says);
                            }
                        }
                    };
                    let turned = notices(&|m, entry| m.bit(places(entry, f, k)).map(|b| !b));
                    change(format!("bit {k} the other way round"), turned);
                    for (of, ok, name) in &bits {
                        if (*of, *ok) == (f, k) {
                            continue;
                        }
                        let seen = notices(&|m, entry| m.bit(places(entry, *of, *ok)));
                        change(format!("bit {k} exchanged with {name}"), seen);
                    }
                }
            }
            out.tried += row.tried;
            out.unnoticed += row.unnoticed;
            if row.unnoticed > 0 {
                out.unproved.push(row);
            }
        }
    }
    out.unproved
        .sort_by(|x, y| (y.unnoticed * x.tried).cmp(&(x.unnoticed * y.tried)));
    Ok(out)
}

/// The entries a plan dialled a control in, each with its reading.
fn saves(layout: &Layout, plan: &Plan, target: Target, control: usize) -> Vec<(usize, usize)> {
    let per_voice = plan.panel.controls[control].per_voice && plan.panel.voices > 1;
    let voices: Vec<Option<usize>> = if per_voice {
        (0..plan.panel.voices).map(Some).collect()
    } else {
        vec![None]
    };
    plan.saves
        .iter()
        .flat_map(|s| {
            voices
                .iter()
                .filter_map(|v| target.entry(layout, s.preset, *v).map(|e| (s.reading, e)))
                .collect::<Vec<_>>()
        })
        .collect()
}
