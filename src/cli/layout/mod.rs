//! `layout`: check, look at, begin, list and compare layouts, a file for each of its commands.

mod check;
mod diff;
mod list;
mod map;
mod new;
mod picture;

use super::Outcome;

/// Check, look at, begin, list and compare layouts.
#[derive(clap::Args)]
#[command(after_help = "\
A layout is given by its id, or by the path of its file with .toml at the end. Ids are looked up in the folder
of your own layouts (CELLKEEP_LAYOUTS, or cellkeep/layouts in the system's configuration folder), then among
those built in. formats/README.md teaches the language.

Examples:
  cellkeep layout list
  cellkeep layout check my-synth.toml
  cellkeep layout map my-synth.toml --explain filter.cutoff --at preset=12")]
pub(crate) struct Args {
    #[command(subcommand)]
    command: Command,
}

#[derive(clap::Subcommand)]
enum Command {
    Check(check::Args),
    Map(map::Args),
    New(new::Args),
    List(list::Args),
    Diff(diff::Args),
}

pub(crate) fn run(args: &Args) -> Outcome {
    match &args.command {
        Command::Check(args) => check::run(args),
        Command::Map(args) => map::run(args),
        Command::New(args) => new::run(args),
        Command::List(args) => list::run(args),
        Command::Diff(args) => diff::run(args),
    }
}
