//! A bank as text: a listing stable enough to diff, a table, and CSV.

use std::fmt::Write;

use super::{Bank, BankArea, BankEntry, BankValue};

/// One line a value: area, entry, key, setting, code. The order is the layout's, so two listings can be diffed.
pub fn listing(bank: &Bank) -> String {
    let mut out = String::new();
    let _ = writeln!(
        out,
        "{} (layout {}, revision {})",
        bank.layout.name, bank.layout.id, bank.layout.revision
    );
    for area in &bank.areas {
        for entry in &area.entries {
            let _ = writeln!(out, "\n{}", heading(area, entry));
            for value in &entry.parameters {
                out.push_str("  ");
                padded(&mut out, &value.key, 28);
                padded(&mut out, setting(value), 16);
                remark(&mut out, value);
                out.push('\n');
            }
        }
    }
    if let Some(form) = &bank.hand_set {
        let _ = writeln!(out, "\nset by hand, as noted");
        for control in &form.controls {
            let at = control.at.as_deref().unwrap_or("");
            let written = if control.written.is_empty() {
                "not noted"
            } else {
                &control.written
            };
            let _ = writeln!(out, "  {:<28} {:<16} {written}", control.key, at);
        }
    }
    out
}

/// "presets, preset 12, voice 3".
fn heading(area: &BankArea, entry: &BankEntry) -> String {
    let mut heading = area.name.clone();
    for (axis, label) in area.axes.iter().zip(&entry.at) {
        let _ = write!(heading, ", {axis} {label}");
    }
    heading
}

/// A cell of a column: the text, blanks up to the width, and one more; one in any case.
fn padded(out: &mut String, text: &str, width: usize) {
    const BLANKS: &str = "                                ";
    out.push_str(text);
    let wide = match text.is_ascii() {
        true => text.len(),
        false => text.chars().count(),
    };
    let blanks = (width + 1).saturating_sub(wide).max(1);
    out.push_str(BLANKS.get(..blanks).unwrap_or(BLANKS));
}

fn setting(value: &BankValue) -> &str {
    match &value.setting {
        _ if !value.applies => "-",
        Some(setting) => setting,
        None => "?",
    }
}

fn remark(out: &mut String, value: &BankValue) {
    code(out, value);
    if value.known.is_some() {
        out.push_str(" (not all bits known)");
    }
    if let Some(origin) = &value.origin {
        let _ = write!(out, " ({origin})");
    }
}

fn code(out: &mut String, value: &BankValue) {
    for (i, code) in value.code.iter().flat_map(|c| c.all()).enumerate() {
        let blank = if i > 0 { " " } else { "" };
        let _ = write!(out, "{blank}{code}");
    }
}

/// One row a parameter, one column an entry, for areas whose entries fit; the rest as [`listing`] does.
///
/// `columns` is the width available, in characters.
pub fn table(bank: &Bank, columns: usize) -> String {
    let mut out = String::new();
    for area in &bank.areas {
        let Some(first) = area.entries.first() else {
            continue;
        };
        let keys: Vec<&str> = first.parameters.iter().map(|v| &*v.key).collect();
        let key_width = keys.iter().map(|k| k.len()).max().unwrap_or(0).max(8);
        let mut rest = area.entries.as_slice();
        while !rest.is_empty() {
            let mut widths: Vec<usize> = Vec::new();
            let mut used = key_width;
            for entry in rest {
                let head = entry.at.join("/").chars().count();
                let cells = entry.parameters.iter().map(|v| setting(v).chars().count());
                let width = cells.max().unwrap_or(0).max(head);
                if !widths.is_empty() && used + 2 + width > columns {
                    break;
                }
                used += 2 + width;
                widths.push(width);
            }
            let (now, later) = rest.split_at(widths.len());
            rest = later;
            let _ = write!(
                out,
                "{:<key_width$}",
                format!("{} {}", area.name, area.axes.join("/"))
            );
            for (entry, width) in now.iter().zip(&widths) {
                let _ = write!(out, "  {:>width$}", entry.at.join("/"));
            }
            out.push('\n');
            for (i, key) in keys.iter().enumerate() {
                let _ = write!(out, "{key:<key_width$}");
                for (entry, width) in now.iter().zip(&widths) {
                    let cell = entry.parameters.get(i).map_or("", setting);
                    let _ = write!(out, "  {cell:>width$}");
                }
                out.push('\n');
            }
            out.push('\n');
        }
    }
    out
}

/// Comma-separated values (RFC 4180), one line a value, with a heading line.
pub fn csv(bank: &Bank) -> String {
    let mut out = String::from("area,entry,parameter,setting,code,known,origin\r\n");
    for area in &bank.areas {
        for entry in &area.entries {
            let mut at = String::new();
            for (i, (axis, label)) in area.axes.iter().zip(&entry.at).enumerate() {
                let comma = if i > 0 { ", " } else { "" };
                let _ = write!(at, "{comma}{axis} {label}");
            }
            for value in &entry.parameters {
                let known = match &value.known {
                    None => "all".to_owned(),
                    Some(mask) => {
                        let masks: Vec<String> =
                            mask.all().iter().map(|m| format!("{m:#x}")).collect();
                        masks.join(" ")
                    }
                };
                let origin = value.origin.as_deref().unwrap_or("");
                let mut codes = String::new();
                code(&mut codes, value);
                let cells = [
                    area.name.as_str(),
                    &at,
                    &value.key,
                    setting(value),
                    &codes,
                    &known,
                    origin,
                ]
                .map(quoted);
                out.push_str(&cells.join(","));
                out.push_str("\r\n");
            }
        }
    }
    out
}

fn quoted(cell: &str) -> String {
    if cell.contains([',', '"', '\r', '\n']) {
        format!("\"{}\"", cell.replace('"', "\"\""))
    } else {
        cell.to_owned()
    }
}
