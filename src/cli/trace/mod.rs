//! `trace`: find the layout of an instrument that nobody documented.

mod audit;
mod next;
mod plan;
mod remember;
mod solve;

use std::path::Path;

use super::open::ReadingArgs;
use super::{Failure, Outcome};
use crate::blame::{Blame, DiskError, Who};
use crate::reading::Reading;
use crate::trace::plan::Plan;

/// Find the layout of an instrument that nobody documented.
#[derive(clap::Args)]
#[command(after_help = "\
One bank holds many presets, so one reading is many experiments. Make a plan, dial and save what it says, read the
chips, solve:

  cellkeep trace plan panel.toml --out plan.json      a sheet to dial from
  cellkeep trace solve plan.json reading1 reading2 --out found.toml
  cellkeep layout check found.toml
  cellkeep trace next plan.json reading1 reading2     what one more setting would settle

Dialling overwrites presets: read and archive the customer's own first.")]
pub(crate) struct Args {
    #[command(subcommand)]
    command: Command,
}

#[derive(clap::Subcommand)]
enum Command {
    Plan(plan::Args),
    Solve(solve::Args),
    Next(next::Args),
    Remember(remember::Args),
    Audit(audit::Args),
}

pub(crate) fn run(args: &Args) -> Outcome {
    match &args.command {
        Command::Plan(args) => plan::run(args),
        Command::Solve(args) => solve::run(args),
        Command::Next(args) => next::run(args),
        Command::Remember(args) => remember::run(args),
        Command::Audit(args) => audit::run(args),
    }
}

/// A plan file that cannot be used.
#[derive(Debug, thiserror::Error)]
#[error("{path} is no trace plan: {what}")]
struct PlanFile {
    path: String,
    what: String,
}

impl Blame for PlanFile {
    fn who(&self) -> Who {
        Who::File
    }

    fn hint(&self) -> Option<String> {
        Some("make one with `cellkeep trace plan`".to_owned())
    }
}

/// A text file as it is.
fn text(path: &Path) -> Result<String, DiskError> {
    std::fs::read_to_string(path).map_err(|e| DiskError::new("read", path, e))
}

fn load_plan(path: &Path) -> Result<Plan, Failure> {
    let text = text(path)?;
    let wrong = |what: String| PlanFile {
        path: path.display().to_string(),
        what,
    };
    let headed: crate::document::Headed<Plan> =
        serde_json::from_str(&text).map_err(|e| wrong(e.to_string()))?;
    if headed.kind != <Plan as crate::document::Document>::KIND {
        return Err(wrong(format!("it is a {:?}", headed.kind)).into());
    }
    headed.body.check().map_err(wrong)?;
    Ok(headed.body)
}

/// The readings of a plan, each with the chips' sizes taken from the files.
fn load_readings(files: &ReadingArgs, names: &[String]) -> Result<Vec<Reading>, Failure> {
    names.iter().map(|n| files.load(n, None)).collect()
}
