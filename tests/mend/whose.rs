//! Documents about another reading are refused, or said to be in doubt.

use super::*;

fn ran(dir: &Path, args: &[&str]) -> (Option<i32>, String) {
    let output = program(dir, args);
    (output.status.code(), said(&output))
}

fn copied(from: &str, to: &Path) {
    std::fs::create_dir(to).unwrap();
    for file in std::fs::read_dir(dump(from)).unwrap() {
        let file = file.unwrap();
        std::fs::copy(file.path(), to.join(file.file_name())).unwrap();
    }
}

/// Three reads of Quillon 72 and the one of before, which was edited since.
fn folder() -> tempfile::TempDir {
    let dir = tempfile::tempdir().unwrap();
    for (to, from) in [
        ("one", "today-1"),
        ("two", "today-2"),
        ("before", "earlier"),
    ] {
        copied(&format!("quillon-72/{from}"), &dir.path().join(to));
    }
    dir
}

const LAYOUT: [&str; 2] = ["-l", "quillon-72"];

/// Writes what examining `before` finds to `found.json`.
fn examined(dir: &Path, with: &[&str]) -> String {
    let output = program(dir, &[&["examine", "before", "--json"], with].concat());
    let text = String::from_utf8(output.stdout).unwrap();
    std::fs::write(dir.join("found.json"), &text).unwrap();
    text
}

#[test]
fn findings_of_another_reading_are_not_marked_on_a_sheet() {
    let dir = folder();
    let dir = dir.path();
    let text = examined(dir, &LAYOUT);
    let sheet = |kind: &str, of: &str| {
        let args = [
            "sheet",
            kind,
            of,
            "--findings",
            "found.json",
            "-o",
            "s.html",
            "--replace",
        ];
        ran(dir, &[&args[..], &LAYOUT].concat())
    };
    for kind in ["patch", "memory"] {
        let (code, said) = sheet(kind, "before");
        assert_eq!(code, Some(0), "{said}");
        assert!(!said.contains("cannot be checked"), "{said}");
        std::fs::remove_file(dir.join("s.html")).unwrap();
        let (code, said) = sheet(kind, "one");
        assert_eq!(code, Some(2), "{said}");
        assert!(
            said.contains("its findings are about other contents: chip"),
            "{said}"
        );
        assert!(said.contains("cellkeep examine"), "{said}");
        assert!(!dir.join("s.html").exists());
    }
    // One of before digests were recorded is taken, and said to be unproved.
    let mut document: serde_json::Value = serde_json::from_str(&text).unwrap();
    assert!(document.as_object_mut().unwrap().remove("chips").is_some());
    std::fs::write(dir.join("found.json"), document.to_string()).unwrap();
    let (code, said) = sheet("patch", "one");
    assert_eq!(code, Some(0), "{said}");
    assert!(said.contains("cannot be checked"), "{said}");
}

#[test]
fn a_bank_does_not_say_which_reading_it_is_from() {
    let dir = folder();
    let dir = dir.path();
    examined(dir, &LAYOUT);
    let bank = program(
        dir,
        &[&["decode", "before", "--json"], &LAYOUT[..]].concat(),
    );
    std::fs::write(dir.join("bank.json"), bank.stdout).unwrap();
    let args = [
        "sheet",
        "patch",
        "bank.json",
        "--findings",
        "found.json",
        "-o",
        "s.html",
    ];
    let (code, said) = ran(dir, &args);
    assert_eq!(code, Some(0), "{said}");
    assert!(
        said.contains("cannot be checked: a bank does not say"),
        "{said}"
    );
}

#[test]
fn votes_about_another_reading_are_refused() {
    let dir = folder();
    let dir = dir.path();
    let (code, said) = ran(
        dir,
        &[&["settle", "one", "two", "-o", "settled"], &LAYOUT[..]].concat(),
    );
    assert_ne!(code, Some(2), "{said}");
    let examine = |of: &str, from: &[&str]| {
        let args = [&["examine", of, "--settled-from"], from, &LAYOUT].concat();
        ran(dir, &args)
    };
    for from in [&["settled"][..], &["one", "two"]] {
        for of in ["settled", "one"] {
            let (code, said) = examine(of, from);
            assert_ne!(code, Some(2), "{of} {from:?}: {said}");
            assert!(!said.contains("votes."), "{said}");
        }
        let (code, said) = examine("before", from);
        assert_eq!(code, Some(2), "{said}");
        assert!(said.contains("the reads do not match"), "{said}");
    }
    // What was edited since it was settled holds other contents, and the votes still hold of the rest.
    let set = [
        "set", "settled", "--at", "step=1", "length=5", "-o", "edited",
    ];
    let (code, said) = ran(dir, &[&set[..], &LAYOUT].concat());
    assert_eq!(code, Some(0), "{said}");
    let (code, said) = examine("edited", &["settled"]);
    assert_eq!(code, Some(1), "{said}");
    assert!(
        said.contains("[votes.unproved]") && said.contains("edited"),
        "{said}"
    );
    // A record of before digests were recorded.
    let record = dir.join("settled/settlement.json");
    let text = std::fs::read_to_string(&record).unwrap();
    let mut document: serde_json::Value = serde_json::from_str(&text).unwrap();
    document.as_object_mut().unwrap().remove("chips");
    std::fs::write(&record, document.to_string()).unwrap();
    let (_, said) = examine("settled", &["settled"]);
    assert!(
        said.contains("cannot be checked [votes.unproved]"),
        "{said}"
    );
    // A record that was put beside another reading.
    std::fs::write(&record, text).unwrap();
    std::fs::copy(&record, dir.join("before/settlement.json")).unwrap();
    let (code, said) = ran(dir, &[&["examine", "before"], &LAYOUT[..]].concat());
    assert_eq!(code, Some(1), "{said}");
    assert!(said.contains("[votes.other]"), "{said}");
}

/// Flips D4 of Pellow Six's chip in every third cell of a folder's reading, so that it reads now this way and now that.
fn with_a_bad_pin(of: &Path) {
    let file = of.join("IC14.bin");
    let mut cells = std::fs::read(&file).unwrap();
    let mut state = 1u32;
    for cell in &mut cells {
        // A linear congruential generator (Numerical Recipes), seen by its upper bits.
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        *cell ^= u8::from(state >> 28 < 5) << 4;
    }
    std::fs::write(file, cells).unwrap();
}

/// Two reads of Pellow Six, and one through a bad pin.
fn folder_with_a_bad_pin() -> tempfile::TempDir {
    let dir = tempfile::tempdir().unwrap();
    for to in ["one", "two", "bad"] {
        copied("pellow-six/today-1", &dir.path().join(to));
    }
    with_a_bad_pin(&dir.path().join("bad"));
    dir
}

const PELLOW: [&str; 2] = ["-l", "pellow-six"];

#[test]
fn the_odd_read_examined_is_told_so_and_what_sets_it_apart_is_evidence() {
    let dir = folder_with_a_bad_pin();
    let examine = |of: &str| {
        let args = ["examine", of, "--settled-from", "one", "two", "bad"];
        ran(dir.path(), &[&args[..], &PELLOW].concat())
    };
    let (code, said) = examine("bad");
    assert_eq!(code, Some(1), "{said}");
    assert!(
        said.contains("this reading, bad, is the odd one of 3 reads"),
        "{said}"
    );
    assert!(said.contains("bits are on data line D4 of IC14"), "{said}");
    assert!(said.contains("[dissent.data-line]"), "{said}");
    // The others are not the odd one, and it says nothing of them.
    let (_, said) = examine("one");
    assert!(
        !said.contains("this reading, one, is the odd one"),
        "{said}"
    );
    assert!(!said.contains("[dissent.data-line]"), "{said}");
}

#[test]
fn mend_says_to_read_again_first_by_what_settling_found() {
    let dir = folder_with_a_bad_pin();
    let dir = dir.path();
    let (code, said) = ran(
        dir,
        &[&["settle", "one", "bad", "-o", "settled"], &PELLOW[..]].concat(),
    );
    assert_eq!(code, Some(1), "{said}");
    assert!(said.contains("[dissent.data-line]"), "{said}");
    let mend = |plan: &str| {
        ran(
            dir,
            &[&["mend", "settled", "-o", plan], &PELLOW[..]].concat(),
        )
    };
    let (_, said) = mend("plan.toml");
    let first = said.lines().find(|l| l.starts_with("read again first:"));
    assert!(first.is_some_and(|l| l.contains("data line D4")), "{said}");
    let text = std::fs::read_to_string(dir.join("plan.toml")).unwrap();
    assert!(text.contains("READ AGAIN FIRST"), "{text}");
    // Without the record nothing tells that it was a contact.
    std::fs::remove_file(dir.join("settled/settlement.json")).unwrap();
    let (_, said) = mend("other.toml");
    assert!(!said.contains("read again first:"), "{said}");
}
