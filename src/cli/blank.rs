//! `blank`: empty presets.

use super::Outcome;
use super::edited::EditArgs;
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
    #[command(flatten)]
    edit: EditArgs,
}

pub(crate) fn run(args: &Args) -> Outcome {
    let layout = args.edit.files.layout_for(&args.reading)?;
    let decoded = args.edit.files.decode(&args.reading, &layout)?;
    let mut editor = Editor::new(&decoded);
    let at = args.edit.place(&args.at);
    editor.blank(&at)?;
    let edited = editor.finish("blanked", &format!("{at} was emptied"), None)?;
    args.edit.write(&edited, (&args.reading, &layout))
}
