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
    let first: Vec<&str> = text.lines().take(3).collect();
    assert!(first[0].contains("[file.long]"), "{first:?}");
    assert!(
        first.iter().any(|l| l.contains("cellkeep identify")),
        "{first:?}"
    );
}

#[test]
fn two_single_files_are_of_one_chip_whatever_they_are_called() {
    let folder = tempfile::tempdir().expect("a folder");
    for (name, dump_of) in [("new.bin", "today-1"), ("old.bin", "today-2")] {
        let from = dump(&format!("pellow-six/{dump_of}/IC14.bin"));
        std::fs::copy(from, folder.path().join(name)).expect("a copy");
    }
    let run = |args: &[&str]| {
        Command::new(env!("CARGO_BIN_EXE_cellkeep"))
            .args(args)
            .current_dir(folder.path())
            .output()
            .expect("cellkeep starts")
    };
    let out = run(&["examine", "new.bin", "--earlier", "old.bin"]);
    assert_eq!(out.status.code(), Some(0), "{out:?}");
    let out = run(&["settle", "new.bin", "old.bin", "-o", "settled"]);
    assert_eq!(out.status.code(), Some(0), "{out:?}");
    // Two chips that were named are two chips.
    let out = run(&["examine", "IC1=new.bin", "--earlier", "IC2=old.bin"]);
    assert_eq!(out.status.code(), Some(2));
    let says = String::from_utf8_lossy(&out.stderr);
    assert!(says.contains("CHIP=FILE"), "{says}");
}

#[test]
fn the_earlier_reading_may_be_packed_another_way() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path();
    // One cell a byte, then two: the low nibble first.
    let cells: Vec<Vec<u8>> = ["IC4", "IC5"]
        .iter()
        .map(|id| {
            let file = dump(&format!("quillon-72/damaged/glitch/{id}.bin"));
            std::fs::read(file).expect("the dump")
        })
        .collect();
    for (folder, pack) in [("wide", false), ("packed", true)] {
        let to = path.join(folder);
        std::fs::create_dir(&to).expect("a folder");
        for (id, cells) in ["IC4", "IC5"].iter().zip(&cells) {
            let bytes: Vec<u8> = if pack {
                cells.chunks(2).map(|c| c[0] & 15 | c[1] << 4).collect()
            } else {
                cells.clone()
            };
            file(&to, &format!("{id}.bin"), &bytes);
        }
    }
    let run = |more: &[&str]| {
        let mut command = Command::new(env!("CARGO_BIN_EXE_cellkeep"));
        command
            .current_dir(path)
            .args(["examine", "wide", "-l", "quillon-72", "--json"]);
        command.args(["--earlier", "packed"]).args(more);
        let out = command.output().expect("cellkeep starts");
        serde_json::from_slice::<Json>(&out.stdout).expect("a JSON document")
    };
    assert!(codes(&run(&[])).contains(&"file.short"));
    let right = run(&["--earlier-packing", "nibbles-low-first"]);
    assert!(
        codes(&right).iter().all(|c| !c.starts_with("file.")),
        "{right}"
    );
}
