//! `sheet patch`: presets to dial by hand.

use std::path::{Path, PathBuf};

use super::super::open::{self, ReadingArgs};
use super::super::output::say;
use super::super::{Failure, Outcome, findings};
use super::{PageArgs, noticed};
use crate::bank::{self, Bank};
use crate::edit::Selector;
use crate::finding::Finding;
use crate::hand_set;
use crate::layout::model::Layout;
use crate::reading::Reading;
use crate::sheet::arrange::{self, Source};
use crate::sheet::patch::{self, MOST_PER_PAGE, Options};
use crate::sheet::view::Subject;

/// Draw every stored control of every preset, to dial the instrument by hand.
#[derive(clap::Args)]
#[command(after_help = "\
SOURCE is a reading, or a bank that `cellkeep decode --json` wrote (a file whose name ends in .json).
Voices that agree share a control; where they differ each has its own. Values that are unknown, suspect, mended
or edited are marked by shape and word.

Examples:
  cellkeep sheet patch reading -l pellow-six -o pellow.html
  cellkeep sheet patch bank.json --only preset=1-8 --per-page 2 -o set.html
  cellkeep sheet patch reading --findings examination.json -o doubtful.html
  cellkeep sheet patch reading --hand-set form.toml --paper letter -o pellow.html")]
pub(crate) struct Args {
    /// A reading, or a bank
    source: String,
    #[command(flatten)]
    files: ReadingArgs,
    #[command(flatten)]
    page: PageArgs,
    /// Presets on a page; fewer where so many do not fit
    #[arg(long, value_name = "N", default_value_t = 1, value_parser = clap::value_parser!(u8).range(1..=MOST_PER_PAGE as i64))]
    per_page: u8,
    /// Only these: preset=12, or preset=3-5
    #[arg(long, value_name = "PLACE")]
    only: Option<Selector>,
    /// Take the positions noted by hand from this filled form
    #[arg(long, value_name = "FILE")]
    hand_set: Option<PathBuf>,
    /// Mark what this examination found (what `cellkeep examine --json` wrote)
    #[arg(long, value_name = "FILE")]
    findings: Option<PathBuf>,
}

pub(crate) fn run(args: &Args) -> Outcome {
    let Opened {
        layout,
        mut bank,
        reading,
        mut found,
    } = open(args)?;
    if let Some(path) = &args.findings {
        found.extend(noticed::from_file(path, reading.as_ref())?);
    }
    if let Some(form) = &args.hand_set {
        let text = super::super::inputs::read_text(form)?;
        let (filled, noticed) = hand_set::read_form(&layout, &text)?;
        findings::to_stderr(&noticed);
        bank.hand_set = Some(filled);
    }
    let only = args.only.as_ref().map(|s| s.resolve(&layout)).transpose()?;
    let pages = arrange::pages(Source {
        layout: &layout,
        bank: &bank,
        findings: &found,
        form: bank.hand_set.as_ref(),
        only: only.as_deref(),
    });
    let subject = Subject {
        instrument: layout.name.clone(),
        facts: vec![("From".to_owned(), name(&args.source))],
    };
    let options = Options {
        paper: args.page.paper(),
        per_page: usize::from(args.per_page),
    };
    let sheet = patch::patch(&subject, &pages, options);
    if let Some(fitted) = sheet.per_page.filter(|n| *n < usize::from(args.per_page)) {
        say!(
            "{} presets do not fit on a page; {fitted} do",
            args.per_page
        );
    }
    if let Some(tally) = findings::tally(&found) {
        say!("{tally}, marked where they are");
    }
    args.page.write(&sheet)
}

/// What a sheet is drawn from.
struct Opened {
    layout: Layout,
    bank: Bank,
    /// The reading it is of; nothing where it came from its own file.
    reading: Option<Reading>,
    /// What was noticed on the way.
    found: Vec<Finding>,
}

/// The bank, from a reading or from its own file.
fn open(args: &Args) -> Result<Opened, Failure> {
    let path = Path::new(&args.source);
    if path
        .extension()
        .is_some_and(|e| e.eq_ignore_ascii_case("json"))
        && path.is_file()
    {
        let bank = open::bank(path)?;
        let layout = match &args.files.layout {
            Some(named) => open::layout_named(named)?,
            None => open::layout_named(&bank.layout.id)?,
        };
        let bank = bank::arranged(&bank, &layout)?;
        return Ok(Opened {
            layout,
            bank,
            reading: None,
            found: Vec::new(),
        });
    }
    let layout = args.files.layout_for(&args.source)?;
    let (bank, reading, found) = {
        let decoded = args.files.decode(&args.source, &layout)?;
        let mut found = decoded.reading.findings.clone();
        found.extend(bank::findings(&decoded));
        (Bank::new(&decoded), decoded.reading.clone(), found)
    };
    Ok(Opened {
        layout,
        bank,
        reading: Some(reading),
        found,
    })
}

/// What a source is called on paper: its last part, so that no path of this computer is printed.
pub(super) fn name(source: &str) -> String {
    source
        .rsplit(['/', '\\'])
        .find(|part| !part.is_empty())
        .unwrap_or(source)
        .to_owned()
}
