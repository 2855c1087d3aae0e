//! Plots: codes against what a converter should give, dissent over reads, change by direction.

use maud::{Markup, html};

use super::draw::n;
use super::view::Subject;
use super::{Paper, Sheet, page};
use crate::tally::{Dissent, Histogram, LineCount};

/// Units of a chart: width inside the axes, room for the figures at the left, height inside, room below.
const WIDTH: f64 = 680.0;
const LEFT: f64 = 40.0;
const HEIGHT: f64 = 120.0;
const BELOW: f64 = 22.0;
/// Widest room for one bar.
const WIDEST: f64 = 64.0;

/// What is plotted; what is empty is left out.
#[derive(Clone, Debug, Default)]
pub struct Plots {
    /// Codes of knobs and sliders.
    pub histograms: Vec<Histogram>,
    /// Names of the reads, and where they differ.
    pub dissent: Option<(Vec<String>, Dissent)>,
    /// Change since an earlier reading.
    pub directions: Vec<LineCount>,
}

/// The plots as a sheet.
pub fn plots(subject: &Subject, plots: &Plots, paper: Paper) -> Sheet {
    let body = html! {
        (page::masthead("Plots", subject))
        main {
            @if let Some((names, dissent)) = &plots.dissent { (dissents(names, dissent)) }
            @if !plots.directions.is_empty() { (directions(&plots.directions)) }
            @for histogram in &plots.histograms { (codes(histogram)) }
        }
    };
    Sheet {
        html: page::document(paper, "Plots", subject, "plots", &body),
        pages: None,
        per_page: None,
    }
}

/// A bar with the word under it, its height, and a height below the line.
struct Bar {
    label: String,
    up: u64,
    down: u64,
    marked: bool,
}

fn codes(histogram: &Histogram) -> Markup {
    let missing = &histogram.missing;
    let bars: Vec<Bar> = (0..)
        .zip(&histogram.counts)
        .map(|(code, count)| Bar {
            label: code.to_string(),
            up: *count,
            down: 0,
            marked: missing.contains(&code),
        })
        .collect();
    let mut names = histogram.controls.clone();
    names.sort();
    names.dedup();
    let unseen = histogram.counts.iter().filter(|c| **c == 0).count();
    html! {
        section {
            h2.sub { "Codes of " (histogram.width) " bits" }
            p.note {
                (histogram.values) " values of " (histogram.controls.len()) " controls: " (names.join(", ")) "."
            }
            (chart(&bars, &format!("How often each of {} codes was stored", bars.len()), ("times stored", "")))
            @if missing.is_empty() {
                p.said { "No code is missing where its neighbours are common" @if unseen > 0 { "; " (unseen) " were not stored at all" } "." }
            } @else {
                p.said {
                    b { "\u{25b2} Missing: " (list(missing)) "." }
                    " Their neighbours are common, so the converter or one of its bits is in doubt."
                    @if missing.iter().any(|m| m.is_power_of_two()) { " Gaps at powers of two are the mark of a converter bit." }
                }
            }
        }
    }
}

fn list(codes: &[u64]) -> String {
    const MOST: usize = 24;
    let mut words: Vec<String> = codes.iter().take(MOST).map(u64::to_string).collect();
    if codes.len() > MOST {
        words.push(format!("and {} more", codes.len() - MOST));
    }
    words.join(", ")
}

fn dissents(names: &[String], dissent: &Dissent) -> Markup {
    let bar = |label: String, up: u64| Bar {
        label,
        up,
        down: 0,
        marked: false,
    };
    let by_read: Vec<Bar> = names
        .iter()
        .zip(&dissent.by_read)
        .map(|(name, count)| bar(name.clone(), *count))
        .collect();
    let by_line: Vec<Bar> = dissent
        .by_line
        .iter()
        .map(|l| bar(line_label(l), l.fell))
        .collect();
    let differ: u64 = dissent.by_line.iter().map(|l| l.fell).sum();
    html! {
        section {
            h2.sub { "Dissent over " (names.len()) " reads" }
            p.note { "Of " (dissent.bits) " bits that every read knows, the reads differ on " (differ) "." }
            (chart(&by_line, "Bits on which the reads differ, by data line", ("bits that differ", "")))
            @if names.len() > 2 {
                (chart(&by_read, "Bits on which each read stands against the majority", ("bits against the majority", "")))
            }
        }
    }
}

fn line_label(line: &LineCount) -> String {
    format!("{} D{}", line.chip, line.line)
}

fn directions(lines: &[LineCount]) -> Markup {
    let bars: Vec<Bar> = lines
        .iter()
        .map(|l| Bar {
            label: line_label(l),
            up: l.rose,
            down: l.fell,
            marked: false,
        })
        .collect();
    let (rose, fell) = lines
        .iter()
        .fold((0, 0), |(r, f), l| (r + l.rose, f + l.fell));
    html! {
        section {
            h2.sub { "Change by direction" }
            p.note { (rose) " bits rose from 0 to 1, " (fell) " fell from 1 to 0, as they lie in the chips." }
            (chart(&bars, "Bits that rose and fell, by data line", ("rose", "fell")))
            p.said { "Edits go both ways about equally; a chip that loses its supply falls or rises towards its own preference." }
        }
    }
}

/// A round step that divides a height into two to five.
fn step(most: u64) -> u64 {
    let mut step = 1;
    loop {
        for factor in [1, 2, 5] {
            if most <= step * factor * 5 {
                return step * factor;
            }
        }
        step *= 10;
    }
}

/// A bar chart with its figures as a table on demand. `axes` names what goes up and what goes down.
fn chart(bars: &[Bar], title: &str, axes: (&str, &str)) -> Markup {
    let up = bars.iter().map(|b| b.up).max().unwrap_or(0);
    let down = bars.iter().map(|b| b.down).max().unwrap_or(0);
    let tick = step(up.max(down).max(1));
    let (above, below) = (up.div_ceil(tick).max(1), down.div_ceil(tick));
    let scale = HEIGHT / ((above + below) * tick) as f64;
    let zero = above as f64 * tick as f64 * scale;
    let pitch = (WIDTH / bars.len().max(1) as f64).min(WIDEST);
    let right = (pitch * bars.len() as f64).max(LEFT);
    let (pad, width) = if pitch > 6.0 {
        (pitch * 0.18, pitch * 0.64)
    } else {
        (0.0, pitch)
    };
    let rect = |i: usize, count: u64, rising: bool| {
        let h = count as f64 * scale;
        let y = if rising { zero - h } else { zero };
        format!(
            "M{} {}h{}v{}h-{}z",
            n(i as f64 * pitch + pad),
            n(y),
            n(width),
            n(h),
            n(width)
        )
    };
    let rising: String = bars
        .iter()
        .enumerate()
        .filter(|(_, b)| b.up > 0)
        .map(|(i, b)| rect(i, b.up, true))
        .collect();
    let falling: String = bars
        .iter()
        .enumerate()
        .filter(|(_, b)| b.down > 0)
        .map(|(i, b)| rect(i, b.down, false))
        .collect();
    let marked = bars.iter().enumerate().filter(|(_, b)| b.marked);
    let longest = bars
        .iter()
        .map(|b| b.label.chars().count())
        .max()
        .unwrap_or(1);
    let every = ((longest as f64 * 5.6 + 6.0) / pitch).ceil().max(1.0) as usize;
    // Codes are read in halves and quarters of their range.
    let every = if bars.len().is_power_of_two() {
        every.next_power_of_two()
    } else {
        every
    };
    let grid: Vec<(f64, u64)> = (0..=above)
        .map(|i| (zero - (i * tick) as f64 * scale, i * tick))
        .chain((1..=below).map(|i| (zero + (i * tick) as f64 * scale, i * tick)))
        .collect();
    html! {
        figure.chart {
            svg viewBox={ "-" (n(LEFT)) " -16 " (n(LEFT + WIDTH + 4.0)) " " (n(HEIGHT + BELOW + 16.0)) } role="img" aria-label=(title) {
                @for (y, figure) in &grid {
                    path.gl d={ "M0 " (n(*y)) "H" (n(right)) } {}
                    text.ax x="-6" y=(n(*y)) font-size="10" text-anchor="end" dominant-baseline="central" { (figure) }
                }
                path.br d=(rising) {}
                @if !falling.is_empty() { path.bf d=(falling) {} }
                @for (i, _) in marked { path.bm d={ "M" (n((i as f64 + 0.5) * pitch)) " " (n(zero - 1.0)) "l-4 -8h8z" } {} }
                path.zl d={ "M0 " (n(zero)) "H" (n(right)) } {}
                text.ax x="0" y="-7" font-size="10" { (axes.0) @if !axes.1.is_empty() { " above, " (axes.1) " below the line" } }
                @for (i, bar) in bars.iter().enumerate().step_by(every) {
                    text.ax x=(n((i as f64 + 0.5) * pitch)) y=(n(HEIGHT + 15.0)) font-size="10" text-anchor="middle" { (bar.label) }
                }
            }
            details {
                summary { "Figures" }
                div.wide data-scroll tabindex="0" role="group" aria-label=(title) {
                    table {
                        caption { (title) }
                        thead { tr { td {} th scope="col" { (axes.0) } @if !axes.1.is_empty() { th scope="col" { (axes.1) } } } }
                        tbody {
                            @for bar in bars.iter().filter(|b| b.up + b.down > 0 || b.marked) {
                                tr { th scope="row" { (bar.label) } td.num { (bar.up) } @if !axes.1.is_empty() { td.num { (bar.down) } } }
                            }
                        }
                    }
                }
            }
        }
    }
}
