//! `shelf`: the archive of jobs, a file for each of its commands.

mod audit;
mod close;
mod find;
mod hand_over;
mod index;
mod list;
mod note;
mod open;
mod put;
mod repair;
mod set_up;
mod show;
mod since;
mod take;
mod take_in;

use std::path::PathBuf;
use std::time::Duration;

use etcetera::BaseStrategy;
use jiff::Timestamp;

use super::output::{complain, say};
use super::{Outcome, Status};
use crate::blame::{Blame, Who};
use crate::document::{Document, to_json};
use crate::shelf::{Act, Done, Incoming, Role, Shelf, ShelfError};

/// Keep, find, prove and hand over the jobs of the bench.
#[derive(clap::Args)]
#[command(after_help = "\
A job is one visit of one instrument. Everything in it is kept for good: each change makes a new version.
The shelf is a plain folder that can be read without this program; READ-ME.txt in it says how.

Examples:
  cellkeep shelf set-up --at /data/shelf
  cellkeep shelf open --instrument \"Quillon 72\" --serial 0042 --customer C-0412 --as-found reads/
  cellkeep shelf put quillon-72-0042 --as read-back after/
  cellkeep shelf find battery --instrument quillon
  cellkeep decode shelf:quillon-72-0042/as-found --layout quillon-72")]
pub(crate) struct Args {
    #[command(flatten)]
    common: Common,
    #[command(subcommand)]
    command: Command,
}

/// What every command on the shelf takes.
#[derive(clap::Args)]
struct Common {
    /// The shelf's folder; without it, `cellkeep/shelf` where this computer keeps a user's data
    #[arg(long, global = true, value_name = "FOLDER", env = "CELLKEEP_SHELF")]
    at: Option<PathBuf>,
    /// Who is at work, as written into the job's history
    #[arg(long, global = true, value_name = "WHO", env = "CELLKEEP_BY")]
    by: Option<String>,
    /// How long to wait for another writer, in seconds
    #[arg(long, global = true, value_name = "SECONDS", default_value_t = 30)]
    wait: u32,
    /// Print a JSON document instead of text
    #[arg(long, global = true)]
    json: bool,
}

#[derive(clap::Subcommand)]
enum Command {
    SetUp(set_up::Args),
    Open(open::Args),
    Put(put::Args),
    Note(note::Args),
    List(list::Args),
    Find(find::Args),
    Show(show::Args),
    Take(take::Args),
    Since(since::Args),
    Close(close::Args),
    HandOver(hand_over::Args),
    TakeIn(take_in::Args),
    Audit(audit::Args),
    Repair(repair::Args),
    Index(index::Args),
}

pub(crate) fn run(args: &Args) -> Outcome {
    let common = &args.common;
    match &args.command {
        Command::SetUp(args) => set_up::run(common, args),
        Command::Open(args) => open::run(common, args),
        Command::Put(args) => put::run(common, args),
        Command::Note(args) => note::run(common, args),
        Command::List(args) => list::run(common, args),
        Command::Find(args) => find::run(common, args),
        Command::Show(args) => show::run(common, args),
        Command::Take(args) => take::run(common, args),
        Command::Since(args) => since::run(common, args),
        Command::Close(args) => close::run(common, args),
        Command::HandOver(args) => hand_over::run(common, args),
        Command::TakeIn(args) => take_in::run(common, args),
        Command::Audit(args) => audit::run(common, args),
        Command::Repair(args) => repair::run(common, args),
        Command::Index(args) => index::run(common, args),
    }
}

/// Nobody said where the shelf is and the system has no home for it.
#[derive(Debug, thiserror::Error)]
#[error("this computer does not say where a user's data lie")]
struct NoHome;

impl Blame for NoHome {
    fn who(&self) -> Who {
        Who::Caller
    }
    fn hint(&self) -> Option<String> {
        Some("name the shelf's folder with --at FOLDER or in CELLKEEP_SHELF".to_owned())
    }
}

impl Common {
    fn place(&self) -> Result<PathBuf, super::Failure> {
        place(self.at.as_deref())
    }

    fn shelf(&self) -> Result<Shelf, super::Failure> {
        Ok(Shelf::open(
            &self.place()?,
            Duration::from_secs(self.wait.into()),
        )?)
    }

    /// The shelf with its own files as they are, to audit and to repair them.
    fn damaged_shelf(&self) -> Result<Shelf, super::Failure> {
        Ok(Shelf::open_damaged(
            &self.place()?,
            Duration::from_secs(self.wait.into()),
        )?)
    }

    fn act(&self) -> Act {
        act(self.by.as_deref())
    }
}

/// The folder of the shelf: the one given, or the user's own.
pub(super) fn place(at: Option<&std::path::Path>) -> Result<PathBuf, super::Failure> {
    match at {
        Some(at) => Ok(at.to_owned()),
        None => Ok(etcetera::choose_base_strategy()
            .map_err(|_| NoHome)?
            .data_dir()
            .join("cellkeep")
            .join("shelf")),
    }
}

/// Who is at work now: the one given, or the user's name on this computer.
pub(super) fn act(by: Option<&str>) -> Act {
    let by = by.map(str::to_owned).or_else(|| {
        ["USER", "USERNAME"]
            .into_iter()
            .find_map(|name| std::env::var(name).ok().filter(|v| !v.is_empty()))
    });
    Act {
        by: by.unwrap_or_else(|| "bench".to_owned()),
        at: Timestamp::now(),
    }
}

/// Prints a document as JSON.
fn print_json<D: Document>(document: &D) -> Result<(), super::Failure> {
    let text = to_json(document).map_err(|source| ShelfError::Json {
        what: D::KIND.to_owned(),
        source,
    })?;
    super::output::print_text(&text);
    Ok(())
}

/// Tells what a change of a job came to, and what to do next.
fn tell_done(common: &Common, done: &Done, next: &str) -> Outcome {
    if common.json {
        print_json(done)?;
    } else if done.changed {
        say!("{}: version {} is on the shelf", done.job, done.version);
    } else {
        say!(
            "{}: the shelf already holds exactly this, in version {}",
            done.job,
            done.version
        );
    }
    if !common.json {
        for says in &done.notices {
            say!("  {says}");
        }
    }
    for caution in &done.cautions {
        complain!("caution: {caution}");
    }
    if !common.json {
        say!("next: {next}");
    }
    Ok(if done.cautions.is_empty() {
        Status::Clean
    } else {
        Status::Findings
    })
}

/// Reads a role's word.
fn role(word: &str) -> Result<Role, String> {
    Role::from_word(word).ok_or_else(|| {
        let words: Vec<&str> = Role::ALL.iter().map(|r| r.word()).collect();
        format!("a file's part is one of {}", words.join(", "))
    })
}

/// How many of something, in the singular where it is one.
fn count<N: std::fmt::Display + PartialEq + From<u8>>(n: N, what: &str) -> String {
    match n == N::from(1) {
        true => format!("{n} {what}"),
        false => format!("{n} {what}s"),
    }
}

/// A length in bytes as people say it.
fn size(bytes: u64) -> String {
    match bytes {
        0..10_000 => format!("{bytes} B"),
        10_000..10_000_000 => format!("{:.1} kB", bytes as f64 / 1e3),
        _ => format!("{:.1} MB", bytes as f64 / 1e6),
    }
}

/// Words of a record in one line: what was pasted into it may have line ends.
fn one_line(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// The day of a time in RFC 3339.
fn day(time: &str) -> &str {
    time.get(..10).unwrap_or(time)
}

/// The layout's id, and its text to be kept with the job, so that a reading can be decoded again when this program is
/// gone. An instrument without a layout yet has none; a name no layout is known by is a slip.
fn layout_of(given: Option<&str>) -> Result<(Option<String>, Vec<Incoming>), super::Failure> {
    let Some(given) = given else {
        return Ok((None, Vec::new()));
    };
    let layout = crate::layout::load(given)?;
    let kept = super::shelved::layout_files(&layout);
    Ok((Some(layout.id), kept))
}
