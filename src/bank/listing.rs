//! A bank as text: a listing stable enough to diff, a table, and CSV.

use std::borrow::Cow;
use std::fmt::Write;

use super::{Bank, BankEntry, BankValue, Decoded, LayoutRef, Origins, axes, entries};
use crate::hand_set::FilledForm;

/// One line a value: area, entry, key, setting, code. The order is the layout's, so two listings can be diffed.
pub fn listing(bank: &Bank) -> String {
    let mut out = String::new();
    let areas = bank.areas.iter().map(|area| ListedArea {
        name: &area.name,
        axes: Cow::Borrowed(&area.axes),
        entries: area.entries.iter().map(Cow::Borrowed),
    });
    // Writing into memory does not fail.
    let _ = write_listing(&mut out, &bank.layout, areas, bank.hand_set.as_ref());
    out
}

/// Writes what [`listing`] says of a decoded reading, an entry at a time: a large bank is never held whole.
///
/// # Errors
/// When `out` does not take it.
pub fn list_decoded(decoded: &Decoded<'_>, out: &mut impl Write) -> std::fmt::Result {
    let layout = decoded.layout;
    let origins = Origins::of(decoded);
    let areas = layout.areas.iter().enumerate().map(|(a, area)| ListedArea {
        name: &area.name,
        axes: Cow::Owned(axes(area)),
        entries: entries(area, &decoded.codes, &origins, a).map(Cow::Owned),
    });
    write_listing(out, &LayoutRef::of(layout), areas, None)
}

/// An area with its entries, at hand or yet to be labelled.
struct ListedArea<'b, I: Iterator<Item = Cow<'b, BankEntry>>> {
    name: &'b str,
    axes: Cow<'b, [String]>,
    entries: I,
}

fn write_listing<'b, I: Iterator<Item = Cow<'b, BankEntry>>>(
    out: &mut impl Write,
    layout: &LayoutRef,
    areas: impl Iterator<Item = ListedArea<'b, I>>,
    form: Option<&FilledForm>,
) -> std::fmt::Result {
    writeln!(
        out,
        "{} (layout {}, revision {})",
        layout.name, layout.id, layout.revision
    )?;
    for area in areas {
        for entry in area.entries {
            // "presets, preset 12, voice 3"
            write!(out, "\n{}", area.name)?;
            for (axis, label) in area.axes.iter().zip(&entry.at) {
                write!(out, ", {axis} {label}")?;
            }
            out.write_char('\n')?;
            for value in &entry.parameters {
                out.write_str("  ")?;
                padded(out, &value.key, 28)?;
                padded(out, setting(value), 16)?;
                remark(out, value)?;
                out.write_char('\n')?;
            }
        }
    }
    let Some(form) = form else { return Ok(()) };
    writeln!(out, "\nset by hand, as noted")?;
    for control in &form.controls {
        let at = control.at.as_deref().unwrap_or("");
        let written = match control.written.as_str() {
            "" => "not noted",
            written => written,
        };
        writeln!(out, "  {:<28} {:<16} {written}", control.key, at)?;
    }
    Ok(())
}

/// A cell of a column: the text, blanks up to the width, and one more; one in any case.
fn padded(out: &mut impl Write, text: &str, width: usize) -> std::fmt::Result {
    const BLANKS: &str = "                                ";
    out.write_str(text)?;
    let wide = match text.is_ascii() {
        true => text.len(),
        false => text.chars().count(),
    };
    let blanks = (width + 1).saturating_sub(wide).max(1);
    out.write_str(BLANKS.get(..blanks).unwrap_or(BLANKS))
}

fn setting(value: &BankValue) -> &str {
    match &value.setting {
        _ if !value.applies => "-",
        Some(setting) => setting,
        None => "?",
    }
}

fn remark(out: &mut impl Write, value: &BankValue) -> std::fmt::Result {
    code(out, value)?;
    if value.known.is_some() {
        out.write_str(" (not all bits known)")?;
    }
    match &value.origin {
        Some(origin) => write!(out, " ({origin})"),
        None => Ok(()),
    }
}

fn code(out: &mut impl Write, value: &BankValue) -> std::fmt::Result {
    for (i, code) in value.code.iter().flat_map(|c| c.all()).enumerate() {
        let blank = if i > 0 { " " } else { "" };
        write!(out, "{blank}{code}")?;
    }
    Ok(())
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
                let _ = code(&mut codes, value);
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
