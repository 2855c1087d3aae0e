//! What counts as evidence, and what does not.

use super::*;

/// The damaged readings of the demonstration, each with what is wrong with it.
const DAMAGED: [(&str, &str); 5] = [
    ("wrenfield-strings", "plane-lost"),
    ("aldermoor-four", "lost-supply"),
    ("quillon-72", "data-line"),
    ("quillon-72", "glitch"),
    ("pellow-six", "contact-1"),
];

/// The damaged reading with one sound bit turned: another read of the same damaged memory.
fn second_read(case: &Case) -> Reading {
    let examined = examine(&case.damaged, Some(&case.layout), None).expect("it fits");
    let mut read = case.damaged.clone();
    for (chip, image) in read.chips.iter_mut().zip(&examined.contents.undone) {
        let (cell, line) = (image.words() - 1, 0);
        if let Some(bit) = image.bit(cell, line) {
            chip.image.set_bit(cell, line, Some(!bit));
            return read;
        }
    }
    panic!("every chip is lost");
}

/// Of values said to be 99 % sure at most one in a hundred is wrong, whatever other reads are given. The readings are few,
/// so that one more is let pass in each.
#[test]
fn the_same_damage_in_another_read_proves_nothing() {
    for (instrument, damage) in DAMAGED {
        let case = Case::new(instrument, damage);
        let again = vec![("again".to_owned(), second_read(&case))];
        for (with, sources) in [
            ("itself", Sources::default()),
            (
                "a read",
                Sources {
                    reads: again.clone(),
                    ..Sources::default()
                },
            ),
            (
                "a bank",
                Sources {
                    alike: again.clone(),
                    ..Sources::default()
                },
            ),
            (
                "earlier and a read",
                Sources {
                    earlier: case.earlier(),
                    reads: again.clone(),
                    ..Sources::default()
                },
            ),
        ] {
            let plan = case.plan(&sources).expect("one layout");
            let (sure, wrong) = case.judged(&plan, 0.99);
            assert!(
                wrong <= sure / 100 + 1,
                "{instrument} {damage} with {with}: {wrong} of {sure} wrong"
            );
        }
    }
}

#[test]
fn a_read_without_the_damage_mends_it() {
    let case = Case::new("wrenfield-strings", "plane-lost");
    let sources = Sources {
        reads: vec![("sound".to_owned(), case.truth.clone())],
        ..Sources::default()
    };
    let plan = case.plan(&sources).expect("one layout");
    let (sure, wrong) = case.judged(&plan, 0.99);
    assert!(sure > 200 && wrong == 0, "{wrong} of {sure} wrong");
}

#[test]
fn the_reading_itself_is_no_second_witness() {
    let case = Case::new("quillon-72", "data-line");
    let itself = || vec![("copy".to_owned(), case.damaged.clone())];
    for sources in [
        Sources {
            reads: itself(),
            ..Sources::default()
        },
        Sources {
            alike: itself(),
            ..Sources::default()
        },
    ] {
        let error = case.plan(&sources).unwrap_err();
        assert!(matches!(error, MendError::Same { .. }), "{error}");
    }
    let dir = tempfile::tempdir().unwrap();
    let read = dump("quillon-72/damaged/data-line");
    let read = read.to_str().unwrap();
    let also = format!("{read}/.");
    for option in ["--read", "--alike", "--earlier"] {
        for again in [read, &also] {
            let args = [
                "mend",
                read,
                option,
                again,
                "-l",
                "quillon-72",
                "-o",
                "m.toml",
            ];
            let output = program(dir.path(), &args);
            assert_eq!(output.status.code(), Some(2), "{}", said(&output));
            assert!(said(&output).contains("given twice"), "{}", said(&output));
            assert!(!dir.path().join("m.toml").exists());
        }
    }
}

/// The earlier files hold each nibble in the upper half, those of today in the lower.
#[test]
fn earlier_files_may_be_packed_another_way() {
    let case = Case::new("quillon-72", "data-line");
    let dir = tempfile::tempdir().unwrap();
    let folder = dir.path().join("before");
    std::fs::create_dir(&folder).unwrap();
    for chip in &case.earlier.chips {
        let bytes: Vec<u8> = chip.image.values().iter().map(|v| v << 4).collect();
        std::fs::write(folder.join(format!("{}.bin", chip.id)), bytes).unwrap();
    }
    let read = dump("quillon-72/damaged/data-line");
    let args = ["mend", read.to_str().unwrap(), "--earlier", "before"];
    let rest = ["-l", "quillon-72", "-o", "m.toml"];
    let output = program(
        dir.path(),
        &[&args[..], &["--earlier-packing", "high-nibble"], &rest].concat(),
    );
    assert_ne!(output.status.code(), Some(2), "{}", said(&output));
    let line = "--earlier before --earlier-packing high-nibble -o mended";
    assert!(said(&output).contains(line), "{}", said(&output));
    let plan = mend::from_text(&std::fs::read_to_string(dir.path().join("m.toml")).unwrap());
    let sources = Sources {
        earlier: case.earlier(),
        ..Sources::default()
    };
    let expected = case.plan(&sources).unwrap();
    let codes = |plan: &MendPlan| -> Vec<(String, u64)> {
        let proposals = plan.proposals.iter();
        proposals
            .map(|p| (format!("{} {}", p.entry, p.parameter), p.code))
            .collect()
    };
    assert_eq!(codes(&plan.unwrap()), codes(&expected));
    let (sure, wrong) = case.judged(&expected, 0.99);
    assert!(sure > 50 && wrong == 0, "{wrong} of {sure} wrong");
}
