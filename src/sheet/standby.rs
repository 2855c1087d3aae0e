//! The standby sheet: voltage at the memory's pin over the years, with the answers, their figures and sources.

use maud::{Markup, PreEscaped, html};

use super::view::Subject;
use super::{Paper, page};
use crate::caution::{Caution, DEFER};
use crate::standby::model::CurvePoint;
use crate::standby::{Answer, Figure, Report, Verdict};

/// The rules of this sheet and of the plan.
pub(super) const STYLE: &str = include_str!("standby.css");

/// Width and height of the chart, and of the part inside its axes, in its own units.
const WIDTH: f64 = 720.0;
const HEIGHT: f64 = 300.0;
const LEFT: f64 = 52.0;
const RIGHT: f64 = 96.0;
const TOP: f64 = 14.0;
const BOTTOM: f64 = 34.0;

/// The sheet as one HTML document.
pub fn page(report: &Report, paper: Paper) -> String {
    let subject = Subject {
        instrument: report.title.clone(),
        facts: vec![
            ("Battery".to_owned(), report.battery.clone()),
            ("Verdict".to_owned(), report.verdict.word().to_owned()),
        ],
    };
    let body = html! {
        (page::masthead("Standby", &subject))
        main {
            section {
                h2 { "Voltage at the memory over the years" }
                figure { (chart(&report.curve, report)) }
            }
            section { h2 { "Answers" } (answers(&report.answers)) }
            @if !report.unanswered.is_empty() {
                section {
                    h2 { "Not answered" }
                    ul { @for question in &report.unanswered { li { (question) } } }
                }
            }
            @if let Some(change) = &report.change {
                section {
                    h2 { "Changed to " (change.to) }
                    figure { (chart(&change.curve, &Report {
                        from_full: false,
                        curve: change.curve.clone(),
                        ..report.clone()
                    })) }
                    (answers(&change.answers))
                    h2 { "To be done for it, in this order" }
                    ol.todo { @for step in &change.todo { li { (step) } } }
                    h2 { "Figures that differ" }
                    (figures(&change.figures))
                }
            }
            section { h2 { "Figures used" } (figures(&report.figures)) }
            section { h2 { "Cautions" } (cautions(&report.cautions)) }
        }
    };
    page::document_with(paper, "Standby", &subject, "standby", STYLE, &body)
}

/// The chart alone, as an SVG document.
pub fn plot(report: &Report) -> String {
    let style = "svg{--ink:#1c2326;--soft:#566067;--hair:#e3e5e1;--lead:#0f5a63;--wash:#eef3f2;--was:#9c5a12;--bad:#a11f2d;--sans:\"Segoe UI\",\"Helvetica Neue\",Helvetica,\"Liberation Sans\",Arial,sans-serif;background:#fff}";
    let markup = svg(&report.curve, report, Some(&format!("{style}{STYLE}")));
    format!(
        "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n{}\n",
        markup.into_string()
    )
}

/// Cautions as paper shows them, with who decides.
pub(super) fn cautions(cautions: &[Caution]) -> Markup {
    html! {
        @for caution in cautions {
            p.caution { b { (caution.title) ". " } (caution.text) }
        }
        p.defer { (DEFER) }
    }
}

fn answers(answers: &[Answer]) -> Markup {
    html! {
        ul.answers {
            @for answer in answers {
                li {
                    (verdict(answer.verdict))
                    span { (capital(&answer.title)) }
                    span.value { (answer.shown) }
                    span.says { (answer.says) }
                    @if !answer.formula.is_empty() {
                        span.by { (answer.reckoning()) }
                    }
                }
            }
        }
    }
}

/// A verdict as shape and word.
fn verdict(verdict: Verdict) -> Markup {
    let shape = match verdict {
        Verdict::Good => html! { path d="M1 6l3 3 6-8" {} },
        Verdict::Tight => html! { path d="M5.5 1l5 9h-10z" {} },
        Verdict::Bad => html! { path d="M1 1l9 9M10 1l-9 9" {} },
        Verdict::Figure => html! { circle cx="5.5" cy="5.5" r="2" {} },
    };
    html! {
        span class={ "verdict v-" (verdict.word()) } {
            svg viewBox="0 0 11 11" aria-hidden="true" { (shape) }
            (verdict.word())
        }
    }
}

fn figures(figures: &[Figure]) -> Markup {
    html! {
        table.sources {
            thead { tr { th scope="col" { "Sign" } th scope="col" { "Figure" } th scope="col" { "Value" } th scope="col" { "Rests on" } } }
            tbody {
                @for figure in figures {
                    tr {
                        td { (figure.symbol) }
                        td { (capital(&figure.name)) }
                        td { (figure.shown) }
                        td { (figure.ground.word()) @if !figure.source.is_empty() { ": " (figure.source) } }
                    }
                }
            }
        }
    }
}

fn capital(text: &str) -> String {
    let mut chars = text.chars();
    chars
        .next()
        .map_or_else(String::new, |c| c.to_uppercase().chain(chars).collect())
}

/// The chart inside a page.
fn chart(curve: &[CurvePoint], report: &Report) -> Markup {
    svg(curve, report, None)
}

/// Where a time and a voltage lie in the chart.
struct Scale {
    years: f64,
    volts: f64,
}

impl Scale {
    fn x(&self, years: f64) -> f64 {
        LEFT + (WIDTH - LEFT - RIGHT) * (years / self.years).clamp(0.0, 1.0)
    }

    fn y(&self, volts: f64) -> f64 {
        HEIGHT - BOTTOM - (HEIGHT - TOP - BOTTOM) * (volts / self.volts).clamp(0.0, 1.0)
    }

    fn line(&self, points: impl Iterator<Item = (f64, f64)>) -> String {
        points
            .enumerate()
            .map(|(i, (x, y))| {
                format!(
                    "{}{:.1} {:.1}",
                    if i == 0 { "M" } else { "L" },
                    self.x(x),
                    self.y(y)
                )
            })
            .collect()
    }
}

fn svg(curve: &[CurvePoint], report: &Report, style: Option<&str>) -> Markup {
    let span = curve.last().map_or(1.0, |p| p.years).max(1e-6);
    let top = curve.first().map_or(1.0, |p| p.pin.typical);
    let scale = Scale {
        years: span,
        volts: (top.max(report.retention_volts) * 1.15 * 2.0).ceil() / 2.0,
    };
    let (unit, per_year) = if span > 2.5 {
        ("years", 1.0)
    } else if span > 0.2 {
        ("months", 12.0)
    } else {
        ("days", 365.0)
    };
    let start = if report.from_full {
        "switched off, from a full pack"
    } else {
        "since the cell was fitted"
    };
    let typical = scale.line(curve.iter().map(|p| (p.years, p.pin.typical)));
    let worst = scale.line(curve.iter().map(|p| (p.years, p.pin.worst)));
    let band = format!(
        "{typical}{}Z",
        scale
            .line(curve.iter().rev().map(|p| (p.years, p.pin.worst)))
            .replacen('M', "L", 1)
    );
    let need = scale.y(report.retention_volts);
    let (right, bottom) = (WIDTH - RIGHT, HEIGHT - BOTTOM);
    let crossing = |pick: fn(&CurvePoint) -> f64| {
        curve.iter().find(|p| pick(p) <= 0.0).map_or_else(
            || format!("over {:.1} {unit}", span * per_year),
            |p| format!("{:.1} {unit}", p.years * per_year),
        )
    };
    let told = format!(
        "Volts at the memory's pin over {:.1} {unit}. The usual curve starts at {top:.2} V and reaches the {:.2} V the memory needs after {}; the worst case after {}.",
        span * per_year,
        report.retention_volts,
        crossing(|p| p.margin.typical),
        crossing(|p| p.margin.worst),
    );
    let storage = (!report.from_full).then_some(report.storage_years);
    html! {
        svg.chart xmlns="http://www.w3.org/2000/svg" viewBox={ "0 0 " (WIDTH) " " (HEIGHT) } role="img" aria-label=(told) {
            @if let Some(style) = style { style { (PreEscaped(style)) } }
            defs {
                pattern id="risk" width="6" height="6" patternUnits="userSpaceOnUse" patternTransform="rotate(45)" {
                    line.hatch x1="0" y1="0" x2="0" y2="6" {}
                }
            }
            @for volts in ticks(scale.volts, 0.5, 7) {
                line.tick x1=(LEFT) x2=(fix(right)) y1=(fix(scale.y(volts))) y2=(fix(scale.y(volts))) {}
                text x=(fix(LEFT - 6.0)) y=(fix(scale.y(volts) + 4.0)) text-anchor="end" { (trim(volts)) " V" }
            }
            @for tick in ticks(span * per_year, 1.0, 12) {
                text x=(fix(scale.x(tick / per_year))) y=(fix(bottom + 15.0)) text-anchor="middle" { (trim(tick)) }
            }
            text x=(fix(right)) y=(fix(HEIGHT - 4.0)) text-anchor="end" { (unit) ", " (start) }
            path.band d=(band) {}
            rect.risk x=(LEFT) y=(fix(need)) width=(fix(right - LEFT)) height=(fix(bottom - need)) {}
            path.least d=(worst) {}
            path.usual d=(typical) {}
            line.need x1=(LEFT) x2=(fix(right)) y1=(fix(need)) y2=(fix(need)) {}
            text.name x=(fix(right + 6.0)) y=(fix(need + 4.0)) { "needs " (format!("{:.2}", report.retention_volts)) " V" }
            @if let (Some(last), Some(years)) = (curve.last(), storage) {
                // One above the other: the two lines often stand close together.
                @for (years, what, up) in [(years.worst, "storage, worst", 6.0), (years.typical, "storage life", 22.0)] {
                    @if years <= last.years {
                        line.shelf x1=(fix(scale.x(years))) x2=(fix(scale.x(years))) y1=(TOP) y2=(fix(bottom)) {}
                        text x=(fix(scale.x(years) + 4.0)) y=(fix(bottom - up)) { (what) }
                    }
                }
            }
            path.axis d={ "M" (LEFT) " " (TOP) "V" (fix(bottom)) "H" (fix(right)) } {}
            g.key {
                line.usual x1=(fix(right + 6.0)) x2=(fix(right + 28.0)) y1="24" y2="24" {}
                text.name x=(fix(right + 33.0)) y="28" { "usual" }
                line.least x1=(fix(right + 6.0)) x2=(fix(right + 28.0)) y1="42" y2="42" {}
                text.name x=(fix(right + 33.0)) y="46" { "worst" }
            }
        }
    }
}

/// A coordinate with one decimal.
fn fix(value: f64) -> String {
    format!("{value:.1}")
}

fn trim(value: f64) -> String {
    format!("{value:.1}").trim_end_matches(".0").to_owned()
}

/// Round steps from 0 to a value, at most `most` of them; the step is `unit` times 1, 2 or 5 times a power of ten.
fn ticks(to: f64, unit: f64, most: usize) -> Vec<f64> {
    let mut step = unit;
    for factor in [2.0, 2.5, 2.0].into_iter().cycle().take(30) {
        if to / step <= most as f64 {
            break;
        }
        step *= factor;
    }
    (0..=(to / step).floor() as usize)
        .map(|i| i as f64 * step)
        .collect()
}
