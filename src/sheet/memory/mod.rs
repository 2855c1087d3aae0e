//! The memory picture: each chip's cells as they lie in the chip, and each area as the instrument addresses it.
//!
//! A data line of a chip is one plane, its low address lines across and its high ones down, so that a fault of a
//! line shows as a whole plane, as columns or as rows. A small script, not needed to read the picture, tells the
//! place and the owner of the bit under the pointer or the arrow keys.

mod area;
mod places;
mod plane;

use maud::{Markup, PreEscaped, html};
use serde_json::json;

use super::draw::n;
use super::view::Subject;
use super::{Paper, Sheet, page};
use crate::digest::hex;
use crate::finding::{ChipPlace, Finding};
use crate::layout::model::{Chip, Layout};
use crate::layout::owners::{Class, Classes, Owner, Owners};
use crate::reading::Reading;
use plane::Paths;

/// The look-up for pointer and arrow keys.
const SCRIPT: &str = include_str!("memory.js");

/// What is drawn.
#[derive(Clone, Copy)]
pub struct Source<'a> {
    /// The layout.
    pub layout: &'a Layout,
    /// The contents, aligned with the layout; without them the picture is a map of the owners.
    pub reading: Option<&'a Reading>,
    /// An earlier reading, aligned with the layout: what changed since is marked.
    pub before: Option<&'a Reading>,
    /// Findings about the reading.
    pub findings: &'a [Finding],
}

impl Source<'_> {
    /// The bit of a chip as it lies in the cell; `None` where nothing is known.
    fn bit(&self, chip: usize, cell: u32, line: u8) -> Option<bool> {
        self.reading?.chips.get(chip)?.image.bit(cell, line)
    }

    /// Whether a bit is known in both readings and differs.
    fn changed(&self, chip: usize, cell: u32, line: u8) -> bool {
        let before = self
            .before
            .and_then(|r| r.chips.get(chip))
            .and_then(|c| c.image.bit(cell, line));
        let after = self.bit(chip, cell, line);
        before.is_some() && after.is_some() && before != after
    }
}

/// The picture of all chips of an instrument.
pub fn memory(subject: &Subject, source: Source<'_>, paper: Paper) -> Sheet {
    let owners = Territory::new(source.layout);
    let title = if source.reading.is_some() {
        "Memory picture"
    } else {
        "Memory map"
    };
    let used = used(source.layout, &owners);
    let body = html! {
        (patterns())
        (page::masthead(title, subject))
        main {
            (key(&used, &source))
            (layers(&source))
            p.note {
                "A square is a data line of a chip, a dot in it a bit. Address lines count across first, then down; "
                "the figures at the left are the first cell of their row."
            }
            div.chips.narrow[source.layout.chips.iter().all(|c| c.width == 1)] {
                @for (c, chip) in source.layout.chips.iter().enumerate() {
                    (chip_section(&source, &owners, c, chip))
                }
            }
            @for a in 0..source.layout.areas.len() { (area::section(&source, a)) }
        }
        p.tell aria-live="polite" hidden {}
        script type="application/json" id="places" { (PreEscaped(data(&source))) }
        script { (PreEscaped(SCRIPT)) }
    };
    Sheet {
        html: page::document(paper, title, subject, "memory", &body),
        pages: None,
        per_page: None,
    }
}

/// Columns of a plane: about as many as rows, a power of two.
fn columns(chip: &Chip) -> u32 {
    let bits = chip.words.max(1).next_power_of_two().trailing_zeros();
    1 << bits.div_ceil(2)
}

/// The owners that appear, for the key.
fn used(layout: &Layout, territory: &Territory) -> Vec<Owned> {
    let mut used = Vec::new();
    for (c, chip) in layout.chips.iter().enumerate() {
        for cell in 0..chip.words {
            for line in 0..chip.width {
                let (mut owned, _) = territory.of(c, cell, line);
                if owned.class != Class::Parameter {
                    owned.area = None;
                }
                if !used.contains(&owned) {
                    used.push(owned);
                }
            }
        }
    }
    used.sort_unstable_by_key(|o| (o.class == Class::Unknown, o.class, o.area));
    used
}

/// Who owns what, looked up for every bit.
struct Territory {
    classes: Classes,
    owners: Owners,
}

/// What gives a bit its colour and hatching.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
struct Owned {
    class: Class,
    /// Index of the area, of parameters and what belongs to them.
    area: Option<usize>,
}

impl Territory {
    fn new(layout: &Layout) -> Self {
        Self {
            classes: Classes::new(layout),
            owners: Owners::new(layout),
        }
    }

    /// The owner of a bit, and whether its entry is an odd one.
    fn of(&self, chip: usize, cell: u32, line: u8) -> (Owned, bool) {
        let class = self.classes.of(chip, cell, line).unwrap_or(Class::Unknown);
        let (area, odd) = match self.owners.of(chip, cell, line).first() {
            Some(Owner::Field { area, entry, .. }) => (Some(*area), entry % 2 == 1),
            Some(Owner::AreaCheck { area, .. }) => (Some(*area), false),
            Some(Owner::Absent) | None => (None, false),
        };
        (Owned { class, area }, odd)
    }
}

impl Owned {
    fn words(self, layout: &Layout) -> String {
        match self.area.and_then(|a| layout.areas.get(a)) {
            Some(area) => format!("{}: {}", area.name, word(self.class)),
            None => word(self.class).to_owned(),
        }
    }
}

/// What a class is called in the key.
fn word(class: Class) -> &'static str {
    match class {
        Class::Parameter => "settings",
        Class::Check => "checks",
        Class::Constant => "constants",
        Class::Reserved => "reserved",
        Class::Mirror => "mirrored copy",
        Class::Absent => "not there, or tied off",
        Class::Unknown => "not described",
    }
}

/// The style that gives an owner its colour and hatching.
fn style(owned: Owned, odd: bool) -> String {
    let letter = match owned.class {
        Class::Parameter => {
            let area = owned.area.unwrap_or(0) % 4;
            return format!("w a{area}{}", if odd { " odd" } else { "" });
        }
        Class::Check => 'c',
        Class::Constant => 'k',
        Class::Reserved => 'r',
        Class::Mirror => 'm',
        Class::Absent => 'a',
        Class::Unknown => 'x',
    };
    format!("w k{letter}")
}

/// Hatchings, in units of one bit.
fn patterns() -> Markup {
    let hatch = |id: &str, d: &str, size: &str| {
        html! {
            pattern id=(id) width=(size) height=(size) patternUnits="userSpaceOnUse" {
                rect.hb width=(size) height=(size) {}
                path.hl d=(d) {}
            }
        }
    };
    html! {
        svg.defs width="0" height="0" aria-hidden="true" {
            defs {
                (hatch("hc", "M0 2L2 0M-.5.5L.5-.5M1.5 2.5L2.5 1.5", "2"))
                (hatch("hk", "M.7 1H1.3", "2"))
                (hatch("hr", "M0 1H2", "2"))
                (hatch("hm", "M1 0V2", "2"))
                (hatch("ha", "M0 0L2 2M0 2L2 0", "2"))
            }
        }
    }
}

/// Switches of the layers; style alone acts on them.
fn layers(source: &Source<'_>) -> Markup {
    let layer = |id: &str, word: &str| {
        html! {
            input.ly type="checkbox" id=(id) checked;
            label.ly for=(id) { (word) }
        }
    };
    html! {
        div.layers role="group" aria-label="Layers" {
            (layer("lw", "owners"))
            @if source.reading.is_some() { (layer("lo", "contents")) }
            @if source.before.is_some() { (layer("lc", "changes")) }
            @if !source.findings.is_empty() { (layer("lf", "findings")) }
        }
    }
}

/// What the colours and hatchings stand for.
fn key(used: &[Owned], source: &Source<'_>) -> Markup {
    let swatch = |class: &str| {
        html! {
            svg.sw viewBox="0 0 8 4" aria-hidden="true" { path class=(class) d="M0 1h8" {} path class=(class) d="M0 0h8m-8 2h8m-8 1h8" {} }
        }
    };
    let mark = |class: &str, d: &str| {
        html! { svg.sw viewBox="0 0 8 4" aria-hidden="true" { path class=(class) d=(d) {} } }
    };
    html! {
        ul.key {
            @for owned in used {
                li {
                    (swatch(&style(*owned, false)))
                    @match owned.area.and_then(|a| source.layout.areas.get(a)) {
                        Some(area) => { (area.name) ", entries in turn light and dark" }
                        None => { (word(owned.class)) }
                    }
                }
            }
            @if source.reading.is_some() {
                li { (mark("one", "M1 1h2m2 0h1M3 2h4")) "bits that hold 1" }
                li { (mark("unk", "M1 1h2m2 0h1M3 2h4")) "bits not known" }
            }
            @if source.before.is_some() {
                li { (mark("chg", "M1 1h2m2 0h1M3 2h4")) "bits changed since the earlier reading" }
            }
        }
    }
}

fn chip_section(source: &Source<'_>, owners: &Territory, c: usize, chip: &Chip) -> Markup {
    let cols = columns(chip);
    let low = cols.trailing_zeros();
    let high = chip.words.max(2).next_power_of_two().trailing_zeros();
    let changes = source.before.map(|_| {
        (0..chip.words)
            .flat_map(|cell| (0..chip.width).map(move |line| (cell, line)))
            .filter(|&(cell, line)| source.changed(c, cell, line))
            .count()
    });
    let lines = |from: u32, to: u32| match to - from {
        0 => None,
        1 => Some(format!("A{from}")),
        _ => Some(format!("A{from}\u{2013}A{}", to - 1)),
    };
    let facts: Vec<(String, String)> = [
        (
            "Size",
            Some(format!("{} \u{d7} {}", chip.words, chip.width)),
        ),
        ("Part", chip.part.clone()),
        ("Board", chip.board.clone()),
        ("Position", chip.position.clone()),
        ("Across", lines(0, low)),
        ("Down", lines(low, high.max(low))),
        ("Changed", changes.map(|n| format!("{n} bits"))),
    ]
    .into_iter()
    .filter_map(|(label, value)| Some((label.to_owned(), value?)))
    .collect();
    let about: Vec<(&Finding, &ChipPlace)> = source
        .findings
        .iter()
        .flat_map(|f| f.place.chips.iter().map(move |p| (f, p)))
        .filter(|(_, p)| p.chip.eq_ignore_ascii_case(&chip.id))
        .collect();
    html! {
        section.chip aria-labelledby={ "c" (c) } {
            header.head {
                h2 id={ "c" (c) } { "Chip " (chip.id) }
                (page::facts(&facts))
            }
            div class={ "planes p" (chip.width) } {
                @for line in 0..chip.width {
                    (plane(source, owners, c, chip, line, &about))
                }
            }
            @if !about.is_empty() {
                ul.found {
                    @for (finding, _) in &about {
                        li { b { (finding.severity.word()) } " " (finding.says) }
                    }
                }
            }
        }
    }
}

fn plane(
    source: &Source<'_>,
    owners: &Territory,
    c: usize,
    chip: &Chip,
    line: u8,
    about: &[(&Finding, &ChipPlace)],
) -> Markup {
    let cols = columns(chip);
    let rows = chip.words.div_ceil(cols);
    let mut owned: Paths<(Owned, bool)> = Paths::new();
    let mut contents: Paths<&'static str> = Paths::new();
    for cell in 0..chip.words {
        let (x, y) = (cell % cols, cell / cols);
        let owner = owners.of(c, cell, line);
        owned.add(owner, x, y);
        if source.reading.is_some() {
            match source.bit(c, cell, line) {
                Some(true) => contents.add("one", x, y),
                None if owner.0.class != Class::Absent => contents.add("unk", x, y),
                _ => {}
            }
            if source.changed(c, cell, line) {
                contents.add("chg", x, y);
            }
        }
    }
    let whole = about
        .iter()
        .any(|(_, p)| p.data_lines.contains(&line) && p.cells.is_empty());
    // Labels are as tall on paper whatever the plane's size: 2.1 of its printed millimetres.
    let printed = match chip.width {
        1 => 56.0,
        2..=4 => 66.0,
        _ => 44.0,
    };
    let size = f64::from(cols) * 2.5 / printed;
    let digits = format!("{:X}", chip.words.max(1) - 1).len();
    let margin = size * (0.62 * digits as f64 + 0.6);
    html! {
        figure.plane {
            figcaption { "D" (line) @if whole { span.fw { " \u{25b2} see finding" } } }
            svg viewBox={ "-" (n(margin)) " -0.5 " (n(f64::from(cols) + margin + 0.5)) " " (rows + 1) }
                role="img" aria-label={ "Data line D" (line) " of chip " (chip.id) }
                data-chip=(c) data-line=(line) data-cols=(cols) {
                rect class={ "bed" @if whole { " fnd" } } width=(cols) height=(rows) vector-effect="non-scaling-stroke" {}
                g.lw transform="translate(0 .5)" {
                    @for ((owner, odd), d) in owned.finish() {
                        path class=(style(owner, odd)) d=(d) {
                            title { (owner.words(source.layout)) }
                        }
                    }
                }
                g transform="translate(0 .5)" {
                    @for (class, d) in contents.finish() { path class=(class) d=(d) {} }
                }
                g.lf { @for (_, place) in about { (outline(place, line, cols)) } }
                @for quarter in 0..4_u32 {
                    @let row = rows * quarter / 4;
                    @if quarter == 0 || rows >= 8 {
                        text.ax x=(n(-0.35 * size)) y={ (row) ".5" } font-size=(n(size))
                            dominant-baseline="central" text-anchor="end" { (format!("{:0digits$X}", row * cols)) }
                    }
                }
            }
        }
    }
}

/// The cells of a finding, framed row by row.
fn outline(place: &ChipPlace, line: u8, cols: u32) -> Markup {
    if !place.data_lines.is_empty() && !place.data_lines.contains(&line) {
        return html! {};
    }
    let mut d = String::new();
    for run in &place.cells {
        let mut cell = run.first;
        // A run that fills rows is one frame; a frame a row would hide what it is about.
        if cell % cols == 0 && run.last >= cell + cols - 1 {
            let rows = (run.last + 1 - cell) / cols;
            d.push_str(&format!("M0 {}h{cols}v{rows}h-{cols}z", cell / cols));
            cell += rows * cols;
        }
        while cell <= run.last {
            let end = run.last.min(cell / cols * cols + cols - 1);
            let n = end + 1 - cell;
            d.push_str(&format!("M{} {}h{n}v1h-{n}z", cell % cols, cell / cols));
            cell = end + 1;
        }
    }
    html! { @if !d.is_empty() { path.fc d=(d) vector-effect="non-scaling-stroke" {} } }
}

/// What the script looks things up in.
fn data(source: &Source<'_>) -> String {
    let layout = source.layout;
    let chips: Vec<_> = layout
        .chips
        .iter()
        .enumerate()
        .map(|(c, chip)| {
            let image = source
                .reading
                .and_then(|r| r.chips.get(c))
                .map(|r| &r.image);
            json!({
                "id": chip.id, "words": chip.words, "width": chip.width,
                "value": image.map(|i| hex(i.values())),
                "known": image.filter(|i| i.unknown_bits() > 0).map(|i| hex(i.known())),
            })
        })
        .collect();
    let areas: Vec<_> = layout
        .areas
        .iter()
        .map(|area| {
            let fields: Vec<_> = area
                .fields
                .iter()
                .map(|f| json!([area::field_name(area, f), f.first, f.width]))
                .collect();
            let entries: Vec<_> = (0..area.entries()).map(|e| area.entry_label(e)).collect();
            json!({
                "name": area.name, "entries": entries, "fields": fields,
                "bits": area.bits_per_entry, "runs": places::runs(layout, area),
            })
        })
        .collect();
    // Inside a script element the text must not look like its end, nor like a comment.
    json!({ "chips": chips, "areas": areas })
        .to_string()
        .replace('<', "\\u003c")
}
