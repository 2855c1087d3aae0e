//! Areas as written: axes, parameters, checks, copies.

use std::ops::RangeInclusive;

use super::document::{FAR, MAX_LIST, control, evidence, nothing_to_remove, number_range, scale};
use super::fields::{Fields, Placed};
use super::keys;
use super::model::{Coding, Control, Evidence, Method, Policy, Scale};
use super::notation::{self, Over, Piece};
use super::problem::{
    AXIS, At, CHARSET, DUPLICATE, METHOD, NAME, OVER, Problem, SCALE, SLOT, STORED, TOO_LARGE,
};
use super::value::{Item, Node};

/// An area as written.
#[derive(Debug)]
pub(super) struct Area {
    pub(super) at: At,
    pub(super) name: Placed<String>,
    pub(super) chips: Option<Vec<Placed<String>>>,
    pub(super) axes: Vec<Axis>,
    pub(super) lines: Option<Placed<u32>>,
    pub(super) word: Option<Placed<u32>>,
    pub(super) lsb_first: bool,
    pub(super) start: u32,
    pub(super) period: Option<Placed<u32>>,
    pub(super) base: i64,
    pub(super) parameters: Vec<Parameter>,
    pub(super) constants: Vec<Constant>,
    pub(super) reserved: Vec<Reserved>,
    pub(super) copies: Vec<Copy>,
    pub(super) checks: Vec<Check>,
}

/// How an axis's counter counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Counts {
    Up,
    Down,
    Gray,
}

/// An axis as written.
#[derive(Clone, Debug)]
pub(super) struct Axis {
    pub(super) at: At,
    pub(super) name: String,
    pub(super) base: i64,
    pub(super) stride: i64,
    pub(super) labels: Vec<String>,
    pub(super) order: Option<Placed<Vec<u32>>>,
    pub(super) counts: Counts,
}

/// A parameter as written.
#[derive(Debug)]
pub(super) struct Parameter {
    pub(super) at: At,
    pub(super) key: Placed<String>,
    pub(super) label: Option<String>,
    pub(super) group: Option<String>,
    pub(super) pieces: Vec<Placed<Piece>>,
    pub(super) bits_at: At,
    pub(super) inverted: bool,
    pub(super) coding: Coding,
    pub(super) code_at: At,
    pub(super) text: Option<Text>,
    pub(super) scale: Option<Placed<Scale>>,
    pub(super) range: Option<Placed<RangeInclusive<i64>>>,
    pub(super) control: Option<Control>,
    pub(super) when: Option<When>,
    pub(super) alias_of: Option<Placed<String>>,
    pub(super) blank: Option<Placed<u64>>,
    pub(super) evidence: Evidence,
    pub(super) note: Option<String>,
}

/// What makes a parameter a text.
#[derive(Debug)]
pub(super) struct Text {
    pub(super) chars: u32,
    pub(super) every: u32,
    /// Each character with its code.
    pub(super) charset: Vec<(u32, char)>,
    pub(super) charset_at: At,
}

/// A selector as written.
#[derive(Debug)]
pub(super) struct When {
    pub(super) key: Placed<String>,
    pub(super) is: Vec<Placed<String>>,
}

/// A constant as written.
#[derive(Debug)]
pub(super) struct Constant {
    pub(super) at: At,
    pub(super) pieces: Vec<Placed<Piece>>,
    pub(super) value: Placed<u64>,
}

/// A reserved part as written.
#[derive(Debug)]
pub(super) struct Reserved {
    pub(super) pieces: Vec<Placed<Piece>>,
    pub(super) slots: Vec<Placed<(u32, u32)>>,
}

/// A copy as written.
#[derive(Debug)]
pub(super) struct Copy {
    pub(super) at: At,
    pub(super) name: String,
    pub(super) base: Option<i64>,
    pub(super) chips: Option<Vec<Placed<String>>>,
    pub(super) inverted: bool,
    pub(super) policy: Policy,
}

/// What a check covers, as written.
#[derive(Debug)]
pub(super) enum Covers {
    Nothing,
    Slots(Vec<Placed<Over>>),
    Parameters(Vec<Placed<String>>),
    Addresses(Vec<Placed<(u32, u32)>>),
}

/// A check as written.
#[derive(Debug)]
pub(super) struct Check {
    pub(super) key: Placed<String>,
    pub(super) method: Method,
    pub(super) method_at: At,
    pub(super) covers: Covers,
    pub(super) covers_at: At,
    /// Pieces in slots of the entry, or at addresses of the area.
    pub(super) stored: Vec<Placed<Piece>>,
    pub(super) stored_at: At,
    pub(super) per_area: bool,
    pub(super) inverted: bool,
    pub(super) policy: Policy,
}

/// Most positions of an axis.
const MAX_COUNT: u32 = 1 << 16;
/// Highest slot.
pub(super) const MAX_SLOT: u32 = 1 << 20;

/// Every area.
pub(super) fn areas(f: &mut Fields<'_, '_>) -> Vec<Area> {
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

/// Keys are dotted lower case, so that they can be typed.
pub(super) fn check_key(f: &mut Fields<'_, '_>, key: &Placed<String>) {
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

/// The pieces of `key`, those without a slot in the slot that `slot` gives.
fn pieces(f: &mut Fields<'_, '_>, key: &str) -> Vec<Placed<Piece>> {
    let slot = f.unsigned("slot", 0, MAX_SLOT).map(|n| n.value);
    let Some(texts) = f.names(key) else {
        return Vec::new();
    };
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

fn parameters(a: &mut Fields<'_, '_>, area: &str) -> Vec<Parameter> {
    if !a.has("parameter") {
        return Vec::new();
    }
    let mut out: Vec<Parameter> = Vec::new();
    let mut seen = std::collections::HashMap::new();
    for (table, at) in a.tables("parameter") {
        if out.len() == MAX_LIST {
            let problem = Problem::new(
                &TOO_LARGE,
                at,
                a.subject.clone(),
                format!("an area has at most {MAX_LIST} parameters"),
            );
            a.log.push(problem);
            break;
        }
        let mut p = Fields::open(table, &keys::PARAMETER, at, area, a.log);
        let Some(key) = p.text("key") else { continue };
        p.subject = format!("{area} {}", key.value);
        check_key(&mut p, &key);
        if let Some(first) = seen.insert(key.value.clone(), key.at) {
            let problem = Problem::new(
                &DUPLICATE,
                key.at,
                p.subject.clone(),
                format!("the key {:?} is given twice", key.value),
            )
            .label("again here")
            .also(first, "first given here");
            p.log.push(problem);
        }
        out.push(parameter(&mut p, key));
    }
    out
}

fn parameter(p: &mut Fields<'_, '_>, key: Placed<String>) -> Parameter {
    let code = p.word("code");
    let coding = match code {
        Some(1) => Coding::TwosComplement,
        Some(2) => Coding::OnesComplement,
        Some(3) => Coding::SignMagnitude,
        Some(4) => Coding::OffsetBinary,
        Some(5) => Coding::Bcd,
        Some(6) => Coding::BcdReversed,
        Some(7) => Coding::Gray,
        Some(8) => Coding::OneHot,
        Some(9) => Coding::Text(Vec::new()),
        _ => Coding::Unsigned,
    };
    let is_text = code == Some(9);
    if !is_text {
        for key in ["chars", "every", "charset"] {
            if let Some(entry) = p.entry(key) {
                p.bad(
                    entry.key_at,
                    format!("`{key}` belongs to `code = \"text\"`"),
                );
            }
        }
    }
    let text = is_text.then(|| Text {
        chars: p.unsigned("chars", 1, 256).map_or(1, |n| n.value),
        every: p.unsigned("every", 0, MAX_SLOT).map_or(1, |n| n.value),
        charset: charset(p),
        charset_at: p.at_of("charset"),
    });
    Parameter {
        at: p.at,
        label: p.plain("label"),
        group: p.plain("group"),
        pieces: pieces(p, "bits"),
        bits_at: p.at_of("bits"),
        inverted: p.flag("inverted").unwrap_or(false),
        coding,
        code_at: p.at_of("code"),
        text,
        scale: scale(p),
        range: number_range(p),
        control: control(p),
        when: when(p),
        alias_of: p.text("alias_of"),
        blank: p.code("blank"),
        evidence: evidence(p),
        note: p.plain("note"),
        key,
    }
}

fn when(p: &mut Fields<'_, '_>) -> Option<When> {
    let (table, at) = p.table("when")?;
    let mut w = Fields::open(table, &keys::WHEN_KEYS, at, p.subject.clone(), p.log);
    let key = w.text("key");
    let is = w.names("is");
    Some(When { key: key?, is: is? })
}

/// Names of switch positions: in order, or each with its number.
pub(super) fn steps(s: &mut Fields<'_, '_>) -> Option<Vec<(i64, String)>> {
    let items = s.array("steps")?;
    let mut out: Vec<(i64, String)> = Vec::with_capacity(items.len());
    for (i, node) in items.iter().enumerate() {
        let step = match &node.item {
            Item::Text(name) => Some((i64::try_from(i).unwrap_or(i64::MAX), name.clone())),
            Item::Array(pair) => match &pair[..] {
                [
                    Node {
                        item: Item::Integer(Some(n)),
                        ..
                    },
                    Node {
                        item: Item::Text(name),
                        ..
                    },
                ] => i64::try_from(*n).ok().map(|n| (n, name.clone())),
                _ => None,
            },
            _ => None,
        };
        let Some(step) = step else {
            s.bad(
                node.at,
                "a step is a name, or its number and name: [2, \"pulse\"]",
            );
            return None;
        };
        if out.iter().any(|(n, name)| *n == step.0 || *name == step.1) {
            let problem = Problem::new(
                &SCALE,
                node.at,
                s.subject.clone(),
                format!("the step {} {:?} is given twice", step.0, step.1),
            );
            s.log.push(problem);
        } else if out.len() < MAX_LIST {
            out.push(step);
        }
    }
    if out.is_empty() {
        s.bad(s.at_of("steps"), "`steps` lists at least one name");
        return None;
    }
    Some(out)
}

/// A character set: "ascii", a listing from code 0, or runs `{ from = 65, characters = "ABC" }`.
fn charset(p: &mut Fields<'_, '_>) -> Vec<(u32, char)> {
    let ascii = || {
        (0x20..0x7f)
            .filter_map(|c| Some((c, char::from_u32(c)?)))
            .collect()
    };
    let Some(entry) = p.entry("charset") else {
        return ascii();
    };
    let node = &entry.value;
    let mut out: Vec<(u32, char)> = Vec::new();
    let listing = |from: u32, text: &str, out: &mut Vec<(u32, char)>| {
        out.extend(
            text.chars()
                .take(256)
                .enumerate()
                .map(|(i, c)| (from + i as u32, c)),
        );
    };
    match &node.item {
        Item::Text(name) if name == "ascii" => return ascii(),
        Item::Text(text) => listing(0, text, &mut out),
        Item::Table(_) | Item::Array(_) => {
            let runs = match &node.item {
                Item::Array(runs) => runs.as_slice(),
                _ => std::slice::from_ref(node),
            };
            for run in runs {
                let parts = match &run.item {
                    Item::Table(t) => (t.get("from"), t.get("characters"), t.entries.len()),
                    _ => (None, None, 0),
                };
                match parts {
                    (Some(from), Some(text), 2) => {
                        let from = p.integer_of("from", &from.value, 0, 255);
                        match (&text.value.item, from) {
                            (Item::Text(text), Some(from)) => {
                                listing(u32::try_from(from).unwrap_or(0), text, &mut out);
                            }
                            (Item::Text(_), None) => {}
                            _ => p.wrong_type("characters", &text.value, "a text"),
                        }
                    }
                    _ => p.bad(
                        run.at,
                        "a run of a character set is { from = 65, characters = \"ABC\" }",
                    ),
                }
            }
        }
        _ => p.wrong_type(
            "charset",
            node,
            "\"ascii\", a listing of characters from code 0 on, or runs",
        ),
    }
    let mut codes = std::collections::HashMap::new();
    let mut characters = std::collections::HashMap::new();
    for &(code, c) in &out {
        let says = match (codes.insert(code, c), characters.insert(c, code)) {
            (Some(other), _) => format!("code {code} stands for {other:?} and for {c:?}"),
            (None, Some(other)) => format!("{c:?} has the codes {other} and {code}"),
            _ => continue,
        };
        let problem = Problem::new(&CHARSET, node.at, p.subject.clone(), says)
            .repair("give every character one code, so that a name is written back as it was read");
        p.log.push(problem);
        break;
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

fn slot_ranges(f: &mut Fields<'_, '_>, key: &str) -> Vec<Placed<(u32, u32)>> {
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

fn policy(f: &mut Fields<'_, '_>) -> Policy {
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

fn checks(a: &mut Fields<'_, '_>, area: &str) -> Vec<Check> {
    if !a.has("check") {
        return Vec::new();
    }
    let mut out: Vec<Check> = Vec::new();
    for (table, at) in a.tables("check").into_iter().take(MAX_LIST) {
        let mut c = Fields::open(table, &keys::CHECK, at, area, a.log);
        let Some(key) = c.text("key") else { continue };
        c.subject = format!("{area} {}", key.value);
        check_key(&mut c, &key);
        if let Some(first) = out.iter().find(|x| x.key.value == key.value) {
            let problem = Problem::new(
                &DUPLICATE,
                key.at,
                c.subject.clone(),
                format!("the key {:?} is given twice", key.value),
            )
            .also(first.key.at, "first given here");
            c.log.push(problem);
        }
        if let Some(check) = check(&mut c, key) {
            out.push(check);
        }
    }
    out
}

fn check(c: &mut Fields<'_, '_>, key: Placed<String>) -> Option<Check> {
    let index = c.word("method");
    let extra = [("crc", 4), ("odd", 6), ("value", 7), ("with", 3)];
    for (name, method) in extra {
        if let (Some(entry), Some(i)) = (c.entry(name), index) {
            if i != method {
                let word = keys::METHODS.get(method).copied().unwrap_or_default();
                c.bad(
                    entry.key_at,
                    format!("`{name}` belongs to `method = {word:?}`"),
                );
            }
        }
    }
    if let (Some(entry), Some(2..)) = (c.entry("add"), index) {
        c.bad(
            entry.key_at,
            "`add` belongs to the methods sum and sum-twos-complement",
        );
    }
    let add = c.code("add").map_or(0, |n| n.value);
    let method = match index? {
        0 => Method::Sum { add },
        1 => Method::SumTwosComplement { add },
        2 => Method::SumOnesComplement,
        3 => Method::Xor {
            with: c.code("with").map_or(0, |n| n.value),
        },
        4 => Method::Crc {
            name: c.plain("crc").unwrap_or_default(),
        },
        5 => Method::ComplementCopy,
        6 => Method::Parity {
            odd: c.flag("odd").unwrap_or(false),
        },
        _ => {
            if !c.has("value") {
                let problem = Problem::new(
                    &METHOD,
                    c.at,
                    c.subject.clone(),
                    "a fixed check needs `value`",
                );
                c.log.push(problem);
            }
            Method::Fixed {
                value: c.code("value").map_or(0, |n| n.value),
            }
        }
    };
    let (covers, covers_key) = covers(c, &method);
    let per_area = c.word("per") == Some(1);
    let (wanted, other) = if per_area {
        ("stored_at", "bits")
    } else {
        ("bits", "stored_at")
    };
    if !c.has(wanted) || c.has(other) {
        let problem = Problem::new(
            &STORED,
            c.at_of(other),
            c.subject.clone(),
            match per_area {
                true => "a check per area says where it is with `stored_at`, and not with `bits`",
                false => "a check per entry says where it is with `bits`, and not with `stored_at`",
            },
        )
        .repair(match per_area {
            true => {
                "write addresses with bits, the most significant first: stored_at = [\"0x2e.7..0\"]"
            }
            false => "write slots with bits, or `per = \"area\"` where the area has one check",
        });
        c.log.push(problem);
    }
    Some(Check {
        method,
        method_at: c.at_of("method"),
        covers,
        covers_at: c.at_of(covers_key),
        stored: pieces(c, wanted),
        stored_at: c.at_of(wanted),
        per_area,
        inverted: c.flag("inverted").unwrap_or(false),
        policy: policy(c),
        key,
    })
}

fn covers(c: &mut Fields<'_, '_>, method: &Method) -> (Covers, &'static str) {
    let given: Vec<&'static str> = ["over", "over_parameters", "span"]
        .into_iter()
        .filter(|k| c.has(k))
        .collect();
    let fixed = matches!(method, Method::Fixed { .. });
    let key = match given[..] {
        [] if fixed => return (Covers::Nothing, "method"),
        [key] if !fixed => key,
        _ => {
            let says = match (fixed, given.len()) {
                (true, _) => "a fixed check covers nothing".to_owned(),
                (_, 0) => "a check says what it covers".to_owned(),
                _ => format!("a check covers one of {}, not several", given.join(", ")),
            };
            let problem = Problem::new(&OVER, c.at, c.subject.clone(), says).repair(
                "give slots with `over`, keys with `over_parameters`, or addresses with `span`",
            );
            c.log.push(problem);
            return (Covers::Nothing, "method");
        }
    };
    let covers = match key {
        "over" => {
            let mut out = Vec::new();
            for text in c.names(key).unwrap_or_default().into_iter().take(MAX_LIST) {
                match notation::over(&text.value) {
                    Ok(Over::Slots(_, last) | Over::Bits(last, _)) if last > MAX_SLOT => {
                        c.bad(text.at, format!("slots go up to {MAX_SLOT}"));
                    }
                    Ok(over) => out.push(Placed::new(over, text.at)),
                    Err(says) => {
                        let problem = Problem::new(&OVER, text.at, c.subject.clone(), says).repair(
                            "write slots, \"0..28\" or \"30\", or bits of one slot, \"29.6..0\"",
                        );
                        c.log.push(problem);
                    }
                }
            }
            Covers::Slots(out)
        }
        "over_parameters" => Covers::Parameters(c.texts(key).unwrap_or_default()),
        _ => Covers::Addresses(slot_ranges(c, key)),
    };
    (covers, key)
}
