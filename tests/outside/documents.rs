//! Every JSON document the program writes, validated against the schema it publishes, by an independent validator:
//! PyPI `jsonschema` (tests/outside/requirements.txt), JSON Schema draft 2020-12.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod tools;

use std::collections::BTreeSet;
use std::path::Path;
use std::process::{Command, Output};

use serde_json::{Value, json};
use tools::venv;

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

fn cellkeep(folder: &Path, args: &[&str]) -> Output {
    let output = Command::new(env!("CARGO_BIN_EXE_cellkeep"))
        .args(args)
        .current_dir(folder)
        .env("CELLKEEP_LAYOUTS", folder.join("layouts"))
        .output()
        .unwrap();
    assert!(
        output.status.code().is_some_and(|c| c < 2),
        "{args:?}: {}{}",
        String::from_utf8_lossy(&output.stdout),
        String::from_utf8_lossy(&output.stderr)
    );
    output
}

/// A line a document: its kind, then the command that prints it, or `= FILE` for one that a command left behind.
/// Lines with `-` in place of the kind only prepare. READ, OLD and DAMAGED stand for demonstration readings.
const STEPS: &str = include_str!("documents.txt");

/// The readings of an instrument that was dialled by the plan that `trace plan --layout pellow-six` makes.
fn dialled(folder: &Path) {
    use cellkeep::trace::plan::{Effort, Plan};
    use cellkeep::trace::simulate::{self, Hand};
    let layout = cellkeep::layout::load("pellow-six").unwrap_or_else(|e| panic!("{e}"));
    let (panel, targets) = simulate::panel_of(&layout).unwrap();
    let plan = Plan::with(&panel, Effort::FULL);
    let readings = simulate::dial(&layout, &targets, &plan, Hand::default(), 7).unwrap();
    for (reading, name) in readings.iter().zip(["dialled", "shifted"]) {
        cellkeep::reading::write(reading, &folder.join(name), &Default::default()).unwrap();
    }
}

#[test]
fn every_kind_of_document_is_valid_by_its_published_schema() {
    let python = venv("python");
    let folder = tempfile::tempdir().unwrap();
    let here = folder.path();
    let dumps = root().join("demo-dumps/pellow-six");
    dialled(here);
    let mut cases = Vec::new();
    let mut seen = BTreeSet::new();
    for line in STEPS.lines().map(str::trim) {
        if line.is_empty() || line.starts_with('#') {
            continue;
        }
        let (kind, call) = line.split_once(' ').unwrap();
        let call: Vec<String> = call
            .split_whitespace()
            .map(|word| match word {
                "READ" => dumps.join("today-1").display().to_string(),
                "READ2" => dumps.join("today-2").display().to_string(),
                "OLD" => dumps.join("earlier").display().to_string(),
                "LAYOUT" => root().join("formats/pellow-six.toml").display().to_string(),
                "FORM" => dumps.join("hand-set.toml").display().to_string(),
                word => word.to_owned(),
            })
            .collect();
        let call: Vec<&str> = call.iter().map(String::as_str).collect();
        let text = match call.as_slice() {
            ["=", file] => std::fs::read(here.join(file)).unwrap_or_else(|e| panic!("{file}: {e}")),
            args => cellkeep(here, args).stdout,
        };
        if kind == "-" {
            continue;
        }
        let document: Value = serde_json::from_slice(&text)
            .unwrap_or_else(|e| panic!("{line}: {e}: {}", String::from_utf8_lossy(&text)));
        let schema: Value =
            serde_json::from_slice(&cellkeep(here, &["schema", kind]).stdout).unwrap();
        assert_eq!(document["kind"], kind, "{line}");
        seen.insert(kind.to_owned());
        cases.push(json!({"kind": kind, "schema": schema, "document": document, "headed": true}));
    }
    // A layout is TOML and has no head; the same value as JSON must fit the schema that editors use.
    let text = std::fs::read_to_string(root().join("formats/pellow-six.toml")).unwrap();
    let document: Value = toml::from_str(&text).unwrap();
    let schema: Value =
        serde_json::from_slice(&cellkeep(here, &["schema", "layout"]).stdout).unwrap();
    seen.insert("layout".to_owned());
    cases.push(json!({"kind": "layout", "schema": schema, "document": document, "headed": false}));

    let kinds = String::from_utf8(cellkeep(here, &["schema"]).stdout).unwrap();
    for line in kinds.lines().filter(|l| l.contains(" version ")) {
        let kind = line.split_whitespace().next().unwrap();
        assert!(
            seen.contains(kind),
            "no document of kind {kind} is tried; add one to documents.txt"
        );
    }

    let file = here.join("cases.json");
    std::fs::write(&file, serde_json::to_vec(&cases).unwrap()).unwrap();
    let output = Command::new(python)
        .arg(root().join("tests/outside/documents.py"))
        .arg(&file)
        .output()
        .unwrap();
    assert!(
        output.status.success(),
        "{}{}",
        String::from_utf8_lossy(&output.stdout),
        String::from_utf8_lossy(&output.stderr)
    );
}

/// The digests in `reading.json` are those of coreutils' `sha256sum` over the files beside it.
#[test]
fn digests_are_those_of_sha256sum() {
    let folder = tempfile::tempdir().unwrap();
    let reading = root().join("demo-dumps/aldermoor-four/today-1");
    let args = [
        "copy",
        "--from",
        "preset=1",
        "--to",
        "preset=2",
        "-l",
        "aldermoor-four",
        "-o",
        "out",
    ];
    let mut call = vec![args[0], reading.to_str().unwrap()];
    call.extend(&args[1..]);
    cellkeep(folder.path(), &call);
    let record: Value =
        serde_json::from_slice(&std::fs::read(folder.path().join("out/reading.json")).unwrap())
            .unwrap();
    let mut listed = String::new();
    for chip in record["chips"].as_array().unwrap() {
        let (digest, file) = (
            chip["sha256"].as_str().unwrap(),
            chip["file"].as_str().unwrap(),
        );
        listed.push_str(&format!("{digest}  {file}\n"));
    }
    assert_eq!(listed.lines().count(), 3);
    std::fs::write(folder.path().join("out/SHA256SUMS"), listed).unwrap();
    let output = Command::new("sha256sum")
        .args(["--check", "--strict", "SHA256SUMS"])
        .current_dir(folder.path().join("out"))
        .output()
        .expect("sha256sum is in Debian's coreutils");
    assert!(
        output.status.success(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
}
