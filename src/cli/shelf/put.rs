//! `shelf put`: files into a job.

use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;

use super::super::{Failure, Outcome};
use super::{Common, role, tell_done};
use crate::layout;
use crate::shelf::{HeldLayout, ReadingAt, Role, Stored, layouts_among, places_of, readings};

/// Put readings or any files into a job, each with the part it plays.
#[derive(clap::Args)]
#[command(after_help = "\
Parts: as-found, after-swap, settled, mended, as-written, read-back, donor (readings); bank, layout, findings,
hand-set, standby, sheet, report, photograph, paper; private (the shop's own, never handed over).

Examples:
  cellkeep shelf put quillon-72-0042 --as read-back after/
  cellkeep shelf put quillon-72-0042 --as as-found --name second-read reads2/
  cellkeep shelf put quillon-72-0042 --as photograph board.jpg panel.jpg")]
pub(super) struct Args {
    /// The job: its name, or a part of it only one job has
    job: String,
    /// The part the files play
    #[arg(long = "as", value_name = "PART", value_parser = role)]
    part: Role,
    /// Files, or folders whose contents are put in
    #[arg(required = true, value_name = "PATH")]
    paths: Vec<PathBuf>,
    /// A folder of that name within the part, as for a second read
    #[arg(long, value_name = "FOLDER")]
    name: Option<String>,
    /// Let a new version of a file take the place of the former one, which stays in the history
    #[arg(long)]
    replace: bool,
}

pub(super) fn run(common: &Common, args: &Args) -> Outcome {
    let shelf = common.shelf()?;
    let job = shelf.job_named(&args.job)?;
    let mut files = Vec::new();
    for path in &args.paths {
        files.extend(shelf.gather(path, args.part, args.name.as_deref())?);
    }
    let places = places_of(&files);
    let layouts = layouts_among(&files);
    let mut done = shelf.put(&job, files, args.replace, &common.act())?;
    let next = match args.part {
        Role::ReadBack => {
            let stored = shelf.stored(&job)?;
            let held = readings(&stored.files(done.version)?);
            let layout = match stored.layout(done.version)? {
                Some(_) => "",
                None => " -l LAYOUT",
            };
            prove(&job, &places, &held, layout)
        }
        Role::AsFound | Role::AfterSwap => look(&job, &places),
        Role::Layout => {
            let stored = shelf.stored(&job)?;
            done.cautions
                .extend(faulty(&job, &stored, done.version, &layouts)?);
            goes_by(&job, &stored, done.version, &layouts)?
        }
        _ => None,
    };
    let next =
        next.unwrap_or_else(|| format!("`cellkeep shelf show {job}` shows the job as it is now"));
    tell_done(common, &done, &next)
}

/// How to look at readings just put in.
pub(super) fn look(job: &str, places: &BTreeSet<String>) -> Option<String> {
    let commands: Vec<String> = places
        .iter()
        .map(|place| format!("`cellkeep examine shelf:{job}/{place}`"))
        .collect();
    (!commands.is_empty()).then(|| commands.join(", "))
}

/// Which of the layouts just put in break the rules of the language; they are kept as they are.
fn faulty(
    job: &str,
    stored: &Stored,
    version: u32,
    put: &BTreeMap<String, String>,
) -> Result<Vec<String>, Failure> {
    let texts = stored.layouts(version)?;
    let mut out = Vec::new();
    for (id, at) in put {
        let Some(text) = texts.get(id) else { continue };
        if let Err(error) = layout::from_texts(&format!("{id}.toml"), text, &texts) {
            let says = error.to_string();
            let first = says.lines().next().unwrap_or_default();
            out.push(format!(
                "{id}.toml is kept as it is, but nothing can be decoded by it: {first}; `cellkeep layout check shelf:{job}/{at}` shows each"
            ));
        }
    }
    Ok(out)
}

/// Which layout the job goes by, after others were put in: the one its record names stays.
fn goes_by(
    job: &str,
    stored: &Stored,
    version: u32,
    put: &BTreeMap<String, String>,
) -> Result<Option<String>, Failure> {
    let used = stored.layout(version)?.map(|held| match held {
        HeldLayout::Kept { id, .. } | HeldLayout::Named(id) => id,
    });
    let others: Vec<String> = put
        .iter()
        .filter(|(id, _)| Some(*id) != used.as_ref())
        .map(|(_, at)| format!("`--layout shelf:{job}/{at}`"))
        .collect();
    let others = others.join(" or ");
    Ok(match used {
        _ if put.is_empty() => None,
        Some(used) if others.is_empty() => {
            let held = readings(&stored.files(version)?);
            held.first().map(|first| {
                format!(
                    "`cellkeep decode shelf:{job}/{}` goes by {used}",
                    first.place
                )
            })
        }
        Some(used) => Some(format!(
            "the job goes by layout {used} still; to go by another, give a command {others}"
        )),
        None => Some(format!(
            "the job does not say which of its layouts it goes by; give a command {others}"
        )),
    })
}

/// How to prove readings just read back: each against what was written last.
fn prove(job: &str, places: &BTreeSet<String>, held: &[ReadingAt], layout: &str) -> Option<String> {
    let written = held
        .iter()
        .filter(|reading| reading.role == Role::AsWritten)
        .max_by_key(|reading| reading.since);
    let Some(written) = written else {
        return (!places.is_empty()).then(|| {
            format!("to prove it, put in what was written: `cellkeep shelf put {job} --as as-written FOLDER`")
        });
    };
    let commands: Vec<String> = places
        .iter()
        .map(|place| {
            format!(
                "`cellkeep verify shelf:{job}/{} shelf:{job}/{place}{layout}`",
                written.place
            )
        })
        .collect();
    (!commands.is_empty()).then(|| format!("prove it: {}, then hand over", commands.join(" and ")))
}
