//! `plan`: the swap step by step, for this instrument and this job.

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::time::Duration;

use super::inputs::write_file;
use super::output::{paragraph, print_text, quoted, say};
use super::supply::SupplyArgs;
use super::{Failure, Outcome, Status};
use crate::document::to_json;
use crate::plan::{Plan, Progress, Stage, Step, Subject, plan};
use crate::sheet;
use crate::shelf::{HeldLayout, JobShown, ReadingAt, Reference, Role, Shelf, readings};
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
    #[arg(long, value_name = "FILE", value_parser = super::inputs::html_file)]
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
    let (mut held, mut kept) = (None, None);
    if let Some(job) = &args.job {
        let shelf = Shelf::open(
            &super::shelf::place(args.shelf.as_deref())?,
            Duration::from_secs(30),
        )?;
        (progress, held, kept) = of_job(&shelf, job)?;
    }
    progress.said.clone_from(&args.done);
    progress.measured = args.supply.measured.map(|i| i.to_string());
    let layout = match (args.supply.layout()?, held) {
        (None, Some(held)) => Some(held.load()?),
        (named, _) => named,
    };
    // A layout of one's own is known by its place only: the one that was named, or that of the job.
    let called = match (args.supply.layout_named(), &layout) {
        (Some(name), Some(_)) => Some(quoted(name)),
        (None, Some(own)) if crate::layout::load(&own.id).is_err() => kept,
        _ => None,
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
        called,
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

/// What [`of_job`] gives.
type OfJob = (Progress, Option<HeldLayout>, Option<String>);

/// What a job on the shelf shows to be done, the layout it has, and a reference to that.
fn of_job(shelf: &Shelf, name: &str) -> Result<OfJob, Failure> {
    let reference = Reference::parse_loose(name)?;
    let id = shelf.job_named(&reference.job)?;
    let stored = shelf.stored(&id)?;
    let version = stored.version_or_head(reference.version)?;
    let shown = JobShown {
        folder: String::new(),
        version,
        record: stored.record(version)?,
        files: stored.files(version)?,
        history: stored.versions(),
        visits: Vec::new(),
    };
    let kept = shown
        .files
        .iter()
        .find(|f| f.role == Some(Role::Layout) && f.path.ends_with(".toml"))
        .map(|f| quoted(&format!("shelf:{}/{}", reference.job, f.path)));
    Ok((progress_of(&shown), stored.layout(version)?, kept))
}

/// The shortest time between two readings that counts as a night without power, hours (common practice, no source). The
/// shelf knows when readings were put in; whoever puts both in on the next day says so with --done.
const NIGHT: i64 = 6;

/// What the files of a job show. Files of different forms are not compared: that is for `verify` and the technician's word.
fn progress_of(job: &JobShown) -> Progress {
    let readings = readings(&job.files);
    let mut sets: BTreeMap<String, usize> = BTreeMap::new();
    for reading in &readings {
        *sets.entry(reading.role.word().to_owned()).or_default() += 1;
    }
    // Files of a role that is no reading count one by one.
    let papers = job.files.iter().filter_map(|file| file.role);
    for role in papers.filter(|role| !role.is_reading()) {
        *sets.entry(role.word().to_owned()).or_default() += 1;
    }
    let settled = sets
        .contains_key(Role::Settled.word())
        .then(|| "the job holds a settled reading".to_owned());
    Progress {
        job: Some(job.record.job.clone()),
        sets,
        reads_agree: agreeing(&readings).or(settled),
        closed: job.record.closed.as_ref().map(|c| c.at.clone()),
        ..read_back(job, &readings)
    }
}

/// Two readings as found that have the same files.
fn agreeing(readings: &[ReadingAt]) -> Option<String> {
    let found = |reading: &&ReadingAt| reading.role == Role::AsFound;
    let reads: Vec<&ReadingAt> = readings.iter().filter(found).collect();
    let name = |reading: &ReadingAt| match reading.place.split_once('/') {
        Some((_, name)) => name.to_owned(),
        None => "the first".to_owned(),
    };
    reads.iter().enumerate().find_map(|(i, one)| {
        let other = reads[i + 1..].iter().find(|b| b.files == one.files)?;
        let (one, other) = (name(one), name(other));
        Some(format!("{one} and {other} are the same to the bit"))
    })
}

/// Whether the chips hold what was written, by the last reading read back and not by any before it; and whether they
/// still did so a night after they first did.
fn read_back(job: &JobShown, readings: &[ReadingAt]) -> Progress {
    let of = |role: Role| readings.iter().filter(move |reading| reading.role == role);
    // One that was written after the reading must be the same: else it has not been read back.
    let is_written = |back: &ReadingAt| {
        of(Role::AsWritten).any(|written| written.files == back.files)
            && of(Role::AsWritten)
                .all(|written| written.since <= back.since || written.files == back.files)
    };
    // Of those put in together one that fails counts as the last.
    let mut backs: Vec<(&ReadingAt, bool)> = of(Role::ReadBack)
        .map(|back| (back, is_written(back)))
        .collect();
    backs.sort_by_key(|(back, good)| (back.since, !good));
    let Some(&(last, good)) = backs.last() else {
        return Progress::default();
    };
    let Some(written) = of(Role::AsWritten).max_by_key(|written| written.since) else {
        return Progress::default();
    };
    if !good {
        let id = &job.record.job;
        return Progress {
            not_written_back: Some(format!(
                "The files of {}, the last reading read back, are not those of {}, written last: `cellkeep verify shelf:{id}/{} \
                 shelf:{id}/{}` tells what differs",
                last.place, written.place, written.place, last.place
            )),
            ..Progress::default()
        };
    }
    let at = |back: &ReadingAt| {
        let version = job.history.iter().find(|v| v.version == back.since)?;
        version.at.parse::<jiff::Timestamp>().ok()
    };
    let since = backs
        .iter()
        .rposition(|(_, good)| !good)
        .map_or(0, |i| i + 1);
    let first = backs[since].0;
    let hours = at(last)
        .zip(at(first))
        .map(|(last, first)| (last.as_second() - first.as_second()) / 3600);
    Progress {
        written_back: Some(format!(
            "{}, the last reading read back, is to the bit what was written",
            last.place
        )),
        kept_overnight: hours.filter(|hours| *hours >= NIGHT).map(|hours| {
            format!(
                "{}, put in {hours} hours after {}, is to the bit what was written",
                last.place, first.place
            )
        }),
        ..Progress::default()
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
        // Where there is nothing to write down there is nothing to measure: the figure is to be known.
        let head = match expect.write {
            Some(_) => "      measure ",
            None => "      expect ",
        };
        paragraph(head, &format!("{}{figure}{write}", expect.says));
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
    use crate::shelf::VersionAt;

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
            ..Subject::default()
        };
        let plan = plan(&subject, &Progress::default()).unwrap();
        let commands: Vec<&String> = plan.steps().flat_map(|s| &s.commands).collect();
        assert!(commands.len() > 15);
        for command in commands {
            // The one word a technician must replace by a number.
            let line = command.replace("MILLIVOLTS", "1.2");
            let parsed = crate::cli::command().try_get_matches_from(words(&line));
            assert!(parsed.is_ok(), "{command}: {}", parsed.unwrap_err());
        }
    }

    /// A job of such files, each by path, digest and version, and of versions made at such hours of one day.
    fn job(files: &[(&str, &str, u32)], hours: &[u32]) -> JobShown {
        let files: Vec<serde_json::Value> = files
            .iter()
            .map(|(path, digest, since)| {
                let role = Role::of_path(path).map(Role::word);
                serde_json::json!({ "path": path, "role": role, "digest": digest, "since": since })
            })
            .collect();
        let record = serde_json::json!({
            "job": "quillon-72-0042", "instrument": "Quillon 72", "opened": "2031-05-04T00:00:00Z",
        });
        let history = hours.iter().enumerate().map(|(i, hour)| VersionAt {
            version: i as u32 + 1,
            at: format!("2031-05-04T{hour:02}:00:00Z"),
            by: "bench".to_owned(),
            says: String::new(),
            files: 1,
        });
        JobShown {
            folder: String::new(),
            version: 1,
            record: serde_json::from_value(record).unwrap(),
            files: serde_json::from_value(files.into()).unwrap(),
            history: history.collect(),
            visits: Vec::new(),
        }
    }

    #[test]
    fn two_reads_that_agree_are_seen() {
        let progress = progress_of(&job(
            &[
                ("as-found/first-read/a.bin", "11", 1),
                ("as-found/first-read/b.bin", "22", 1),
                ("as-found/first-read/reading.json", "99", 1),
                ("as-found/second-read/a.bin", "11", 1),
                ("as-found/second-read/b.bin", "22", 1),
                ("photograph/panel.jpg", "33", 1),
                ("photograph/board.jpg", "44", 1),
            ],
            &[0],
        ));
        assert_eq!(progress.sets["as-found"], 2);
        assert_eq!(progress.sets["photograph"], 2);
        let proof = progress.reads_agree.unwrap();
        assert_eq!(proof, "first-read and second-read are the same to the bit");
    }

    #[test]
    fn documents_alone_are_no_reading_and_prove_nothing() {
        let progress = progress_of(&job(
            &[
                ("as-found/one/notes.json", "11", 1),
                ("as-found/two/other.json", "22", 1),
                ("as-written/notes.json", "33", 1),
                ("read-back/other.json", "44", 1),
            ],
            &[0],
        ));
        assert_eq!(progress.reads_agree, None);
        assert_eq!(progress.written_back, None);
        assert_eq!(progress.sets.len(), 0);
    }

    #[test]
    fn the_last_reading_read_back_is_what_counts() {
        let written = ("as-written/a.bin", "12", 1);
        let day = ("read-back/a.bin", "12", 2);
        let night = ("read-back/night/a.bin", "12", 3);
        let of = |files: &[(&str, &str, u32)]| progress_of(&job(files, &[8, 9, 15, 23]));

        let once = of(&[written, day]);
        assert!(once.written_back.unwrap().starts_with("read-back, "));
        assert_eq!(once.kept_overnight, None);
        assert_eq!(of(&[day]).written_back, None);

        // 9 to 15 hours are a night's rest; two readings in one hour are not.
        let both = of(&[written, day, night]);
        assert!(
            both.kept_overnight
                .unwrap()
                .contains("6 hours after read-back")
        );
        let soon = progress_of(&job(&[written, day, night], &[8, 9, 10, 23]));
        assert!(soon.written_back.is_some() && soon.kept_overnight.is_none());

        // One that fails after them undoes both, in whatever folder it is; the night begins anew after it.
        for failed in ["read-back/week-two/a.bin", "read-back/early/a.bin"] {
            let undone = of(&[written, day, night, (failed, "13", 4)]);
            assert!(undone.written_back.is_none() && undone.kept_overnight.is_none());
            let says = undone.not_written_back.unwrap();
            assert!(
                says.contains(failed.strip_suffix("/a.bin").unwrap()),
                "{says}"
            );
        }
        let anew = of(&[
            written,
            day,
            ("read-back/x/a.bin", "13", 3),
            ("read-back/y/a.bin", "12", 4),
        ]);
        assert!(anew.written_back.is_some() && anew.kept_overnight.is_none());

        // What was written after it has not been read back, unless it is the same.
        let again = |digest| of(&[written, day, ("as-written/edited/a.bin", digest, 3)]);
        assert_eq!(again("14").written_back, None);
        assert!(again("12").written_back.is_some());
    }

    #[test]
    fn two_reads_that_differ_do_not_clear_the_sign() {
        for second in [
            vec![("as-found/two/a.bin", "12", 1)],
            vec![("as-found/two/b.bin", "11", 1)],
        ] {
            let mut files = vec![("as-found/one/a.bin", "11", 1)];
            files.extend(second);
            let progress = progress_of(&job(&files, &[0]));
            assert_eq!(progress.sets["as-found"], 2);
            assert_eq!(progress.reads_agree, None);
        }
        let settled = progress_of(&job(&[("settled/a.bin", "11", 1)], &[0]));
        assert!(settled.reads_agree.is_some());
    }
}
