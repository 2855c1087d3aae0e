//! What a person reads for a number, as written: scales, ranges, controls; and what a claim rests on.

use std::ops::RangeInclusive;

use super::MAX_LIST;
use crate::layout::fields::{Fields, Placed};
use crate::layout::keys;
use crate::layout::model::{Control, Evidence, Scale};
use crate::layout::problem::{Problem, SCALE};
use crate::layout::value::{Item, Node};

pub(in crate::layout) fn evidence(f: &mut Fields<'_, '_>) -> Evidence {
    match f.word("evidence") {
        Some(0) => Evidence::Documented,
        Some(1) => Evidence::Schematic,
        Some(2) => Evidence::Traced,
        Some(3) => Evidence::Guessed,
        _ => Evidence::Unstated,
    }
}

pub(in crate::layout) fn control(f: &mut Fields<'_, '_>) -> Option<Control> {
    Some(match f.word("control")? {
        0 => Control::Knob,
        1 => Control::Slider,
        2 => Control::Switch,
        3 => Control::Selector,
        4 => Control::Number,
        _ => Control::Text,
    })
}

pub(in crate::layout) fn number_range(
    f: &mut Fields<'_, '_>,
) -> Option<Placed<RangeInclusive<i64>>> {
    let range = f.integers("range", i64::MIN, i64::MAX)?;
    match range.value[..] {
        [low, high] if low <= high => Some(Placed::new(low..=high, range.at)),
        _ => {
            f.bad(
                range.at,
                "`range` takes the lowest and the highest legal number",
            );
            None
        }
    }
}

/// The one scale a `scale` table gives.
pub(in crate::layout) fn scale(f: &mut Fields<'_, '_>) -> Option<Placed<Scale>> {
    let (table, _) = f.table("scale")?;
    let at = f.at_of("scale");
    let mut s = Fields::open(table, &keys::SCALE, at, f.subject.clone(), f.log);
    let unit = s.plain("unit").unwrap_or_default();
    let kinds = ["dial", "linear", "log", "table", "steps", "on-off", "note"];
    let given: Vec<&str> = kinds.into_iter().filter(|k| s.has(k)).collect();
    let [kind] = given[..] else {
        let problem = Problem::new(
            &SCALE,
            at,
            s.subject.clone(),
            format!(
                "a scale is one of {}, and this gives {}",
                kinds.join(", "),
                match given.len() {
                    0 => "none".to_owned(),
                    _ => given.join(" and "),
                }
            ),
        );
        s.log.push(problem);
        return None;
    };
    let wrong = |says: &str, s: &mut Fields<'_, '_>| {
        let problem = Problem::new(&SCALE, s.at_of(kind), s.subject.clone(), says);
        s.log.push(problem);
        None
    };
    let scale = match kind {
        "steps" => Scale::Steps(steps(&mut s)?),
        "on-off" => match s.flag("on-off")? {
            true => Scale::OnOff,
            false => return wrong("`on-off` is written `on-off = true`", &mut s),
        },
        "note" => Scale::Note {
            base: s.integer("note", -128, 255)?.value,
        },
        "table" => Scale::Table {
            values: s.numbers("table")?,
            unit,
        },
        _ => {
            let numbers = s.numbers(kind)?;
            let [low, high] = numbers[..] else {
                return wrong(
                    "two values are needed, at the lowest and at the highest number",
                    &mut s,
                );
            };
            if low == high {
                return wrong("both ends read the same", &mut s);
            }
            if !(high - low).is_finite()
                || (kind == "log" && (high / low).is_infinite() && low != 0.0)
            {
                return wrong("the ends are too far apart to work with", &mut s);
            }
            match kind {
                "dial" => Scale::Dial { low, high },
                "linear" => Scale::Linear { low, high, unit },
                _ if low > 0.0 && high > 0.0 => Scale::Log { low, high, unit },
                _ => return wrong("a logarithmic scale has values above 0", &mut s),
            }
        }
    };
    Some(Placed::new(scale, at))
}

/// Names of switch positions: in order, or each with its number.
pub(in crate::layout) fn steps(s: &mut Fields<'_, '_>) -> Option<Vec<(i64, String)>> {
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
