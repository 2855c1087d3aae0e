//! Parameters as written.

use std::ops::RangeInclusive;

use super::area::{MAX_SLOT, pieces};
use super::setting::{control, evidence, number_range, scale};
use super::{MAX_LIST, check_key};
use crate::layout::fields::{Fields, Placed};
use crate::layout::keys;
use crate::layout::model::{Coding, Control, Evidence, Scale};
use crate::layout::notation::Piece;
use crate::layout::problem::{At, CHARSET, DUPLICATE, Problem, TOO_LARGE};
use crate::layout::value::Item;

/// A parameter as written.
#[derive(Debug)]
pub(in crate::layout) struct Parameter {
    pub(in crate::layout) at: At,
    pub(in crate::layout) key: Placed<String>,
    pub(in crate::layout) label: Option<String>,
    pub(in crate::layout) group: Option<String>,
    pub(in crate::layout) pieces: Vec<Placed<Piece>>,
    pub(in crate::layout) bits_at: At,
    pub(in crate::layout) inverted: bool,
    pub(in crate::layout) coding: Coding,
    pub(in crate::layout) code_at: At,
    pub(in crate::layout) text: Option<Text>,
    pub(in crate::layout) scale: Option<Placed<Scale>>,
    pub(in crate::layout) range: Option<Placed<RangeInclusive<i64>>>,
    pub(in crate::layout) control: Option<Control>,
    pub(in crate::layout) when: Option<When>,
    pub(in crate::layout) alias_of: Option<Placed<String>>,
    pub(in crate::layout) blank: Option<Placed<u64>>,
    pub(in crate::layout) evidence: Evidence,
    pub(in crate::layout) note: Option<String>,
}

/// What makes a parameter a text.
#[derive(Debug)]
pub(in crate::layout) struct Text {
    pub(in crate::layout) chars: u32,
    pub(in crate::layout) every: u32,
    /// Each character with its code.
    pub(in crate::layout) charset: Vec<(u32, char)>,
    pub(in crate::layout) charset_at: At,
}

/// A selector as written.
#[derive(Debug)]
pub(in crate::layout) struct When {
    pub(in crate::layout) key: Placed<String>,
    pub(in crate::layout) is: Vec<Placed<String>>,
}

pub(super) fn parameters(a: &mut Fields<'_, '_>, area: &str) -> Vec<Parameter> {
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
