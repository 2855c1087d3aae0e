//! `trace remember`: what can be said without a plan.

use std::path::PathBuf;

use super::super::open::ReadingArgs;
use super::super::output::{print_text, say};
use super::super::{Outcome, Status};
use crate::blame::{Blame, Who};
use crate::document::to_json;
use crate::trace::unplanned::{self, Facts, Hypotheses};

/// Tell what a bank shows without a plan: structure, a named change, remembered settings.
#[derive(clap::Args)]
#[command(after_help = "\
Everything said here is a hypothesis. One reading shows the likely length of a preset, copies, and which address
lines carry what. A second reading after one named change shows the bits that turned. A file of facts says what a
person remembers:

  stride = 30                  # cells from one preset to the next
  at = 32                      # the first preset's first cell
  [[fact]]
  preset = 3
  control = \"filter.cutoff\"
  high = true

Examples:
  cellkeep trace remember reading
  cellkeep trace remember before --after after-one-change
  cellkeep trace remember reading --facts facts.toml")]
pub(crate) struct Args {
    /// The reading
    reading: String,
    /// A reading after one named change
    #[arg(long, value_name = "READING")]
    after: Option<String>,
    /// What is remembered
    #[arg(long, value_name = "FILE")]
    facts: Option<PathBuf>,
    #[command(flatten)]
    files: ReadingArgs,
    /// Print the hypotheses as JSON
    #[arg(long)]
    json: bool,
}

/// A facts file that cannot be used.
#[derive(Debug, thiserror::Error)]
#[error("the facts cannot be read: {0}")]
struct FactsFile(String);

impl Blame for FactsFile {
    fn who(&self) -> Who {
        Who::File
    }

    fn hint(&self) -> Option<String> {
        Some("`cellkeep trace remember --help` shows a file of facts".to_owned())
    }
}

pub(crate) fn run(args: &Args) -> Outcome {
    let reading = args.files.load(&args.reading, None)?;
    let mut found = Hypotheses {
        structure: unplanned::structure(&reading),
        ..Hypotheses::default()
    };
    if let Some(after) = &args.after {
        found.changed = unplanned::changes(&reading, &args.files.load(after, None)?);
    }
    if let Some(path) = &args.facts {
        let facts: Facts = toml::from_str(&super::text(path)?)
            .map_err(|e| FactsFile(e.to_string().trim_end().to_owned()))?;
        if facts.stride == 0 || facts.stride > 1 << 16 || facts.at > 1 << 24 {
            return Err(
                FactsFile("stride must be 1 to 65536 and at inside the chip".to_owned()).into(),
            );
        }
        found.remembered = unplanned::remembered(&reading, &facts);
    }
    if args.json {
        print_text(&to_json(&found)?);
        return Ok(Status::Clean);
    }
    for s in &found.structure {
        say!("{}:", s.chip);
        match s.used {
            Some((first, last)) => say!("  contents from cell {first:#x} to {last:#x}"),
            None => say!("  blank: one value throughout"),
        }
        for p in &s.periods {
            say!(
                "  perhaps {} cells an entry ({:.0} standard deviations above chance)",
                p.stride,
                p.score
            );
        }
        for c in &s.copies {
            say!("  both halves across A{c} are the same: a copy, or the line is not wired");
        }
        let alike: Vec<String> = s
            .lines
            .iter()
            .map(|l| format!("A{} {:.0} %", l.line, l.agree * 100.0))
            .collect();
        say!(
            "  bits that agree across each address line: {}",
            alike.join(", ")
        );
    }
    if args.after.is_some() {
        say!();
        say!("{} bits changed:", found.changed.len());
        for c in found.changed.iter().take(64) {
            say!(
                "  {} cell {:#x} D{}: {} to {}",
                c.chip,
                c.cell,
                c.line,
                u8::from(c.before),
                u8::from(!c.before)
            );
        }
    }
    for r in &found.remembered {
        say!();
        say!(
            "{}: {} of {} bits of an entry fit what is remembered",
            r.control,
            r.fits.len(),
            r.tried
        );
        for f in r.fits.iter().take(32) {
            say!("  {f}");
        }
    }
    say!();
    say!(
        "These are hypotheses. Next: cellkeep trace plan, which settles them in one or two readings."
    );
    Ok(Status::Clean)
}
