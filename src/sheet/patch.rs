//! The patch sheet: every stored control drawn as what it is, for dialling the instrument by hand.

use maud::{Markup, html};

use super::draw::Faces;
use super::fit::{self, Placed};
use super::view::{Face, FaceKind, Group, Item, Mark, Page, Strip, Subject, Value};
use super::{Paper, Sheet, page};

/// Most presets on a printed page.
pub const MOST_PER_PAGE: usize = 8;

/// How a patch sheet is laid out.
#[derive(Clone, Copy, Debug)]
pub struct Options {
    /// The paper.
    pub paper: Paper,
    /// Presets on a printed page, 1 to [`MOST_PER_PAGE`]; fewer are put there where so many do not fit.
    pub per_page: usize,
}

impl Default for Options {
    fn default() -> Self {
        Self {
            paper: Paper::A4,
            per_page: 1,
        }
    }
}

/// A patch sheet of these presets.
pub fn patch(subject: &Subject, pages: &[Page], options: Options) -> Sheet {
    render("Patch sheet", subject, pages, options)
}

/// A sheet of pages of controls under any title.
pub(super) fn render(title: &str, subject: &Subject, pages: &[Page], options: Options) -> Sheet {
    let fit = fit::choose(
        options.paper,
        options.per_page.clamp(1, MOST_PER_PAGE),
        pages,
    );
    let per_page = fit.per_page;
    let faces = Faces::default();
    let leaves = html! {
        @for (leaf, (chunk, density)) in pages.chunks(per_page).zip(&fit.densities).enumerate() {
            div class={ "leaf d" (density.columns) } {
                @for (i, preset) in chunk.iter().enumerate() {
                    (one(subject, preset, leaf * per_page + i, density.columns / fit.abreast, &faces))
                }
                (page::legend(&marks_used(chunk.iter().flat_map(Page::items))))
            }
        }
    };
    let body = html! {
        (faces.definitions())
        (page::masthead(title, subject))
        @if pages.len() > 1 { (index(pages)) }
        main { (leaves) }
    };
    let class = format!("patch ab{} k{per_page}", fit.abreast);
    Sheet {
        html: page::document(options.paper, title, subject, &class, &body),
        pages: fit.fits.then(|| pages.len().div_ceil(per_page)),
        per_page: Some(per_page),
    }
}

/// Links to every preset, for the screen.
fn index(pages: &[Page]) -> Markup {
    html! {
        nav.index aria-label="Presets" {
            ol {
                @for (i, page) in pages.iter().enumerate() {
                    li { a href={ "#s" (i) } { (page.title) @if !page.name.is_empty() { " " span { (page.name) } } } }
                }
            }
        }
    }
}

fn one(subject: &Subject, preset: &Page, id: usize, columns: usize, faces: &Faces) -> Markup {
    html! {
        section.preset id={ "s" (id) } aria-labelledby={ "t" (id) } {
            header.head {
                p.run { (subject.instrument) }
                h2 id={ "t" (id) } {
                    span.what { (preset.title) }
                    @if !preset.name.is_empty() { " " span.name { (preset.name) } }
                }
                p.run.src { (source(subject)) }
            }
            @if !preset.remarks.is_empty() {
                ul.remarks { @for remark in &preset.remarks { li { (remark) } } }
            }
            (grid(&preset.groups, columns, faces))
            @for strip in &preset.strips { (lines(strip, faces)) }
        }
    }
}

/// The facts in one line, for the head of each printed page.
fn source(subject: &Subject) -> String {
    let parts: Vec<String> = subject
        .facts
        .iter()
        .map(|(label, value)| format!("{label} {value}"))
        .collect();
    parts.join(" \u{b7} ")
}

/// Groups of controls in a grid of so many columns.
pub(super) fn grid(groups: &[Group], columns: usize, faces: &Faces) -> Markup {
    html! {
        @if !groups.is_empty() {
            div.grid {
                @for (group, placed) in groups.iter().zip(fit::place(groups, columns)) {
                    (grouped(group, placed, faces))
                }
            }
        }
    }
}

/// A group of controls under its heading, at its place.
fn grouped(group: &Group, placed: Placed, faces: &Faces) -> Markup {
    let span = placed.span;
    html! {
        section class={ "g n" (span) @if placed.tall { " tall" } @if placed.voiced { " vo" } } {
            @if group.heading.is_empty() { div.h3 {} } @else { h3 { (group.heading) } }
            @for item in &group.items { (control(item, span, faces)) }
        }
    }
}

/// A strip as tables, so many columns of it a line.
fn lines(strip: &Strip, faces: &Faces) -> Markup {
    let a_line = fit::columns_a_line(strip.labels.len());
    html! {
        section.strip {
            @if !strip.heading.is_empty() { h3 { (strip.heading) } }
            @for from in (0..strip.labels.len()).step_by(a_line) {
                @let columns = from..(from + a_line).min(strip.labels.len());
                div.wide data-scroll tabindex="0" role="group"
                    aria-label={ (strip.heading) " " (strip.axis) " " (strip.labels[from]) " on" } {
                    table class={ "k" (a_line) } {
                        thead { tr {
                            th scope="col" { (strip.axis) }
                            @for label in &strip.labels[columns.clone()] { th scope="col" { (label) } }
                            @for _ in columns.len()..a_line { td {} }
                        } }
                        tbody {
                            @for row in &strip.rows {
                                tr {
                                    th scope="row" { (row.label) }
                                    @for value in row.values.iter().skip(from).take(columns.len()) {
                                        td { div class=(class(value, false)) {
                                            @if row.face.is_continuous() { (faces.draw(&row.face, value)) }
                                            (plain(value))
                                        } }
                                    }
                                    @for _ in columns.len()..a_line { td {} }
                                }
                            }
                        }
                    }
                }
            }
        }
    }
}

fn control(item: &Item, span: usize, faces: &Faces) -> Markup {
    match item.values.as_slice() {
        [one] => {
            let wide = fit::cells(item).min(span) > 1;
            html! {
                div class=(class(one, wide)) {
                    p.l { (item.label) }
                    @if !one.of.is_empty() { p.of { (one.of) } }
                    (faces.draw(&item.face, one))
                    (written(&item.face, one))
                }
            }
        }
        several => html! {
            div class={ "s n" (fit::cells(item).min(span)) } {
                p.l { span { (item.label) } }
                @for value in several {
                    div class=(class(value, fit::cells(item) > several.len())) {
                        p.of { (value.of) }
                        (faces.draw(&item.face, value))
                        (written(&item.face, value))
                    }
                }
            }
        },
    }
}

fn class(value: &Value, wide: bool) -> &'static str {
    let idle = value.marks.contains(&Mark::Idle);
    let hand = value.marks.contains(&Mark::ByHand);
    match (idle, hand, wide) {
        (true, _, false) => "c idle",
        (true, _, true) => "c idle n2",
        (false, true, false) => "c hand",
        (false, true, true) => "c hand n2",
        (false, false, true) => "c n2",
        (false, false, false) => "c",
    }
}

/// The setting with its code and the marks, without a window around it.
fn plain(value: &Value) -> Markup {
    html! {
        p.v {
            @if value.stand.setting.is_empty() { span.blank { } } @else { b { (value.stand.setting) } }
            @if !value.stand.code.is_empty() { " " small { (value.stand.code) } }
        }
        @for mark in &value.marks { p.m { (page::tag(*mark)) } }
    }
}

/// The setting with its code, the former setting where there is one, and the marks.
fn written(face: &Face, value: &Value) -> Markup {
    let setting = html! {
        @if let Some(was) = &value.was { span.was { (was.setting) " \u{2192} " } }
        @if value.stand.setting.is_empty() { span.blank { } }
        @else { b { (value.stand.setting) } }
    };
    let code = html! { @if !value.stand.code.is_empty() { " " small { (value.stand.code) } } };
    html! {
        @if face.kind == FaceKind::Window { p.w { span { (setting) } } p.v { (code) } }
        @else { p.v { (setting) (code) } }
        @for mark in &value.marks { p.m { (page::tag(*mark)) } }
    }
}

/// The marks that appear among some controls, in order.
pub(super) fn marks_used<'a>(items: impl Iterator<Item = &'a Item>) -> Vec<Mark> {
    let mut marks: Vec<Mark> = items
        .flat_map(|i| &i.values)
        .flat_map(|v| v.marks.iter().copied())
        .collect();
    marks.sort_unstable();
    marks.dedup();
    marks
}
