//! The program's own system calls, as strace (Debian package strace) tells and changes them: killed before each, and the
//! power lost after any of them.
#![allow(dead_code)]

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use cellkeep::shelf::{NewJob, Role, Shelf};

use super::common::{FIRST, Place, Rng, act, chips, copy_tree, open, program, sample, text, tree};

/// Calls that change what is on the disk, and the one that takes the turn.
pub(crate) const CHANGING: &str = "openat,mkdir,rename,renameat,renameat2,unlink,unlinkat,rmdir,write,pwrite64,ftruncate,fsync,fdatasync,linkat,fchmod,copy_file_range,flock";
/// A command that writes, and the shelf it starts from.
pub(crate) struct Scenario {
    pub(crate) name: &'static str,
    pub(crate) args: Vec<String>,
    pub(crate) before: PathBuf,
    /// The job it changes.
    job: &'static str,
    /// The version the job is at, what a kill left settled.
    was: u32,
}

/// Every writing command, each with a shelf to start from, below a place.
pub(crate) fn scenarios(place: &Place) -> Vec<Scenario> {
    let reading = place.join("reading");
    fs::create_dir(&reading).unwrap();
    let mut rng = Rng(4);
    for chip in 1..=3 {
        fs::write(reading.join(format!("CH{chip}.bin")), rng.bytes(256)).unwrap();
    }
    let reading = reading.to_string_lossy().into_owned();
    let plain = place.join("plain");
    let shelf = sample(&plain);
    let bag = place.join("bag.zip");
    shelf.hand_over(FIRST, None, &bag, false, &act(0)).unwrap();
    let bag = bag.to_string_lossy().into_owned();
    let other = place.join("other");
    let elsewhere = Shelf::set_up(&other).unwrap();
    let new = NewJob {
        name: Some("elsewhere".into()),
        instrument: "Wrenfield Strings".into(),
        ..NewJob::default()
    };
    elsewhere
        .open_job(new, chips(&mut rng, Role::AsFound, 2, 200), &act(0))
        .unwrap();
    elsewhere.note("elsewhere", "x", false, &act(1)).unwrap();
    let object = other.join("jobs/elsewhere").to_string_lossy().into_owned();
    let damaged = place.join("damaged");
    copy_tree(&plain, &damaged);
    let content = damaged.join("jobs").join(FIRST).join("v1/content/as-found");
    fs::write(content.join("CH1.bin"), "gone").unwrap();
    fs::remove_file(content.join("CH2.bin")).unwrap();
    fs::write(damaged.join("jobs").join(FIRST).join("extra"), "x").unwrap();
    let nothing = place.join("nothing");
    fs::create_dir(&nothing).unwrap();
    let case = |name, args: &[&str], before: &Path, job| Scenario {
        name,
        args: args.iter().map(|a| (*a).to_owned()).collect(),
        before: before.to_owned(),
        job,
        was: match (name, job) {
            ("set-up", _) => 0,
            ("after a kill", _) => 5,
            _ => head(before, job),
        },
    };
    let mut all = vec![
        case("set-up", &["set-up"], &nothing, ""),
        case(
            "open",
            &[
                "open",
                "--name",
                "fresh",
                "--instrument",
                "Pellow Six",
                "--as-found",
                &reading,
            ],
            &plain,
            "fresh",
        ),
        case(
            "put",
            &["put", FIRST, "--as", "donor", &reading],
            &plain,
            FIRST,
        ),
        case(
            "put --replace",
            &["put", FIRST, "--as", "as-found", "--replace", &reading],
            &plain,
            FIRST,
        ),
        case("note", &["note", FIRST, "a note"], &plain, FIRST),
        case("close", &["close", FIRST, "--words", "done"], &plain, FIRST),
        case(
            "take-in a bag",
            &["take-in", &bag, "--name", "fresh"],
            &plain,
            "fresh",
        ),
        case("take-in a job", &["take-in", &object], &plain, "elsewhere"),
        case("repair", &["repair", FIRST], &damaged, FIRST),
        case("index", &["index"], &plain, ""),
    ];
    // A command that first has to settle what a kill left, itself killed: the version is in its place and its inventory
    // already the job's, but not yet the digest of it.
    let half = place.join("half");
    copy_tree(&plain, &half);
    let put = &all[2];
    let renames = calls(&put.args, &half, CHANGING, place)
        .iter()
        .filter(|c| c.name == "rename" && c.text.contains("/staging/"))
        .count();
    assert!(renames > 5);
    fs::remove_dir_all(&half).unwrap();
    copy_tree(&plain, &half);
    let at = {
        let trial = place.join("trial");
        copy_tree(&plain, &trial);
        let list = calls(&put.args, &trial, CHANGING, place);
        fs::remove_dir_all(&trial).unwrap();
        list.iter()
            .filter(|c| c.name == "rename")
            .position(|c| {
                c.text
                    .contains(&format!("/jobs/{FIRST}/inventory.json.sha256"))
            })
            .unwrap()
            + 1
    };
    injected(&put.args, &half, &format!("rename:signal=KILL:when={at}"));
    assert_eq!(fs::read_dir(half.join("staging")).unwrap().count(), 1);
    all.push(case(
        "after a kill",
        &["note", FIRST, "the next morning"],
        &half,
        FIRST,
    ));
    all
}

/// One system call.
#[derive(Debug, Clone)]
pub(crate) struct Call {
    pub(crate) name: String,
    /// The arguments but for their quoted texts.
    pub(crate) plain: String,
    /// The arguments, with the beginnings of their texts.
    pub(crate) text: String,
    /// The bytes of the quoted arguments.
    pub(crate) strings: Vec<Vec<u8>>,
    pub(crate) result: i64,
    /// Which call of its name it is, from 1.
    number: usize,
}

fn strace() -> Command {
    let found = std::env::split_paths(&std::env::var_os("PATH").unwrap_or_default())
        .any(|f| f.join("strace").is_file());
    assert!(
        found,
        "strace is missing: apt-get install strace, or run tests/run"
    );
    Command::new("strace")
}

fn traced(options: &[&str], args: &[String], root: &Path) -> Output {
    let plain = program(root);
    let mut command = strace();
    command
        .args(options)
        .arg(plain.get_program())
        .arg("shelf")
        .args(args);
    for (name, value) in plain.get_envs() {
        command.env(name, value.unwrap());
    }
    command.output().unwrap()
}

/// The calls a command makes. It must succeed.
pub(crate) fn calls(args: &[String], root: &Path, set: &str, place: &Place) -> Vec<Call> {
    let log = place.join("calls.log");
    let log_text = log.to_string_lossy().into_owned();
    let output = traced(
        &[
            "-xx",
            "-s",
            "4000000",
            "-o",
            &log_text,
            "-e",
            &format!("trace={set},close"),
        ],
        args,
        root,
    );
    assert!(
        output.status.success(),
        "{args:?}: {}",
        text(&output.stderr)
    );
    let mut numbers: BTreeMap<String, usize> = BTreeMap::new();
    fs::read_to_string(&log)
        .unwrap()
        .lines()
        .filter_map(|line| {
            let (name, rest) = line.split_once('(')?;
            let (arguments, result) = rest.rsplit_once(" = ")?;
            let arguments = arguments.trim_end().strip_suffix(')')?;
            let result = result.split_whitespace().next()?.parse().unwrap_or(-1);
            let strings: Vec<Vec<u8>> = arguments
                .split('"')
                .skip(1)
                .step_by(2)
                .map(|s| {
                    s.split("\\x")
                        .skip(1)
                        .map(|h| u8::from_str_radix(&h[..2], 16).unwrap())
                        .collect()
                })
                .collect();
            let plain = arguments
                .split('"')
                .step_by(2)
                .collect::<Vec<_>>()
                .join(" ");
            let mut shown = plain.clone();
            for s in &strings {
                shown.push(' ');
                shown.push_str(&String::from_utf8_lossy(&s[..s.len().min(200)]));
            }
            let number = numbers.entry(name.to_owned()).or_default();
            *number += 1;
            Some(Call {
                name: name.to_owned(),
                plain,
                text: shown,
                strings,
                result,
                number: *number,
            })
        })
        .collect()
}

fn injected(args: &[String], root: &Path, inject: &str) -> Output {
    traced(
        &["-qqq", "-o", "/dev/null", "-e", &format!("inject={inject}")],
        args,
        root,
    )
}

/// Whether the program said that what it was told to do is done.
pub(crate) fn acknowledged(output: &[u8]) -> bool {
    let said = String::from_utf8_lossy(output);
    [
        "is on the shelf",
        "a new shelf is at",
        "the index knows",
        "next: `cellkeep shelf audit`",
    ]
    .iter()
    .any(|s| said.contains(s))
}

/// How many versions a job has, 0 for none.
fn head(root: &Path, job: &str) -> u32 {
    open(root)
        .and_then(|s| s.stored(job))
        .map_or(0, |s| s.head())
}

impl Scenario {
    /// What the next command finds must be whole, old or new, and nothing else; it tells which.
    pub(crate) fn check(&self, root: &Path, acknowledged: bool) -> Result<bool, String> {
        if self.name == "set-up" {
            return match open(root) {
                Ok(shelf)
                    if shelf
                        .audit(None)
                        .is_ok_and(|a| a.shelf.iter().all(|f| f.code == "shelf.index.behind")) =>
                {
                    Ok(true)
                }
                Ok(_) => Err("a shelf that is not whole".into()),
                Err(_) if acknowledged => Err("acknowledged, but no shelf".into()),
                Err(_) => Shelf::set_up(root)
                    .map(|_| false)
                    .map_err(|e| format!("cannot be set up again: {e}")),
            };
        }
        let shelf = open(root).map_err(|e| format!("does not open: {e}"))?;
        shelf
            .find(&Default::default())
            .map_err(|e| format!("nothing is found: {e}"))?;
        let turn = shelf.turn().map_err(|e| format!("no turn: {e}"))?;
        drop(turn);
        let was = self.was;
        if self.name == "repair" {
            match shelf.repair_job(self.job, &act(0)) {
                Ok(again) if acknowledged && !again.is_nothing() => {
                    return Err("acknowledged, but not repaired".into());
                }
                Ok(_) => {}
                Err(e) => return Err(format!("cannot be repaired again: {e}")),
            }
        }
        let audit = shelf.audit(None).map_err(|e| e.to_string())?;
        if !audit.is_clean() {
            return Err(format!(
                "{:?} {:?} {:?}",
                audit.shelf, audit.damaged, audit.missing
            ));
        }
        let is = shelf.stored(self.job).map_or(0, |s| s.head());
        let full = if self.name == "take-in a job" {
            2
        } else {
            was + 1
        };
        let changes = !matches!(self.name, "repair" | "index");
        if changes && is != was && is != full {
            return Err(format!("version {was} became {is}"));
        }
        let new = is != was;
        if changes && acknowledged && !new {
            return Err("acknowledged and lost".into());
        }
        if new
            && shelf
                .find(&Default::default())
                .map_err(|e| e.to_string())?
                .iter()
                .all(|h| h.job.job != self.job)
        {
            return Err("on the shelf, but not found".into());
        }
        self.check_files(root)?;
        Ok(new)
    }

    /// Everything that was there is there unchanged, and there is no litter.
    fn check_files(&self, root: &Path) -> Result<(), String> {
        let old = tree(&self.before);
        let new = tree(root);
        for (name, bytes) in &old {
            let lasting = name.starts_with("jobs/") || name.starts_with("parity/");
            let own = [
                format!("jobs/{}/inventory.json", self.job),
                format!("jobs/{}/inventory.json.sha256", self.job),
            ];
            if lasting
                && self.name != "repair"
                && !own.contains(name)
                && new.get(name) != Some(bytes)
            {
                return Err(format!("{name} is not as it was"));
            }
        }
        let version = |name: &str| {
            name.starts_with(&format!("jobs/{}/", self.job))
                || name.starts_with(&format!("parity/{}/", self.job))
        };
        for name in new.keys().filter(|n| !old.contains_key(*n)) {
            let known = version(name)
                || name.starts_with("damaged/")
                || matches!(
                    name.as_str(),
                    "damaged/"
                        | "index/shelf.sqlite"
                        | "index/shelf.sqlite-wal"
                        | "index/shelf.sqlite-shm"
                        | "staging/"
                );
            if !known {
                return Err(format!("litter: {name}"));
            }
        }
        Ok(())
    }
}

/// What a trial came to.
#[derive(Debug, Default)]
pub(crate) struct Tally {
    pub(crate) tried: usize,
    pub(crate) old: usize,
    pub(crate) new: usize,
    /// Commands that told of success in spite of the failure, and rightly.
    pub(crate) succeeded: usize,
    /// Runs that ended before the call they were to be killed at.
    pub(crate) not_killed: usize,
    pub(crate) wrong: Vec<String>,
}

impl Tally {
    pub(crate) fn count(&mut self, outcome: Result<bool, String>, what: impl Fn() -> String) {
        self.tried += 1;
        match outcome {
            Ok(false) => self.old += 1,
            Ok(true) => self.new += 1,
            Err(e) => self.wrong.push(format!("{}: {e}", what())),
        }
    }
}

pub(crate) fn fresh(scenario: &Scenario, root: &Path) {
    if root.exists() {
        fs::remove_dir_all(root).unwrap();
    }
    copy_tree(&scenario.before, root);
}

/// Kills each writing command before every `step`-th of its state-changing calls.
pub(crate) fn kills(step: usize) -> Tally {
    let place = Place::new();
    let mut tally = Tally::default();
    for scenario in scenarios(&place) {
        let root = place.join("shelf");
        fresh(&scenario, &root);
        let changing: Vec<Call> = calls(&scenario.args, &root, CHANGING, &place)
            .into_iter()
            .filter(|c| c.name != "openat" || c.text.contains("O_CREAT"))
            .filter(|c| c.name != "close")
            .collect();
        let offset = tally.tried % step;
        for call in changing.iter().skip(offset).step_by(step) {
            fresh(&scenario, &root);
            let output = injected(
                &scenario.args,
                &root,
                &format!("{}:signal=KILL:when={}", call.name, call.number),
            );
            // A call that does not come in every run, such as one more try for the lock, has then nothing to kill.
            tally.not_killed += usize::from(output.status.code().is_some());
            let outcome = scenario.check(&root, acknowledged(&output.stdout));
            tally.count(outcome, || {
                format!(
                    "{} killed before {} {}",
                    scenario.name, call.name, call.text
                )
            });
        }
    }
    tally
}

/// A shelf on a read-only disk: everything can be read, writing says why it cannot. `read_only` makes the folder so and
/// runs the program in it.
pub(crate) fn read_only(run: &dyn Fn(&Path, &[&str]) -> Output) {
    let place = Place::new();
    let root = place.join("shelf");
    let shelf = sample(&root);
    shelf
        .note(
            FIRST,
            "not yet in the main file of the index",
            false,
            &act(500),
        )
        .unwrap();
    let before = tree(&root);
    let out = place.join("out");
    for args in [
        &["list"][..],
        &["find", "main file"],
        &["show", FIRST],
        &["audit"],
        &["take", FIRST, out.to_str().unwrap()],
        &["hand-over", FIRST, place.join("h.zip").to_str().unwrap()],
    ] {
        let output = run(&root, args);
        assert!(
            output.status.success(),
            "{args:?}: {}{}",
            text(&output.stdout),
            text(&output.stderr)
        );
    }
    for args in [
        &["note", FIRST, "x"][..],
        &["open", "--instrument", "X"],
        &["repair", FIRST],
        &["index"],
    ] {
        let output = run(&root, args);
        let complaint = text(&output.stderr);
        assert_eq!(output.status.code(), Some(2), "{args:?}: {complaint}");
        assert!(
            complaint.contains("disk: ") && complaint.contains("cannot be written to"),
            "{complaint}"
        );
    }
    fs::remove_dir_all(&out).unwrap();
    assert_eq!(tree(&root), before);
}
