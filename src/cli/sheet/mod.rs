//! `sheet`: pages to dial from, to read and to sign, a file for each.

mod compare;
mod form;
mod memory;
mod noticed;
mod patch;
mod plots;
mod report;

use std::path::PathBuf;

use super::output::say;
use super::{Failure, Outcome, Status};
use crate::sheet::{Paper, Sheet};

/// Draw sheets: presets to dial by hand, comparisons, pictures of the memory, forms.
#[derive(clap::Args)]
#[command(after_help = "\
A sheet is one HTML file that needs nothing beside it. Open it from the file manager; print it from the browser.

Examples:
  cellkeep sheet patch reading -l pellow-six -o pellow.html
  cellkeep sheet compare last-visit today -l pellow-six -o changes.html
  cellkeep sheet memory today --before last-visit -l pellow-six -o memory.html
  cellkeep sheet plots read-1 read-2 read-3 -l pellow-six -o dissent.html
  cellkeep sheet form pellow-six -o intake.html
  cellkeep sheet report pellow-six-0117 -o report.html")]
pub(crate) struct Args {
    #[command(subcommand)]
    command: Command,
}

#[derive(clap::Subcommand)]
enum Command {
    Patch(patch::Args),
    Compare(compare::Args),
    Memory(memory::Args),
    Plots(plots::Args),
    Form(form::Args),
    Report(report::Args),
    Record(report::RecordArgs),
}

pub(crate) fn run(args: &Args) -> Outcome {
    match &args.command {
        Command::Patch(args) => patch::run(args),
        Command::Compare(args) => compare::run(args),
        Command::Memory(args) => memory::run(args),
        Command::Plots(args) => plots::run(args),
        Command::Form(args) => form::run(args),
        Command::Report(args) => report::run(args),
        Command::Record(args) => report::record(args),
    }
}

/// The paper, by name.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
enum PaperName {
    A4,
    Letter,
}

/// Where a sheet goes and what it is printed on.
#[derive(clap::Args, Clone, Debug)]
pub(super) struct PageArgs {
    /// The HTML file to write
    #[arg(short, long, value_name = "FILE", value_parser = super::inputs::html_file)]
    output: PathBuf,
    /// The paper it will be printed on
    #[arg(long, value_name = "PAPER", default_value = "a4")]
    paper: PaperName,
    /// Replace the file if it is there
    #[arg(long)]
    replace: bool,
}

impl PageArgs {
    fn paper(&self) -> Paper {
        match self.paper {
            PaperName::A4 => Paper::A4,
            PaperName::Letter => Paper::Letter,
        }
    }

    /// Writes a sheet and says what to do with it.
    fn write(&self, sheet: &Sheet) -> Result<Status, Failure> {
        super::inputs::write_file(&self.output, sheet.html.as_bytes(), self.replace)?;
        say!("written: {}", self.output.display());
        let paper = match self.paper {
            PaperName::A4 => "A4",
            PaperName::Letter => "Letter",
        };
        match sheet.pages {
            Some(1) => say!("next: open it in a browser; it prints on one page of {paper}"),
            Some(pages) => {
                say!("next: open it in a browser; it prints on {pages} pages of {paper}")
            }
            None => say!("next: open it in a browser; print it on {paper}"),
        }
        Ok(Status::Clean)
    }
}
