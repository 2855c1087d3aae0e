//! `layout diff`: which bits moved between two layouts.

use super::super::open::layout_named;
use super::super::output::{print_text, say};
use super::super::{Outcome, Status};
use crate::document::to_json;
use crate::layout::diff::{LayoutDiff, diff};

/// Say which bits moved, and what means something else, between two layouts.
#[derive(clap::Args)]
#[command(after_help = "\
Chips are matched by id, areas by name, entries by their labels, values by key.

Examples:
  cellkeep layout diff aldermoor-four aldermoor-eight
  cellkeep layout diff my-synth.toml my-synth-traced.toml --json")]
pub(crate) struct Args {
    /// The first layout, by id or by path
    from: String,
    /// The second
    to: String,
    /// Print a JSON document instead of text
    #[arg(long)]
    json: bool,
}

pub(crate) fn run(args: &Args) -> Outcome {
    let from = layout_named(&args.from)?;
    let to = layout_named(&args.to)?;
    let found = diff(&from, &to);
    if args.json {
        print_text(&to_json(&found)?);
    } else {
        show(&found, args);
    }
    Ok(match found.differences.is_empty() {
        true => Status::Clean,
        false => Status::Findings,
    })
}

fn show(found: &LayoutDiff, args: &Args) {
    for d in &found.differences {
        say!("{:<8} {}: {}", d.kind, d.subject, d.says);
        for example in &d.examples {
            say!("         {}: {}", example.entry, example.from);
            say!(
                "         {:width$}  {}",
                "now",
                example.to,
                width = example.entry.chars().count()
            );
        }
    }
    say!(
        "{} code bits lie at the same place in both, {} elsewhere",
        found.same_bits,
        found.moved_bits
    );
    match found.differences.is_empty() {
        true => say!("next: nothing to do; either layout reads the same dumps alike"),
        false => say!(
            "next: cellkeep layout map {} --explain KEY shows where one value lives",
            args.to
        ),
    }
}
