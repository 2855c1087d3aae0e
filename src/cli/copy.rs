//! `copy`: presets and single voices, within a reading or from another.

use super::Outcome;
use super::edited::EditArgs;
use crate::edit::{Editor, Selector};

/// Copy presets or single voices, within a reading or from a donor.
#[derive(clap::Args)]
#[command(after_help = "\
Examples:
  cellkeep copy reading --from preset=3 --to preset=12 -o edited
  cellkeep copy reading --from preset=3,voice=1 --to preset=3,voice=2-4 -o edited
  cellkeep copy reading --donor last-visit --from preset=7 --to preset=7 -o edited
The donor may have another layout: parameters are matched by key, and what has no counterpart is named.")]
pub(crate) struct Args {
    /// The reading to copy into
    reading: String,
    /// What to copy: preset=3, or preset=3,voice=1
    #[arg(long, value_name = "PLACE")]
    from: Selector,
    /// Where to; as many places as are copied, or any number for a single one
    #[arg(long, value_name = "PLACE")]
    to: Selector,
    /// Copy from this reading
    #[arg(long, value_name = "READING")]
    donor: Option<String>,
    /// The donor's layout, where it is not the reading's
    #[arg(long, value_name = "LAYOUT", requires = "donor")]
    donor_layout: Option<String>,
    #[command(flatten)]
    edit: EditArgs,
}

pub(crate) fn run(args: &Args) -> Outcome {
    let layout = args.edit.files.layout_for(&args.reading)?;
    let decoded = args.edit.files.decode(&args.reading, &layout)?;
    let mut editor = Editor::new(&decoded);
    let from = args.edit.place(&args.from);
    let to = args.edit.place(&args.to);
    let why = format!("copied from {from} to {to}");
    match &args.donor {
        None => {
            editor.copy(&from, &to, None)?;
        }
        Some(donor) => {
            let donor_layout = match &args.donor_layout {
                Some(name) => Some(super::open::layout_named(name)?),
                None => None,
            };
            let donor_layout = donor_layout.as_ref().unwrap_or(&layout);
            let donor = args.edit.files.decode(donor, donor_layout)?;
            editor.copy(&from, &to, Some(&donor))?;
        }
    }
    let edited = editor.finish("copied", &why, args.donor.as_deref())?;
    args.edit.write(&edited, (&args.reading, &layout))
}
