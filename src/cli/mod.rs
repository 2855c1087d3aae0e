//! The command line: one file a command, each of which parses, calls and prints.
//!
//! Only this module knows arguments and the terminal. A command returns a `Status` or a `Failure`; the
//! exit status is 0 for done with nothing to report, 1 for done with differences or findings, 2 for could not
//! do it.

mod blank;
mod compare;
mod completions;
mod convert;
mod copy;
mod decode;
mod edited;
mod encode;
mod examine;
mod findings;
mod hand_set;
mod identify;
mod inputs;
mod layout;
mod man;
mod mend;
mod open;
mod output;
mod plan;
mod rehearse;
mod schema;
mod set;
mod settle;
mod sheet;
mod shelf;
mod shelved;
mod standby;
mod supply;
mod swap;
mod trace;
mod verify;

use std::process::ExitCode;

use clap::{CommandFactory, FromArgMatches, Parser};

use crate::blame::Blame;
pub(crate) use output::Ui;

/// Keeps the presets of instruments whose memory hangs on a battery.
#[derive(Parser)]
#[command(
    name = "cellkeep",
    version,
    propagate_version = true,
    max_term_width = 100
)]
pub(crate) struct Arguments {
    /// When to use colour; auto is on a terminal, unless `NO_COLOR` is set
    #[arg(
        long,
        global = true,
        value_name = "WHEN",
        default_value = "auto",
        help_heading = "Everywhere"
    )]
    color: output::ColorChoice,
    #[command(subcommand)]
    command: Command,
}

#[derive(clap::Subcommand)]
enum Command {
    Rehearse(rehearse::Args),
    Plan(Box<plan::Args>),
    Standby(Box<standby::Args>),
    HandSet(hand_set::Args),
    Convert(Box<convert::Args>),
    Identify(identify::Args),
    Settle(settle::Args),
    Decode(decode::Args),
    Compare(compare::Args),
    Examine(examine::Args),
    Mend(mend::Args),
    Set(set::Args),
    Copy(copy::Args),
    Swap(swap::Args),
    Blank(blank::Args),
    Encode(encode::Args),
    Verify(verify::Args),
    Shelf(shelf::Args),
    Sheet(sheet::Args),
    Layout(layout::Args),
    Trace(trace::Args),
    Schema(schema::Args),
    Completions(completions::Args),
    Man(man::Args),
}

/// How a command that ran ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Status {
    /// Done, nothing to report.
    Clean,
    /// Done, and there are differences or findings.
    Findings,
}

/// A command that could not do its work.
pub(crate) struct Failure(Box<dyn Blame>);

impl std::fmt::Display for Failure {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        self.0.fmt(f)
    }
}

impl<E: Blame + 'static> From<E> for Failure {
    fn from(error: E) -> Self {
        Failure(Box::new(error))
    }
}

/// An argument with bytes that no text has; file names of other systems may be so.
#[derive(Debug, thiserror::Error)]
#[error("{}", not_unicode())]
struct NotUnicode;

/// Which arguments are no text, in words.
fn not_unicode() -> String {
    let names: Vec<String> = std::env::args_os()
        .filter(|a| a.to_str().is_none())
        .map(|a| a.to_string_lossy().into_owned())
        .collect();
    format!("a name is not text in UTF-8: {}", names.join(", "))
}

impl Blame for NotUnicode {
    fn who(&self) -> crate::blame::Who {
        crate::blame::Who::Caller
    }

    fn hint(&self) -> Option<String> {
        Some(
            "rename the file or folder, or put the chip files into a folder and name that"
                .to_owned(),
        )
    }
}

/// What every command returns.
pub(crate) type Outcome = Result<Status, Failure>;

/// The whole table of commands.
pub(crate) fn command() -> clap::Command {
    flowing(Arguments::command())
}

/// Lets the sentences under each help break where the terminal does, not where the source does.
fn flowing(command: clap::Command) -> clap::Command {
    let command = match command.get_after_help().map(ToString::to_string) {
        Some(help) => command.after_help(flow(&help)),
        None => command,
    };
    command.mut_subcommands(flowing)
}

/// Joins the lines of each sentence. Lines that are set in, which are examples, stay as they are.
fn flow(text: &str) -> String {
    let mut out = String::new();
    for line in text.split('\n') {
        let before = out.rsplit('\n').next().unwrap_or_default();
        let in_a_sentence = !before.is_empty() && !before.ends_with(['.', ':']);
        let prose = |line: &str| !line.is_empty() && !line.starts_with(' ');
        match (
            out.is_empty(),
            in_a_sentence && prose(before) && prose(line),
        ) {
            (true, _) => {}
            (false, true) => out.push(' '),
            (false, false) => out.push('\n'),
        }
        out.push_str(line);
    }
    out
}

/// Runs the program on the process's arguments.
pub fn main() -> ExitCode {
    let parsed = command()
        .try_get_matches()
        .and_then(|matches| Arguments::from_arg_matches(&matches));
    let arguments = match parsed {
        Err(e) if e.kind() == clap::error::ErrorKind::InvalidUtf8 => {
            Ui::new(output::ColorChoice::Auto).failure(&NotUnicode);
            return ExitCode::from(2);
        }
        parsed => parsed.unwrap_or_else(|e| e.exit()),
    };
    let ui = Ui::new(arguments.color);
    let outcome: Outcome = match arguments.command {
        Command::Rehearse(args) => rehearse::run(&args),
        Command::Plan(args) => plan::run(&args),
        Command::Standby(args) => standby::run(&args),
        Command::HandSet(args) => hand_set::run(&args),
        Command::Convert(args) => convert::run(&args),
        Command::Identify(args) => identify::run(&args),
        Command::Settle(args) => settle::run(&args),
        Command::Decode(args) => decode::run(&args),
        Command::Compare(args) => compare::run(&args),
        Command::Examine(args) => examine::run(&args),
        Command::Mend(args) => mend::run(&args),
        Command::Set(args) => set::run(&args),
        Command::Copy(args) => copy::run(&args),
        Command::Swap(args) => swap::run(&args),
        Command::Blank(args) => blank::run(&args),
        Command::Encode(args) => encode::run(&args),
        Command::Verify(args) => verify::run(&args),
        Command::Shelf(args) => shelf::run(&args),
        Command::Sheet(args) => sheet::run(&args),
        Command::Layout(args) => layout::run(&args),
        Command::Trace(args) => trace::run(&args),
        Command::Schema(args) => schema::run(&args),
        Command::Completions(args) => completions::run(&args),
        Command::Man(args) => man::run(&args),
    };
    match outcome {
        Ok(Status::Clean) => ExitCode::SUCCESS,
        Ok(Status::Findings) => ExitCode::from(1),
        Err(failure) => {
            ui.failure(failure.0.as_ref());
            ExitCode::from(2)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::{command, flow};

    /// clap's own checks of all commands: names unique, references resolved. They run only in debug builds, and
    /// only for the command that is called.
    #[test]
    fn every_command_is_well_formed() {
        command().debug_assert();
    }

    #[test]
    fn a_sentence_of_the_help_is_one_line_and_an_example_keeps_its_own() {
        let source = "What is said\nhere goes on.\nNext.\n\nExamples:\n  cellkeep one \\\n      two\n  cellkeep three\n\nAnd\nso.";
        let shown = "What is said here goes on.\nNext.\n\nExamples:\n  cellkeep one \\\n      two\n  cellkeep three\n\nAnd so.";
        assert_eq!(flow(source), shown);
    }

    /// The help is at most 100 columns wide; an example that is broken cannot be copied.
    #[test]
    fn no_example_is_wider_than_the_help() {
        fn wide(command: &clap::Command, out: &mut Vec<String>) {
            let help = command.get_after_help().map(ToString::to_string);
            let lines = help.iter().flat_map(|help| help.lines());
            let examples = lines.filter(|line| line.starts_with(' '));
            out.extend(
                examples
                    .filter(|line| line.chars().count() > 100)
                    .map(str::to_owned),
            );
            for sub in command.get_subcommands() {
                wide(sub, out);
            }
        }
        let mut out = Vec::new();
        wide(&command(), &mut out);
        assert_eq!(out, Vec::<String>::new());
    }

    #[test]
    fn every_command_shows_examples() {
        fn lacking(command: &clap::Command, name: &str, out: &mut Vec<String>) {
            let below: Vec<_> = command
                .get_subcommands()
                .filter(|c| c.get_name() != "help")
                .collect();
            let help = command.get_after_help().or(command.get_after_long_help());
            let shows = help.is_some_and(|h| h.to_string().contains("Example"));
            if below.is_empty() && !shows {
                out.push(name.to_owned());
            }
            for sub in below {
                lacking(sub, &format!("{name} {}", sub.get_name()), out);
            }
        }
        let mut out = Vec::new();
        lacking(&command(), "cellkeep", &mut out);
        assert_eq!(out, Vec::<String>::new());
    }
}
