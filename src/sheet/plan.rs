//! The plan of a battery swap as a page with boxes to tick.

use maud::{Markup, html};

use super::view::Subject;
use super::{Paper, page, standby};
use crate::plan::{Expected, Plan, Stage, Step};

/// The plan as one HTML document.
pub fn page(plan: &Plan, paper: Paper) -> String {
    let facts = [
        ("Job", plan.job.as_ref()),
        ("Battery", plan.battery.as_ref()),
        ("Changed to", plan.change_to.as_ref()),
    ];
    let subject = Subject {
        instrument: plan.instrument.clone(),
        facts: facts
            .into_iter()
            .filter_map(|(label, value)| Some((label.to_owned(), value?.clone())))
            .collect(),
    };
    let body = html! {
        (page::masthead("Battery swap", &subject))
        main {
            @if let Some(why) = &plan.no_figures {
                p.remarks { "No figures to expect: " (why) "." }
            }
            @for (i, stage) in plan.stages.iter().enumerate() { (show_stage(i + 1, stage)) }
            p.defer { (plan.defer) }
        }
    };
    page::document_with(
        paper,
        "Battery swap",
        &subject,
        "standby",
        standby::STYLE,
        &body,
    )
}

fn show_stage(number: usize, stage: &Stage) -> Markup {
    // A caution in full once a stage, by name after that.
    let told_before = |at: usize, key: &str| {
        let mut before = stage.steps[..at].iter().flat_map(|s| &s.cautions);
        before.any(|c| c.key == key)
    };
    html! {
        section.stage {
            h2 { (number) ". " (stage.title) }
            ul.steps {
                @for (at, step) in stage.steps.iter().enumerate() {
                    li {
                        (tick(step))
                        div.what {
                            p { span.key { (step.key) } (step.does) }
                            @if let Some(proof) = &step.done { p.proof { "Done: " (proof) } }
                            @for point in &step.points { p.expect { "\u{2013} " (point) } }
                            @for command in &step.commands { code { (command) } }
                            @for expect in &step.expects { (expected(expect)) }
                            @for caution in &step.cautions {
                                @if told_before(at, &caution.key) {
                                    p.caution { b { (caution.title) "." } " As above." }
                                } @else {
                                    p.caution { b { (caution.title) ". " } (caution.text) }
                                }
                            }
                        }
                    }
                }
            }
            @if let Some(stop) = &stage.stop {
                p.stop { span { "Stop" } (stop) @if stage.cleared { " (cleared)" } }
            }
        }
    }
}

fn tick(step: &Step) -> Markup {
    let name = if step.done.is_some() {
        "done"
    } else {
        "to be done"
    };
    html! {
        svg.box viewBox="0 0 16 16" role="img" aria-label=(name) {
            rect x="1" y="1" width="14" height="14" rx="1.5" {}
            @if step.done.is_some() { path.done d="M3.5 8.5l3 3 6-7.5" {} }
        }
    }
}

fn expected(expect: &Expected) -> Markup {
    html! {
        p.expect {
            "Measure: " (expect.says)
            @if let Some(figure) = &expect.figure { ": " b { (figure) } }
            @if let Some(unit) = &expect.write { " " span.write {} " " (unit) }
        }
    }
}
