//! A job from its opening to its hand-over, and everything a person can do wrong on the way.

use std::fs;
use std::time::Duration;

use cellkeep::blame::{Blame, Who};
use cellkeep::shelf::{NewJob, Query, Role, Shelf, ShelfError, gather, incoming_bytes};

use super::common::{
    BANK, FIRST, Place, Rng, SECOND, act, copy_tree, open, quillon, sample, shelf_command, text,
    tree,
};

#[test]
fn every_version_stays_as_it_was() {
    let place = Place::new();
    let shelf = sample(&place.join("shelf"));
    let stored = shelf.stored(FIRST).unwrap();
    assert_eq!(stored.head(), 4);
    let paths = |v| {
        stored
            .files(v)
            .unwrap()
            .into_iter()
            .map(|f| f.path)
            .collect::<Vec<_>>()
    };
    assert_eq!(
        paths(1),
        ["as-found/CH1.bin", "as-found/CH2.bin", "job.json"]
    );
    assert_eq!(paths(4).len(), 8);
    // The same bytes are kept once: the readings read back are those read first.
    assert!(
        !place
            .join("shelf/jobs")
            .join(FIRST)
            .join("v3/content/read-back")
            .exists()
    );
    assert_eq!(
        stored.read(3, "read-back/CH1.bin").unwrap(),
        stored.read(1, "as-found/CH1.bin").unwrap()
    );
    assert_eq!(stored.record(1).unwrap().notes.len(), 0);
    assert_eq!(stored.record(4).unwrap().notes.len(), 2);
    let replaced = vec![incoming_bytes(Role::Bank, "bank.json", b"{}".to_vec())];
    assert!(matches!(
        shelf.put(FIRST, replaced.clone(), false, &act(900)),
        Err(ShelfError::FileExists { .. })
    ));
    assert_eq!(
        shelf
            .put(FIRST, replaced.clone(), true, &act(900))
            .unwrap()
            .version,
        5
    );
    assert!(!shelf.put(FIRST, replaced, true, &act(900)).unwrap().changed);
    let stored = shelf.stored(FIRST).unwrap();
    assert_eq!(stored.read(4, "bank/bank.json").unwrap(), BANK.as_bytes());
    assert_eq!(stored.read(5, "bank/bank.json").unwrap(), b"{}");
    assert!(shelf.audit(None).unwrap().is_clean());
}

#[test]
fn a_new_shelf_has_nothing_wrong_with_it() {
    let place = Place::new();
    let shelf = cellkeep::shelf::Shelf::set_up(&place.join("empty")).unwrap();
    assert!(shelf.audit(None).unwrap().is_clean());
}

#[test]
fn a_closed_job_takes_notes_but_no_files() {
    let place = Place::new();
    let shelf = sample(&place.join("shelf"));
    shelf.close(SECOND, None, false, &act(300)).unwrap();
    let more = || vec![incoming_bytes(Role::Paper, "late.txt", b"late".to_vec())];
    assert!(matches!(
        shelf.put(SECOND, more(), false, &act(301)),
        Err(ShelfError::Closed(_))
    ));
    shelf
        .note(SECOND, "customer telephoned", false, &act(302))
        .unwrap();
    shelf.close(SECOND, None, true, &act(303)).unwrap();
    shelf.put(SECOND, more(), false, &act(304)).unwrap();
}

/// Both find the job open, and wait for their turn behind another writer.
#[test]
fn of_two_who_close_a_job_one_does() {
    let place = Place::new();
    let root = place.join("shelf");
    let shelf = sample(&root);
    let turn = shelf.turn().unwrap();
    let done = std::thread::scope(|scope| {
        let closers = [1, 2].map(|second| {
            let shelf = open(&root).unwrap();
            scope.spawn(move || {
                shelf
                    .close(SECOND, None, false, &act(300 + second))
                    .unwrap()
            })
        });
        std::thread::sleep(Duration::from_millis(300));
        drop(turn);
        closers.map(|closer| closer.join().unwrap())
    });
    let changed: Vec<bool> = done.iter().map(|done| done.changed).collect();
    assert_ne!(changed[0], changed[1], "{done:?}");
    assert_eq!(shelf.stored(SECOND).unwrap().head(), 2);
}

#[test]
fn a_job_that_is_there_is_not_opened_again() {
    let place = Place::new();
    let root = place.join("shelf");
    let shelf = sample(&root);
    let again = NewJob {
        name: Some(SECOND.into()),
        instrument: "X".into(),
        ..NewJob::default()
    };
    let before = tree(&root);
    let error = shelf.open_job(again, Vec::new(), &act(0)).unwrap_err();
    assert_eq!(error.who(), Who::Caller);
    assert_eq!(tree(&root), before);
    // Without a name of its own, the second visit of a day gets a number.
    assert_eq!(
        shelf
            .open_job(quillon("0042"), Vec::new(), &act(1))
            .unwrap()
            .job,
        format!("{FIRST}-2")
    );
    let hits = shelf
        .find(&Query {
            serial: Some("0042".into()),
            ..Query::default()
        })
        .unwrap();
    assert_eq!(hits.len(), 2);
}

#[test]
fn customers_are_references_and_not_names() {
    let place = Place::new();
    let shelf = Shelf::set_up(&place.join("shelf")).unwrap();
    for bad in ["Jane", "J Doe 1", "", "jane@example.org"] {
        let new = NewJob {
            customer: Some(bad.into()),
            ..quillon("1")
        };
        assert!(
            matches!(
                shelf.open_job(new, Vec::new(), &act(0)),
                Err(ShelfError::BadField { .. })
            ),
            "{bad}"
        );
    }
}

#[test]
fn a_clock_that_went_backwards_is_told_and_nothing_is_lost() {
    let place = Place::new();
    let shelf = sample(&place.join("shelf"));
    let done = shelf
        .note(FIRST, "the clock says 1970", false, &act(-1_600_000_000))
        .unwrap();
    assert_eq!(done.version, 5);
    assert!(done.cautions[0].contains("clock"), "{:?}", done.cautions);
    // It is told once: a version stamped in the future does not spoil what comes later.
    let note = |says: &str, second| shelf.note(SECOND, says, false, &act(second)).unwrap();
    assert!(
        note("the clock is a century on", 3_000_000_000)
            .cautions
            .is_empty()
    );
    assert_eq!(note("set right", 1_000).cautions.len(), 1);
    assert!(note("and later", 1_001).cautions.is_empty());
    assert_eq!(
        shelf.stored(FIRST).unwrap().record(5).unwrap().notes.len(),
        3
    );
    assert!(shelf.audit(None).unwrap().is_clean());
}

#[test]
fn later_formats_and_half_copies_are_told_apart() {
    let place = Place::new();
    let whole = place.join("whole");
    sample(&whole);
    let case = |name: &str, damage: &dyn Fn(&std::path::Path)| {
        let root = place.join(name);
        copy_tree(&whole, &root);
        damage(&root);
        open(&root).and_then(|s| s.stored(FIRST).and_then(|j| j.record(j.head())).map(drop))
    };
    let newer = |r: Result<(), ShelfError>| matches!(r, Err(ShelfError::Newer { .. }));
    let half = |r: Result<(), ShelfError>| matches!(r, Err(ShelfError::HalfShelf { .. }));
    let damaged = |r: Result<(), ShelfError>| matches!(r, Err(ShelfError::DamagedShelf { .. }));
    // A later version is one where the manifest says so too; else a bit of the file has flipped.
    let later = r#"{"kind":"shelf","version":2}"#;
    let write = |r: &std::path::Path| fs::write(r.join("shelf.json"), later).unwrap();
    assert!(damaged(case("a", &|r| write(r))));
    assert!(newer(case("a2", &|r| {
        write(r);
        let line = format!(
            "{}  shelf.json\n",
            cellkeep::reading::sha256_hex(later.as_bytes())
        );
        fs::write(r.join("manifest-sha256.txt"), line).unwrap();
    })));
    assert!(newer(case("b", &|r| fs::rename(
        r.join("jobs/0=ocfl_1.1"),
        r.join("jobs/0=ocfl_2.0")
    )
    .unwrap())));
    assert!(newer(case("c", &|r| {
        let job = r.join("jobs").join(FIRST);
        fs::rename(job.join("0=ocfl_object_1.1"), job.join("0=ocfl_object_2.0")).unwrap();
    })));
    assert!(damaged(case("d", &|r| fs::remove_file(
        r.join("shelf.json")
    )
    .unwrap())));
    assert!(half(
        case("e", &|r| fs::remove_dir_all(r.join("jobs")).unwrap())
    ));
    assert!(damaged(case("f", &|r| fs::remove_file(
        r.join("jobs/0=ocfl_1.1")
    )
    .unwrap())));
    assert!(matches!(
        open(&place.join("nothing")),
        Err(ShelfError::NoShelf(_))
    ));
    // Parity, index and staging can be missing: they are made again.
    let root = place.join("g");
    copy_tree(&whole, &root);
    for part in ["parity", "index", "staging", "turn"] {
        let _ = fs::remove_dir_all(root.join(part)).or_else(|_| fs::remove_file(root.join(part)));
    }
    let shelf = open(&root).unwrap();
    shelf
        .note(FIRST, "copied from the old computer", false, &act(900))
        .unwrap();
    assert_eq!(shelf.find(&Query::default()).unwrap().len(), 2);
    for job in [FIRST, SECOND] {
        shelf.repair_job(job, &act(901)).unwrap();
    }
    let report = shelf.audit(None).unwrap();
    assert!(report.is_clean(), "{report:#?}");
}

#[test]
fn a_set_up_never_takes_a_folder_that_holds_anything() {
    let place = Place::new();
    fs::create_dir(place.join("mine")).unwrap();
    fs::write(place.join("mine/letter.txt"), "x").unwrap();
    assert!(matches!(
        Shelf::set_up(&place.join("mine")),
        Err(ShelfError::NotEmpty(_))
    ));
    sample(&place.join("shelf"));
    let before = tree(&place.join("shelf"));
    assert!(matches!(
        Shelf::set_up(&place.join("shelf")),
        Err(ShelfError::NotEmpty(_))
    ));
    fs::remove_file(place.join("shelf/shelf.json")).unwrap();
    assert!(matches!(
        Shelf::set_up(&place.join("shelf")),
        Err(ShelfError::NotEmpty(_))
    ));
    assert_eq!(tree(&place.join("shelf")).len(), before.len() - 1);
}

#[test]
fn a_busy_shelf_says_so_and_readers_go_on() {
    let place = Place::new();
    let root = place.join("shelf");
    let shelf = sample(&root);
    let turn = shelf.turn().unwrap();
    let other = Shelf::open(&root, Duration::from_millis(30)).unwrap();
    assert!(matches!(
        other.note(FIRST, "x", false, &act(0)),
        Err(ShelfError::Busy(_))
    ));
    assert_eq!(other.list(None).unwrap().len(), 2);
    assert_eq!(other.stored(FIRST).unwrap().head(), 4);
    drop(turn);
    other.note(FIRST, "x", false, &act(999)).unwrap();
}

#[test]
fn files_are_private_to_the_user() {
    let place = Place::new();
    let root = place.join("shelf");
    sample(&root);
    assert!(tree(&root).len() > 30);
    #[cfg(unix)]
    for name in tree(&root).keys() {
        use std::os::unix::fs::PermissionsExt;
        let mode = fs::metadata(root.join(name)).unwrap().permissions().mode() & 0o777;
        assert_eq!(
            mode,
            if name.ends_with('/') { 0o700 } else { 0o600 },
            "{name}"
        );
    }
}

#[test]
fn the_commands_say_what_to_do_next_and_end_with_the_right_status() {
    let place = Place::new();
    let root = place.join("shelf");
    let reading = place.join("reads");
    fs::create_dir(&reading).unwrap();
    fs::write(reading.join("CH1.bin"), Rng(1).bytes(256)).unwrap();
    let run = |args: &[&str], status: i32| {
        let output = shelf_command(&root, args);
        let (out, err) = (text(&output.stdout), text(&output.stderr));
        assert_eq!(output.status.code(), Some(status), "{args:?}\n{out}{err}");
        format!("{out}{err}")
    };
    let reads = reading.to_str().unwrap();
    assert!(run(&["list"], 2).contains("set-up"));
    run(&["set-up"], 0);
    let said = run(
        &[
            "open",
            "--instrument",
            "Quillon 72",
            "--name",
            "q",
            "--as-found",
            reads,
        ],
        0,
    );
    assert!(said.lines().last().unwrap().starts_with("next: "), "{said}");
    assert!(run(&["open", "--instrument", "Quillon 72", "--name", "q"], 2).contains("--name"));
    assert!(run(&["put", "q", "--as", "nonsense", reads], 2).contains("as-found"));
    run(&["put", "q", "--as", "read-back", reads], 0);
    run(&["note", "q", "words"], 0);
    assert!(run(&["show", "q"], 0).contains("read-back/CH1.bin"));
    assert!(run(&["show", "zzz"], 2).contains("no job"));
    run(&["find", "words"], 0);
    run(&["find", "nonsense"], 1);
    run(
        &[
            "find",
            "--same-as",
            reading.join("CH1.bin").to_str().unwrap(),
        ],
        0,
    );
    let out = place.join("out");
    run(&["take", "q@v1", out.to_str().unwrap()], 0);
    assert_eq!(
        fs::read(out.join("as-found/CH1.bin")).unwrap(),
        fs::read(reading.join("CH1.bin")).unwrap()
    );
    run(&["take", "q@v1", out.to_str().unwrap()], 2);
    run(&["audit"], 0);
    fs::write(root.join("jobs/q/v1/content/as-found/CH1.bin"), "x").unwrap();
    assert!(run(&["audit"], 1).contains("shelf.file"));
    run(&["repair"], 0);
    run(&["audit", "q"], 0);
    run(&["index"], 0);
    run(&["close", "q"], 0);
    run(&["since", "2019", "q"], 1);
    for args in [
        &["list"][..],
        &["show", "q"],
        &["audit"],
        &["find", "words"],
        &["since", "2019", "q"],
    ] {
        let output = shelf_command(&root, &[args, &["--json"]].concat());
        let document: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
        assert!(
            document["kind"].is_string() && document["version"].is_u64(),
            "{args:?}"
        );
    }
}

#[test]
fn what_is_not_a_plain_file_is_not_put_in() {
    let place = Place::new();
    let folder = place.join("reads");
    fs::create_dir(&folder).unwrap();
    assert!(matches!(
        gather(&folder, Role::AsFound, None),
        Err(ShelfError::Nothing(_))
    ));
    #[cfg(unix)]
    {
        std::os::unix::fs::symlink("/etc/passwd", folder.join("link.bin")).unwrap();
        assert!(matches!(
            gather(&folder, Role::AsFound, None),
            Err(ShelfError::BadFile { .. })
        ));
        let shelf = sample(&place.join("shelf"));
        let link = gather(&folder.join("link.bin"), Role::Paper, None).unwrap();
        let before = tree(&place.join("shelf"));
        assert!(matches!(
            shelf.put(FIRST, link, false, &act(0)),
            Err(ShelfError::BadFile { .. })
        ));
        assert_eq!(tree(&place.join("shelf")), before);
    }
}

/// Large parity files are read piece by piece: whatever is wrong with one is found as with a small one.
#[test]
fn damage_to_a_large_parity_file_is_found_wherever_it_lies() {
    let place = Place::new();
    let root = place.join("shelf");
    let shelf = Shelf::set_up(&root).unwrap();
    let new = NewJob {
        name: Some("large".into()),
        instrument: "Quillon 72".into(),
        ..NewJob::default()
    };
    let picture = Rng(5).bytes(4_300_000);
    let files = vec![incoming_bytes(Role::Photograph, "board.jpg", picture)];
    shelf.open_job(new, files, &act(0)).unwrap();
    assert!(shelf.audit(None).unwrap().is_clean());
    let file = root.join("parity/large/v1.parity");
    let whole = fs::read(&file).unwrap();
    assert!(whole.len() > 1 << 20);
    let found = |bytes: &[u8]| {
        fs::write(&file, bytes).unwrap();
        let audit = shelf.audit_job("large").unwrap();
        let codes: Vec<String> = audit.findings.into_iter().map(|f| f.code).collect();
        assert!(
            !codes.is_empty() && codes.iter().all(|c| c == "shelf.parity.damaged"),
            "{codes:?}"
        );
    };
    let n = whole.len();
    for at in [
        0,
        20,
        60,
        94,
        95,
        400,
        n / 2,
        n / 2 + 70_001,
        n - 400,
        n - 96,
        n - 40,
        n - 1,
    ] {
        let mut bytes = whole.clone();
        bytes[at] ^= 0x10;
        found(&bytes);
    }
    found(&[&whole[..], b"x"].concat());
    found(&whole[..n - 1]);
    found(&whole[..n / 2]);
    fs::write(&file, &whole).unwrap();
    assert!(shelf.audit(None).unwrap().is_clean());
}
