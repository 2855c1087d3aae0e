//! The intake form: what is noted by hand before the instrument is opened.

use maud::{Markup, html};

use super::draw::Faces;
use super::patch::grid;
use super::view::{Group, Subject};
use super::{Paper, Sheet, arrange, fit, page};
use crate::layout::model::Layout;

/// Columns of controls; wide enough to draw a pointer by hand.
const COLUMNS: usize = 6;
/// Lines for presets that matter.
const PRESETS: usize = 6;
/// Lines for remarks.
const REMARKS: usize = 3;

/// A blank form for an instrument; `panel` adds every stored control with nothing set, to note a sound that only
/// the panel holds.
pub fn form(layout: &Layout, panel: bool, paper: Paper) -> Sheet {
    let subject = Subject {
        instrument: layout.name.clone(),
        facts: Vec::new(),
    };
    let faces = Faces::default();
    let mut hand = arrange::hand_set(layout, None);
    // Everything here is by hand; saying so at each would be noise.
    let values = hand.iter_mut().flat_map(|g| &mut g.items);
    values
        .flat_map(|i| &mut i.values)
        .for_each(|v| v.marks.clear());
    let many = hand.iter().map(fit::wanted).sum::<usize>() > 2 * COLUMNS;
    let stored = if panel {
        arrange::blank_panel(layout)
    } else {
        Vec::new()
    };
    let main = html! {
        section.first {
            div.lines.two {
                @for label in ["Serial number", "Customer reference", "Date", "Taken in by"] { (line(label)) }
            }
            (line("Complaint"))
            (line("Condition: case, keys, knobs missing"))
            h2.sub { "Memory" }
            div.lines.two {
                (line("Battery found: kind, age, leaking?"))
                (line("Its voltage, instrument off (V)"))
                (line("Voltage at the memory chip (V)"))
                (line("Instrument's own saves: tape, dump"))
            }
            (ticks("The presets are", &["all to be kept", "only those below", "not needed"]))
            (ticks("The customer has a copy", &["yes, of", "no"]))
            p.label { "Presets that matter most, as played before the instrument is opened" }
            ol.blanks { @for _ in 0..PRESETS { li { } } }
        }
        @if !hand.is_empty() {
            section.hand-set {
                h2.sub { "Controls that memory does not hold" }
                p.note { "Draw the pointer, or write the reading below. Look straight at a knob: from the side it reads wrong." }
                (controls(&hand, if many { 8 } else { COLUMNS }, &faces))
            }
        }
        section.first {
            h2.sub { "Remarks" }
            ol.blanks.plain { @for _ in 0..REMARKS { li { } } }
            p.agree {
                "Saving comes first; changing a battery can lose what is stored. Mains and charged capacitors are "
                "dangerous: the instrument is opened by a qualified person, under local rules."
            }
            div.lines.two { (line("Signature, customer")) (line("Signature, bench")) }
        }
        @if !stored.is_empty() {
            section.panel {
                h2.sub { "The panel as found" }
                p.note { "For a sound that only the panel holds." }
                (controls(&stored, 8, &faces))
            }
        }
    };
    let body = html! {
        (faces.definitions())
        (page::masthead("Intake", &subject))
        main { (main) }
    };
    Sheet {
        html: page::document(paper, "Intake", &subject, "patch intake ab1", &body),
        pages: None,
        per_page: None,
    }
}

fn line(label: &str) -> Markup {
    html! { p.fill { span { (label) } } }
}

fn ticks(label: &str, choices: &[&str]) -> Markup {
    html! {
        p.ticks {
            span.label { (label) }
            @for choice in choices { span { i.box {} (choice) } }
        }
    }
}

fn controls(groups: &[Group], columns: usize, faces: &Faces) -> Markup {
    html! { div class={ "d" (columns) } { (grid(groups, columns, faces)) } }
}
