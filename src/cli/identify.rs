//! `identify`: which known layouts fit a reading.

use std::collections::BTreeMap;

use super::open::{ReadingArgs, layout_named};
use super::output::{complain, place, print_text, quoted, say};
use super::{Outcome, Status};
use crate::bank::Decoded;
use crate::document;
use crate::identify::{Fit, rank, score};
use crate::layout;

/// Tell which known layouts fit a reading, and why.
#[derive(clap::Args)]
#[command(after_help = "\
Every layout that is built in or in the user folder is tried, or only those named. A layout that fits explains a
good part of the contents; one that does not scrambles them. Exit status 1 means that none fits.

Examples:
  cellkeep identify reading
  cellkeep identify reading --among pellow-six --among my-layout.toml")]
pub(crate) struct Args {
    /// The reading
    reading: String,
    /// Try only this layout (repeatable)
    #[arg(long, value_name = "LAYOUT")]
    among: Vec<String>,
    #[command(flatten)]
    files: ReadingArgs,
    /// Print the fits as JSON
    #[arg(long)]
    json: bool,
}

pub(crate) fn run(args: &Args) -> Outcome {
    let mut names = args.among.clone();
    names.extend(args.files.layout.clone());
    let named = !names.is_empty();
    if !named {
        // One that hides a built-in one goes by the same name, and is what that name means.
        let listed = layout::list()?.into_iter().filter(|l| !l.hidden);
        names = listed.map(|l| l.id).collect();
    }
    let mut fits = Vec::new();
    // What the best one was called, for the next command: a file of one's own is not known by its id.
    let mut called = BTreeMap::new();
    for name in &names {
        let layout = match layout_named(name) {
            Ok(layout) => layout,
            // Of all that are known, a broken one is no reason not to try the others.
            Err(failure) if !named => {
                complain!("caution  {name} could not be tried: {failure}");
                continue;
            }
            Err(failure) => return Err(failure),
        };
        called.entry(layout.id.clone()).or_insert(name);
        match args.files.load(&args.reading, Some(&layout)) {
            Ok(reading) => {
                let decoded = Decoded::new(&layout, &reading)?;
                fits.push(score(&decoded));
            }
            Err(failure) => fits.push(Fit {
                layout: layout.id.clone(),
                name: layout.name.clone(),
                bits_saved: 0.0,
                share: 0.0,
                reasons: vec![failure.to_string()],
                shape_fits: false,
            }),
        }
    }
    if fits.iter().all(|f| !f.shape_fits) {
        // Perhaps the files cannot be read at all; then that is what to say.
        args.files.load(&args.reading, None)?;
    }
    let outcome = rank(fits);
    let best = outcome.fits.first().filter(|f| f.fits());
    let status = match best {
        Some(_) => Status::Clean,
        None => Status::Findings,
    };
    if args.json {
        print_text(&document::to_json(&outcome)?);
        return Ok(status);
    }
    for fit in &outcome.fits {
        let verdict = match (fit.fits(), fit.shape_fits) {
            (true, _) => "fits",
            (false, true) => "right shape, contents do not fit",
            (false, false) => "wrong shape",
        };
        match fit.shape_fits {
            true => say!(
                "{:<24} {verdict}, explains {:.0} % ({:.0} bits)",
                fit.layout,
                100.0 * fit.share,
                fit.bits_saved
            ),
            false => say!("{:<24} {verdict}", fit.layout),
        }
        // Why another shape is another is long and seldom asked: `--among` names the layout it is asked for.
        let lines = fit.reasons.iter().flat_map(|reason| reason.lines());
        for line in lines.filter(|_| fit.shape_fits || !args.among.is_empty()) {
            say!("    {line}");
        }
    }
    match best {
        Some(best) => say!(
            "next: cellkeep decode {} -l {}{}",
            place(&args.reading),
            quoted(called.get(&best.layout).map_or(&best.layout, |name| *name)),
            args.files.files_again()
        ),
        None => say!(
            "next: no known layout fits; check that each file is the right chip, or `cellkeep layout new` to describe this instrument"
        ),
    }
    Ok(status)
}
