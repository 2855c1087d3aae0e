//! `swap`: two presets, or two voices, change places.

use super::Outcome;
use super::edited::EditArgs;
use crate::edit::{Editor, Selector};

/// Let two presets, or two voices of presets, change places.
#[derive(clap::Args)]
#[command(after_help = "\
Examples:
  cellkeep swap reading preset=3 preset=12 -o edited
  cellkeep swap reading preset=3,voice=1 preset=3,voice=2 -o edited")]
pub(crate) struct Args {
    /// The reading
    reading: String,
    /// One place
    one: Selector,
    /// The other
    other: Selector,
    #[command(flatten)]
    edit: EditArgs,
}

pub(crate) fn run(args: &Args) -> Outcome {
    let layout = args.edit.files.layout_for(&args.reading)?;
    let decoded = args.edit.files.decode(&args.reading, &layout)?;
    let mut editor = Editor::new(&decoded);
    let one = args.edit.place(&args.one);
    let other = args.edit.place(&args.other);
    editor.swap(&one, &other)?;
    let why = format!("{one} and {other} changed places");
    let edited = editor.finish("swapped", &why, None)?;
    args.edit.write(&edited, (&args.reading, &layout))
}
