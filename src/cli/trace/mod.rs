//! `trace`: find the layout of an instrument that nobody documented.

mod audit;
mod next;
mod plan;
mod remember;
mod solve;

use std::path::{Path, PathBuf};

use super::open::ReadingArgs;
use super::output::{number, place, say};
use super::{Failure, Outcome, Status};
use crate::blame::{Blame, DiskError, Who};
use crate::reading::Reading;
use crate::trace::plan::Plan;
use crate::trace::simulate::Hand;
use crate::trace::{TraceError, rehearsal};

/// Find the layout of an instrument that nobody documented.
#[derive(clap::Args)]
#[command(after_help = "\
One bank holds many presets, so one reading is many experiments. Make a plan, dial and save what it says, read the
chips, solve:

  cellkeep trace plan panel.toml --output plan.json      a sheet to dial from
  cellkeep trace solve plan.json reading1 reading2 --output found.toml
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

/// A layout where one is sought.
#[derive(Debug, thiserror::Error)]
#[error(
    "--layout {layout} is not taken here: the readings are taken as those of an instrument without a layout"
)]
struct LayoutNamed {
    layout: String,
}

impl Blame for LayoutNamed {
    fn who(&self) -> Who {
        Who::Caller
    }

    fn hint(&self) -> Option<String> {
        Some(format!(
            "leave it out; `cellkeep trace audit {} READING... --plan plan.json` proves a layout that is there",
            place(&self.layout)
        ))
    }
}

/// What --layout says in the help of commands that seek one.
const NO_LAYOUT: &str =
    "Refused: a layout is what is sought; `trace audit` proves one that is there";

/// A reading of an instrument without a layout, of chips with so many data lines as far as that is known.
fn bare(files: &ReadingArgs, reading: &str, widths: Vec<(String, u8)>) -> Result<Reading, Failure> {
    match &files.layout {
        Some(layout) => Err(LayoutNamed {
            layout: layout.clone(),
        }
        .into()),
        None => files.load_wide(reading, widths),
    }
}

/// A text file as it is.
fn text(path: &Path) -> Result<String, DiskError> {
    super::inputs::read_text(path)
}

fn load_plan(path: &Path) -> Result<Plan, Failure> {
    let text = text(path)?;
    let wrong = |what: String| PlanFile {
        path: path.display().to_string(),
        what,
    };
    let plan: Plan =
        crate::document::from_json(text.as_bytes()).map_err(|e| wrong(e.to_string()))?;
    plan.check().map_err(wrong)?;
    Ok(plan)
}

/// A plan and the readings taken after it.
#[derive(clap::Args)]
struct DialledArgs {
    /// The plan, as `trace plan --output` wrote it
    plan: PathBuf,
    /// Its readings, one after the other, in the order of the sheet
    #[arg(required = true)]
    readings: Vec<String>,
    #[command(flatten)]
    files: ReadingArgs,
}

impl DialledArgs {
    /// The readings for a command to be pasted.
    fn readings_again(&self) -> String {
        let places: Vec<String> = self.readings.iter().map(|r| place(r)).collect();
        places.join(" ")
    }

    /// Both, the chips' data lines taken from the plan and their sizes from the files.
    fn load(&self) -> Result<(Plan, Vec<Reading>), Failure> {
        let plan = load_plan(&self.plan)?;
        let chips = &plan.panel.chips;
        let load = |n: &String| {
            let widths = chips.iter().map(|c| (c.id.clone(), c.width)).collect();
            bare(&self.files, n, widths)
        };
        let readings = self.readings.iter().map(load).collect::<Result<_, _>>()?;
        Ok((plan, readings))
    }
}

/// A new file for what a command makes.
#[derive(clap::Args)]
struct FileArgs {
    /// Write it to this new file
    #[arg(short, long, value_name = "FILE")]
    output: Option<PathBuf>,
    /// Replace the file if it is there
    #[arg(long, requires = "output")]
    replace: bool,
}

/// A new file for a layout.
#[derive(clap::Args)]
struct LayoutFileArgs {
    /// Write it to this new file
    #[arg(short, long, value_name = "FILE", value_parser = super::inputs::layout_file)]
    output: Option<PathBuf>,
    /// Replace the file if it is there
    #[arg(long, requires = "output")]
    replace: bool,
}

impl LayoutFileArgs {
    /// Writes a text, where a file was named.
    fn write(&self, text: &str) -> Result<(), DiskError> {
        write_to(self.output.as_deref(), text, self.replace)
    }
}

fn write_to(output: Option<&Path>, text: &str, replace: bool) -> Result<(), DiskError> {
    match output {
        Some(output) => super::inputs::write_file(output, text.as_bytes(), replace),
        None => Ok(()),
    }
}

impl FileArgs {
    /// Writes a text, where a file was named.
    fn write(&self, text: &str) -> Result<(), DiskError> {
        write_to(self.output.as_deref(), text, self.replace)
    }
}

/// An instrument that nothing can be dialled on.
#[derive(Debug, thiserror::Error)]
#[error("{0} has no controls that are saved preset by preset")]
struct NothingToDial(String);

impl Blame for NothingToDial {
    fn who(&self) -> Who {
        Who::Layout
    }
}

/// Tracing rehearsed on a layout that the solver does not see, with a hand that slips now and then.
pub(crate) fn rehearse(name: &str) -> Outcome {
    let layout = crate::layout::load(name)?;
    let slips = Hand {
        jitter: false,
        slips: 0.03,
    };
    let rehearse = |hand: Hand| {
        rehearsal::rehearse(&layout, hand, 1).ok_or_else(|| NothingToDial(name.to_owned()))
    };
    let (done, slipped) = match rehearse(slips)? {
        Err(TraceError::NothingFound(_)) => (rehearse(Hand::default())??, false),
        Ok(done) if done.certain == 0 => (rehearse(Hand::default())??, false),
        done => (done?, true),
    };
    let cost = done.plan.cost();
    say!(
        "{}: its layout is hidden from the solver. Nothing is read or written.",
        done.instrument
    );
    say!();
    say!(
        "1. Plan: {}, {}; {} would be the fewest, one bit at a time takes {}.",
        number(cost.settings, "setting"),
        number(cost.readings, "reading"),
        cost.floor,
        cost.one_at_a_time
    );
    if slipped {
        say!("2. Dial and save, with a slip of the hand now and then; read.");
    } else {
        say!(
            "2. Dial and save, with a slip of the hand now and then; read: nothing can be traced in it."
        );
        say!("   So dial, save and read all of it again, without a slip.");
    }
    say!("3. Solve:");
    for s in done.structure.iter().chain(&done.voices) {
        say!("     {s}");
    }
    say!(
        "     {} of {} controls traced, the rest guessed or not found.",
        done.certain,
        done.controls
    );
    say!("4. Decode a second bank with what was found, and compare with the truth:");
    say!(
        "     {} of {} values right; {} wrong among those called traced.",
        done.compared.right,
        done.compared.values,
        done.compared.certain_wrong
    );
    for w in done.compared.wrong.iter().take(12) {
        say!("     not right everywhere: {w}");
    }
    if done.compared.wrong.len() > 12 {
        say!("     and {} more", done.compared.wrong.len() - 12);
    }
    say!();
    say!("On the bench: cellkeep trace plan --help tells how to describe a panel.");
    let clean = done.compared.wrong.is_empty();
    Ok(if clean {
        Status::Clean
    } else {
        Status::Findings
    })
}
