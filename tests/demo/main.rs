//! The dumps in `demo-dumps` are what the generator makes, and what they say they are.

#![allow(clippy::expect_used, clippy::panic)]

mod bank;
mod damage;
mod dumps;
mod files;
mod patch;
mod rng;
mod visits;

use std::path::{Path, PathBuf};

use cellkeep::bank::Decoded;
use cellkeep::codec::checks::{self, Verdict};
use cellkeep::compare::{compare, verify::verify};
use cellkeep::layout::{self, model::Layout};
use cellkeep::reading::{self, ReadingSpec};

const INSTRUMENTS: [&str; 6] = [
    "aldermoor-four",
    "aldermoor-eight",
    "pellow-six",
    "quillon-72",
    "wrenfield-strings",
    "tessaly-nine",
];

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

fn load(id: &str) -> Layout {
    let path = root().join(format!("formats/{id}.toml"));
    layout::load(&path.to_string_lossy()).unwrap_or_else(|e| panic!("{e}"))
}

fn folder(id: &str, visit: &str) -> PathBuf {
    root().join("demo-dumps").join(id).join(visit)
}

fn decoded<'a>(layout: &'a Layout, visit: &str) -> Decoded<'a> {
    let spec = ReadingSpec::path(folder(&layout.id, visit));
    let reading = reading::load(&spec, Some(layout)).unwrap_or_else(|e| panic!("{e}"));
    assert!(
        reading.findings.is_empty(),
        "{}/{visit}: {:#?}",
        layout.id,
        reading.findings
    );
    Decoded::new(layout, &reading).unwrap_or_else(|e| panic!("{e}"))
}

#[test]
fn the_generator_makes_the_files_that_are_there() {
    let made = dumps::all(load);
    let there = on_disk(&root().join("demo-dumps")).expect("demo-dumps can be read");
    let names = |tree: &dumps::Tree| tree.keys().cloned().collect::<Vec<_>>();
    assert_eq!(names(&made), names(&there));
    for (path, contents) in &made {
        assert!(
            there[path] == *contents,
            "{path} is not what the generator makes"
        );
    }
    let bytes: usize = made.values().map(Vec::len).sum();
    assert!(
        bytes < 3_000_000,
        "{bytes} bytes of demonstration are too many"
    );
}

#[test]
fn today_was_read_twice_alike_and_read_back_alike() {
    for id in INSTRUMENTS {
        let layout = load(id);
        let today = decoded(&layout, "today-1");
        for other in ["today-2", "read-back"] {
            let verification = verify(&today, &decoded(&layout, other));
            assert_eq!(verification.wrong_bits, 0, "{id}/{other}");
            assert!(
                verification.compared_bits > 1000,
                "{id}/{other} compared {}",
                verification.compared_bits
            );
        }
    }
}

#[test]
fn the_owner_changed_a_little_since_the_last_visit() {
    for id in INSTRUMENTS {
        let layout = load(id);
        let (earlier, today) = (decoded(&layout, "earlier"), decoded(&layout, "today-1"));
        let changed = compare(&earlier, &today).totals.bits;
        let all: u64 = layout
            .chips
            .iter()
            .map(|c| u64::from(c.words) * u64::from(c.width))
            .sum();
        assert!(
            changed > 0 && changed < all / 8,
            "{id}: {changed} of {all} bits"
        );
    }
}

#[test]
fn every_check_of_a_sound_bank_holds_and_of_a_damaged_one_does_not() {
    let failing = |d: &Decoded<'_>| {
        let results = checks::verify(d.layout, &d.memory);
        results
            .iter()
            .filter(|r| r.verdict != Verdict::Holds)
            .count()
    };
    for id in INSTRUMENTS {
        let layout = load(id);
        for visit in ["earlier", "today-1"] {
            assert_eq!(failing(&decoded(&layout, visit)), 0, "{id}/{visit}");
        }
    }
    for id in ["pellow-six", "wrenfield-strings", "tessaly-nine"] {
        let layout = load(id);
        assert!(failing(&decoded(&layout, "damaged/sagging")) > 0, "{id}");
    }
}

#[test]
fn a_bank_has_repeats_and_blanks_and_voices_mostly_alike() {
    let layout = load("aldermoor-four");
    let today = decoded(&layout, "today-1");
    let (area, codes) = (&layout.areas[0], &today.codes.areas[0]);
    let entry =
        |e: usize| -> Vec<u64> { (0..area.fields.len()).map(|f| codes.get(e, f).0).collect() };
    let alike = (0..16)
        .filter(|p| (1..4).all(|v| entry(p * 4) == entry(p * 4 + v)))
        .count();
    assert!(
        (8..16).contains(&alike),
        "{alike} of 16 presets have all voices alike"
    );
    let whole = |p: usize| -> Vec<u64> { (0..4).flat_map(|v| entry(p * 4 + v)).collect() };
    let repeated = (0..16)
        .filter(|p| (0..16).any(|q| q != *p && whole(*p) == whole(q)))
        .count();
    assert!(repeated >= 2, "{repeated} presets have a twin");
}

#[test]
fn filled_forms_are_read_with_one_position_left_out() {
    for id in INSTRUMENTS {
        let layout = load(id);
        let text = std::fs::read_to_string(folder(id, "hand-set.toml")).expect("a filled form");
        let (form, findings) =
            cellkeep::hand_set::read_form(&layout, &text).unwrap_or_else(|e| panic!("{e}"));
        let codes: Vec<&str> = findings.iter().map(|f| f.code.as_str()).collect();
        assert_eq!(codes, ["hand-set.empty"], "{id}");
        let unread = form.controls.iter().filter(|c| c.number.is_none()).count();
        assert_eq!(unread, 1, "{id}");
        assert_eq!(form.serial, "0117");
    }
}

/// Reads what lies under a folder, in the same shape.
fn on_disk(root: &Path) -> std::io::Result<dumps::Tree> {
    fn walk(at: &Path, prefix: &str, tree: &mut dumps::Tree) -> std::io::Result<()> {
        for entry in std::fs::read_dir(at)? {
            let entry = entry?;
            let name = entry.file_name().to_string_lossy().into_owned();
            let path = if prefix.is_empty() {
                name
            } else {
                format!("{prefix}/{name}")
            };
            if entry.file_type()?.is_dir() {
                walk(&entry.path(), &path, tree)?;
            } else {
                tree.insert(path, std::fs::read(entry.path())?);
            }
        }
        Ok(())
    }
    let mut tree = dumps::Tree::new();
    walk(root, "", &mut tree)?;
    Ok(tree)
}
