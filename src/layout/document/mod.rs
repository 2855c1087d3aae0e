//! The layout as written: every key read with its type and place, names not yet looked up.

mod area;
mod check;
mod chip;
mod parameter;
mod setting;

use std::ops::RangeInclusive;

use crate::layout::fields::{Fields, Placed};
use crate::layout::keys;
use crate::layout::model::{self, Control, Scale};
use crate::layout::notation;
use crate::layout::problem::{At, DUPLICATE, Log, NAME, NO_CHIPS, Problem, REMOVE, VERSION};
use crate::layout::value::Table;
use setting::{control, number_range, scale};

pub(in crate::layout) use area::{Area, Axis, Copy, Counts};
pub(in crate::layout) use check::{Check, Covers};
pub(in crate::layout) use chip::Chip;
pub(in crate::layout) use parameter::{Parameter, Text};

/// The layout as written.
#[derive(Debug)]
pub(in crate::layout) struct Document {
    pub(in crate::layout) id: String,
    pub(in crate::layout) name: String,
    pub(in crate::layout) revision: String,
    pub(in crate::layout) notes: Option<String>,
    pub(in crate::layout) bench: model::Bench,
    pub(in crate::layout) chips: Vec<Chip>,
    pub(in crate::layout) areas: Vec<Area>,
    pub(in crate::layout) hand_set: Vec<HandSet>,
    pub(in crate::layout) absent: Vec<Absent>,
    pub(in crate::layout) waive: Vec<Waive>,
}

/// A control that memory does not hold, as written.
#[derive(Debug)]
pub(in crate::layout) struct HandSet {
    pub(in crate::layout) at: At,
    pub(in crate::layout) key: String,
    pub(in crate::layout) label: Option<String>,
    pub(in crate::layout) group: Option<String>,
    pub(in crate::layout) per: Option<Placed<String>>,
    pub(in crate::layout) labels: Option<Vec<Placed<String>>>,
    pub(in crate::layout) control: Option<Control>,
    pub(in crate::layout) scale: Option<Placed<Scale>>,
    pub(in crate::layout) range: Option<Placed<RangeInclusive<i64>>>,
    pub(in crate::layout) note: Option<String>,
}

/// Absent cells, as written.
#[derive(Debug)]
pub(in crate::layout) struct Absent {
    pub(in crate::layout) at: At,
    pub(in crate::layout) chip: Placed<String>,
    pub(in crate::layout) cells: Option<Placed<(u32, u32)>>,
    pub(in crate::layout) lines: Option<Placed<Vec<i64>>>,
}

/// A waiver, as written.
#[derive(Debug)]
pub(in crate::layout) struct Waive {
    pub(in crate::layout) at: At,
    pub(in crate::layout) rule: Placed<String>,
    pub(in crate::layout) place: Placed<String>,
    pub(in crate::layout) reason: Placed<String>,
}

/// Most of anything a layout may list.
pub(in crate::layout) const MAX_LIST: usize = 4096;

/// Furthest anything may lie from 0 along an address.
pub(in crate::layout) const FAR: i64 = 1 << 28;

/// Reads the whole tree.
pub(in crate::layout) fn read(table: &Table, file: u16, log: &mut Log) -> Document {
    let top = At {
        file,
        start: 0,
        end: 0,
    };
    let mut f = Fields::open(table, &keys::LAYOUT, top, "layout", log);
    if let Some(version) = f.integer("cellkeep", i64::MIN, i64::MAX)
        && version.value != 1
    {
        f.log.push(
            Problem::new(
                &VERSION,
                version.at,
                "layout",
                format!(
                    "version {} of the language is not known here",
                    version.value
                ),
            )
            .repair("this program reads `cellkeep = 1`"),
        );
    }
    if let Some(entry) = f.entry("remove") {
        f.log.push(nothing_to_remove(entry.key_at));
    }
    f.text("extends");
    let id = f.text("id");
    if let Some(id) = &id
        && !is_id(&id.value)
    {
        f.log.push(
            Problem::new(
                &NAME,
                id.at,
                "layout",
                format!("{:?} cannot be an id", id.value),
            )
            .repair("use lower-case letters, digits and single hyphens, beginning with a letter"),
        );
    }
    let document = Document {
        id: id.map_or_else(String::new, |id| id.value),
        name: f.plain("name").unwrap_or_default(),
        revision: f.plain("revision").unwrap_or_else(|| "1".to_owned()),
        notes: f.plain("notes"),
        bench: bench(&mut f),
        chips: chip::chips(&mut f),
        areas: area::areas(&mut f),
        hand_set: hand_set(&mut f),
        absent: absent(&mut f),
        waive: waive(&mut f),
    };
    if document.chips.is_empty() && (!f.has("chip") || f.log.errors() == 0) {
        f.log.push(
            Problem::new(&NO_CHIPS, top, "layout", "the layout has no chip")
                .repair("add a [[chip]] for each memory chip, with id, words and width"),
        );
    }
    document
}

pub(in crate::layout) fn nothing_to_remove(at: At) -> Problem {
    Problem::new(
        &REMOVE,
        at,
        "remove",
        "there is nothing to remove from: this does not extend anything",
    )
    .repair("drop `remove`, or name the layout to start from with `extends`")
}

/// An id: lower-case letters, digits and single hyphens, beginning with a letter.
pub(in crate::layout) fn is_id(text: &str) -> bool {
    text.len() <= 64
        && text.starts_with(|c: char| c.is_ascii_lowercase())
        && text.split('-').all(|p| {
            !p.is_empty()
                && p.bytes()
                    .all(|b| b.is_ascii_lowercase() || b.is_ascii_digit())
        })
}

fn bench(f: &mut Fields<'_, '_>) -> model::Bench {
    let Some((table, at)) = f.table("bench") else {
        return model::Bench::default();
    };
    let mut b = Fields::open(table, &keys::BENCH, at, "bench", f.log);
    model::Bench {
        battery: b.plain("battery"),
        cells: b.unsigned("cells", 1, 100).map(|n| n.value),
        capacity_mah: b.positive("capacity_mah"),
        blocking: b.plain("blocking"),
        series_ohms: b.positive("series_ohms"),
        charge_ohms: b.positive("charge_ohms"),
        hold_up_farads: b.positive("hold_up_farads"),
        supply_volts: b.positive("supply_volts"),
        exits: b.plain_texts("exits"),
        hold_logic: b.plain("hold_logic"),
        notes: b.plain_texts("notes"),
    }
}

fn hand_set(f: &mut Fields<'_, '_>) -> Vec<HandSet> {
    if !f.has("hand-set") {
        return Vec::new();
    }
    let mut out: Vec<HandSet> = Vec::new();
    for (table, at) in f.tables("hand-set") {
        let mut h = Fields::open(table, &keys::HAND_SET, at, "hand-set control", f.log);
        let Some(key) = h.text("key") else { continue };
        h.subject = format!("hand-set {}", key.value);
        check_key(&mut h, &key);
        if let Some(first) = out.iter().find(|x| x.key == key.value) {
            let problem = Problem::new(
                &DUPLICATE,
                key.at,
                h.subject.clone(),
                format!("the key {:?} is given twice", key.value),
            )
            .also(first.at, "first given here");
            h.log.push(problem);
        }
        out.push(HandSet {
            at,
            key: key.value,
            label: h.plain("label"),
            group: h.plain("group"),
            per: h.text("per"),
            labels: h.names("labels"),
            control: control(&mut h),
            scale: scale(&mut h),
            range: number_range(&mut h),
            note: h.plain("note"),
        });
    }
    out
}

fn absent(f: &mut Fields<'_, '_>) -> Vec<Absent> {
    if !f.has("absent") {
        return Vec::new();
    }
    let mut out = Vec::new();
    for (table, at) in f.tables("absent") {
        let mut a = Fields::open(table, &keys::ABSENT, at, "absent", f.log);
        let cells = a.text("cells");
        let cells = cells.and_then(|c| match notation::range(&c.value) {
            Ok(range) => Some(Placed::new(range, c.at)),
            Err(says) => {
                a.bad(c.at, says);
                None
            }
        });
        let lines = a.integers("lines", 0, 7);
        if let Some(chip) = a.text("chip") {
            out.push(Absent {
                at,
                chip,
                cells,
                lines,
            });
        }
    }
    out
}

fn waive(f: &mut Fields<'_, '_>) -> Vec<Waive> {
    if !f.has("waive") {
        return Vec::new();
    }
    let mut out = Vec::new();
    for (table, at) in f.tables("waive") {
        let mut w = Fields::open(table, &keys::WAIVE, at, "waive", f.log);
        if let (Some(rule), Some(place), Some(reason)) =
            (w.text("rule"), w.text("where"), w.text("reason"))
        {
            out.push(Waive {
                at,
                rule,
                place,
                reason,
            });
        }
    }
    out
}

/// Keys are dotted lower case, so that they can be typed.
pub(in crate::layout) fn check_key(f: &mut Fields<'_, '_>, key: &Placed<String>) {
    let good = key.value.len() <= 100
        && key.value.split('.').all(|part| {
            part.starts_with(|c: char| c.is_ascii_lowercase())
                && part
                    .bytes()
                    .all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'-' || b == b'_')
        });
    if !good {
        let problem = Problem::new(
            &NAME,
            key.at,
            f.subject.clone(),
            format!("{:?} cannot be a key", key.value),
        )
        .repair("keys are lower-case words joined by points: filter.cutoff, osc-1.pitch");
        f.log.push(problem);
    }
}
