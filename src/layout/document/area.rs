//! Areas as written: axes, constants, reserved parts, copies.

use super::check::{Check, checks};
use super::parameter::{Parameter, parameters};
use super::{FAR, MAX_LIST, nothing_to_remove};
use crate::layout::fields::{Fields, Placed};
use crate::layout::keys;
use crate::layout::model::Policy;
use crate::layout::notation::{self, Piece};
use crate::layout::problem::{AXIS, At, DUPLICATE, NAME, Problem, SLOT};
use crate::layout::value::Item;

/// An area as written.
#[derive(Debug)]
pub(in crate::layout) struct Area {
    pub(in crate::layout) at: At,
    pub(in crate::layout) name: Placed<String>,
    pub(in crate::layout) chips: Option<Vec<Placed<String>>>,
    pub(in crate::layout) axes: Vec<Axis>,
    pub(in crate::layout) lines: Option<Placed<u32>>,
    pub(in crate::layout) word: Option<Placed<u32>>,
    pub(in crate::layout) lsb_first: bool,
    pub(in crate::layout) start: u32,
    pub(in crate::layout) period: Option<Placed<u32>>,
    pub(in crate::layout) base: i64,
    pub(in crate::layout) parameters: Vec<Parameter>,
    pub(in crate::layout) constants: Vec<Constant>,
    pub(in crate::layout) reserved: Vec<Reserved>,
    pub(in crate::layout) copies: Vec<Copy>,
    pub(in crate::layout) checks: Vec<Check>,
}

/// How an axis's counter counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(in crate::layout) enum Counts {
    Up,
    Down,
    Gray,
}

/// An axis as written.
#[derive(Clone, Debug)]
pub(in crate::layout) struct Axis {
    pub(in crate::layout) at: At,
    pub(in crate::layout) name: String,
    pub(in crate::layout) base: i64,
    pub(in crate::layout) stride: i64,
    pub(in crate::layout) labels: Vec<String>,
    pub(in crate::layout) order: Option<Placed<Vec<u32>>>,
    pub(in crate::layout) counts: Counts,
}

/// A constant as written.
#[derive(Debug)]
pub(in crate::layout) struct Constant {
    pub(in crate::layout) at: At,
    pub(in crate::layout) pieces: Vec<Placed<Piece>>,
    pub(in crate::layout) value: Placed<u64>,
}

/// A reserved part as written.
#[derive(Debug)]
pub(in crate::layout) struct Reserved {
    pub(in crate::layout) pieces: Vec<Placed<Piece>>,
    pub(in crate::layout) slots: Vec<Placed<(u32, u32)>>,
}

/// A copy as written.
#[derive(Debug)]
pub(in crate::layout) struct Copy {
    pub(in crate::layout) at: At,
    pub(in crate::layout) name: String,
    pub(in crate::layout) base: Option<i64>,
    pub(in crate::layout) chips: Option<Vec<Placed<String>>>,
    pub(in crate::layout) inverted: bool,
    pub(in crate::layout) policy: Policy,
}

/// Most positions of an axis.
const MAX_COUNT: u32 = 1 << 16;

/// Highest slot.
pub(in crate::layout) const MAX_SLOT: u32 = 1 << 20;

/// Every area.
pub(in crate::layout) fn areas(f: &mut Fields<'_, '_>) -> Vec<Area> {
    if !f.has("area") {
        return Vec::new();
    }
    let mut out: Vec<Area> = Vec::new();
    for (table, at) in f.tables("area").into_iter().take(MAX_LIST) {
        let mut a = Fields::open(table, &keys::AREA, at, "area", f.log);
        let name = a
            .text("name")
            .unwrap_or_else(|| Placed::new("?".to_owned(), at));
        a.subject = format!("area {}", name.value);
        if name.value.is_empty() || name.value.contains(['/', ':', '=']) {
            let problem = Problem::new(
                &NAME,
                name.at,
                a.subject.clone(),
                format!("{:?} cannot name an area", name.value),
            )
            .repair("use letters, digits, blanks and hyphens");
            a.log.push(problem);
        }
        if let Some(first) = out.iter().find(|x| x.name.value == name.value) {
            let problem = Problem::new(
                &DUPLICATE,
                name.at,
                a.subject.clone(),
                format!("two areas are named {:?}", name.value),
            )
            .also(first.name.at, "first given here");
            a.log.push(problem);
        }
        out.push(area(&mut a, name));
    }
    out
}

fn area(a: &mut Fields<'_, '_>, name: Placed<String>) -> Area {
    if let Some(entry) = a.entry("remove") {
        a.log.push(nothing_to_remove(entry.key_at));
    }
    let area = name.value.clone();
    Area {
        at: a.at,
        name,
        chips: a.texts("chips"),
        axes: axes(a),
        lines: a.unsigned("lines", 1, 64),
        word: a.unsigned("word", 1, 64),
        lsb_first: a.word("first") == Some(1),
        start: a.unsigned("start", 0, MAX_SLOT).map_or(0, |n| n.value),
        period: a.unsigned("period", 1, MAX_SLOT),
        base: a.integer("at", -FAR, FAR).map_or(0, |n| n.value),
        parameters: parameters(a, &area),
        constants: constants(a),
        reserved: reserved(a),
        copies: copies(a),
        checks: checks(a, &area),
    }
}

fn axes(a: &mut Fields<'_, '_>) -> Vec<Axis> {
    let Some((table, _)) = a.table("axes") else {
        return Vec::new();
    };
    let mut out: Vec<Axis> = Vec::new();
    for entry in &table.entries {
        let Item::Table(axis) = &entry.value.item else {
            a.wrong_type(&entry.key, &entry.value, "a table with `count`");
            continue;
        };
        let subject = format!("{} axis {}", a.subject, entry.key);
        if out.len() == 8 {
            a.bad(entry.key_at, "an area has at most 8 axes");
            break;
        }
        let mut x = Fields::open(axis, &keys::AXIS, entry.key_at, subject, a.log);
        let taken = matches!(entry.key.as_str(), "a" | "slot" | "q" | "area" | "");
        if taken || entry.key.contains(['.', ' ', '!', '^', '=', ',']) {
            let problem = Problem::new(
                &NAME,
                entry.key_at,
                x.subject.clone(),
                format!("{:?} cannot name an axis", entry.key),
            )
            .repair("a, q, slot and area are taken; use one word, such as preset or voice");
            x.log.push(problem);
        }
        let count = x.unsigned("count", 1, MAX_COUNT);
        let first = x.integer("first", -FAR, FAR).map_or(1, |n| n.value);
        let labels = x.names("labels");
        let order = x.integers("order", 0, i64::from(MAX_COUNT) * 2);
        let Some(count) = count else { continue };
        let n = count.value as usize;
        let labels = match labels {
            None => (0..i64::from(count.value))
                .map(|i| (first + i).to_string())
                .collect(),
            Some(labels) => {
                if labels.len() != n {
                    let problem = Problem::new(
                        &AXIS,
                        x.at_of("labels"),
                        x.subject.clone(),
                        format!("{} labels are given for {n} positions", labels.len()),
                    )
                    .also(count.at, "the count");
                    x.log.push(problem);
                    continue;
                }
                let mut seen = std::collections::HashSet::new();
                for label in &labels {
                    if !seen.insert(label.value.as_str()) {
                        let problem = Problem::new(
                            &AXIS,
                            label.at,
                            x.subject.clone(),
                            format!("two positions are labelled {:?}", label.value),
                        );
                        x.log.push(problem);
                    }
                }
                labels.into_iter().map(|l| l.value).collect()
            }
        };
        let order = order.map(|o| {
            Placed::new(
                o.value
                    .iter()
                    .filter_map(|n| u32::try_from(*n).ok())
                    .collect::<Vec<u32>>(),
                o.at,
            )
        });
        if let Some(order) = &order {
            let mut sorted = order.value.clone();
            sorted.sort_unstable();
            let repeated = sorted.windows(2).find(|w| w[0] == w[1]).map(|w| w[0]);
            let says = match repeated {
                _ if sorted.len() != n => Some(format!(
                    "`order` lists {} places for {n} positions",
                    sorted.len()
                )),
                Some(twice) => Some(format!("`order` lists {twice} twice")),
                None => None,
            };
            if let Some(says) = says {
                let problem = Problem::new(&AXIS, order.at, x.subject.clone(), says).repair(
                    "give the counter value of each position once, in the order people count",
                );
                x.log.push(problem);
                continue;
            }
        }
        let counts = match x.word("counts") {
            Some(1) => Counts::Down,
            Some(2) => Counts::Gray,
            _ => Counts::Up,
        };
        out.push(Axis {
            at: entry.key_at,
            name: entry.key.clone(),
            base: x.integer("at", -FAR, FAR).map_or(0, |n| n.value),
            stride: x.integer("stride", -FAR, FAR).map_or(0, |n| n.value),
            labels,
            order,
            counts,
        });
    }
    out
}

/// The pieces of `key`, those without a slot in the slot that `slot` gives.
pub(super) fn pieces(f: &mut Fields<'_, '_>, key: &str) -> Vec<Placed<Piece>> {
    let slot = f.unsigned("slot", 0, MAX_SLOT).map(|n| n.value);
    let Some(texts) = f.names(key) else {
        return Vec::new();
    };
    if texts.is_empty() {
        f.bad(f.at_of(key), format!("`{key}` lists no bits"));
    }
    if texts.len() > 64 {
        f.bad(f.at_of(key), "a value has at most 64 pieces");
        return Vec::new();
    }
    let mut out = Vec::with_capacity(texts.len());
    for text in texts {
        match notation::piece(&text.value) {
            Ok(mut piece) => {
                piece.unit = piece.unit.or(slot).or(Some(0)).filter(|u| *u <= MAX_SLOT);
                if piece.unit.is_none() {
                    f.bad(text.at, format!("slots go up to {MAX_SLOT}"));
                }
                out.push(Placed::new(piece, text.at));
            }
            Err(says) => {
                let problem = Problem::new(&SLOT, text.at, f.subject.clone(), says)
                    .repair("write \"7..2\", \"3\", or slot and bits, \"5.7..4\"; a list of pieces begins with the most significant");
                f.log.push(problem);
            }
        }
    }
    out
}

fn constants(a: &mut Fields<'_, '_>) -> Vec<Constant> {
    if !a.has("constant") {
        return Vec::new();
    }
    let mut out = Vec::new();
    let subject = format!("{} constant", a.subject);
    for (table, at) in a.tables("constant").into_iter().take(MAX_LIST) {
        let mut c = Fields::open(table, &keys::CONSTANT, at, subject.clone(), a.log);
        c.text("name");
        let pieces = pieces(&mut c, "bits");
        if let Some(value) = c.code("value") {
            out.push(Constant { at, pieces, value });
        }
    }
    out
}

pub(super) fn slot_ranges(f: &mut Fields<'_, '_>, key: &str) -> Vec<Placed<(u32, u32)>> {
    let mut out = Vec::new();
    for text in f.names(key).unwrap_or_default().into_iter().take(MAX_LIST) {
        match notation::range(&text.value) {
            Ok(range) if range.1 <= MAX_SLOT => out.push(Placed::new(range, text.at)),
            Ok(_) => f.bad(text.at, format!("`{key}` may go up to {MAX_SLOT}")),
            Err(says) => f.bad(text.at, says),
        }
    }
    out
}

fn reserved(a: &mut Fields<'_, '_>) -> Vec<Reserved> {
    if !a.has("reserved") {
        return Vec::new();
    }
    let mut out = Vec::new();
    let subject = format!("{} reserved", a.subject);
    for (table, at) in a.tables("reserved").into_iter().take(MAX_LIST) {
        let mut r = Fields::open(table, &keys::RESERVED, at, subject.clone(), a.log);
        r.text("name");
        r.text("note");
        if !r.has("bits") && !r.has("slots") {
            r.bad(at, "a reserved part gives `bits` or `slots`");
        }
        let slots = slot_ranges(&mut r, "slots");
        out.push(Reserved {
            pieces: pieces(&mut r, "bits"),
            slots,
        });
    }
    out
}

pub(super) fn policy(f: &mut Fields<'_, '_>) -> Policy {
    match f.word("policy") {
        Some(1) => Policy::Verify,
        Some(2) => Policy::Keep,
        _ => Policy::Update,
    }
}

fn copies(a: &mut Fields<'_, '_>) -> Vec<Copy> {
    if !a.has("copy") {
        return Vec::new();
    }
    let mut out: Vec<Copy> = Vec::new();
    for (table, at) in a.tables("copy").into_iter().take(16) {
        let subject = format!("{} copy", a.subject);
        let mut c = Fields::open(table, &keys::COPY, at, subject, a.log);
        let name = c
            .text("name")
            .unwrap_or_else(|| Placed::new("copy".to_owned(), at));
        if let Some(first) = out.iter().find(|x| x.name == name.value) {
            let problem = Problem::new(
                &DUPLICATE,
                name.at,
                c.subject.clone(),
                format!("two copies are named {:?}", name.value),
            )
            .also(first.at, "first given here");
            c.log.push(problem);
        }
        out.push(Copy {
            at,
            name: name.value,
            base: c.integer("at", -FAR, FAR).map(|n| n.value),
            chips: c.texts("chips"),
            inverted: c.flag("inverted").unwrap_or(false),
            policy: policy(&mut c),
        });
    }
    out
}
