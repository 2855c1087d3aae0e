//! Checks as written.

use super::area::{MAX_SLOT, pieces, policy, slot_ranges};
use super::{MAX_LIST, check_key};
use crate::layout::fields::{Fields, Placed};
use crate::layout::keys;
use crate::layout::model::{Method, Policy};
use crate::layout::notation::{self, Over, Piece};
use crate::layout::problem::{At, DUPLICATE, METHOD, OVER, Problem, STORED};
use crate::layout::value::Item;

/// What a check covers, as written.
#[derive(Debug)]
pub(in crate::layout) enum Covers {
    Nothing,
    Slots(Vec<Placed<Over>>),
    Parameters(Vec<Placed<String>>),
    Addresses(Vec<Placed<(u32, u32)>>),
}

/// A check as written.
#[derive(Debug)]
pub(in crate::layout) struct Check {
    pub(in crate::layout) key: Placed<String>,
    pub(in crate::layout) method: Method,
    pub(in crate::layout) method_at: At,
    pub(in crate::layout) covers: Covers,
    pub(in crate::layout) covers_at: At,
    /// Pieces in slots of the entry, or at addresses of the area.
    pub(in crate::layout) stored: Vec<Placed<Piece>>,
    pub(in crate::layout) stored_at: At,
    pub(in crate::layout) per_area: bool,
    pub(in crate::layout) inverted: bool,
    pub(in crate::layout) policy: Policy,
}

pub(super) fn checks(a: &mut Fields<'_, '_>, area: &str) -> Vec<Check> {
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
        if let (Some(entry), Some(i)) = (c.entry(name), index)
            && i != method
        {
            let word = keys::METHODS.get(method).copied().unwrap_or_default();
            c.bad(
                entry.key_at,
                format!("`{name}` belongs to `method = {word:?}`"),
            );
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
    if matches!(c.entry(key).map(|e| &e.value.item), Some(Item::Array(list)) if list.is_empty()) {
        c.bad(c.at_of(key), format!("`{key}` lists nothing"));
    }
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
