//! `schema`: the JSON Schema of each document the program writes.

use super::output::say;
use super::{Outcome, Status};
use crate::blame::{Blame, Who};
use crate::document::{Document, schema};

/// Print the JSON Schema of a kind of document.
#[derive(clap::Args)]
#[command(after_help = "\
Examples:
  cellkeep schema                      list the kinds
  cellkeep schema reading > reading.schema.json")]
pub(crate) struct Args {
    /// The kind; a list of all if none is given
    kind: Option<String>,
}

/// One kind of document.
struct Kind {
    name: &'static str,
    version: u32,
    about: &'static str,
    schema: fn() -> serde_json::Value,
}

const fn kind<D: Document>(about: &'static str) -> Kind {
    Kind {
        name: D::KIND,
        version: D::VERSION,
        about,
        schema: schema::<D>,
    }
}

/// Every kind; a new document joins here.
static KINDS: &[Kind] = &[
    // A layout is written by people as TOML; editors that know the schema help with its keys.
    Kind {
        name: "layout",
        version: 1,
        about: "a layout file, for editors (TOML as JSON)",
        schema: crate::layout::schema,
    },
    kind::<crate::layout::report::LayoutCheck>("what is wrong with layouts (layout check --json)"),
    kind::<crate::layout::report::LayoutMap>("every bit's place (layout map --json)"),
    kind::<crate::layout::explain::Explained>(
        "where a value lives, who owns a bit (layout map --explain --json)",
    ),
    kind::<crate::layout::report::LayoutList>("the layouts there are (layout list --json)"),
    kind::<crate::layout::diff::LayoutDiff>("what differs between layouts (layout diff --json)"),
    kind::<crate::standby::Report>("what standby answers (standby --json)"),
    kind::<crate::plan::Plan>("the plan of a battery swap (plan --json)"),
    kind::<crate::reading::ReadingRecord>("reading.json in a reading's folder"),
    kind::<crate::bank::Bank>("a decoded reading (decode --json)"),
    kind::<crate::compare::Comparison>("what changed between two readings (compare --json)"),
    kind::<crate::compare::verify::Verification>("what read back as written (verify --json)"),
    kind::<crate::settle::Settlement>("how several reads became one (settle --json)"),
    kind::<crate::examine::Examination>("what is damaged and why (examine --json)"),
    kind::<crate::mend::MendPlan>("a plan for mending, for editors (TOML as JSON; mend --json)"),
    kind::<crate::mend::MendRecord>("what mending came to (mend --apply --json)"),
    kind::<crate::identify::Identification>("which layouts fit a reading (identify --json)"),
    kind::<crate::edit::EditRecord>("changes.json beside an edited reading"),
    kind::<crate::trace::plan::Plan>("settings to dial (trace plan --json)"),
    kind::<crate::trace::report::Report>("what a plan's readings showed (trace solve --json)"),
    kind::<crate::trace::LayoutAudit>("changes to a layout nothing notices (trace audit --json)"),
    kind::<crate::trace::unplanned::Hypotheses>(
        "what a bank shows without a plan (trace remember --json)",
    ),
    kind::<super::convert::Conversion>("what a conversion read, wrote and lost (convert --json)"),
    kind::<crate::hand_set::FilledForm>("a filled hand-set form (hand-set --filled --json)"),
    kind::<crate::shelf::Job>("job.json of a job on the shelf"),
    kind::<crate::shelf::Done>(
        "what a change of a job came to (shelf open, put, note, close --json)",
    ),
    kind::<crate::shelf::JobList>("the jobs on the shelf (shelf list --json)"),
    kind::<crate::shelf::FoundJobs>("jobs that were found (shelf find --json)"),
    kind::<crate::shelf::JobShown>("a job with its files and history (shelf show --json)"),
    kind::<crate::shelf::Since>("what changed since a date (shelf since --json)"),
    kind::<crate::shelf::HandOver>("a job that was handed over (shelf hand-over --json)"),
    kind::<crate::shelf::AuditReport>("what an audit found (shelf audit --json)"),
    kind::<crate::shelf::RepairReport>("what a repair did (shelf repair --json)"),
    kind::<crate::shelf::Rebuilt>("an index made anew (shelf index --json)"),
    kind::<crate::shelf::ShelfMade>("a new shelf (shelf set-up --json)"),
    kind::<crate::shelf::TakenOut>("files taken out of a job (shelf take --json)"),
];

#[derive(Debug, thiserror::Error)]
#[error("there is no document of kind \"{0}\"")]
struct NoKind(String);

impl Blame for NoKind {
    fn who(&self) -> Who {
        Who::Caller
    }
    fn hint(&self) -> Option<String> {
        let names: Vec<&str> = KINDS.iter().map(|k| k.name).collect();
        Some(format!("one of {}", names.join(", ")))
    }
}

pub(crate) fn run(args: &Args) -> Outcome {
    let Some(wanted) = &args.kind else {
        for kind in KINDS {
            say!("{:<14} version {}  {}", kind.name, kind.version, kind.about);
        }
        say!("next: cellkeep schema KIND prints one");
        return Ok(Status::Clean);
    };
    let kind = KINDS
        .iter()
        .find(|k| k.name == wanted)
        .ok_or_else(|| NoKind(wanted.clone()))?;
    say!("{:#}", (kind.schema)());
    Ok(Status::Clean)
}
