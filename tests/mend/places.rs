//! What is written where: never over an input, and messages that can be followed.

use super::*;

fn copied(from: &Path, to: &Path) {
    std::fs::create_dir(to).unwrap();
    for file in std::fs::read_dir(from).unwrap() {
        let file = file.unwrap();
        std::fs::copy(file.path(), to.join(file.file_name())).unwrap();
    }
}

/// Five cells of a preset overwritten, with the reading from before: each value there is proposed or itemised, and what is
/// proposed is what was there.
#[test]
fn cells_overwritten_are_mended_from_the_earlier_reading() {
    let mut case = Case::new("tessaly-nine", "sagging");
    case.earlier = case.truth.clone();
    case.damaged = case.truth.clone();
    let first = 0x2aaa;
    for cell in first..first + 5 {
        for line in 0..8 {
            case.damaged.chips[0].image.set_bit(cell, line, Some(true));
        }
    }
    let sources = Sources {
        earlier: case.earlier(),
        ..Sources::default()
    };
    let plan = case.plan(&sources).expect("one layout");
    let (all, wrong) = case.judged(&plan, 0.0);
    assert_eq!(wrong, 0, "{:?}", plan.proposals);
    let envelope = plan
        .proposals
        .iter()
        .find(|p| p.parameter == "filter1.envelope");
    assert_eq!(envelope.map(|p| p.code), Some(45));
    // The layout has six parameters in these cells.
    assert!(
        all + plan.losses.len() >= 6,
        "{all} proposed, {:?}",
        plan.losses
    );
}

#[test]
fn no_output_goes_over_an_input() {
    let dir = tempfile::tempdir().unwrap();
    copied(
        &dump("quillon-72/damaged/glitch"),
        &dir.path().join("today"),
    );
    copied(&dump("quillon-72/earlier"), &dir.path().join("before"));
    let mend = ["mend", "today", "--earlier", "before", "-l", "quillon-72"];
    let plan = program(dir.path(), &[&mend[..], &["-o", "m.toml"]].concat());
    assert_ne!(plan.status.code(), Some(2), "{}", said(&plan));
    let trace = [
        "trace",
        "plan",
        "--layout",
        "quillon-72",
        "--output",
        "plan.json",
    ];
    assert_eq!(program(dir.path(), &trace).status.code(), Some(0));
    let files = || {
        let mut out = Vec::new();
        let mut folders = vec![dir.path().to_owned()];
        while let Some(folder) = folders.pop() {
            for entry in std::fs::read_dir(folder).unwrap() {
                let path = entry.unwrap().path();
                match path.is_dir() {
                    true => folders.push(path),
                    false => out.push((path.clone(), std::fs::read(&path).unwrap())),
                }
            }
        }
        out.sort();
        out
    };
    let before = files();
    let apply = ["mend", "--apply", "m.toml", "today", "-l", "quillon-72"];
    let solve = ["trace", "solve", "plan.json", "today"];
    let next = ["trace", "next", "plan.json", "today"];
    let decode = ["decode", "today", "-l", "quillon-72"];
    for (command, outputs) in [
        (
            &mend[..],
            &[
                "today/IC4.bin",
                "./today/../today/IC5.bin",
                "new/../today/IC4.bin",
                "today",
            ][..],
        ),
        (
            &apply[..],
            &[
                "m.toml",
                "new/../m.toml",
                "today",
                "new/../today",
                "today/IC4.bin",
            ],
        ),
        (&solve[..], &["plan.json", "today/IC4.bin"]),
        (&next[..], &["plan.json", "today/IC4.bin"]),
        (&decode[..], &["today/IC4.bin", "new/../today/IC4.bin"]),
    ] {
        for output in outputs {
            let call = [command, &["--output", output, "--replace"]].concat();
            let ended = program(dir.path(), &call);
            // Solving a reading that nothing was dialled for may have nothing to write.
            assert_ne!(ended.status.code(), Some(0), "{call:?}: {}", said(&ended));
            assert_eq!(files(), before, "{call:?}: {}", said(&ended));
        }
    }
}

/// A name with a blank in it as the system's shell takes it.
const QUOTED: &str = if cfg!(windows) {
    "\"to day\""
} else {
    "'to day'"
};

#[test]
fn messages_can_be_followed() {
    let dir = tempfile::tempdir().unwrap();
    copied(
        &dump("quillon-72/damaged/glitch"),
        &dir.path().join("to day"),
    );
    copied(&dump("quillon-72/earlier"), &dir.path().join("before"));
    let in_ticks = |text: &str| -> Vec<String> {
        let line = text.lines().find(|l| l.starts_with("next:")).unwrap();
        let command = line.split('`').nth(1).unwrap();
        assert!(command.starts_with("cellkeep mend"), "{command}");
        command
            .replace(QUOTED, "to\u{a0}day")
            .split(' ')
            .skip(1)
            .map(|w| w.replace('\u{a0}', " "))
            .collect()
    };
    let follow = |words: &[String]| {
        let words: Vec<&str> = words.iter().map(String::as_str).collect();
        let output = program(dir.path(), &words);
        assert_ne!(
            output.status.code(),
            Some(2),
            "{words:?}: {}",
            said(&output)
        );
        said(&output)
    };
    let examine = [
        "examine",
        "to day",
        "--earlier",
        "before",
        "-l",
        "quillon-72",
    ];
    let told = follow(&examine.map(str::to_owned));
    let told = follow(&in_ticks(&told));
    assert!(told.contains("lost or left open"), "{told}");
    follow(&in_ticks(&told));
    assert!(dir.path().join("mended/reading.json").is_file());
    let plan = std::fs::read_to_string(dir.path().join("mend.toml")).unwrap();
    let apply = format!("cellkeep mend --apply mend.toml {QUOTED} -l quillon-72 -o mended");
    assert!(plan.contains(&apply), "{plan}");

    // A plan is printed without a place, and what applying came to as a document.
    let json = |args: &[&str]| -> serde_json::Value {
        let output = program(dir.path(), args);
        assert_ne!(output.status.code(), Some(2), "{}", said(&output));
        serde_json::from_slice(&output.stdout).unwrap()
    };
    let printed = json(&[
        "mend",
        "to day",
        "--earlier",
        "before",
        "-l",
        "quillon-72",
        "--json",
    ]);
    assert_eq!(printed["kind"], "mend-plan");
    let applied = json(&[
        "mend",
        "--apply",
        "mend.toml",
        "to day",
        "-l",
        "quillon-72",
        "--at-least",
        "0.9",
        "-o",
        "again",
        "--json",
    ]);
    assert_eq!(applied["kind"], "mend-record");
    assert!(applied["applied"].as_u64() > Some(0), "{applied}");
}

#[test]
fn an_order_put_back_or_not_is_told() {
    let dir = tempfile::tempdir().unwrap();
    let at = |of: &str| dump(&format!("aldermoor-eight/{of}")).display().to_string();
    let (damaged, earlier) = (at("damaged/boards-exchanged"), at("earlier"));
    let files = ["-l", "aldermoor-eight"];
    let made = program(
        dir.path(),
        &[
            &["mend", &damaged, "--earlier", &earlier, "-o", "m.toml"][..],
            &files,
        ]
        .concat(),
    );
    assert_ne!(made.status.code(), Some(2), "{}", said(&made));
    let apply = ["mend", "--apply", "m.toml", &damaged, "--earlier", &earlier];
    let left = program(dir.path(), &[&apply[..], &files, &["-o", "left"]].concat());
    assert!(said(&left).contains("left out of order"), "{}", said(&left));
    let plan = std::fs::read_to_string(dir.path().join("m.toml")).unwrap();
    let accepted = plan.replacen("[reorder]\naccept = false", "[reorder]\naccept = true", 1);
    assert_ne!(accepted, plan);
    std::fs::write(dir.path().join("m.toml"), accepted).unwrap();
    let put = program(dir.path(), &[&apply[..], &files, &["-o", "put"]].concat());
    assert!(said(&put).contains("put back in order"), "{}", said(&put));
}
