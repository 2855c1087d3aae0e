//! Pieces of the layout file's text: signals, orders, bits, and what codes mean.

use std::fmt::Write as _;

use super::Spot;
use crate::trace::fields::Found;
use crate::trace::panel::{Kind, PanelControl};
use crate::trace::signal::Code;

/// Code, scale, range and control; `table` are the codes of a selector's positions, where they follow no rule.
pub(super) fn meaning(
    t: &mut String,
    control: &PanelControl,
    f: &Found,
    table: Option<&Vec<Option<u64>>>,
    code: &str,
    bits: usize,
) {
    let whole = bits == f.bits.len();
    let _ = match control.kind {
        Kind::Switch => {
            let names: Vec<String> = (0..2)
                .map(|p| format!("{:?}", control.position(p)))
                .collect();
            if control.positions.is_empty() {
                writeln!(t, "scale = {{ on-off = true }}\ncontrol = \"switch\"")
            } else {
                writeln!(
                    t,
                    "scale = {{ steps = [{}] }}\ncontrol = \"switch\"",
                    names.join(", ")
                )
            }
        }
        Kind::Selector if whole => {
            let codes: Vec<Option<u64>> = match table {
                Some(table) => table.clone(),
                None => (0..control.positions.len() as u64).map(Some).collect(),
            };
            let mut steps: Vec<String> = Vec::new();
            let mut seen: Vec<u64> = Vec::new();
            for (p, code) in codes.iter().enumerate() {
                if let Some(c) = code
                    && !seen.contains(c)
                {
                    seen.push(*c);
                    steps.push(format!("[{c}, {:?}]", control.position(p as u32)));
                }
            }
            writeln!(
                t,
                "code = {code:?}\nscale = {{ steps = [{}] }}\ncontrol = \"selector\"",
                steps.join(", ")
            )
        }
        Kind::Number if whole => {
            let (low, high) = (control.low.unwrap_or(0), control.high.unwrap_or(0));
            match f.hypothesis.code {
                Code::Value if low >= 0 => {
                    writeln!(t, "range = [{low}, {high}]\ncontrol = \"number\"")
                }
                Code::Plus(n) => {
                    let (from, to) = (i64::from(n), i64::from(n) + high - low);
                    writeln!(
                        t,
                        "code = {code:?}\nrange = [{from}, {to}]\nscale = {{ linear = [{low}, {high}] }}\ncontrol = \"number\""
                    )
                }
                Code::Value | Code::SignMagnitude | Code::Ones | Code::Bcd => {
                    writeln!(
                        t,
                        "code = {code:?}\nrange = [{low}, {high}]\ncontrol = \"number\""
                    )
                }
                _ => writeln!(
                    t,
                    "code = {code:?}\nrange = [0, {}]\nscale = {{ linear = [{low}, {high}] }}\ncontrol = \"number\"",
                    high - low
                ),
            }
        }
        Kind::Text if whole => {
            let set = if f.hypothesis.code == Code::Ascii {
                "ascii".to_owned()
            } else {
                (32u8..127).map(char::from).collect()
            };
            writeln!(
                t,
                "code = \"text\"\nchars = 1\ncharset = {set:?}\ncontrol = \"text\""
            )
        }
        Kind::Knob | Kind::Slider => {
            let word = if control.kind == Kind::Knob {
                "knob"
            } else {
                "slider"
            };
            let code = if whole || code == "unsigned" {
                code
            } else {
                "unsigned"
            };
            writeln!(
                t,
                "code = {code:?}\nscale = {{ dial = [0, 10] }}\ncontrol = {word:?}"
            )
        }
        _ => Ok(()),
    };
}

pub(super) fn negated(signal: &str) -> String {
    match signal.strip_prefix('!') {
        Some(rest) => rest.to_owned(),
        None => match signal {
            "0" => "1".to_owned(),
            "1" => "0".to_owned(),
            _ => format!("!{signal}"),
        },
    }
}

/// `order` or `counts` of an axis whose offsets are multiples of the stride.
pub(super) fn order_text(offset: &[u32], stride: u32) -> String {
    let order: Vec<u32> = offset.iter().map(|o| o / stride.max(1)).collect();
    let n = order.len() as u32;
    if order.iter().enumerate().all(|(i, o)| *o == i as u32) {
        String::new()
    } else if order
        .iter()
        .enumerate()
        .all(|(i, o)| *o == n - 1 - i as u32)
    {
        ", counts = \"down\"".to_owned()
    } else if order
        .iter()
        .enumerate()
        .all(|(i, o)| *o == (i ^ i >> 1) as u32)
    {
        ", counts = \"gray\"".to_owned()
    } else {
        let list: Vec<String> = order.iter().map(u32::to_string).collect();
        format!(", order = [{}]", list.join(", "))
    }
}

/// Pieces from the most significant on, runs joined.
pub(super) fn pieces(spots: &[Spot]) -> String {
    let mut out: Vec<String> = Vec::new();
    let mut i = 0;
    while i < spots.len() {
        let mut j = i;
        let step = |j: usize| i64::from(spots[j + 1].line) - i64::from(spots[j].line);
        while j + 1 < spots.len()
            && spots[j + 1].unit == spots[i].unit
            && step(j).abs() == 1
            && (j == i || step(j) == step(j - 1))
        {
            j += 1;
        }
        out.push(if i == j {
            format!("\"{}.{}\"", spots[i].unit, spots[i].line)
        } else {
            format!("\"{}.{}..{}\"", spots[i].unit, spots[i].line, spots[j].line)
        });
        i = j + 1;
    }
    out.join(", ")
}
