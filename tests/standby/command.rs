//! The two commands as a technician runs them: exit status, last lines, files, documents.

use std::path::Path;
use std::process::{Command, Output};

use serde_json::Value as Json;

fn cellkeep(folder: &Path, words: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_cellkeep"))
        .args(words)
        .current_dir(folder)
        .env("CELLKEEP_SHELF", folder.join("shelf"))
        .env("CELLKEEP_BY", "bench")
        .env("CELLKEEP_LAYOUTS", folder.join("no-layouts-here"))
        .output()
        .expect("the program starts")
}

fn out(output: &Output) -> String {
    String::from_utf8(output.stdout.clone()).expect("text")
}

fn err(output: &Output) -> String {
    String::from_utf8(output.stderr.clone()).expect("text")
}

fn folder() -> tempfile::TempDir {
    tempfile::tempdir().expect("a folder")
}

#[test]
fn exit_status_tells_the_verdict() {
    let at = folder();
    let coin = [
        "standby",
        "--battery",
        "cr2032",
        "--blocking",
        "schottky",
        "--series-resistor",
        "1k",
    ];
    for (more, status) in [
        (&["--current", "1 uA"][..], 0),
        (&["--current", "1 uA", "--measured", "1mV/1k"], 0),
        (&["--chip", "6116", "--measured", "260 uA"], 1),
        (&["--chip", "6116", "--temperature", "400"], 2),
        (&["--chip", "6116", "--capacity", "-5mAh"], 2),
        (
            &[
                "--chip",
                "6116",
                "--temperature",
                "20",
                "--profile",
                "rest@20",
            ],
            2,
        ),
        (&["--chip", "6116x0"], 2),
        (&["--current", "5"], 2),
    ] {
        let words: Vec<&str> = coin.iter().chain(more).copied().collect();
        let done = cellkeep(at.path(), &words);
        assert_eq!(
            done.status.code(),
            Some(status),
            "{more:?}: {}{}",
            out(&done),
            err(&done)
        );
    }
}

#[test]
fn the_last_lines_tell_what_comes_next() {
    let at = folder();
    let done = cellkeep(at.path(), &["standby", "--layout", "pellow-six"]);
    let text = out(&done);
    assert!(text.starts_with("Pellow Six on "), "{text}");
    assert!(text.contains("Never charge primary lithium"));
    assert!(text.contains("licensed practice decide"));
    let last: Vec<&str> = text.lines().rev().take(2).collect();
    assert!(
        last[1].starts_with("next: ") && last[0].contains("cellkeep plan"),
        "{last:?}"
    );
}

#[test]
fn a_layout_that_is_not_there_is_the_callers_to_mend() {
    let at = folder();
    let done = cellkeep(at.path(), &["standby", "--layout", "no-such-instrument"]);
    assert_eq!(done.status.code(), Some(2));
    assert!(err(&done).contains("no-such-instrument"), "{}", err(&done));
}

#[test]
fn the_sheet_is_a_new_file_and_escapes_what_it_is_given() {
    let at = folder();
    let table = "[source.s]\nkind = \"given\"\ntext = \"<script>alert(1)</script>\"\n[memory.X1]\nname = \"x\"\nretention = { volts = 2.0, from = [\"s\"] }\nstandby = [{ microamps = 1, celsius = 25, from = [\"s\"] }]\n";
    std::fs::write(at.path().join("mine.toml"), table).expect("written");
    let words = [
        "standby",
        "--battery",
        "cr2032",
        "--blocking",
        "schottky",
        "--series-resistor",
        "1k",
        "--chip",
        "X1",
        "--tables",
        "mine.toml",
        "--plot",
    ];
    let with = |more: &[&str]| {
        let words: Vec<&str> = words.iter().chain(more).copied().collect();
        cellkeep(at.path(), &words)
    };
    assert_eq!(with(&["a.html"]).status.code(), Some(0));
    let page = std::fs::read_to_string(at.path().join("a.html")).expect("there");
    assert!(!page.contains("<script") && page.contains("&lt;script&gt;alert(1)"));
    assert!(page.contains("<svg") && page.contains("licensed practice"));
    let again = with(&["a.html"]);
    assert_eq!(again.status.code(), Some(2));
    assert!(err(&again).contains("--replace"));
    assert_eq!(with(&["a.html", "--replace"]).status.code(), Some(0));
    assert_eq!(with(&["a.svg"]).status.code(), Some(0));
    let svg = std::fs::read_to_string(at.path().join("a.svg")).expect("there");
    assert!(svg.starts_with("<?xml") && svg.trim_end().ends_with("</svg>"));
}

#[test]
fn documents_name_their_kind() {
    let at = folder();
    for (words, kind) in [
        (
            &[
                "standby",
                "--layout",
                "aldermoor-four",
                "--json",
                "--change-to",
                "er14250",
            ][..],
            "standby",
        ),
        (&["plan", "--layout", "aldermoor-four", "--json"], "plan"),
    ] {
        let done = cellkeep(at.path(), words);
        let document: Json = serde_json::from_str(&out(&done)).expect("JSON");
        assert_eq!(document["kind"], kind);
        assert_eq!(document["version"], 1);
        let schema = cellkeep(at.path(), &["schema", kind]);
        assert_eq!(schema.status.code(), Some(0));
    }
}

/// A job on the shelf: two reads that agree clear the first sign, and the next step is named.
#[test]
fn a_job_on_the_shelf_tells_what_is_done() {
    let at = folder();
    for (name, bytes) in [("one", [1u8; 2048]), ("two", [1u8; 2048])] {
        std::fs::create_dir(at.path().join(name)).expect("made");
        std::fs::write(at.path().join(name).join("IC14.bin"), bytes).expect("written");
    }
    let run = |words: &[&str]| {
        let done = cellkeep(at.path(), words);
        assert!(done.status.code() != Some(2), "{words:?}: {}", err(&done));
        out(&done)
    };
    run(&["shelf", "set-up"]);
    run(&[
        "shelf",
        "open",
        "--instrument",
        "Pellow Six",
        "--layout",
        "pellow-six",
        "--name",
        "pellow-1",
    ]);
    run(&[
        "shelf",
        "put",
        "pellow-1",
        "--as",
        "as-found",
        "--name",
        "first-read",
        "one",
    ]);
    let one = run(&["plan", "--layout", "pellow-six", "--job", "pellow-1"]);
    assert!(one.contains("done: job pellow-1 is open"), "{one}");
    assert!(one.contains("[x] Read every chip, one file a chip"));
    assert!(one.contains(
        "STOP  Do not touch the battery until two reads agree and the shelf holds them.\n"
    ));
    run(&[
        "shelf",
        "put",
        "pellow-1",
        "--as",
        "as-found",
        "--name",
        "second-read",
        "two",
    ]);
    let two = run(&[
        "plan",
        "--layout",
        "pellow-six",
        "--job",
        "pellow-1",
        "--done",
        "intake.listen",
    ]);
    assert!(
        two.contains("done: first-read and second-read are the same to the bit"),
        "{two}"
    );
    assert!(two.contains("the shelf holds them. (cleared)"));
    assert!(two.contains("[intake.listen]\n      done: said to be done"));
    let unknown = cellkeep(
        at.path(),
        &["plan", "--layout", "pellow-six", "--done", "swap.magic"],
    );
    assert_eq!(unknown.status.code(), Some(2));
}
