//! `swap`: two presets, or two voices, change places.

use super::Outcome;
use super::edited;
use super::open::{OutputArgs, ReadingArgs};
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
    let one = args.one.clone().in_area(args.area.as_deref());
    let other = args.other.clone().in_area(args.area.as_deref());
    editor.swap(&one, &other)?;
    let why = format!("{one} and {other} changed places");
    let edited = editor.finish("swapped", &why, None)?;
    edited::write(&edited, &args.output, &args.reading, args.json)
}
