//! `trace audit`: which single changes to a layout nothing at hand would notice.

use std::path::PathBuf;

use super::super::open::ReadingArgs;
use super::super::output::{number, print_text, say};
use super::super::{Outcome, Status};
use crate::document::to_json;
use crate::layout;
use crate::trace;

/// Tell which single changes to a layout no reading at hand would notice.
#[derive(clap::Args)]
#[command(after_help = "\
A change is one bit of a parameter turned, or exchanged with another bit of the entry; or one of a whole area: where
it starts, the step to the next preset or voice, two presets or voices exchanged, an address or data line inverted or
exchanged with another. Without a plan only illegal codes and checks notice a change; with the plan the readings were
taken after, every control is compared with what was dialled, and controls that read otherwise are named.
Exit status 1 means that changes are left that nothing notices, or that the layout is guessed in part.

Examples:
  cellkeep trace plan --layout pellow-six --output plan.json     then dial, save and read
  cellkeep trace audit pellow-six reading1 reading2 --plan plan.json")]
pub(crate) struct Args {
    /// The layout's id or file
    #[arg(value_name = "LAYOUT", conflicts_with = "layout")]
    audited: String,
    /// The readings; with a plan in its order
    #[arg(required = true)]
    readings: Vec<String>,
    /// The plan the readings were taken after
    #[arg(long, value_name = "FILE")]
    plan: Option<PathBuf>,
    #[command(flatten)]
    files: ReadingArgs,
    /// Print the audit as JSON
    #[arg(long)]
    json: bool,
}

pub(crate) fn run(args: &Args) -> Outcome {
    let layout = layout::load(&args.audited)?;
    let plan = args.plan.as_deref().map(super::load_plan).transpose()?;
    let mut readings = Vec::new();
    for name in &args.readings {
        readings.push(args.files.load(name, Some(&layout))?);
    }
    if let Some(plan) = &plan {
        trace::belongs(&layout, plan, readings.len())?;
        if let Some(order) = trace::order_of(&layout, &readings, plan)? {
            return Err(trace::TraceError::Order(order).into());
        }
    }
    let audit = trace::audit(&layout, &readings, plan.as_ref())?;
    let status = if audit.proves() {
        Status::Clean
    } else {
        Status::Findings
    };
    if args.json {
        print_text(&to_json(&audit)?);
        return Ok(status);
    }
    for c in &audit.contradicted {
        say!(
            "{}: {} of {} read otherwise than dialled: the layout is wrong here, or the plan was not followed",
            c.key,
            c.off,
            number(c.compared, "value")
        );
    }
    for u in &audit.unproved {
        say!(
            "{}: {} of {} would go unnoticed, such as:",
            u.key,
            u.unnoticed,
            number(u.tried, "single change")
        );
        for e in &u.examples {
            say!("    {e}");
        }
    }
    say!();
    say!(
        "{}: {} of {} would be noticed by {}{}.",
        audit.layout,
        audit.tried - audit.unnoticed,
        number(audit.tried, "single change"),
        number(audit.readings, "reading"),
        if audit.planned { " and their plan" } else { "" }
    );
    if !audit.guessed.is_empty() {
        say!(
            "The layout itself calls {} guessed: {}.",
            number(audit.guessed.len(), "parameter"),
            audit.guessed.join(", ")
        );
    }
    if !audit.missing.is_empty() {
        say!(
            "{} of the plan {} not in the layout: {}.",
            number(audit.missing.len(), "control"),
            if audit.missing.len() == 1 {
                "is"
            } else {
                "are"
            },
            audit.missing.join(", ")
        );
    }
    if !audit.contradicted.is_empty() {
        say!(
            "Next: see whether the plan was followed where values read otherwise; then cellkeep trace solve on the same plan shows what the readings say themselves."
        );
    } else if audit.proves() {
        say!("The layout is proved as far as its parameters go.");
    } else if audit.unnoticed == 0 {
        say!("The layout is not proved: what is guessed or missing must be settled first.");
        say!("Next: `cellkeep trace next` on the plan it was traced with.");
    } else if audit.planned {
        say!(
            "Next: `cellkeep trace next` on the same plan, or dial the controls above in further settings."
        );
    } else {
        say!(
            "Next: cellkeep trace plan --layout {} --output plan.json; dial, save, read, and audit with --plan.",
            audit.layout
        );
    }
    Ok(status)
}
