//! `plan`: the swap step by step, for this instrument and this job.

use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;
use std::time::Duration;

use super::inputs::write_file;
use super::output::{paragraph, print_text, say};
use super::supply::SupplyArgs;
use super::{Failure, Outcome, Status};
use crate::document::to_json;
use crate::plan::{Plan, Progress, Stage, Step, Subject, plan};
use crate::sheet;
use crate::shelf::{HeldLayout, JobShown, Reference, Role, Shelf};
use crate::standby::{self, Setup, StandbyError, Verdict};

/// Print the swap of the battery as an ordered list: what to do, what to run, what to measure, when to stop.
///
/// The figures to expect are those of `standby`, which takes the same options. With a job on the shelf the list tells
/// what is done already and what is next. The exit status is 1 when something must be put right before the swap.
#[derive(clap::Args)]
#[command(after_help = "\
Examples:
  cellkeep plan --layout aldermoor-four
  cellkeep plan --layout aldermoor-four --change-to er14250 --sheet swap.html
  cellkeep plan --layout pellow-six --job pellow-six-0031 --done open.unplug --done open.look
  cellkeep plan --battery nicd-pack --chip 5101x4")]
pub(crate) struct Args {
    #[command(flatten)]
    supply: SupplyArgs,
    /// A job on the shelf: what it holds is done
    #[arg(long, value_name = "JOB")]
    job: Option<String>,
    /// The shelf's folder; without it, `cellkeep/shelf` where this computer keeps a user's data
    #[arg(long = "shelf", value_name = "FOLDER", env = "CELLKEEP_SHELF")]
    shelf: Option<PathBuf>,
    /// A step that is done, by the name in brackets; may be repeated
    #[arg(long = "done", value_name = "STEP")]
    done: Vec<String>,
    /// Write the plan as a sheet to print, with boxes to tick
    #[arg(long, value_name = "FILE")]
    sheet: Option<PathBuf>,
    /// The paper it is printed on
    #[arg(long, value_enum, default_value = "a4", requires = "sheet")]
    paper: Paper,
    /// Replace the sheet if it exists
    #[arg(long, requires = "sheet")]
    replace: bool,
    /// Print the plan as a JSON document
    #[arg(long)]
    json: bool,
}

/// The paper of a sheet.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
enum Paper {
    /// 210 by 297 mm.
    A4,
    /// 8.5 by 11 inches.
    Letter,
}

pub(crate) fn run(args: &Args) -> Outcome {
    let mut progress = Progress::default();
    let mut held = None;
    if let Some(job) = &args.job {
        let shelf = Shelf::open(
            &super::shelf::place(args.shelf.as_deref())?,
            Duration::from_secs(30),
        )?;
        (progress, held) = of_job(&shelf, job)?;
    }
    progress.said.clone_from(&args.done);
    progress.measured = args.supply.measured.map(|i| i.to_string());
    let layout = match (args.supply.layout()?, held) {
        (None, Some(held)) => Some(held.load()?),
        (named, _) => named,
    };
    let tables = args.supply.tables()?;
    let request = args.supply.request()?;
    let supply = match Setup::resolve(&request, layout.as_ref(), &tables) {
        Ok(setup) => {
            let report = standby::answer(&setup, args.supply.change_to.as_deref(), &tables)?;
            Ok((setup, report))
        }
        // A plan without figures is still a plan.
        Err(error @ StandbyError::Missing { .. }) => Err(error.to_string()),
        Err(error) => return Err(error.into()),
    };
    let subject = Subject {
        layout: layout.as_ref(),
        supply: supply.as_ref().ok().map(|(s, r)| (s, r)),
        no_figures: supply.as_ref().err().cloned(),
    };
    let plan = plan(&subject, &progress)?;
    if let Some(path) = &args.sheet {
        let paper = match args.paper {
            Paper::A4 => sheet::Paper::A4,
            Paper::Letter => sheet::Paper::Letter,
        };
        write_file(
            path,
            sheet::plan::page(&plan, paper).as_bytes(),
            args.replace,
        )?;
    }
    if args.json {
        print_text(&to_json(&plan)?);
    } else if let Some(path) = &args.sheet {
        say!("sheet: {}", path.display());
        next(&plan);
    } else {
        show(&plan);
        next(&plan);
    }
    let bad =
        supply.is_ok_and(|(_, report)| report.answers.iter().any(|a| a.verdict == Verdict::Bad));
    Ok(if bad { Status::Findings } else { Status::Clean })
}

/// What a job on the shelf shows to be done, and the layout it has.
fn of_job(shelf: &Shelf, name: &str) -> Result<(Progress, Option<HeldLayout>), Failure> {
    let reference = Reference::parse_loose(name)?;
    let id = shelf.job_named(&reference.job)?;
    let stored = shelf.stored(&id)?;
    let version = stored.version_or_head(reference.version)?;
    let shown = JobShown {
        folder: String::new(),
        version,
        record: stored.record(version)?,
        files: stored.files(version)?,
        history: Vec::new(),
        visits: Vec::new(),
    };
    Ok((progress_of(&shown), stored.layout(version)?))
}

/// Readings lie in folders of their role, or directly in it; their files, without the records that are no chip's, tell
/// whether two agree. Files of different forms are not compared: that is for `verify` and the technician's word.
fn progress_of(job: &JobShown) -> Progress {
    let mut sets: BTreeMap<String, BTreeMap<String, BTreeSet<(String, String)>>> = BTreeMap::new();
    for file in &job.files {
        let Some(role) = file.role else { continue };
        let rest = file.path.split_once('/').map_or("", |(_, rest)| rest);
        let (set, name) = rest.rsplit_once('/').unwrap_or(("", rest));
        // Files of a role that is no reading count one by one.
        let reading = matches!(
            role,
            Role::AsFound
                | Role::AfterSwap
                | Role::Settled
                | Role::Mended
                | Role::AsWritten
                | Role::ReadBack
        );
        let set = if reading { set } else { rest };
        let files = sets
            .entry(role.word().to_owned())
            .or_default()
            .entry(set.to_owned())
            .or_default();
        if !name.ends_with(".json") {
            files.insert((name.to_owned(), file.digest.clone()));
        }
    }
    let settled = sets
        .contains_key(Role::Settled.word())
        .then(|| "the job holds a settled reading".to_owned());
    let agree = sets.get(Role::AsFound.word()).and_then(|reads| {
        let names: Vec<&String> = reads.keys().collect();
        names.iter().enumerate().find_map(|(i, a)| {
            let b = names[i + 1..].iter().find(|b| reads[**b] == reads[*a])?;
            let name = |n: &str| {
                if n.is_empty() {
                    "the first".to_owned()
                } else {
                    n.to_owned()
                }
            };
            Some(format!(
                "{} and {} are the same to the bit",
                name(a),
                name(b)
            ))
        })
    });
    let of = |role: Role| sets.get(role.word()).into_iter().flat_map(BTreeMap::values);
    let written_back = of(Role::ReadBack)
        .filter(|back| of(Role::AsWritten).any(|written| written == *back))
        .count();
    Progress {
        job: Some(job.record.job.clone()),
        written_back,
        sets: sets
            .iter()
            .map(|(role, sets)| (role.clone(), sets.len()))
            .collect(),
        reads_agree: agree.or(settled),
        closed: job.record.closed.as_ref().map(|c| c.at.clone()),
        measured: None,
        said: Vec::new(),
    }
}

fn show(plan: &Plan) {
    let job = plan
        .job
        .as_ref()
        .map_or(String::new(), |j| format!(", job {j}"));
    say!("Battery swap: {}{job}", plan.instrument);
    match (&plan.battery, &plan.change_to) {
        (Some(old), Some(new)) => say!("{old}, to be changed to {new}"),
        (Some(old), None) => say!("{old}"),
        _ => {}
    }
    if let Some(why) = &plan.no_figures {
        paragraph(
            "? ",
            &format!("No figures to expect: {why}. Give them as to `cellkeep standby`."),
        );
    }
    for (i, stage) in plan.stages.iter().enumerate() {
        say!();
        say!("{}. {}", i + 1, stage.title);
        show_stage(stage);
    }
    say!();
    say!("{}", plan.defer);
}

fn show_stage(stage: &Stage) {
    let mut told: Vec<&str> = Vec::new();
    for step in &stage.steps {
        say!();
        let tick = if step.done.is_some() { "x" } else { " " };
        paragraph(
            &format!("  [{tick}] "),
            &format!("{} [{}]", step.does, step.key),
        );
        show_details(step);
        for caution in &step.cautions {
            let again = told.contains(&caution.key.as_str());
            told.push(&caution.key);
            if again {
                paragraph("      ! ", &format!("{} (as above).", caution.title));
            } else {
                paragraph("      ! ", &format!("{}. {}", caution.title, caution.text));
            }
        }
    }
    if let Some(stop) = &stage.stop {
        let cleared = if stage.cleared { " (cleared)" } else { "" };
        say!();
        paragraph("  STOP  ", &format!("{stop}{cleared}"));
    }
}

fn show_details(step: &Step) {
    if let Some(proof) = &step.done {
        paragraph("      done: ", proof);
    }
    for point in &step.points {
        paragraph("      - ", point);
    }
    for command in &step.commands {
        // Not folded: it is to be pasted.
        say!("      $ {command}");
    }
    for expect in &step.expects {
        let figure = expect
            .figure
            .as_deref()
            .map_or(String::new(), |f| format!(": {f}"));
        let write = expect
            .write
            .as_deref()
            .map_or(String::new(), |u| format!("  ______ {u}"));
        paragraph("      measure ", &format!("{}{figure}{write}", expect.says));
    }
}

fn next(plan: &Plan) {
    let all = plan.steps().count();
    let done = plan.steps().filter(|s| s.done.is_some()).count();
    say!();
    say!("{done} of {all} steps are known to be done; --done STEP adds what the shelf cannot show");
    match plan.next() {
        (Some(step), stop) => {
            if let Some(stop) = stop {
                paragraph("stop: ", stop);
            }
            paragraph("next: ", &format!("[{}] {}", step.key, step.does));
        }
        (None, _) => say!("next: nothing; the job is done"),
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]
    use super::*;
    use crate::cli::Arguments;
    use clap::CommandFactory;

    /// Words of a command line as a shell splits them; quotes only.
    fn words(line: &str) -> Vec<String> {
        let mut words = vec![String::new()];
        let mut quoted = false;
        for c in line.chars() {
            match c {
                '"' => quoted = !quoted,
                ' ' if !quoted => words.push(String::new()),
                c => words.last_mut().unwrap().push(c),
            }
        }
        words
    }

    #[test]
    fn every_command_of_the_plan_is_one_of_the_program() {
        let layout = crate::layout::load("aldermoor-four").unwrap();
        let tables = standby::Tables::built_in().unwrap();
        let setup = Setup::resolve(&standby::Request::default(), Some(&layout), &tables).unwrap();
        let report = standby::answer(&setup, Some("er14250"), &tables).unwrap();
        let subject = Subject {
            layout: Some(&layout),
            supply: Some((&setup, &report)),
            no_figures: None,
        };
        let plan = plan(&subject, &Progress::default()).unwrap();
        let commands: Vec<&String> = plan.steps().flat_map(|s| &s.commands).collect();
        assert!(commands.len() > 15);
        for command in commands {
            // The one word a technician must replace by a number.
            let line = command.replace("MILLIVOLTS", "1.2");
            let parsed = Arguments::command().try_get_matches_from(words(&line));
            assert!(parsed.is_ok(), "{command}: {}", parsed.unwrap_err());
        }
    }

    fn job(files: &[(&str, &str)]) -> JobShown {
        let files: Vec<serde_json::Value> = files
            .iter()
            .map(|(path, digest)| {
                let role = Role::of_path(path).map(Role::word);
                serde_json::json!({ "path": path, "role": role, "digest": digest, "since": 1 })
            })
            .collect();
        let record = serde_json::json!({
            "job": "quillon-72-0042", "instrument": "Quillon 72", "opened": "2031-05-04T10:00:00Z",
        });
        JobShown {
            folder: String::new(),
            version: 1,
            record: serde_json::from_value(record).unwrap(),
            files: serde_json::from_value(files.into()).unwrap(),
            history: Vec::new(),
            visits: Vec::new(),
        }
    }

    #[test]
    fn two_reads_that_agree_are_seen() {
        let progress = progress_of(&job(&[
            ("as-found/first-read/a.bin", "11"),
            ("as-found/first-read/b.bin", "22"),
            ("as-found/first-read/reading.json", "99"),
            ("as-found/second-read/a.bin", "11"),
            ("as-found/second-read/b.bin", "22"),
            ("photograph/panel.jpg", "33"),
            ("photograph/board.jpg", "44"),
        ]));
        assert_eq!(progress.sets["as-found"], 2);
        assert_eq!(progress.sets["photograph"], 2);
        let proof = progress.reads_agree.unwrap();
        assert_eq!(proof, "first-read and second-read are the same to the bit");
    }

    #[test]
    fn what_was_read_back_must_be_what_was_written() {
        let mut files = vec![
            ("as-written/a.bin", "11"),
            ("as-written/edited/changes.json", "77"),
            ("as-written/edited/a.bin", "12"),
            ("read-back/day/a.bin", "12"),
            ("read-back/night/a.bin", "13"),
        ];
        assert_eq!(progress_of(&job(&files)).written_back, 1);
        files[4].1 = "12";
        assert_eq!(progress_of(&job(&files)).written_back, 2);
        assert_eq!(progress_of(&job(&files[3..])).written_back, 0);
    }

    #[test]
    fn two_reads_that_differ_do_not_clear_the_sign() {
        for second in [
            vec![("as-found/two/a.bin", "12")],
            vec![("as-found/two/b.bin", "11")],
        ] {
            let mut files = vec![("as-found/one/a.bin", "11")];
            files.extend(second);
            let progress = progress_of(&job(&files));
            assert_eq!(progress.sets["as-found"], 2);
            assert_eq!(progress.reads_agree, None);
        }
        let settled = progress_of(&job(&[("settled/a.bin", "11")]));
        assert!(settled.reads_agree.is_some());
    }
}
