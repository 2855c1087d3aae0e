//! The sessions of the README are real: each command is run as printed, and must say what the README says it says.
//!
//! In a block of kind `console`, a line that begins with `$ ` is a command, and the lines up to the next one are its
//! output. A line of three dots stands for any number of lines. All blocks share one folder; `$ cd` moves within it.

#![cfg(unix)]
#![allow(clippy::expect_used, clippy::panic)]

use std::path::{Path, PathBuf};
use std::process::Command;

/// A command with the output it is said to have.
struct Session {
    line: usize,
    command: String,
    output: Vec<String>,
}

fn sessions(text: &str) -> Vec<Session> {
    let mut sessions: Vec<Session> = Vec::new();
    let mut inside = false;
    for (number, line) in text.lines().enumerate() {
        if line.starts_with("```") {
            inside = line == "```console";
        } else if let Some(command) = line.strip_prefix("$ ").filter(|_| inside) {
            sessions.push(Session {
                line: number + 1,
                command: command.to_owned(),
                output: Vec::new(),
            });
        } else if let Some(session) = sessions.last_mut().filter(|_| inside) {
            session.output.push(line.to_owned());
        }
    }
    for session in &mut sessions {
        while session.output.last().is_some_and(String::is_empty) {
            session.output.pop();
        }
    }
    sessions
}

/// Whether lines are what was said, three dots standing for any number of them.
fn agree(said: &[String], got: &[&str]) -> bool {
    match said.split_first() {
        None => got.is_empty(),
        Some((dots, rest)) if dots == "..." => (0..=got.len()).any(|n| agree(rest, &got[n..])),
        Some((line, rest)) => got.first() == Some(&line.as_str()) && agree(rest, &got[1..]),
    }
}

#[test]
fn the_readme_says_what_the_program_says() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let readme = std::fs::read_to_string(root.join("README.md")).expect("the README");
    let bench = tempfile::tempdir().expect("a folder");
    let program = Path::new(env!("CARGO_BIN_EXE_cellkeep"));
    let folder = program.parent().expect("the program lies in a folder");
    let path = format!(
        "{}:{}",
        folder.display(),
        std::env::var("PATH").unwrap_or_default()
    );
    let mut at: PathBuf = bench.path().to_owned();
    let sessions = sessions(&readme);
    assert!(
        sessions.len() >= 8,
        "only {} commands were found",
        sessions.len()
    );
    for session in &sessions {
        if let Some(to) = session.command.strip_prefix("cd ") {
            at = at.join(to);
            assert!(
                at.is_dir(),
                "README.md:{}: {} is no folder",
                session.line,
                at.display()
            );
            continue;
        }
        let output = Command::new("sh")
            .args(["-c", &format!("{{ {}; }} 2>&1", session.command)])
            .current_dir(&at)
            .env("PATH", &path)
            .env("NO_COLOR", "1")
            .env_remove("CELLKEEP_SHELF")
            .env("CELLKEEP_LAYOUTS", bench.path().join("no-layouts-here"))
            .output()
            .expect("a shell");
        let got = String::from_utf8_lossy(&output.stdout);
        let mut lines: Vec<&str> = got.lines().collect();
        while lines.last().is_some_and(|l| l.is_empty()) {
            lines.pop();
        }
        assert!(
            agree(&session.output, &lines),
            "README.md:{}: `{}` says:\n{got}",
            session.line,
            session.command
        );
    }
}
