//! An earlier reading is examined itself, and what was not read is not sound; asked of the command.

use std::path::{Path, PathBuf};
use std::process::Command;

use serde_json::Value as Json;

use crate::rng::Rng;

fn dump(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("demo-dumps")
        .join(path)
}

/// Examines a reading, beside an earlier one if there is one.
fn examined(layout: &str, reading: &Path, earlier: Option<&Path>) -> (Option<i32>, Json) {
    let mut command = Command::new(env!("CARGO_BIN_EXE_cellkeep"));
    command.arg("examine").arg(reading);
    command.args(["-l", layout, "--json"]);
    if let Some(earlier) = earlier {
        command.arg("--earlier").arg(earlier);
    }
    let out = command.output().expect("cellkeep starts");
    let json = serde_json::from_slice(&out.stdout).expect("a JSON document");
    (out.status.code(), json)
}

fn codes(document: &Json) -> Vec<&str> {
    let findings = document["findings"].as_array().expect("findings");
    findings.iter().filter_map(|f| f["code"].as_str()).collect()
}

fn count(document: &Json, verdict: &str) -> usize {
    let entries = document["entries"].as_array().expect("entries");
    entries.iter().filter(|e| e["verdict"] == verdict).count()
}

/// The bytes as a file in a folder.
fn file(folder: &Path, name: &str, bytes: &[u8]) -> PathBuf {
    let path = folder.join(name);
    std::fs::write(&path, bytes).expect("a file");
    path
}

#[test]
fn the_same_damage_in_the_earlier_reading_hides_nothing() {
    // As demo-dumps/PROVENANCE.md says what each is damaged by.
    for (layout, damaged, code) in [
        ("aldermoor-four", "lost-supply", "chip.power-up"),
        ("wrenfield-strings", "plane-lost", "chip.power-up"),
        ("quillon-72", "data-line", "line.stuck"),
        ("aldermoor-four", "sagging", "decay.scattered"),
    ] {
        let path = dump(&format!("{layout}/damaged/{damaged}"));
        let (_, alone) = examined(layout, &path, None);
        let (status, beside) = examined(layout, &path, Some(&path));
        assert_eq!(status, Some(1));
        let found = codes(&beside);
        assert!(found.contains(&code), "{layout} {damaged}: {found:?}");
        assert!(found.contains(&"earlier.damaged"), "{found:?}");
        assert_eq!(count(&beside, "damaged"), count(&alone, "damaged"));
        assert_eq!(beside["earlier"], false);
    }
}

#[test]
fn an_earlier_reading_that_lost_a_chip_still_tells_of_the_others() {
    let damaged = dump("aldermoor-four/damaged/lost-supply");
    let sound = dump("aldermoor-four/today-1");
    let (status, document) = examined("aldermoor-four", &sound, Some(&damaged));
    assert_eq!(status, Some(1));
    assert!(codes(&document).contains(&"earlier.damaged"));
    assert_eq!(document["earlier"], true);
    assert_eq!(count(&document, "damaged") + count(&document, "suspect"), 0);
}

#[test]
fn a_blank_or_random_earlier_reading_is_no_former_bank() {
    let folder = tempfile::tempdir().expect("a folder");
    let mut rng = Rng::new(71);
    let random: Vec<u8> = (0..2048).map(|_| rng.next() as u8).collect();
    let sound = dump("pellow-six/today-1/IC14.bin");
    for (name, bytes) in [
        ("zero.bin", vec![0; 2048]),
        ("ones.bin", vec![0xff; 2048]),
        ("random.bin", random),
    ] {
        let earlier = file(folder.path(), name, &bytes);
        let (status, document) = examined("pellow-six", &sound, Some(&earlier));
        assert_eq!(
            (status, codes(&document)),
            (Some(1), vec!["earlier.damaged"]),
            "{name}"
        );
        assert_eq!(document["earlier"], false);
    }
}

#[test]
fn an_earlier_file_cut_short_is_told() {
    let folder = tempfile::tempdir().expect("a folder");
    let sound = dump("pellow-six/today-1/IC14.bin");
    let bytes = std::fs::read(&sound).expect("the dump");
    let cut = file(folder.path(), "cut.bin", &bytes[..700]);
    let (status, document) = examined("pellow-six", &sound, Some(&cut));
    assert_eq!((status, codes(&document)), (Some(1), vec!["file.short"]));
    let says = document["findings"][0]["says"]
        .as_str()
        .expect("a sentence");
    assert!(says.starts_with("the earlier reading: "), "{says}");
}

#[test]
fn what_was_not_read_is_not_sound() {
    let folder = tempfile::tempdir().expect("a folder");
    let bytes = std::fs::read(dump("pellow-six/today-1/IC14.bin")).expect("the dump");
    // 64 presets, settings, tuning and the rest: 72 entries.
    for (length, sound) in [(1, 0), (1024, 34)] {
        let part = file(folder.path(), "part.bin", &bytes[..length]);
        let (status, document) = examined("pellow-six", &part, None);
        assert_eq!(status, Some(1));
        assert_eq!(codes(&document), ["file.short", "reading.unread"]);
        assert_eq!(count(&document, "sound"), sound, "{length}");
        assert_eq!(count(&document, "suspect"), 1);
        let entries = document["entries"].as_array().expect("entries");
        let unread = entries.iter().filter(|e| e["why"] == "not read").count();
        assert_eq!(unread, 72 - 1 - sound);
    }
}

#[test]
fn a_file_of_another_size_comes_first_with_where_to_ask() {
    let out = Command::new(env!("CARGO_BIN_EXE_cellkeep"))
        .arg("examine")
        .arg(dump("tessaly-nine/today-1/IC41.bin"))
        .args(["-l", "pellow-six"])
        .output()
        .expect("cellkeep starts");
    let text = String::from_utf8(out.stdout).expect("text");
    let first: Vec<&str> = text.lines().take(2).collect();
    assert!(first[0].contains("[file.long]"), "{first:?}");
    assert!(
        first.iter().any(|l| l.contains("cellkeep identify")),
        "{first:?}"
    );
}
