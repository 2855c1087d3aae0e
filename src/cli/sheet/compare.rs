//! `sheet compare`: before and after, drawn.

use super::super::Outcome;
use super::super::open::ReadingArgs;
use super::PageArgs;
use super::patch::name;
use crate::compare;
use crate::sheet;
use crate::sheet::view::Subject;

/// Draw what changed between two readings, the earlier position ghosted on the same control.
#[derive(clap::Args)]
#[command(after_help = "\
Examples:
  cellkeep sheet compare last-visit today -l pellow-six -o changes.html
  cellkeep sheet compare today read-back -o restored.html")]
pub(crate) struct Args {
    /// The earlier reading
    before: String,
    /// The later reading
    after: String,
    #[command(flatten)]
    files: ReadingArgs,
    #[command(flatten)]
    page: PageArgs,
}

pub(crate) fn run(args: &Args) -> Outcome {
    let layout = args.files.layout_for(&args.after)?;
    let before = args.files.decode(&args.before, &layout)?;
    let after = args.files.decode(&args.after, &layout)?;
    let comparison = compare::compare(&before, &after);
    let subject = Subject {
        instrument: layout.name.clone(),
        facts: vec![
            ("Before".to_owned(), name(&args.before)),
            ("After".to_owned(), name(&args.after)),
        ],
    };
    args.page.write(&sheet::compare::comparison(
        &subject,
        &layout,
        &comparison,
        args.page.paper(),
    ))
}
