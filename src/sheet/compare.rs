//! The comparison report: before and after, only what changed, the old position ghosted on the same control.

use maud::{Markup, html};

use super::arrange::{capital, face, join, label_of, merge, page_axis};
use super::draw::Faces;
use super::patch::{grid, marks_used};
use super::view::{Group, Item, Mark, Page, Stand, Subject, Value};
use super::{Paper, Sheet, fit, page};
use crate::bank::Code;
use crate::codec::{coding, setting};
use crate::compare::{
    AreaChanges, Comparison, EntryChanges, MoveKind, ParameterChange, Side, Step,
};
use crate::layout::model::{Area, Layout};

/// Columns of controls.
const COLUMNS: usize = 8;
/// Columns that a preset's head needs.
const NARROWEST: usize = 2;

/// A preset's changes with what a person may want to know about each.
struct Changed<'a> {
    page: Page,
    /// The changes themselves, for the physical bits.
    entries: Vec<(&'a Area, &'a EntryChanges)>,
}

/// The report of a comparison made by this layout.
pub fn comparison(
    subject: &Subject,
    layout: &Layout,
    comparison: &Comparison,
    paper: Paper,
) -> Sheet {
    let changed = arranged(layout, comparison);
    let faces = Faces::default();
    let presets = html! {
        // What a move explains is in the list of moves and has no controls to draw.
        @for (i, one) in changed.iter().enumerate().filter(|(_, c)| !c.page.groups.is_empty()) {
            (preset(one, i, &faces))
        }
    };
    let marks = marks_used(changed.iter().flat_map(|c| c.page.items()));
    let body = html! {
        (faces.definitions())
        (page::masthead("Before and after", subject))
        main {
            (summary(comparison, &changed))
            @if comparison.is_clean() {
                p.lead { "Nothing differs: every bit of the one reading is the bit of the other." }
            }
            @if !comparison.moves.is_empty() { (moves(comparison)) }
            (tables(layout, comparison, &changed))
            @if !changed.is_empty() {
                p.note.how {
                    "The firm pointer is the later reading, the broken one the earlier. "
                    "Small steps are what saving an unmoved control again can do."
                }
            }
            div.flow { (presets) }
            @if !changed.is_empty() {
                (page::legend(&marks))
                (bits(&changed))
            }
        }
    };
    Sheet {
        html: page::document(
            paper,
            "Before and after",
            subject,
            "patch report d8 ab1",
            &body,
        ),
        pages: None,
        per_page: None,
    }
}

/// The changed presets in order, their controls under the panel's headings.
fn arranged<'a>(layout: &'a Layout, comparison: &'a Comparison) -> Vec<Changed<'a>> {
    let mut all: Vec<Changed<'a>> = Vec::new();
    for changes in &comparison.areas {
        let Some((a, area)) = area_of(layout, changes) else {
            continue;
        };
        let axis = page_axis(area);
        for entry in &changes.entries {
            let title = match axis {
                Some(axis) => {
                    let label = &area.axes[axis].labels[area.indices(entry.entry)[axis]];
                    format!("{} {label}", capital(&area.axes[axis].name))
                }
                None => capital(&area.name),
            };
            let at = all.iter().position(|c| c.page.title == title);
            let at = at.unwrap_or_else(|| {
                all.push(Changed {
                    page: Page {
                        title,
                        ..Page::default()
                    },
                    entries: Vec::new(),
                });
                all.len() - 1
            });
            all[at].entries.push((&layout.areas[a], entry));
        }
    }
    for one in &mut all {
        one.page.groups = groups(&one.entries);
    }
    all
}

fn area_of<'a>(layout: &'a Layout, changes: &AreaChanges) -> Option<(usize, &'a Area)> {
    let at = layout.areas.iter().position(|a| a.name == changes.name)?;
    Some((at, &layout.areas[at]))
}

/// The changed controls of a preset; entries that a move explains are told in words only.
fn groups(entries: &[(&Area, &EntryChanges)]) -> Vec<Group> {
    let mut groups = Vec::new();
    let told: Vec<_> = entries.iter().filter(|(_, e)| !e.explained).collect();
    let mut seen: Vec<(&str, &str)> = Vec::new();
    for (area, entry) in &told {
        for change in &entry.parameters {
            if seen.contains(&(area.name.as_str(), change.key.as_str())) {
                continue;
            }
            seen.push((&area.name, &change.key));
            let Some(p) = area.parameter(&change.key) else {
                continue;
            };
            let axes: Vec<usize> = (0..area.axes.len())
                .filter(|a| Some(*a) != page_axis(area))
                .collect();
            let whose = match axes.as_slice() {
                [one] => area.axes[*one].name.clone(),
                _ => String::new(),
            };
            let of_all = told
                .iter()
                .filter(|(other, _)| other.name == area.name)
                .filter_map(|(_, e)| {
                    let change = e.parameters.iter().find(|c| c.key == change.key)?;
                    let label = label_of(area, e.entry, &axes, &whose);
                    Some((label, value(area, p, change)))
                })
                .collect();
            let mut values = merge(&whose, of_all);
            // Of several voices only some may have changed, so one value alone says whose it is.
            if let ([one], true) = (values.as_mut_slice(), !axes.is_empty()) {
                let count: usize = axes.iter().map(|&a| area.axes[a].count()).product();
                let changed: Vec<String> = told
                    .iter()
                    .filter(|(other, e)| {
                        other.name == area.name && e.parameters.iter().any(|c| c.key == change.key)
                    })
                    .map(|(_, e)| label_of(area, e.entry, &axes, &whose))
                    .collect();
                if changed.len() < count {
                    one.of = super::arrange::whose(&whose, &changed);
                }
            }
            join(
                &mut groups,
                Group {
                    heading: area.parameters[p].group.clone().unwrap_or_default(),
                    items: vec![Item {
                        label: change.label.clone(),
                        face: face(area, p),
                        values,
                    }],
                },
            );
        }
    }
    groups
}

fn value(area: &Area, p: usize, change: &ParameterChange) -> Value {
    let (stand, legal) = stand(area, p, &change.after);
    let (was, _) = self::stand(area, p, &change.before);
    let mut marks = Vec::new();
    match change.step {
        Step::Incomparable => marks.push(Mark::Unknown),
        Step::Small => marks.push(Mark::Small),
        Step::Jump | Step::Switched => {}
    }
    if !legal {
        marks.push(Mark::Illegal);
    }
    Value {
        stand,
        was: Some(was),
        marks,
        ..Value::default()
    }
}

/// Where a control stood, and whether it can stand there.
fn stand(area: &Area, p: usize, side: &Side) -> (Stand, bool) {
    let parameter = &area.parameters[p];
    let width = area.fields[parameter.fields.start].width;
    let code = match &side.code {
        Code::One(code) if side.setting != "?" => *code,
        _ => {
            let setting = side.setting.clone();
            return (
                Stand {
                    setting,
                    ..Stand::default()
                },
                true,
            );
        }
    };
    let legal = setting::legal(parameter, width, code);
    let stand = Stand {
        number: coding::number(&parameter.coding, width, code),
        setting: if legal {
            side.setting.clone()
        } else {
            "\u{2014}".to_owned()
        },
        code: code.to_string(),
    };
    (stand, legal)
}

fn preset(changed: &Changed<'_>, i: usize, faces: &Faces) -> Markup {
    let wanted: usize = changed.page.groups.iter().map(fit::wanted).sum();
    let columns = wanted.clamp(NARROWEST, COLUMNS);
    html! {
        section class={ "preset n" (columns) } aria-labelledby={ "t" (i) } {
            header.head { h2 id={ "t" (i) } { (changed.page.title) } }
            (grid(&changed.page.groups, columns, faces))
        }
    }
}

/// The physical bits, on demand.
fn bits(changed: &[Changed<'_>]) -> Markup {
    let bit = |b: Option<bool>| match b {
        Some(true) => "1",
        Some(false) => "0",
        None => "?",
    };
    html! {
        details {
            summary { "Every changed bit, as it lies in the chips" }
            div.wide data-scroll tabindex="0" role="group" aria-label="Changed bits" {
                table {
                    thead { tr {
                        th scope="col" { "Where" } th scope="col" { "Control" } th scope="col" { "Code" }
                        th scope="col" { "Chip, cell, data line, before and after" }
                    } }
                    tbody {
                        @for (_, entry) in changed.iter().flat_map(|c| &c.entries) {
                            @for change in &entry.parameters {
                                tr {
                                    th scope="row" { (capital(&entry.label)) }
                                    td { (change.label) }
                                    td { (codes(&change.before.code)) " \u{2192} " (codes(&change.after.code)) }
                                    td.bits {
                                        @for b in &change.bits {
                                            span { (b.chip) " " (format!("{:03X}", b.cell)) " D" (b.line) " " (bit(b.before)) "\u{2192}" (bit(b.after)) } " "
                                        }
                                    }
                                }
                            }
                        }
                    }
                }
            }
        }
    }
}

fn codes(code: &Code) -> String {
    let all: Vec<String> = code.all().iter().map(u64::to_string).collect();
    all.join(" ")
}

/// The totals, large.
fn summary(comparison: &Comparison, changed: &[Changed<'_>]) -> Markup {
    let t = &comparison.totals;
    let figure = |value: String, what: &str, more: String| {
        html! { li { b { (value) } span { (what) } @if !more.is_empty() { small { (more) } } } }
    };
    let of = |n: u64, what: &str| {
        if n > 0 {
            format!("{n} {what}")
        } else {
            String::new()
        }
    };
    html! {
        ul.totals {
            (figure(changed.len().to_string(), "presets differ", of(comparison.moves.len() as u64, "moved or copied")))
            (figure(t.parameters.to_string(), "settings changed", of(t.small_steps as u64, "of them small steps")))
            (figure(t.bits.to_string(), "bits changed", of(t.other_bits, "without a known meaning")))
            @if t.incomparable_bits > 0 {
                (figure(t.incomparable_bits.to_string(), "bits not compared", "known in one reading only".to_owned()))
            }
        }
    }
}

fn moves(comparison: &Comparison) -> Markup {
    html! {
        section {
            h2.sub { "Moved, copied, emptied" }
            ul.moves {
                @for m in &comparison.moves {
                    li {
                        b { (capital(&m.to)) } " "
                        @match (m.kind, &m.from) {
                            (MoveKind::Moved, Some(from)) => { "now holds what " (from) " held" }
                            (MoveKind::Swapped, Some(from)) => { "and " (from) " have changed places" }
                            (MoveKind::Copied, Some(from)) => { "now holds a copy of " (from) }
                            _ => { "was emptied" }
                        }
                    }
                }
            }
        }
    }
}

/// Counts by preset, by voice, by chip and line.
fn tables(layout: &Layout, comparison: &Comparison, changed: &[Changed<'_>]) -> Markup {
    let bits_of = |e: &EntryChanges| e.parameters.iter().map(|p| p.bits.len()).sum::<usize>();
    let by_preset = changed.iter().map(|c| {
        let settings: usize = c.entries.iter().map(|(_, e)| e.parameters.len()).sum();
        let bits: usize = c.entries.iter().map(|(_, e)| bits_of(e)).sum();
        (c.page.title.clone(), settings, bits)
    });
    let mut by_voice: Vec<(String, usize, usize)> = Vec::new();
    for (area, entry) in changed.iter().flat_map(|c| &c.entries) {
        let preset = page_axis(area);
        for (i, axis) in area.axes.iter().enumerate() {
            if Some(i) == preset || axis.count() < 2 {
                continue;
            }
            let label = &axis.labels[area.indices(entry.entry)[i]];
            let name = format!("{} {label}", capital(&axis.name));
            let (settings, bits) = (entry.parameters.len(), bits_of(entry));
            match by_voice.iter_mut().find(|(n, _, _)| *n == name) {
                Some((_, s, b)) => (*s, *b) = (*s + settings, *b + bits),
                None => by_voice.push((name, settings, bits)),
            }
        }
    }
    by_voice.sort_by_key(|row| order(&row.0));
    let rows: Vec<_> = by_preset.collect();
    html! {
        @if !comparison.is_clean() {
            div.counts {
                @if !rows.is_empty() { (count_table("By preset", &rows)) }
                @if !by_voice.is_empty() { (count_table("By voice", &by_voice)) }
                @if !comparison.chips.is_empty() { (chip_table(layout, comparison)) }
            }
        }
    }
}

/// Names in the order of the numbers in them.
fn order(name: &str) -> (String, u64) {
    let digits: String = name.chars().filter(char::is_ascii_digit).collect();
    let letters = name.chars().filter(|c| !c.is_ascii_digit()).collect();
    (letters, digits.parse().unwrap_or(0))
}

fn count_table(title: &str, rows: &[(String, usize, usize)]) -> Markup {
    html! {
        table.count {
            caption { (title) }
            thead { tr { td {} th scope="col" { "settings" } th scope="col" { "bits" } } }
            tbody {
                @for (name, settings, bits) in rows {
                    tr { th scope="row" { (name) } td.num { (settings) } td.num { (bits) } }
                }
            }
        }
    }
}

fn chip_table(layout: &Layout, comparison: &Comparison) -> Markup {
    let width = comparison
        .chips
        .iter()
        .map(|c| c.by_line.len())
        .max()
        .unwrap_or(0);
    html! {
        div.wide data-scroll tabindex="0" role="group" aria-label="Changed bits by chip and data line" { table.count {
            caption { "By chip and data line, in bits" }
            thead { tr {
                td {}
                @for line in 0..width { th scope="col" { "D" (line) } }
                th scope="col" { "cells" }
            } }
            tbody {
                @for chip in &comparison.chips {
                    tr {
                        th scope="row" {
                            (chip.chip)
                            @if let Some(part) = layout.chip(&chip.chip).and_then(|c| layout.chips[c].part.as_ref()) {
                                " " small { (part) }
                            }
                        }
                        @for line in 0..width {
                            td.num { @match chip.by_line.get(line) {
                                Some(0) => { span.zero { "\u{b7}" } }
                                Some(n) => { (n) }
                                None => {}
                            } }
                        }
                        td.num { (chip.cells) }
                    }
                }
            }
        } }
    }
}
