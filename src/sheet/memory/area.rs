//! An area as the instrument addresses it: entries across, the bits of an entry down.

use maud::{Markup, html};

use super::plane::Paths;
use super::{Owned, Source, style};
use crate::layout::model::{Area, Field, FieldOwner};
use crate::layout::owners::Class;
use crate::sheet::draw::n;

/// Millimetres of the picture's width, of the labels at its left, and of its tallest form.
const WIDTH: f64 = 186.0;
const LABELS: f64 = 38.0;
const TALLEST: f64 = 120.0;
/// Millimetres between labels.
const LABEL_STEP: f64 = 2.5;

/// What a field is called.
pub(super) fn field_name(area: &Area, field: &Field) -> String {
    match field.owner {
        FieldOwner::Parameter(p) => {
            let p = &area.parameters[p];
            match &p.group {
                Some(group) => format!("{group}: {}", p.label),
                None => p.label.clone(),
            }
        }
        FieldOwner::Check(c) => format!("check {}", area.checks[c].key),
        FieldOwner::Constant(value) => format!("constant {value:X}h"),
        FieldOwner::Reserved => "reserved".to_owned(),
    }
}

fn owned(a: usize, field: &Field) -> Owned {
    let class = match field.owner {
        FieldOwner::Parameter(_) => Class::Parameter,
        FieldOwner::Check(_) => Class::Check,
        FieldOwner::Constant(_) => Class::Constant,
        FieldOwner::Reserved => Class::Reserved,
    };
    Owned {
        class,
        area: Some(a),
    }
}

pub(super) fn section(source: &Source<'_>, a: usize) -> Markup {
    let area = &source.layout.areas[a];
    let (entries, bits) = (area.entries(), area.bits_per_entry);
    let across = ((WIDTH - LABELS) / entries.max(1) as f64).min(6.0);
    let down = (TALLEST / bits.max(1) as f64).clamp(0.5, 3.0);
    let height = down * bits as f64;
    let mut contents: Paths<&'static str> = Paths::new();
    // A path runs row by row; here a row is a bit of every entry, most significant bit of a field on top.
    let mut row = 0;
    let mut rows = Vec::new();
    for (f, field) in area.fields.iter().enumerate() {
        rows.push(row);
        for bit in (0..usize::from(field.width)).rev() {
            for entry in 0..entries {
                let Some(place) = area.field_places(entry, f).get(bit) else {
                    continue;
                };
                let chip = usize::from(place.chip);
                let at = (entry as u32, row as u32);
                match source.bit(chip, place.cell, place.line) {
                    Some(value) if value != place.inverted => contents.add("one", at.0, at.1),
                    None if source.reading.is_some() => contents.add("unk", at.0, at.1),
                    _ => {}
                }
                if source.changed(chip, place.cell, place.line) {
                    contents.add("chg", at.0, at.1);
                }
            }
            row += 1;
        }
    }
    let mut next = 0.0;
    let labels: Vec<(f64, String)> = area
        .fields
        .iter()
        .zip(&rows)
        .filter_map(|(field, row)| {
            let y = (*row as f64 + f64::from(field.width) / 2.0) * down;
            (y >= next).then(|| {
                next = y + LABEL_STEP;
                (y, short(&field_name(area, field)))
            })
        })
        .collect();
    let every = (7.0 / across).ceil().max(1.0) as usize;
    html! {
        section.area aria-labelledby={ "r" (a) } {
            header.head { h2 id={ "r" (a) } { "Area " (area.name) " as addressed" } }
            p.note {
                (entries) @if entries == 1 { " entry" } @else { " entries" } " across, the " (bits)
                " bits of an entry down, the most significant bit of each value on top, inversions undone."
            }
            div.wide data-scroll tabindex="0" role="group" aria-label={ "Area " (area.name) ", scrolls sideways" } {
                svg.field viewBox={ "-" (LABELS) " -1 " (WIDTH) " " (n(height + 7.0)) }
                    role="img" aria-label={ "Area " (area.name) } data-area=(a) data-across=(across) data-down=(down) {
                    rect.bed vector-effect="non-scaling-stroke" x="-.15" y="-.15" width=(n(across * entries as f64 + 0.3))
                        height=(n(height + 0.3)) {}
                    g transform={ "scale(" (across) " " (down) ")" } {
                        g.lw transform="translate(0 .5)" {
                            @for (i, (field, row)) in area.fields.iter().zip(&rows).enumerate() {
                                path class=(style(owned(a, field), i % 2 == 1)) d=(block(*row, field.width, entries)) {
                                    title { (field_name(area, field)) }
                                }
                            }
                        }
                        g transform="translate(0 .5)" {
                            @for (class, d) in contents.finish() { path class=(class) d=(d) {} }
                        }
                    }
                    @for (y, label) in &labels {
                        text.ax x="-1.2" y=(n(*y)) font-size="2.1" dominant-baseline="central" text-anchor="end" { (label) }
                    }
                    @for entry in (0..entries).step_by(every) {
                        text.ax x=(n((entry as f64 + 0.5) * across)) y=(n(height + 3.2))
                            font-size="2.1" text-anchor="middle" { (entry_mark(area, entry)) }
                    }
                }
            }
        }
    }
}

/// The rows of a field as one path.
fn block(row: usize, width: u8, entries: usize) -> String {
    (row..row + usize::from(width))
        .map(|r| format!("M0 {r}h{entries}"))
        .collect()
}

/// The label along each axis, short.
fn entry_mark(area: &Area, entry: usize) -> String {
    let parts: Vec<String> = area
        .axes
        .iter()
        .zip(area.indices(entry))
        .map(|(axis, i)| axis.labels[i].clone())
        .collect();
    parts.join("/")
}

/// A label that fits the room at the left.
fn short(label: &str) -> String {
    const MOST: usize = 30;
    if label.chars().count() <= MOST {
        return label.to_owned();
    }
    let cut: String = label.chars().take(MOST - 1).collect();
    format!("{cut}\u{2026}")
}
