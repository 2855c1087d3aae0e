//! Pictures of memory for the terminal: letters for what bits are, never colour alone.

use std::collections::HashMap;

use super::super::output::say;
use crate::layout::explain::{check_places, parameter_places, runs};
use crate::layout::model::{Area, FieldOwner, Layout};
use crate::layout::owners::{Class, Classes};

/// Characters in a row.
const ROW: usize = 64;
/// Rows a chip may take before each character stands for several cells.
const ROWS: usize = 32;

fn letter(class: Class) -> char {
    match class {
        Class::Unknown => '?',
        Class::Parameter => 'p',
        Class::Check => 'c',
        Class::Constant => 'k',
        Class::Reserved => 'r',
        Class::Mirror => '=',
        Class::Absent => '-',
    }
}

/// Every chip, a character for each cell or for several.
pub(super) fn chips(layout: &Layout) {
    let classes = Classes::new(layout);
    say!();
    say!(
        "p parameter  c check  k constant  r reserved  = mirror  - absent  ? unknown  + several of these"
    );
    for (i, chip) in layout.chips.iter().enumerate() {
        let cells = (chip.words as usize)
            .div_ceil(ROW * ROWS)
            .next_power_of_two();
        let each = match cells {
            1 => "a cell a character".to_owned(),
            n => format!("{n} cells a character"),
        };
        let known: Vec<&str> = [&chip.board, &chip.position, &chip.part]
            .into_iter()
            .flatten()
            .map(String::as_str)
            .collect();
        let known = if known.is_empty() {
            String::new()
        } else {
            format!(" ({})", known.join(", "))
        };
        say!();
        say!("{} {} x {}{known}, {each}", chip.id, chip.words, chip.width);
        let mut rows: Vec<(u32, String)> = Vec::new();
        let mut row = String::new();
        let mut cell = 0u32;
        while cell < chip.words {
            let end = (cell + cells as u32).min(chip.words);
            let mut seen: Option<char> = None;
            for c in cell..end {
                for line in 0..chip.width {
                    let here = classes.of(i, c, line).map_or('?', letter);
                    seen = match seen {
                        None => Some(here),
                        Some(s) if s == here => seen,
                        Some(_) => Some('+'),
                    };
                }
            }
            row.push(seen.unwrap_or('?'));
            if row.len() == ROW || end == chip.words {
                let first = end - row.len() as u32 * cells as u32;
                rows.push((first, std::mem::take(&mut row)));
            }
            cell = end;
        }
        fold(&rows);
    }
}

/// Prints rows, three or more alike as one.
fn fold(rows: &[(u32, String)]) {
    let mut i = 0;
    while let Some((first, text)) = rows.get(i) {
        let alike = rows[i..].iter().take_while(|r| r.1 == *text).count();
        say!("  {first:#06x} {text}");
        if alike > 2 {
            say!("         {} more rows like this", alike - 1);
            i += alike;
        } else {
            i += 1;
        }
    }
}

/// Letters for fields, in order; after them, all others share a star.
const LETTERS: &str = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789";

/// The bits of one entry with a letter each, and what the letters stand for with their places.
pub(super) fn entry(layout: &Layout, area_index: usize, entry: usize) {
    let Some(area) = layout.areas.get(area_index) else {
        return;
    };
    let letters = letters(area);
    let mut bits: HashMap<(u16, u32, u8), char> = HashMap::new();
    for (f, field) in area.fields.iter().enumerate() {
        let symbol = letters.get(&field.owner).copied().unwrap_or('*');
        for place in area.field_places(entry, f) {
            // The first to claim a bit shows; aliases and exclusive parameters share it.
            bits.entry((place.chip, place.cell, place.line))
                .or_insert(symbol);
        }
    }
    let mut cells: Vec<(u16, u32)> = bits.keys().map(|k| (k.0, k.1)).collect();
    cells.sort_unstable();
    cells.dedup();
    grid(layout, &cells, &bits);
    legend(layout, area_index, area, entry, &letters);
}

/// The owners of an area's fields with their letters; checks, constants and reserved parts have their marks.
fn letters(area: &Area) -> HashMap<FieldOwner, char> {
    let mut out = HashMap::new();
    let mut free = LETTERS.chars();
    for field in &area.fields {
        let symbol = match field.owner {
            FieldOwner::Constant(_) => '#',
            FieldOwner::Reserved => '.',
            FieldOwner::Parameter(_) | FieldOwner::Check(_) => {
                if out.contains_key(&field.owner) {
                    continue;
                }
                free.next().unwrap_or('*')
            }
        };
        out.insert(field.owner, symbol);
    }
    out
}

/// Rows of cells side by side, D7 on the left of each; cells the entry does not use are left out.
fn grid(layout: &Layout, cells: &[(u16, u32)], bits: &HashMap<(u16, u32, u8), char>) {
    let mut i = 0;
    while let Some(&(chip, first)) = cells.get(i) {
        let Some(c) = layout.chips.get(usize::from(chip)) else {
            return;
        };
        let per_row = (ROW / usize::from(c.width)).max(1);
        let mut row = String::new();
        let mut n = 0;
        // Neighbouring cells share a row; a gap begins the next.
        while n < per_row && cells.get(i + n) == Some(&(chip, first + n as u32)) {
            if n > 0 && (c.width > 1 || n % 8 == 0) {
                row.push(' ');
            }
            for line in (0..c.width).rev() {
                row.push(
                    bits.get(&(chip, first + n as u32, line))
                        .copied()
                        .unwrap_or('?'),
                );
            }
            n += 1;
        }
        say!("  {}:{first:#05x} {row}", c.id);
        i += n;
    }
}

fn legend(
    layout: &Layout,
    area_index: usize,
    area: &Area,
    entry: usize,
    letters: &HashMap<FieldOwner, char>,
) {
    let wide = area
        .parameters
        .iter()
        .map(|p| p.key.len())
        .chain(area.checks.iter().map(|c| c.key.len()))
        .max()
        .unwrap_or(0)
        .min(32);
    let line = |owner: FieldOwner, key: &str, places: String| {
        let symbol = letters.get(&owner).copied().unwrap_or('*');
        say!("  {symbol} {key:<wide$} {places}");
    };
    for (p, parameter) in area.parameters.iter().enumerate() {
        let places = parameter_places(layout, area_index, p, entry);
        let text = places.first().map_or_else(String::new, |v| runs(&v.bits));
        line(FieldOwner::Parameter(p), &parameter.key, text);
    }
    for (c, check) in area.checks.iter().enumerate() {
        let places = check_places(layout, area_index, c, entry);
        let text = places.first().map_or_else(String::new, |v| runs(&v.bits));
        let symbol_owner = FieldOwner::Check(c);
        line(symbol_owner, &check.key, text);
    }
    let used = |wanted: fn(&FieldOwner) -> bool| area.fields.iter().any(|f| wanted(&f.owner));
    if used(|o| matches!(o, FieldOwner::Constant(_))) {
        say!("  # constants");
    }
    if used(|o| matches!(o, FieldOwner::Reserved)) {
        say!("  . reserved");
    }
}
