//! `sheet form`: the intake form.

use super::super::Outcome;
use super::PageArgs;
use crate::sheet;

/// Print a blank form for intake: what to note before the instrument is opened.
#[derive(clap::Args)]
#[command(after_help = "\
Controls that memory does not hold are drawn with nothing set: draw the pointers, then type them into the form
that `cellkeep hand-set LAYOUT` prints.

Examples:
  cellkeep sheet form pellow-six -o intake.html
  cellkeep sheet form pellow-six --panel -o intake.html   the whole panel, for a sound only it holds")]
pub(crate) struct Args {
    /// The layout, by id or by path
    layout: String,
    /// Add every stored control with nothing set
    #[arg(long)]
    panel: bool,
    #[command(flatten)]
    page: PageArgs,
}

pub(crate) fn run(args: &Args) -> Outcome {
    let layout = super::super::open::layout_named(&args.layout)?;
    args.page
        .write(&sheet::form::form(&layout, args.panel, args.page.paper()))
}
