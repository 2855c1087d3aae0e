//! How closely to set controls so that a preset fits its share of a page.
//!
//! The figures are those of `sheet.css` under `@media print`; a check in a real browser keeps the two together.

use super::Paper;
use super::patch::marks_used;
use super::view::{FaceKind, Group, Item, Page, Strip, Value};

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
        cell: 32.2,
        line: 3.3,
    },
    Density {
        columns: 8,
        cell: 26.8,
        line: 2.9,
    },
    Density {
        columns: 10,
        cell: 22.5,
        line: 2.6,
    },
    Density {
        columns: 12,
        cell: 19.4,
        line: 2.3,
    },
];

/// Characters of a label that fit one line in every column.
const ONE_LINE: usize = 14;
/// Millimetres a heading of a group takes, with the space above it.
const HEADING: f64 = 7.2;
/// Longest heading that fits over one control.
const SHORT_HEADING: usize = 10;
/// Millimetres a preset's head takes.
const HEAD: f64 = 13.0;
/// Millimetres a line of the legend or of the remarks takes.
const LINE: f64 = 4.0;
/// Marks whose meanings share a line of the legend.
const MARKS_A_LINE: usize = 2;
/// Millimetres of a strip: the head of a line with the space above it, a row of figures, what a drawing adds, a mark.
const STRIP_HEAD: f64 = 7.5;
const STRIP_ROW: f64 = 4.6;
const STRIP_DRAWN: f64 = 6.5;
const STRIP_MARK: f64 = 2.6;
/// Millimetres between presets on a page.
const GAP: f64 = 6.0;

/// The part of a page that is used where groups are not split over pages.
const USED: f64 = 0.9;
/// Of the pages, the part that may be set closer than the others.
const OUTLIERS: f64 = 0.5;

/// Where presets go on pages.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Fit {
    /// How close, page by page: the same for most, closer for those with more to show.
    pub(super) densities: Vec<Density>,
    /// Presets on a page, at most as many as were asked for.
    pub(super) per_page: usize,
    /// Columns of presets on a page: 1 or 2.
    pub(super) abreast: usize,
    /// True where every page holds what was put on it.
    pub(super) fits: bool,
}

/// Chooses as many presets a page as were asked for and fit, at the roomiest densities at which they do.
pub(super) fn choose(paper: Paper, asked: usize, pages: &[Page]) -> Fit {
    for per_page in (1..=asked).rev() {
        let abreast = if per_page > 3 { 2 } else { 1 };
        let roomiest = |leaf: &[Page]| {
            DENSITIES
                .iter()
                .position(|d| leaf_height(leaf, *d, abreast) <= paper.printable_height())
        };
        let each: Vec<Option<usize>> = pages.chunks(per_page).map(roomiest).collect();
        let fits = each.iter().all(Option::is_some);
        if !fits && per_page > 1 {
            continue;
        }
        let common = common(each.iter().flatten().copied().collect());
        let density = |(leaf, own): (&[Page], &Option<usize>)| match own {
            Some(own) => DENSITIES[common.max(*own)],
            None => closest(paper, leaf),
        };
        return Fit {
            densities: pages.chunks(per_page).zip(&each).map(density).collect(),
            per_page,
            abreast,
            fits,
        };
    }
    Fit {
        densities: Vec::new(),
        per_page: 1,
        abreast: 1,
        fits: true,
    }
}

/// The density that serves all but the outliers.
fn common(mut each: Vec<usize>) -> usize {
    each.sort_unstable();
    let last = each.len().saturating_sub(1);
    let at = last - (last as f64 * OUTLIERS) as usize;
    each.get(at).copied().unwrap_or(0)
}

/// For what is too much for one page: as few pages as can be, and then as roomy as can be.
fn closest(paper: Paper, leaf: &[Page]) -> Density {
    let used = paper.printable_height() * USED;
    let sheets = |d: &Density| (leaf_height(leaf, *d, 1) / used).ceil() as usize;
    DENSITIES
        .into_iter()
        .min_by_key(sheets)
        .unwrap_or(DENSITIES[0])
}

/// The height of the presets that share a page, with their legend.
fn leaf_height(leaf: &[Page], density: Density, abreast: usize) -> f64 {
    let one = |page: &Page| {
        let remarks = page.remarks.len() as f64 * LINE * abreast as f64;
        let strips: f64 = page.strips.iter().map(strip_height).sum();
        HEAD + remarks + strips + height(&page.groups, density, density.columns / abreast)
    };
    let rows: Vec<f64> = leaf
        .chunks(abreast)
        .map(|row| row.iter().map(one).fold(0.0, f64::max))
        .collect();
    let items = leaf.iter().flat_map(Page::items);
    let legend = LINE * (1 + marks_used(items).len().div_ceil(MARKS_A_LINE)) as f64;
    rows.iter().sum::<f64>() + (rows.len().max(1) - 1) as f64 * GAP + legend
}

/// The height of a strip's lines.
fn strip_height(strip: &Strip) -> f64 {
    let row = |item: &Item| {
        let marks = item.values.iter().map(|v| v.marks.len()).max().unwrap_or(0);
        let drawn = if item.face.is_continuous() {
            STRIP_ROW + STRIP_DRAWN
        } else {
            STRIP_ROW
        };
        drawn + marks as f64 * STRIP_MARK
    };
    let line = STRIP_HEAD + strip.rows.iter().map(row).sum::<f64>();
    HEADING
        + strip
            .labels
            .len()
            .div_ceil(columns_a_line(strip.labels.len())) as f64
            * line
}

/// Columns of a strip in one line: all, or a number that divides them evenly.
pub(super) fn columns_a_line(count: usize) -> usize {
    match count {
        0..=12 => count.max(1),
        _ if count.is_multiple_of(12) => 12,
        _ if count.is_multiple_of(16) => 16,
        _ if count.is_multiple_of(10) => 10,
        _ => 12,
    }
}

/// Columns that one value of an item takes.
fn width(item: &Item) -> usize {
    let long = |v: &Value| v.stand.setting.chars().count() > 6;
    if item.face.kind == FaceKind::Window && item.values.iter().any(long) {
        2
    } else {
        1
    }
}

/// How many columns an item takes.
pub(super) fn cells(item: &Item) -> usize {
    item.values.len().max(1) * width(item)
}

/// The columns a group would like: one a control, and room for its heading.
pub(super) fn wanted(group: &Group) -> usize {
    let cells: usize = group.items.iter().map(cells).sum();
    let heading = 1 + usize::from(group.heading.chars().count() > SHORT_HEADING);
    cells.max(heading)
}

/// A group's place in the grid.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Placed {
    /// Columns it takes.
    pub(super) span: usize,
    /// A label in its row of groups needs a second line.
    pub(super) tall: bool,
    /// A control in its row of groups says whose its values are, which takes a line.
    pub(super) voiced: bool,
}

/// Groups placed left to right; the last of a row takes what is left of it, and groups of a row keep the same lines
/// free, so that their controls stand level.
pub(super) fn place(groups: &[Group], columns: usize) -> Vec<Placed> {
    let mut placed: Vec<Placed> = Vec::with_capacity(groups.len());
    let mut row = 0;
    let mut used = 0;
    for group in groups {
        let span = wanted(group).min(columns);
        if used + span > columns {
            level(&mut placed[row..], columns);
            row = placed.len();
            used = 0;
        }
        used += span;
        let mut labels = group.items.iter().map(|i| i.label.chars().count());
        let mut values = group.items.iter().flat_map(|i| &i.values);
        placed.push(Placed {
            span,
            tall: labels.any(|l| l > ONE_LINE),
            voiced: values.any(|v| !v.of.is_empty()),
        });
    }
    level(&mut placed[row..], columns);
    placed
}

/// Fills a row of groups and keeps the same lines free in all of them.
fn level(row: &mut [Placed], columns: usize) {
    let tall = row.iter().any(|p| p.tall);
    let voiced = row.iter().any(|p| p.voiced);
    let used: usize = row.iter().map(|p| p.span).sum();
    if let Some(last) = row.last_mut() {
        last.span += columns.saturating_sub(used);
    }
    for placed in row {
        (placed.tall, placed.voiced) = (tall, voiced);
    }
}

/// The height of a preset's groups, placed as [`place`] says.
fn height(groups: &[Group], density: Density, columns: usize) -> f64 {
    let (mut total, mut row, mut used) = (0.0, 0.0_f64, 0);
    for (group, placed) in groups.iter().zip(place(groups, columns)) {
        row = row.max(group_height(group, density, placed));
        used += placed.span;
        if used >= columns {
            total += row;
            (row, used) = (0.0, 0);
        }
    }
    total
}

/// The height of one group at its place.
fn group_height(group: &Group, density: Density, placed: Placed) -> f64 {
    let span = placed.span;
    let lines = usize::from(placed.tall) + usize::from(placed.voiced);
    let cell = density.cell + lines as f64 * density.line;
    let (mut total, mut used, mut marks) = (HEADING, 0, 0);
    for item in &group.items {
        let cells = cells(item);
        let own = item.values.iter().map(|v| v.marks.len()).max().unwrap_or(0);
        if used + cells.min(span) > span {
            total += cell + marks as f64 * density.line;
            (used, marks) = (0, 0);
        }
        used += cells.min(span);
        marks = marks.max(own);
        // Further rows of an item with many values say whose they are, but have no label of their own.
        let more = density.cell + own as f64 * density.line;
        total += (cells.div_ceil(span) - 1) as f64 * more;
    }
    total + cell + marks as f64 * density.line
}
