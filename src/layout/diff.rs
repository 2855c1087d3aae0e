//! What differs between two layouts, in labelled terms: which code bits moved, and what means something else.

use std::collections::HashMap;

use schemars::JsonSchema;
use serde::Serialize;

use super::explain::{ValuePlace, check_places, parameter_places, runs};
use super::model::{Area, Layout, Parameter};
use crate::document::Document;

/// One difference between two layouts.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, JsonSchema)]
pub struct LayoutDifference {
    /// The kind: chip, axis, added, removed, moved or meaning.
    pub kind: String,
    /// What it is about: "chip CH12", "presets filter.cutoff".
    pub subject: String,
    /// What differs, one sentence.
    pub says: String,
    /// How many code bits moved.
    pub bits: usize,
    /// Examples of moved bits: the entry, where they were and where they are.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub examples: Vec<Moved>,
}

/// Where a value was and where it is.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Moved {
    /// The entry as labelled.
    pub entry: String,
    /// Places in the first layout, the most significant bit first.
    pub from: String,
    /// Places in the second.
    pub to: String,
}

/// What `layout diff` reports.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, JsonSchema)]
pub struct LayoutDiff {
    /// Id of the first layout.
    pub from: String,
    /// Id of the second.
    pub to: String,
    /// Code bits that both have at the same place.
    pub same_bits: usize,
    /// Code bits that both have at different places.
    pub moved_bits: usize,
    /// The differences.
    pub differences: Vec<LayoutDifference>,
}

impl Document for LayoutDiff {
    const KIND: &'static str = "layout-diff";
    const VERSION: u32 = 1;
}

/// Most examples for one parameter.
const EXAMPLES: usize = 2;

/// Compares two layouts: chips by id, areas by name, entries by their labels, values by key.
pub fn diff(a: &Layout, b: &Layout) -> LayoutDiff {
    let mut out = LayoutDiff {
        from: a.id.clone(),
        to: b.id.clone(),
        same_bits: 0,
        moved_bits: 0,
        differences: Vec::new(),
    };
    chips(a, b, &mut out);
    for (i, area) in a.areas.iter().enumerate() {
        match b.areas.iter().position(|x| x.name == area.name) {
            Some(j) => areas(a, i, b, j, &mut out),
            None => out.note(
                "removed",
                format!("area {}", area.name),
                "the area is gone".to_owned(),
            ),
        }
    }
    for area in &b.areas {
        if !a.areas.iter().any(|x| x.name == area.name) {
            out.note(
                "added",
                format!("area {}", area.name),
                "the area is new".to_owned(),
            );
        }
    }
    out
}

impl LayoutDiff {
    fn note(&mut self, kind: &str, subject: String, says: String) {
        self.differences.push(LayoutDifference {
            kind: kind.to_owned(),
            subject,
            says,
            bits: 0,
            examples: Vec::new(),
        });
    }
}

fn chips(a: &Layout, b: &Layout, out: &mut LayoutDiff) {
    for chip in &a.chips {
        let subject = format!("chip {}", chip.id);
        match b.chips.iter().find(|c| c.id == chip.id) {
            None => out.note("removed", subject, "the chip is gone".to_owned()),
            Some(other) => {
                if (chip.words, chip.width) != (other.words, other.width) {
                    out.note(
                        "chip",
                        subject.clone(),
                        format!(
                            "{} x {} is now {} x {}",
                            chip.words, chip.width, other.words, other.width
                        ),
                    );
                }
                if chip.packing != other.packing {
                    out.note("chip", subject, "files hold it another way".to_owned());
                }
            }
        }
    }
    for chip in &b.chips {
        if !a.chips.iter().any(|c| c.id == chip.id) {
            out.note(
                "added",
                format!("chip {}", chip.id),
                "the chip is new".to_owned(),
            );
        }
    }
}

/// Entries of `a` with the entry of `b` that carries the same labels.
fn entry_pairs(a: &Area, b: &Area) -> Vec<(usize, usize)> {
    let axes: Option<Vec<(usize, HashMap<&str, usize>)>> = b
        .axes
        .iter()
        .map(|axis| {
            let i = a.axes.iter().position(|x| x.name == axis.name)?;
            let labels = axis.labels.iter().enumerate().map(|(n, l)| (l.as_str(), n));
            Some((i, labels.collect()))
        })
        .collect();
    let Some(axes) = axes.filter(|x| x.len() == a.axes.len()) else {
        return Vec::new();
    };
    let find = |entry: usize| -> Option<usize> {
        let from = a.indices(entry);
        let mut to = Vec::with_capacity(axes.len());
        for (i, labels) in &axes {
            let label = a.axes.get(*i)?.labels.get(*from.get(*i)?)?;
            to.push(*labels.get(label.as_str())?);
        }
        b.entry(&to)
    };
    (0..a.entries())
        .filter_map(|e| Some((e, find(e)?)))
        .collect()
}

fn areas(a: &Layout, i: usize, b: &Layout, j: usize, out: &mut LayoutDiff) {
    let (from, to) = (&a.areas[i], &b.areas[j]);
    let pairs = entry_pairs(from, to);
    let shape = |area: &Area| -> String {
        let axes: Vec<String> = area
            .axes
            .iter()
            .map(|x| format!("{} {}", x.count(), x.name))
            .collect();
        if axes.is_empty() {
            "one entry".to_owned()
        } else {
            axes.join(" x ")
        }
    };
    if pairs.len() != from.entries() || pairs.len() != to.entries() {
        out.note(
            "axis",
            format!("area {}", from.name),
            format!(
                "{} is now {}; {} entries are in both",
                shape(from),
                shape(to),
                pairs.len()
            ),
        );
    }
    for (p, parameter) in from.parameters.iter().enumerate() {
        let subject = format!("{} {}", from.name, parameter.key);
        let Some(q) = to.parameter(&parameter.key) else {
            out.note("removed", subject, "the parameter is gone".to_owned());
            continue;
        };
        if let Some(says) = meaning(parameter, &to.parameters[q], from, to) {
            out.note("meaning", subject.clone(), says);
        }
        moved(
            &subject,
            from,
            &pairs,
            |e| parameter_places(a, i, p, e),
            |e| parameter_places(b, j, q, e),
            out,
        );
    }
    for parameter in &to.parameters {
        if from.parameter(&parameter.key).is_none() {
            out.note(
                "added",
                format!("{} {}", to.name, parameter.key),
                "the parameter is new".to_owned(),
            );
        }
    }
    for (c, check) in from.checks.iter().enumerate() {
        let subject = format!("{} {}", from.name, check.key);
        let Some(d) = to.checks.iter().position(|x| x.key == check.key) else {
            out.note("removed", subject, "the check is gone".to_owned());
            continue;
        };
        if to.checks[d].method != check.method || to.checks[d].policy != check.policy {
            out.note(
                "meaning",
                subject.clone(),
                "the check is computed or kept another way".to_owned(),
            );
        }
        moved(
            &subject,
            from,
            &pairs,
            |e| check_places(a, i, c, e),
            |e| check_places(b, j, d, e),
            out,
        );
    }
    for check in &to.checks {
        if !from.checks.iter().any(|x| x.key == check.key) {
            out.note(
                "added",
                format!("{} {}", to.name, check.key),
                "the check is new".to_owned(),
            );
        }
    }
}

/// Compares the places of one value in every entry that both layouts have.
fn moved(
    subject: &str,
    from: &Area,
    pairs: &[(usize, usize)],
    before: impl Fn(usize) -> Vec<ValuePlace>,
    after: impl Fn(usize) -> Vec<ValuePlace>,
    out: &mut LayoutDiff,
) {
    let mut entries = 0;
    let mut bits = 0;
    let mut examples = Vec::new();
    for &(e, f) in pairs {
        // The first home is the value's own; mirrored copies follow.
        let own = |homes: Vec<ValuePlace>| homes.into_iter().next().map(|v| v.bits);
        let (Some(x), Some(y)) = (own(before(e)), own(after(f))) else {
            continue;
        };
        let differ = x.iter().zip(&y).filter(|(x, y)| x != y).count();
        let extra = x.len().abs_diff(y.len());
        out.same_bits += x.len().min(y.len()) - differ;
        out.moved_bits += differ;
        if differ + extra == 0 {
            continue;
        }
        entries += 1;
        bits += differ;
        if examples.len() < EXAMPLES {
            examples.push(Moved {
                entry: from.entry_label(e),
                from: runs(&x),
                to: runs(&y),
            });
        }
    }
    if entries > 0 {
        out.differences.push(LayoutDifference {
            kind: "moved".to_owned(),
            subject: subject.to_owned(),
            says: format!(
                "{bits} bits lie elsewhere, in {entries} of {} entries",
                pairs.len()
            ),
            bits,
            examples,
        });
    }
}

/// What a parameter means otherwise, apart from where it is.
fn meaning(a: &Parameter, b: &Parameter, from: &Area, to: &Area) -> Option<String> {
    let selector = |p: &Parameter, area: &Area| {
        p.when.as_ref().map(|w| {
            (
                area.parameters.get(w.parameter).map(|s| s.key.clone()),
                w.is.clone(),
            )
        })
    };
    let mut differ = Vec::new();
    if a.coding != b.coding {
        differ.push("code");
    }
    if a.scale != b.scale {
        differ.push("scale");
    }
    if a.range != b.range {
        differ.push("range");
    }
    if a.label != b.label || a.group != b.group {
        differ.push("label");
    }
    if selector(a, from) != selector(b, to) {
        differ.push("selector");
    }
    if a.blank != b.blank {
        differ.push("blank code");
    }
    (!differ.is_empty()).then(|| format!("{} differ", differ.join(", ")))
}
