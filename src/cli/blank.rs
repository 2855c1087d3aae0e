//! `blank`: empty presets.

use super::Outcome;
use super::edited;
use super::open::{OutputArgs, ReadingArgs};
use crate::edit::{Editor, Selector};

/// Empty presets: every parameter at the layout's blank, or else at its lowest setting.
#[derive(clap::Args)]
#[command(after_help = "\
Examples:
  cellkeep blank reading preset=60-64 -o edited")]
pub(crate) struct Args {
    /// The reading
    reading: String,
    /// What to empty
    at: Selector,
    /// Only this area
    #[arg(long, value_name = "AREA")]
    area: Option<String>,
    #[command(flatten)]
    files: ReadingArgs,
    #[command(flatten)]
    output: OutputArgs,
    /// Print the record of the changes as JSON
    #[arg(long)]
    json: bool,
}

pub(crate) fn run(args: &Args) -> Outcome {
    let layout = args.files.layout_for(&args.reading)?;
    let decoded = args.files.decode(&args.reading, &layout)?;
    let mut editor = Editor::new(&decoded);
    let at = args.at.clone().in_area(args.area.as_deref());
    editor.blank(&at)?;
    let edited = editor.finish("blanked", &format!("{at} was emptied"), None)?;
    edited::write(&edited, &args.output, &args.reading, args.json)
}
