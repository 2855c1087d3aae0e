//! The rehearsal does what it says, with every instrument, and its commands work when pasted by hand.

#![allow(clippy::expect_used, clippy::panic)]

use std::path::Path;
use std::process::{Command, Output};

/// The first instrument is gone through in the test that repeats its commands.
const OTHERS: [&str; 5] = [
    "aldermoor-eight",
    "pellow-six",
    "quillon-72",
    "wrenfield-strings",
    "tessaly-nine",
];

fn cellkeep(folder: &Path, words: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_cellkeep"))
        .args(words)
        .current_dir(folder)
        .env("NO_COLOR", "1")
        .env("CELLKEEP_LAYOUTS", folder.join("no-layouts-here"))
        .output()
        .expect("the program runs")
}

fn text(output: &Output) -> String {
    assert!(
        output.status.success(),
        "{}\n{}",
        String::from_utf8_lossy(&output.stdout),
        String::from_utf8_lossy(&output.stderr)
    );
    String::from_utf8_lossy(&output.stdout).into_owned()
}

#[test]
fn every_other_instrument_goes_through_the_whole_job() {
    let bench = tempfile::tempdir().expect("a folder");
    std::thread::scope(|scope| {
        for id in OTHERS {
            let bench = bench.path();
            scope.spawn(move || {
                let said = text(&cellkeep(
                    bench,
                    &["rehearse", "--instrument", id, "--output", id],
                ));
                assert!(said.contains("each ended as it must."), "{id}:\n{said}");
                assert!(
                    said.contains("byte for byte what they were"),
                    "{id}:\n{said}"
                );
            });
        }
    });
}

/// Each printed command, pasted into a shell in the printed folder, says what the rehearsal says it says.
#[cfg(unix)]
#[test]
fn commands_can_be_repeated_by_hand() {
    let bench = tempfile::tempdir().expect("a folder");
    let told = text(&cellkeep(
        bench.path(),
        &["rehearse", "--all", "--output", "told"],
    ));
    text(&cellkeep(
        bench.path(),
        &["rehearse", "--list", "--output", "by-hand"],
    ));

    let program = Path::new(env!("CARGO_BIN_EXE_cellkeep"));
    let folder = program.parent().expect("the program lies in a folder");
    let path = format!(
        "{}:{}",
        folder.display(),
        std::env::var("PATH").unwrap_or_default()
    );
    let mut lines = told.lines().peekable();
    let mut repeated = 0;
    while let Some(line) = lines.next() {
        let Some(command) = line.strip_prefix("$ cellkeep ") else {
            continue;
        };
        let output = Command::new("sh")
            .args(["-c", &format!("cellkeep {command} 2>&1")])
            .current_dir(bench.path().join("by-hand"))
            .env("PATH", &path)
            .env("NO_COLOR", "1")
            .env("CELLKEEP_LAYOUTS", bench.path().join("no-layouts-here"))
            .output()
            .expect("a shell");
        for said in String::from_utf8_lossy(&output.stdout).lines() {
            let told = lines.next().map(without_times);
            assert_eq!(told, Some(without_times(said)), "after: {command}");
        }
        repeated += 1;
    }
    assert!(repeated >= 11, "only {repeated} commands were found");
}

/// A line with its times, dates and digests masked, which differ from run to run.
#[cfg(unix)]
fn without_times(line: &str) -> String {
    let time = |word: &str| {
        let digits = word.bytes().filter(u8::is_ascii_digit).count();
        digits >= 6 && (word.contains(':') || word.matches('-').count() == 2)
    };
    let words = line.split(' ').map(|word| match time(word) {
        true => word.replace(|c: char| c.is_ascii_digit(), "#"),
        // The digest of a zip file with times in it.
        false if word.len() == 64 => "#".to_owned(),
        false => word.to_owned(),
    });
    let line = words.collect::<Vec<_>>().join(" ");
    match line.rsplit_once(" in ") {
        Some((before, after)) if after.ends_with(" s") => format!("{before} in # s"),
        _ => line,
    }
}

#[test]
fn a_folder_that_is_no_rehearsal_is_left_alone() {
    let bench = tempfile::tempdir().expect("a folder");
    let mine = bench.path().join("rehearsal");
    std::fs::create_dir(&mine).expect("a folder");
    std::fs::write(mine.join("notes.txt"), "mine").expect("a file");
    for words in [
        &["rehearse", "--list"][..],
        &["rehearse", "--list", "--replace"],
    ] {
        let output = cellkeep(bench.path(), words);
        assert_eq!(output.status.code(), Some(2));
        let notes = std::fs::read_to_string(mine.join("notes.txt")).expect("still there");
        assert_eq!(notes, "mine");
    }
}
