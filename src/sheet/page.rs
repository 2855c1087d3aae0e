//! The document around every sheet: head, style, title, legend.

use maud::{DOCTYPE, Markup, PreEscaped, html};

use super::view::{Mark, Subject};
use super::{Paper, draw};

/// The style of every sheet.
const STYLE: &str = include_str!("sheet.css");

/// A whole document. `title` also heads the first page; `class` sets density and kind on the body.
pub(super) fn document(
    paper: Paper,
    title: &str,
    subject: &Subject,
    class: &str,
    body: &Markup,
) -> String {
    document_with(paper, title, subject, class, "", body)
}

/// A whole document with rules of its own beside those of every sheet.
pub(super) fn document_with(
    paper: Paper,
    title: &str,
    subject: &Subject,
    class: &str,
    style: &str,
    body: &Markup,
) -> String {
    let size = format!("@page{{size:{}}}", paper.css());
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                meta name="generator" content={ "cellkeep " (env!("CARGO_PKG_VERSION")) };
                title { (subject.instrument) " \u{b7} " (title) }
                style { (PreEscaped(STYLE)) (PreEscaped(style)) (PreEscaped(size)) }
            }
            body class=(class) {
                (draw::mark_definitions())
                (body)
            }
        }
    }
    .into_string()
    .replace(steers, "\u{fffd}")
}

/// Whether a character steers a terminal or printer; HTML has no place for it (HTML Standard, 13.2.3.5, control
/// characters).
fn steers(c: char) -> bool {
    c.is_control() && !matches!(c, '\t' | '\n' | '\r')
}

/// The head of a document: instrument, what this is, and the facts that identify its source.
pub(super) fn masthead(title: &str, subject: &Subject) -> Markup {
    html! {
        header.mast {
            p.over { (title) }
            h1 { (subject.instrument) }
            (facts(&subject.facts))
        }
    }
}

/// Facts as label and value.
pub(super) fn facts(facts: &[(String, String)]) -> Markup {
    html! {
        @if !facts.is_empty() {
            dl.facts {
                @for (label, value) in facts {
                    div { dt { (label) } dd { (value) } }
                }
            }
        }
    }
}

/// A mark as shape and word.
pub(super) fn tag(mark: Mark) -> Markup {
    html! { span class={ "tag t" (mark as u8) } { (draw::mark(mark)) (mark.word()) } }
}

/// How to read the figures, and what the marks used on a page mean.
pub(super) fn legend(marks: &[Mark]) -> Markup {
    html! {
        ul.legend {
            li { b { "Bold" } " the setting, " small { "small" } " the stored code" }
            @for mark in marks { li { (tag(*mark)) " " (mark.meaning()) } }
        }
    }
}
