//! Controls as SVG: a face drawn once a document, a pointer placed once a value.
//!
//! Convention: a knob sweeps 300 degrees clockwise, from 150 degrees left of the top at its lowest number to 150
//! degrees right of it at its highest; the pointer's angle is linear in the number. A slider's cap travels 34
//! units upwards, and a listed position is marked by a filled dot.

use std::cell::RefCell;
use std::collections::BTreeMap;
use std::f64::consts::PI;

use maud::{Markup, html};

use super::view::{Face, FaceKind, Mark, Stand, Value};

/// Degrees from the lowest to the highest number of a knob.
const SWEEP: f64 = 300.0;
/// Units of travel of a slider's cap.
const TRAVEL: f64 = 34.0;
/// Most positions listed by name beside the control; a selector with more is drawn as a knob with detents.
const MOST_LISTED: usize = 5;
/// Longest position name that fits beside its dot.
const LONGEST_LISTED: usize = 10;

/// The faces a document uses, each drawn once and referred to after.
#[derive(Default)]
pub(super) struct Faces(RefCell<BTreeMap<Face, usize>>);

/// How a face is drawn, decided from its kind.
enum Form<'a> {
    Knob,
    Slider,
    List(&'a [(i64, String)]),
    Detents(&'a [(i64, String)]),
    Window,
}

fn form(face: &Face) -> Form<'_> {
    match &face.kind {
        FaceKind::Dial { .. } => Form::Knob,
        FaceKind::Slider { .. } => Form::Slider,
        FaceKind::Window => Form::Window,
        FaceKind::Positions { names, switch } => {
            let fits = names
                .iter()
                .all(|(_, n)| n.chars().count() <= LONGEST_LISTED);
            if names.len() <= MOST_LISTED && (fits || *switch) {
                Form::List(names)
            } else {
                Form::Detents(names)
            }
        }
    }
}

/// Degrees clockwise from the top at a part of the travel from 0 to 1.
pub(super) fn angle(travel: f64) -> f64 {
    (travel - 0.5) * SWEEP
}

/// A coordinate with at most two decimals and no needless characters.
pub(super) fn n(value: f64) -> String {
    let text = format!("{value:.2}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if text == "-0" { "0" } else { text }.to_owned()
}

/// The point at an angle and radius, as "x y".
fn polar(degrees: f64, radius: f64) -> String {
    let a = degrees * PI / 180.0;
    format!("{} {}", n(radius * a.sin()), n(-radius * a.cos()))
}

/// Where the dots of a list stand, so that the list as a whole is in the middle.
fn list_x(names: &[(i64, String)]) -> f64 {
    let longest = names.iter().map(|(_, n)| n.chars().count()).max();
    let width = 8.0 + longest.unwrap_or(0).min(LONGEST_LISTED) as f64 * 3.2;
    2.6 - width / 2.0
}

/// Height of the middle of a listed position, from the top one down.
fn list_y(index: usize, count: usize) -> f64 {
    let step = 7.6;
    (index as f64 - (count as f64 - 1.0) / 2.0) * step
}

impl Faces {
    /// The control with everything that stands on it; nothing for a window, whose figure is its setting.
    pub(super) fn draw(&self, face: &Face, value: &Value) -> Markup {
        if matches!(form(face), Form::Window) {
            return html! {};
        }
        let blank = value.stand.number.is_none();
        html! {
            svg viewBox="-24 -21 48 47" aria-hidden="true" {
                use href=(self.reference(face)) {}
                @if let Some(was) = &value.was { (pointer(face, was, "q")) }
                (pointer(face, &value.stand, pointer_symbol(&value.marks)))
                @if blank && value.marks.contains(&Mark::Unknown) { use href="#u" {} }
            }
        }
    }

    fn reference(&self, face: &Face) -> String {
        let mut faces = self.0.borrow_mut();
        let next = faces.len();
        format!("#f{}", faces.entry(face.clone()).or_insert(next))
    }

    /// The definitions that the drawn controls refer to; call it after drawing everything.
    pub(super) fn definitions(&self) -> Markup {
        html! {
            svg.defs width="0" height="0" aria-hidden="true" {
                defs {
                    g id="p" { path.pt d="M0-5V-14.5" {} }
                    g id="h" { path.pt.hollow d="M-1.5-5V-14h3V-5z" {} }
                    g id="q" { path.gh d="M0-5V-14.5" {} circle.gd r="1.6" cy="-17.4" {} }
                    g id="c" { rect.cap x="-7" y="-2.2" width="14" height="4.4" rx="1" {} }
                    g id="d" { rect.cap.hollow x="-7" y="-2.2" width="14" height="4.4" rx="1" {} }
                    g id="r" { rect.gh.none x="-7" y="-2.2" width="14" height="4.4" rx="1" {} }
                    g id="o" { circle.dot r="2.1" {} }
                    g id="e" { path.dot d="M0-3.4L3.4 0L0 3.4L-3.4 0z" {} }
                    g id="s" { circle.gd r="1.2" {} circle.gh.none r="3" {} }
                    g id="u" { text.un y="5.5" { "?" } }
                    @for (face, id) in self.0.borrow().iter() {
                        g id={ "f" (id) } { (drawn(face)) }
                    }
                }
            }
        }
    }
}

/// Doubtful positions are drawn hollow, certain ones filled.
fn pointer_symbol(marks: &[Mark]) -> &'static str {
    let doubtful = marks.iter().any(|m| {
        matches!(
            m,
            Mark::Unknown | Mark::Suspect | Mark::Illegal | Mark::Mended | Mark::Entered
        )
    });
    if doubtful { "h" } else { "p" }
}

/// The pointer, cap or dot of where a control stands; `symbol` is the knob's, from which the others follow.
fn pointer(face: &Face, stand: &Stand, symbol: &str) -> Markup {
    let Some(number) = stand.number else {
        return html! {};
    };
    let travel = face.travel(number);
    let of = |knob: &str, slider: &'static str, list: &'static str| match knob {
        "p" => ("#p", slider, list),
        "h" => ("#h", "#d", "#e"),
        _ => ("#q", "#r", "#s"),
    };
    let (knob, slider, dot) = of(symbol, "#c", "#o");
    match form(face) {
        Form::Knob => html! { use href=(knob) transform={ "rotate(" (n(angle(travel))) ")" } {} },
        Form::Slider => {
            let y = TRAVEL * (0.5 - travel);
            html! { use href=(slider) y=(n(y)) {} }
        }
        Form::List(names) => match names.iter().position(|(at, _)| *at == number) {
            Some(at) => {
                let y = list_y(names.len() - 1 - at, names.len());
                html! { use href=(dot) x=(n(list_x(names))) y=(n(y)) {} }
            }
            None => html! {},
        },
        Form::Detents(names) => match names.iter().position(|(at, _)| *at == number) {
            Some(at) => {
                let turn = angle(at as f64 / (names.len().max(2) - 1) as f64);
                html! { use href=(knob) transform={ "rotate(" (n(turn)) ")" } {} }
            }
            None => html! {},
        },
        Form::Window => html! {},
    }
}

/// The unset control.
fn drawn(face: &Face) -> Markup {
    match (form(face), &face.kind) {
        (
            _,
            FaceKind::Dial {
                divisions,
                low,
                high,
            },
        ) => knob(usize::from(*divisions), low, high),
        (
            _,
            FaceKind::Slider {
                divisions,
                low,
                high,
            },
        ) => slider(usize::from(*divisions), low, high),
        (Form::List(names), _) => list(names),
        (Form::Detents(names), _) => {
            let last = names.len().to_string();
            knob(names.len().max(2) - 1, "1", &last)
        }
        _ => html! {},
    }
}

fn knob(divisions: usize, low: &str, high: &str) -> Markup {
    let mut long = String::new();
    let mut short = String::new();
    let middle = divisions.is_multiple_of(2).then_some(divisions / 2);
    for i in 0..=divisions {
        let a = angle(i as f64 / divisions.max(1) as f64);
        let major = i == 0 || i == divisions || Some(i) == middle;
        let (path, outer) = if major {
            (&mut long, 19.5)
        } else {
            (&mut short, 18.0)
        };
        path.push_str(&format!("M{}L{}", polar(a, 15.8), polar(a, outer)));
    }
    html! {
        circle.kn r="14" {}
        path.tl d=(long) {}
        path.ts d=(short) {}
        (end_text(low, -11.5, 23.4, "middle"))
        (end_text(high, 11.5, 23.4, "middle"))
    }
}

/// Text at an end of a scale, drawn together where it would run into its neighbour.
fn end_text(text: &str, x: f64, y: f64, anchor: &str) -> Markup {
    let long = text.chars().count() > 7;
    html! {
        text.en x=(n(x)) y=(n(y)) text-anchor=(anchor)
            textLength=[long.then_some("21")] lengthAdjust=[long.then_some("spacingAndGlyphs")] { (text) }
    }
}

fn slider(divisions: usize, low: &str, high: &str) -> Markup {
    let mut ticks = String::new();
    for i in 0..=divisions {
        let y = TRAVEL * (0.5 - i as f64 / divisions.max(1) as f64);
        let outer = if i == 0 || i == divisions || i * 2 == divisions {
            "-12"
        } else {
            "-10.5"
        };
        ticks.push_str(&format!("M-8.5 {}H{outer}", n(y)));
    }
    html! {
        path.ts d=(ticks) {}
        rect.kn x="-1.4" y="-18.5" width="2.8" height="37" rx="1.4" {}
        (end_text(high, 9.5, -15.2, "start"))
        (end_text(low, 9.5, 18.8, "start"))
    }
}

fn list(names: &[(i64, String)]) -> Markup {
    let count = names.len();
    let x = list_x(names);
    html! {
        @for (i, (_, name)) in names.iter().enumerate() {
            @let y = list_y(count - 1 - i, count);
            circle.kn cx=(n(x)) cy=(n(y)) r="2.6" {}
            @let long = name.chars().count() > LONGEST_LISTED;
            text.po x=(n(x + 4.6)) y=(n(y + 2.2)) textLength=[long.then_some("37")]
                lengthAdjust=[long.then_some("spacingAndGlyphs")] { (name) }
        }
    }
}

/// The shape of a mark, referring to [`mark_definitions`].
pub(super) fn mark(mark: Mark) -> Markup {
    html! { svg.mk viewBox="-5 -5 10 10" aria-hidden="true" { use href={ "#m" (mark as u8) } {} } }
}

/// One shape a mark, told apart without colour.
pub(super) fn mark_definitions() -> Markup {
    let shapes: [(Mark, &str); 10] = [
        (
            Mark::Unknown,
            "M-4.2-4.2H4.2V4.2H-4.2zM-2-2.6V2.6M2-2.6V2.6M-2 0H2",
        ),
        (Mark::Suspect, "M0-4.4L4.6 4H-4.6zM0-1.4V1.4M0 2.4V3"),
        (Mark::Illegal, "M-4-4L4 4M4-4L-4 4"),
        (Mark::Mended, "M0-4.8L4.8 0L0 4.8L-4.8 0zM-2 0H2M0-2V2"),
        (Mark::Entered, "M-4.2 4.4H4.2M0-4.6V2M-2.4-0.6L0 2L2.4-0.6"),
        (Mark::Edited, "M-4.4 4.4L-3.6 1.4L2.6-4.6L4.6-2.6L-1.6 3.6z"),
        (Mark::Settled, "M-4.2-4H4.2M-4.2 0H4.2M-4.2 4H4.2M0-4V4"),
        (
            Mark::ByHand,
            "M0-4.4A4.4 4.4 0 1 1-.01-4.4zM0-1.4A1.4 1.4 0 1 1-.01-1.4z",
        ),
        (Mark::Small, "M-4.4 2C-2.4-4 -1.4-4 0 0S2.4 4 4.4-2"),
        (Mark::Idle, "M-4.4 0H4.4"),
    ];
    html! {
        svg.defs width="0" height="0" aria-hidden="true" {
            defs {
                @for (mark, d) in shapes { path id={ "m" (mark as u8) } d=(d) {} }
            }
        }
    }
}
