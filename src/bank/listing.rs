//! A bank as text: a listing stable enough to diff, a table, and CSV.

use std::fmt::Write;

use super::{Bank, BankValue, Code, Decoded, Labels, LayoutRef, Origins, applies, labels};

/// One line a value: area, entry, key, setting, code. The order is the layout's, so two listings can be diffed.
pub fn listing(bank: &Bank) -> String {
    let mut out = String::new();
    // Writing into memory does not fail.
    let _ = write_listing(&mut out, bank);
    out
}

fn write_listing(out: &mut String, bank: &Bank) -> std::fmt::Result {
    title(out, &bank.layout)?;
    for area in &bank.areas {
        let axes: Vec<&str> = area.axes.iter().map(String::as_str).collect();
        for entry in &area.entries {
            heading(out, &area.name, &axes, &entry.at)?;
            for value in &entry.parameters {
                Line::of(value).write(out)?;
            }
        }
    }
    let Some(form) = &bank.hand_set else {
        return Ok(());
    };
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

/// Writes what [`listing`] says of a decoded reading, a line at a time: a large bank is never held.
///
/// # Errors
/// When `out` does not take it.
pub fn list_decoded(decoded: &Decoded<'_>, out: &mut impl Write) -> std::fmt::Result {
    let layout = decoded.layout;
    let origins = Origins::of(decoded);
    title(out, &LayoutRef::of(layout))?;
    for (a, area) in layout.areas.iter().enumerate() {
        let axes: Vec<&str> = area.axes.iter().map(|x| x.name.as_str()).collect();
        let mut labelled = Labels::new(area, &decoded.codes.areas[a]);
        for entry in 0..area.entries() {
            heading(out, &area.name, &axes, &labels(area, entry))?;
            for (p, parameter) in area.parameters.iter().enumerate() {
                let (code, reads, known) = labelled.of(entry, p);
                let line = Line {
                    key: &parameter.key,
                    setting: reads.as_deref(),
                    codes: code.all(),
                    known: known.as_ref(),
                    origin: origins.of_parameter(area, parameter, entry),
                    applies: applies(area, &decoded.codes, a, entry, p),
                };
                line.write(out)?;
            }
        }
    }
    Ok(())
}

fn title(out: &mut impl Write, layout: &LayoutRef) -> std::fmt::Result {
    writeln!(
        out,
        "{} (layout {}, revision {})",
        layout.name, layout.id, layout.revision
    )
}

/// "presets, preset 12, voice 3".
fn heading(out: &mut impl Write, area: &str, axes: &[&str], at: &[String]) -> std::fmt::Result {
    write!(out, "\n{area}")?;
    for (axis, label) in axes.iter().zip(at) {
        write!(out, ", {axis} {label}")?;
    }
    out.write_char('\n')
}

/// What a line of the listing tells of a value.
struct Line<'v> {
    key: &'v str,
    setting: Option<&'v str>,
    codes: &'v [u64],
    /// The mask of known bits, where not all are.
    known: Option<&'v Code>,
    origin: Option<&'v str>,
    applies: bool,
}

impl<'v> Line<'v> {
    fn of(value: &'v BankValue) -> Self {
        Self {
            key: &value.key,
            setting: value.setting.as_deref(),
            codes: value.code.as_ref().map_or(&[], Code::all),
            known: value.known.as_ref(),
            origin: value.origin.as_deref(),
            applies: value.applies,
        }
    }

    fn write(&self, out: &mut impl Write) -> std::fmt::Result {
        out.write_str("  ")?;
        padded(out, self.key, 28)?;
        padded(out, shown_setting(self.setting, self.applies), 16)?;
        match self.known {
            Some(known) if none_known(known) => out.write_str("- (no bit known)")?,
            Some(_) => {
                write_codes(out, self.codes)?;
                out.write_str(" (not all bits known)")?;
            }
            None => write_codes(out, self.codes)?,
        }
        if let Some(origin) = self.origin {
            write!(out, " ({origin})")?;
        }
        out.write_char('\n')
    }
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
    shown_setting(value.setting.as_deref(), value.applies)
}

fn shown_setting(setting: Option<&str>, applies: bool) -> &str {
    match applies {
        true => setting.unwrap_or("?"),
        false => "-",
    }
}

/// Whether a mask of known bits has none.
fn none_known(known: &Code) -> bool {
    known.all().iter().all(|k| *k == 0)
}

fn write_codes(out: &mut impl Write, codes: &[u64]) -> std::fmt::Result {
    for (i, code) in codes.iter().enumerate() {
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
                if !value.known.as_ref().is_some_and(none_known) {
                    let _ = write_codes(&mut codes, value.code.as_ref().map_or(&[], Code::all));
                }
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
