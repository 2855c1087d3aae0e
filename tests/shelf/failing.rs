//! A disk that fails: every call the program makes on the shelf's files, failing once and for good. `failing.c`, put before
//! the C library's own calls, makes them fail; it is compiled here, as the SQLite of this program is.
#![allow(dead_code)]

use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};

use super::calls::{Scenario, Tally, fresh, scenarios};
use super::common::{Place, program, text};

/// What a call fails with: a word, and the number Linux has for it (errno(3)); 0 is a write that writes half and says so.
const ERRORS: [(&str, u32); 4] = [
    ("EIO", 5),
    ("EACCES", 13),
    ("ENOSPC", 28),
    ("short write", 0),
];
/// Whether it fails this once, with every later call of its name too, or with the whole disk.
const AFTER: [&str; 3] = ["once", "same", "all"];

/// One way of failing.
struct Case<'a> {
    scenario: &'a Scenario,
    /// The number of the call, from 1, and its name and path.
    at: usize,
    call: &'a str,
    error: (&'static str, u32),
    after: &'static str,
}

fn compiled(place: &Place) -> PathBuf {
    let library = place.join("failing.so");
    let source = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/shelf/failing.c");
    let output = Command::new("cc")
        .args(["-shared", "-fPIC", "-O1", "-o"])
        .arg(&library)
        .arg(source)
        .arg("-ldl")
        .output()
        .expect("a C compiler is missing: apt-get install gcc");
    assert!(output.status.success(), "{}", text(&output.stderr));
    library
}

fn run(library: &Path, scenario: &Scenario, root: &Path, tell: &[(&str, &str)]) -> Output {
    program(root)
        .arg("shelf")
        .args(&scenario.args)
        .env("LD_PRELOAD", library)
        .env("FAIL_BELOW", root)
        .envs(tell.iter().copied())
        .output()
        .unwrap()
}

/// The calls a command makes on the shelf's files, in order.
fn listed(library: &Path, scenario: &Scenario, place: &Place) -> Vec<String> {
    let root = place.join("listed");
    fresh(scenario, &root);
    let log = place.join("calls");
    let output = run(
        library,
        scenario,
        &root,
        &[("FAIL_LOG", log.to_str().unwrap())],
    );
    assert!(
        output.status.success(),
        "{}: {}",
        scenario.name,
        text(&output.stderr)
    );
    let calls = std::fs::read_to_string(&log).unwrap();
    std::fs::remove_file(&log).unwrap();
    calls.lines().map(str::to_owned).collect()
}

fn outcome(case: &Case<'_>, library: &Path, root: &Path) -> (Result<bool, String>, bool) {
    fresh(case.scenario, root);
    let output = run(
        library,
        case.scenario,
        root,
        &[
            ("FAIL_AT", &case.at.to_string()),
            ("FAIL_ERROR", &case.error.1.to_string()),
            ("FAIL_AFTER", case.after),
        ],
    );
    let complaint = text(&output.stderr);
    match output.status.code() {
        Some(0 | 1) => (case.scenario.check(root, true), true),
        Some(2) if complaint.contains("cellkeep: ") => (case.scenario.check(root, false), false),
        other => (Err(format!("ended with {other:?}: {complaint}")), false),
    }
}

/// Makes every `step`-th of all cases come about: each call of each writing command, with each error, once and for good.
pub(crate) fn failures(step: usize) -> Tally {
    let place = Place::new();
    let library = compiled(&place);
    let scenarios = scenarios(&place);
    let lists: Vec<Vec<String>> = scenarios
        .iter()
        .map(|scenario| listed(&library, scenario, &place))
        .collect();
    let mut cases = Vec::new();
    for (scenario, list) in scenarios.iter().zip(&lists) {
        for (index, call) in list.iter().enumerate() {
            for error in ERRORS {
                for after in AFTER {
                    let possible = match (error.0, after) {
                        ("short write", "all") => false,
                        ("short write", _) => call.starts_with("write "),
                        // A disk that is gone gives no other error.
                        (name, "all") => name == "EIO",
                        _ => true,
                    };
                    if possible {
                        let at = index + 1;
                        cases.push(Case {
                            scenario,
                            at,
                            call,
                            error,
                            after,
                        });
                    }
                }
            }
        }
    }
    let tally = Mutex::new(Tally::default());
    let next = AtomicUsize::new(step / 2);
    let work = |root: PathBuf| {
        while let Some(case) = cases.get(next.fetch_add(step, Ordering::Relaxed)) {
            let (outcome, succeeded) = outcome(case, &library, &root);
            let mut tally = tally.lock().unwrap();
            tally.succeeded += usize::from(succeeded);
            tally.count(outcome, || {
                let (name, after) = (case.scenario.name, case.after);
                format!(
                    "{name}: call {} ({}), {}, {after}",
                    case.at, case.call, case.error.0
                )
            });
        }
    };
    let threads = std::thread::available_parallelism().map_or(1, |n| n.get());
    std::thread::scope(|scope| {
        for thread in 0..threads {
            let (work, root) = (&work, place.join(&format!("shelf-{thread}")));
            scope.spawn(move || work(root));
        }
    });
    println!("{} cases in all", cases.len());
    tally.into_inner().unwrap()
}
