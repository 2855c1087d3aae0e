//! The commands beside `plan` and `solve`, as a person runs them: on files, by the words and the exit status.

use std::path::Path;
use std::process::Command;

use cellkeep::layout;
use cellkeep::trace::plan::{Effort, Plan};
use cellkeep::trace::simulate::{self, Hand};

/// Exit status and what was printed.
fn cellkeep(folder: &Path, arguments: &[&str]) -> (i32, String) {
    let out = Command::new(env!("CARGO_BIN_EXE_cellkeep"))
        .current_dir(folder)
        .args(arguments)
        .output()
        .unwrap();
    let text = [out.stdout, out.stderr].concat();
    (out.status.code().unwrap(), String::from_utf8(text).unwrap())
}

#[test]
fn next_remember_and_audit() {
    let hidden = layout::load("pellow-six").unwrap();
    let (panel, targets) = simulate::panel_of(&hidden).unwrap();
    let plan = Plan::with(&panel, Effort::FULL);
    let hand = Hand {
        jitter: true,
        slips: 0.0,
    };
    let readings = simulate::dial(&hidden, &targets, &plan, hand, 5).unwrap();
    assert_eq!(readings.len(), 2);
    let folder = tempfile::tempdir().unwrap();
    let here = folder.path();
    for (reading, name) in readings.iter().zip(["reading", "shifted"]) {
        std::fs::create_dir(here.join(name)).unwrap();
        for chip in &reading.chips {
            let file = here.join(name).join(format!("{}.bin", chip.id));
            std::fs::write(file, chip.image.values()).unwrap();
        }
    }
    let plan_json = cellkeep::document::to_json(&plan).unwrap();
    std::fs::write(here.join("plan.json"), plan_json).unwrap();

    // A jittering converter leaves low bits open: more settings, in a plan that begins with the old ones.
    let next = [
        "trace",
        "next",
        "plan.json",
        "reading",
        "shifted",
        "--output",
        "longer.json",
    ];
    let (status, said) = cellkeep(here, &next);
    assert_eq!(status, 1, "{said}");
    assert!(said.contains("more settings would settle"), "{said}");
    let longer = std::fs::read_to_string(here.join("longer.json")).unwrap();
    let longer: serde_json::Value = serde_json::from_str(&longer).unwrap();
    assert!(longer["settings"].as_array().unwrap().len() > plan.settings.len());
    // What is there is not overwritten.
    assert_eq!(cellkeep(here, &next).0, 2);

    // The presets of this instrument lie 30 cells apart.
    let (status, said) = cellkeep(here, &["trace", "remember", "reading"]);
    assert_eq!(status, 0, "{said}");
    assert!(said.contains("perhaps 30 cells an entry"), "{said}");

    // A layout is what these seek.
    for command in [
        &["solve", "plan.json", "reading", "shifted"][..],
        &["next", "plan.json", "reading", "shifted"],
        &["remember", "reading"],
    ] {
        let all = [&["trace"], command, &["--layout", "pellow-six"]].concat();
        let (status, said) = cellkeep(here, &all);
        assert_eq!(status, 2, "{said}");
        assert!(said.contains("--layout pellow-six is not taken"), "{said}");
        assert!(said.contains("trace audit pellow-six"), "{said}");
    }

    // A layout is known by its ending.
    let other = [
        "trace",
        "solve",
        "plan.json",
        "reading",
        "shifted",
        "-o",
        "found.json",
    ];
    let (status, said) = cellkeep(here, &other);
    assert_eq!(status, 2, "{said}");
    assert!(said.contains("name it NAME.toml"), "{said}");
    assert!(!here.join("found.json").exists());

    // With its plan a reading proves far more of the layout than alone.
    let noticed = |arguments: &[&str]| -> u64 {
        let (status, said) = cellkeep(here, arguments);
        assert!(status < 2, "{said}");
        let line = said
            .lines()
            .find(|l| l.contains("would be noticed by"))
            .unwrap_or_else(|| panic!("{said}"));
        let numbers: Vec<u64> = line.split(' ').filter_map(|w| w.parse().ok()).collect();
        assert!(numbers[0] <= numbers[1], "{line}");
        numbers[0]
    };
    let alone = noticed(&["trace", "audit", "pellow-six", "reading"]);
    let planned = noticed(&[
        "trace",
        "audit",
        "pellow-six",
        "reading",
        "shifted",
        "--plan",
        "plan.json",
    ]);
    assert!(planned > 2 * alone, "{planned}, alone {alone}");
}

/// A programmer gives a chip of four bits as a byte a cell, in the low half: the plan knows the width, the files do not.
#[test]
fn chips_of_four_bits_are_read_as_the_plan_says() {
    let hidden = layout::from_text("tiny", super::TINY).unwrap();
    let (panel, targets) = simulate::panel_of(&hidden).unwrap();
    let plan = Plan::with(&panel, Effort::FULL);
    let readings = simulate::dial(&hidden, &targets, &plan, Hand::default(), 3).unwrap();
    let folder = tempfile::tempdir().unwrap();
    let here = folder.path();
    let mut solve = vec!["trace", "solve", "plan.json"];
    for (reading, name) in readings.iter().zip(["first", "second"]) {
        std::fs::create_dir(here.join(name)).unwrap();
        let cells = reading.chips[0].image.values();
        std::fs::write(here.join(name).join("U1.bin"), cells).unwrap();
        solve.push(name);
    }
    let plan_json = cellkeep::document::to_json(&plan).unwrap();
    std::fs::write(here.join("plan.json"), plan_json).unwrap();
    solve.extend(["--output", "found.toml"]);
    let (status, said) = cellkeep(here, &solve);
    assert_ne!(status, 2, "{said}");
    let found = std::fs::read_to_string(here.join("found.toml")).unwrap();
    let found = layout::from_text("found", &found).unwrap();
    assert_eq!((found.chips[0].words, found.chips[0].width), (256, 4));
    assert!(
        found.areas.iter().any(|a| a.parameters.len() == 3),
        "{said}"
    );
}
