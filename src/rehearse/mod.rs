//! The rehearsal: the whole job on invented dumps, as a list of steps with the real commands.
//!
//! It exists so that a technician can go through a battery swap once before a customer's instrument is on the
//! bench. Nothing here knows what a command will answer: each step says what its commands must end with, and the
//! command line runs them and reports what they did end with.

mod dumps;
mod steps;

pub use steps::steps;

/// One step of the job.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Step {
    /// What is done.
    pub title: &'static str,
    /// Why, and what to look for; it promises nothing that the commands do not show.
    pub why: String,
    /// The commands, in order; none for what is done with the hands.
    pub calls: Vec<Call>,
}

/// One command.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Call {
    /// Its words after the program's name.
    pub words: Vec<String>,
    /// How it must end.
    pub must: Must,
}

/// How a command must end.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Must {
    /// With nothing to report: exit status 0.
    BeClean,
    /// With something to report: exit status 1.
    Report,
    /// With or without something to report.
    Finish,
}

impl Must {
    /// Whether an exit status is what it must be.
    pub fn holds(self, status: i32) -> bool {
        match self {
            Must::BeClean => status == 0,
            Must::Report => status == 1,
            Must::Finish => status == 0 || status == 1,
        }
    }

    /// What was expected, in words.
    pub fn words(self) -> &'static str {
        match self {
            Must::BeClean => "exit status 0, nothing to report",
            Must::Report => "exit status 1, something to report",
            Must::Finish => "exit status 0 or 1",
        }
    }
}

/// The layouts of the instruments whose dumps the program carries; a rehearsal takes the first by itself.
pub fn instruments() -> Vec<&'static str> {
    let mut ids: Vec<&str> = dumps::DUMPS.iter().map(|d| d.instrument).collect();
    ids.dedup();
    ids
}

/// The files of an instrument: path with forward slashes, and contents.
pub fn files(instrument: &str) -> Vec<(&'static str, &'static [u8])> {
    dumps::DUMPS
        .iter()
        .filter(|d| d.instrument == instrument)
        .map(|d| (d.file, d.contents))
        .collect()
}

/// A file that marks a folder as a rehearsal, which may be replaced: its name and contents.
pub const MARK: (&str, &str) = (
    "REHEARSAL.txt",
    "Made by `cellkeep rehearse`. The instrument and its dumps are invented; this folder may be thrown away.\n",
);
