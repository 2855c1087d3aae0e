//! How closely to set controls so that a preset fits its share of a page.
//!
//! The figures are those of `sheet.css` under `@media print`; a check in a real browser keeps the two together.

use super::Paper;
use super::patch::{is_tall, marks_used};
use super::view::{FaceKind, Group, Item, Page};

/// One step of density.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Density {
    /// Columns across a whole page.
    pub(super) columns: usize,
    /// Height of a control with a label of one line and its setting, millimetres.
    cell: f64,
    /// Height of a further line: of the label, of marks, of whose a value is.
    line: f64,
}

/// From roomy to close.
const DENSITIES: [Density; 4] = [
    Density {
        columns: 6,
        cell: 32.8,
        line: 3.3,
    },
    Density {
        columns: 8,
        cell: 26.8,
        line: 2.9,
    },
    Density {
        columns: 10,
        cell: 23.2,
        line: 2.6,
    },
    Density {
        columns: 12,
        cell: 20.2,
        line: 2.3,
    },
];

/// Millimetres a heading of a group takes, with the space above it.
const HEADING: f64 = 7.2;
/// Millimetres a preset's head takes.
const HEAD: f64 = 13.0;
/// Millimetres a line of the legend or of the remarks takes.
const LINE: f64 = 4.0;
/// Marks whose meanings share a line of the legend.
const MARKS_A_LINE: usize = 2;
/// Millimetres between presets on a page.
const GAP: f64 = 6.0;

/// Where presets go on pages.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Fit {
    /// How close.
    pub(super) density: Density,
    /// Presets on a page, at most as many as were asked for.
    pub(super) per_page: usize,
    /// Columns of presets on a page: 1 or 2.
    pub(super) abreast: usize,
    /// True where every page holds what was put on it.
    pub(super) fits: bool,
}

/// Chooses as many presets a page as were asked for and fit, then the roomiest density at which they do.
pub(super) fn choose(paper: Paper, asked: usize, pages: &[Page]) -> Fit {
    for per_page in (1..=asked).rev() {
        let abreast = if per_page > 3 { 2 } else { 1 };
        for density in DENSITIES {
            let fits =
                |leaf: &[Page]| leaf_height(leaf, density, abreast) <= paper.printable_height();
            if pages.chunks(per_page).all(fits) {
                return Fit {
                    density,
                    per_page,
                    abreast,
                    fits: true,
                };
            }
        }
    }
    // Too much for one page each: as few pages as can be, and then as roomy as can be.
    let sheets = |density: &Density| -> usize {
        let needed = |p: &Page| {
            (leaf_height(std::slice::from_ref(p), *density, 1) / paper.printable_height()).ceil()
                as usize
        };
        pages.iter().map(needed).sum()
    };
    let density = DENSITIES
        .into_iter()
        .min_by_key(sheets)
        .unwrap_or(DENSITIES[0]);
    Fit {
        density,
        per_page: 1,
        abreast: 1,
        fits: false,
    }
}

/// The height of the presets that share a page, with their legend.
fn leaf_height(leaf: &[Page], density: Density, abreast: usize) -> f64 {
    let one = |page: &Page| {
        let remarks = page.remarks.len() as f64 * LINE * abreast as f64;
        HEAD + remarks + height(&page.groups, density, density.columns / abreast)
    };
    let rows: Vec<f64> = leaf
        .chunks(abreast)
        .map(|row| row.iter().map(one).fold(0.0, f64::max))
        .collect();
    let groups = leaf.iter().flat_map(|p| &p.groups);
    let legend = LINE * (1 + marks_used(groups).len().div_ceil(MARKS_A_LINE)) as f64;
    rows.iter().sum::<f64>() + (rows.len().max(1) - 1) as f64 * GAP + legend
}

/// How many columns an item takes.
pub(super) fn cells(item: &Item) -> usize {
    match item.face.kind {
        FaceKind::Window if item.values.iter().any(|v| v.stand.setting.len() > 6) => 2,
        _ => item.values.len().max(1),
    }
}

/// The columns each group takes, placed left to right; the last of a row takes what is left of it.
pub(super) fn spans(groups: &[Group], columns: usize) -> Vec<usize> {
    let mut spans: Vec<usize> = Vec::with_capacity(groups.len());
    let mut used = 0;
    for group in groups {
        let cells: usize = group.items.iter().map(cells).sum();
        let span = cells.clamp(2.min(columns), columns);
        if used + span > columns {
            if let Some(last) = spans.last_mut() {
                *last += columns - used;
            }
            used = 0;
        }
        used += span;
        spans.push(span);
    }
    if let Some(last) = spans.last_mut() {
        *last += columns - used;
    }
    spans
}

/// The height of a preset's groups, placed as [`spans`] says.
fn height(groups: &[Group], density: Density, columns: usize) -> f64 {
    let (mut total, mut row, mut used) = (0.0, 0.0_f64, 0);
    for (group, span) in groups.iter().zip(spans(groups, columns)) {
        row = row.max(group_height(group, density, span));
        used += span;
        if used >= columns {
            total += row;
            (row, used) = (0.0, 0);
        }
    }
    total
}

/// The height of one group so many columns wide.
fn group_height(group: &Group, density: Density, span: usize) -> f64 {
    let (mut total, mut used, mut lines) = (HEADING, 0, 0);
    let label = if is_tall(group) { density.line } else { 0.0 };
    let cell = density.cell + label;
    for item in &group.items {
        let cells = cells(item);
        let marks = item.values.iter().map(|v| v.marks.len()).max().unwrap_or(0);
        let own = marks + usize::from(item.values.len() > 1);
        if used + cells.min(span) > span {
            total += cell + lines as f64 * density.line;
            (used, lines) = (0, 0);
        }
        used += cells.min(span);
        lines = lines.max(own);
        total += (cells.div_ceil(span) - 1) as f64 * (cell + own as f64 * density.line);
    }
    total + cell + lines as f64 * density.line
}
