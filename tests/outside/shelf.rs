//! The shelf against the outside: ocfl-py and bagit (PyPI), sha256sum (coreutils), Python's own SQLite, and strace
//! (Debian) to kill it, to make the disk fail and to lose the power. Short forms; the long ones are in `cargo bench
//! --bench shelf`.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

#[path = "../shelf/calls.rs"]
mod calls;
#[path = "../shelf/common.rs"]
mod common;
#[path = "../shelf/failing.rs"]
mod failing;
#[path = "../shelf/objects.rs"]
mod objects;
#[path = "../shelf/power.rs"]
mod power;
mod tools;

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use cellkeep::shelf::{NewJob, Role, Shelf, incoming_bytes};
use common::{FIRST, Place, SECOND, act, open, program, sample, text};
use serde_json::Value;
use tools::venv;

fn look(what: &str, paths: &[PathBuf]) -> BTreeMap<String, Value> {
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/outside/shelf.py");
    let output = Command::new(venv("python"))
        .arg(script)
        .arg(what)
        .args(paths)
        .output()
        .unwrap();
    assert!(output.status.success(), "{}", text(&output.stderr));
    serde_json::from_slice(&output.stdout).unwrap()
}

/// The shelf passes ocfl-validate.py as a root and object by object, and its index passes SQLite's own check.
fn validate(root: &Path) {
    let jobs = root.join("jobs");
    let mut paths = vec![jobs.clone()];
    let names = open(root).unwrap().job_names().unwrap();
    paths.extend(names.iter().map(|n| jobs.join(n)));
    let output = Command::new(venv("python"))
        .arg(venv("ocfl-validate.py"))
        .arg("-q")
        .args(&paths)
        .output()
        .unwrap();
    assert!(
        output.status.success(),
        "{}{}",
        text(&output.stdout),
        text(&output.stderr)
    );
    let index = root.join("index/shelf.sqlite");
    let answer = &look("index", std::slice::from_ref(&index))[&*index.to_string_lossy()];
    assert_eq!(answer["answers"], serde_json::json!(["ok"]));
    assert_eq!(answer["jobs"], names.len());
}

#[test]
fn shelves_pass_ocfl_py_and_their_index_sqlite() {
    let place = Place::new();
    let root = place.join("shelf");
    let shelf = sample(&root);
    validate(&root);
    shelf.rebuild_index(None).unwrap();
    validate(&root);
    let zip = place.join("out.zip");
    shelf.hand_over(FIRST, None, &zip, false, &act(0)).unwrap();
    let other = place.join("other");
    let second = Shelf::set_up(&other).unwrap();
    second
        .take_in(&zip, NewJob::default(), &Default::default(), &act(0))
        .unwrap();
    second
        .take_in(
            &root.join("jobs").join(SECOND),
            NewJob::default(),
            &Default::default(),
            &act(0),
        )
        .unwrap();
    validate(&other);
    let content = root.join("jobs").join(FIRST).join("v1/content/as-found");
    fs::write(content.join("CH1.bin"), "gone").unwrap();
    fs::remove_file(root.join("jobs").join(FIRST).join("inventory.json")).unwrap();
    shelf.repair_job(FIRST, &act(0)).unwrap();
    validate(&root);
}

#[test]
fn ours_and_ocfl_py_agree_on_damaged_objects() {
    let place = Place::new();
    let root = place.join("shelf");
    let made = objects::damaged(&root);
    let paths: Vec<PathBuf> = made
        .iter()
        .map(|o| root.join("jobs").join(&o.name))
        .collect();
    let theirs = look("objects", &paths);
    let shelf = open(&root).unwrap();
    let mut codes = std::collections::BTreeSet::new();
    for (object, path) in made.iter().zip(&paths) {
        let found = theirs[&*path.to_string_lossy()].as_array().unwrap();
        let theirs: Vec<&str> = found
            .iter()
            .map(|c| c.as_str().unwrap())
            .filter(|c| !c.starts_with('W'))
            .collect();
        let audit = shelf.audit_job(&object.name).unwrap();
        let ours: Vec<&str> = audit
            .findings
            .iter()
            .flat_map(|f| &f.evidence)
            .filter_map(|e| e.strip_prefix("OCFL 1.1 "))
            .collect();
        if object.good {
            assert!(
                theirs.is_empty() && audit.findings.is_empty(),
                "{}: {theirs:?} {:?}",
                object.name,
                audit.findings
            );
            continue;
        }
        let told = format!(
            "{}: ocfl-py {theirs:?}, ours {ours:?} {:?}",
            object.name,
            audit.findings.iter().map(|f| &f.says).collect::<Vec<_>>()
        );
        let stumbled = theirs.iter().any(|c| c.starts_with("stumbled"));
        assert!(!ours.is_empty(), "{told}");
        let shared: Vec<&&str> = ours
            .iter()
            .filter(|o| theirs.iter().any(|t| t.starts_with(**o)))
            .collect();
        assert!(
            !shared.is_empty() || stumbled || object.theirs_silent,
            "{told}"
        );
        codes.extend(shared.into_iter().map(|c| (*c).to_owned()));
    }
    assert!(
        codes.len() >= 40,
        "{} codes in common: {codes:?}",
        codes.len()
    );
    println!(
        "{} objects, {} codes in common: {codes:?}",
        made.len(),
        codes.len()
    );
}

#[test]
fn ours_and_ocfl_py_agree_on_damaged_roots() {
    let place = Place::new();
    for (n, (what, damage)) in objects::roots().into_iter().enumerate() {
        let root = place.join(&format!("shelf{n}"));
        sample(&root);
        damage(&root.join("jobs"));
        let jobs = root.join("jobs");
        let theirs = &look("roots", std::slice::from_ref(&jobs))[&*jobs.to_string_lossy()];
        let ours = open(&root).and_then(|s| s.audit(None));
        let complain = ours.as_ref().map_or(true, |a| !a.is_clean());
        assert!(complain, "{what}: ours is content");
        assert_eq!(theirs["good"], false, "{what}: {theirs}");
    }
}

#[test]
fn bags_pass_bagit_and_sha256sum() {
    let place = Place::new();
    let shelf = sample(&place.join("shelf"));
    let odd = vec![
        incoming_bytes(Role::Paper, "100% sure?.txt", b"x".to_vec()),
        incoming_bytes(Role::Paper, "\u{fc}ber\nline.txt", b"y".to_vec()),
        incoming_bytes(Role::Report, "con.txt", b"z".to_vec()),
    ];
    shelf.put(FIRST, odd, false, &act(700)).unwrap();
    for (n, (job, version)) in [(FIRST, None), (FIRST, Some(1)), (SECOND, None)]
        .into_iter()
        .enumerate()
    {
        let zip = place.join(&format!("{n}.zip"));
        let handed = shelf.hand_over(job, version, &zip, false, &act(0)).unwrap();
        let folder = place.join(&n.to_string());
        // Python's own reader of zip files unpacks it, as a customer's computer would.
        let unpacked = Command::new(venv("python"))
            .args(["-m", "zipfile", "-e"])
            .args([&zip, &folder])
            .output()
            .unwrap();
        assert!(unpacked.status.success(), "{}", text(&unpacked.stderr));
        let bag = folder.join(job);
        let checked = Command::new(venv("python"))
            .arg(venv("bagit.py"))
            .arg("--validate")
            .arg(&bag)
            .output()
            .unwrap();
        assert!(checked.status.success(), "{}", text(&checked.stderr));
        for manifest in ["manifest-sha256.txt", "tagmanifest-sha256.txt"] {
            let output = Command::new("sha256sum")
                .args(["--strict", "-c", manifest])
                .current_dir(&bag)
                .output()
                .unwrap();
            assert!(
                output.status.success(),
                "{}{}",
                text(&output.stdout),
                text(&output.stderr)
            );
            let lines = text(&output.stdout).lines().count();
            assert_eq!(
                lines,
                if manifest.starts_with('m') {
                    handed.files.len()
                } else {
                    4
                }
            );
        }
        // The page tells the customer these very commands.
        assert!(
            fs::read_to_string(bag.join("READ-ME.txt"))
                .unwrap()
                .contains("sha256sum -c manifest-sha256.txt")
        );
    }
}

#[test]
fn a_bag_made_by_bagit_is_taken_in() {
    let place = Place::new();
    let bag = place.join("bag");
    fs::create_dir_all(bag.join("as-found")).unwrap();
    fs::write(bag.join("as-found/CH1.bin"), [1, 2, 3]).unwrap();
    fs::write(bag.join("letter.txt"), "dear technician").unwrap();
    let made = Command::new(venv("python"))
        .arg(venv("bagit.py"))
        .args(["--sha256", "--sha512", "--quiet"])
        .arg(&bag)
        .output()
        .unwrap();
    assert!(made.status.success(), "{}", text(&made.stderr));
    let root = place.join("shelf");
    let shelf = Shelf::set_up(&root).unwrap();
    let new = || NewJob {
        name: Some("from-a-colleague".into()),
        instrument: "Pellow Six".into(),
        ..NewJob::default()
    };
    shelf
        .take_in(&bag, new(), &Default::default(), &act(0))
        .unwrap();
    let stored = shelf.stored("from-a-colleague").unwrap();
    assert_eq!(stored.read(1, "as-found/CH1.bin").unwrap(), [1, 2, 3]);
    assert_eq!(
        stored.read(1, "paper/letter.txt").unwrap(),
        b"dear technician"
    );
    validate(&root);
}

#[test]
fn the_shelf_can_be_checked_by_hand_as_its_page_says() {
    let place = Place::new();
    let root = place.join("shelf");
    sample(&root);
    for (folder, manifest) in [
        (root.clone(), "manifest-sha256.txt"),
        (root.join("jobs").join(FIRST), "inventory.json.sha256"),
        (
            root.join("jobs").join(FIRST).join("v2"),
            "inventory.json.sha256",
        ),
    ] {
        let output = Command::new("sha256sum")
            .args(["--strict", "-c", manifest])
            .current_dir(&folder)
            .output()
            .unwrap();
        assert!(
            output.status.success(),
            "{folder:?}: {}",
            text(&output.stderr)
        );
    }
}

#[test]
fn a_kill_before_any_change_loses_nothing() {
    let tally = calls::kills(11);
    println!(
        "{} kills: {} old, {} new",
        tally.tried, tally.old, tally.new
    );
    assert!(
        tally.tried > 100 && tally.not_killed < 5 && tally.old > 10 && tally.new > 10,
        "{tally:?}"
    );
    assert_eq!(tally.wrong, Vec::<String>::new());
}

#[test]
fn a_failing_disk_leaves_the_old_state_or_the_new() {
    let tally = failing::failures(211);
    println!(
        "{} failures: {} old, {} new, {} of them succeeded all the same",
        tally.tried, tally.old, tally.new, tally.succeeded
    );
    assert!(tally.tried > 80, "{tally:?}");
    assert_eq!(tally.wrong, Vec::<String>::new());
}

#[test]
fn a_power_loss_loses_no_acknowledged_job() {
    let tally = power::power_loss(440);
    println!(
        "{} states: {} old, {} new",
        tally.tried, tally.old, tally.new
    );
    assert!(
        tally.tried >= 440 && tally.old > 20 && tally.new > 20,
        "{tally:?}"
    );
    assert_eq!(tally.wrong, Vec::<String>::new());
}

/// Runs the program in a name space of its own in which the shelf's folder is read-only (unshare and mount, package
/// util-linux).
fn on_a_read_only_disk(root: &Path, args: &[&str]) -> Output {
    let plain = program(root);
    let mut command = Command::new("unshare");
    let script =
        "mount --bind \"$1\" \"$1\" && mount -o remount,ro,bind \"$1\" && shift && exec \"$@\"";
    command
        .args(["--map-root-user", "--mount", "sh", "-c", script, "sh"])
        .arg(root)
        .arg(plain.get_program())
        .arg("shelf")
        .args(args);
    for (name, value) in plain.get_envs() {
        command.env(name, value.unwrap());
    }
    command
        .output()
        .expect("unshare is missing: apt-get install util-linux, or run tests/run")
}

#[test]
fn a_read_only_shelf_is_read_and_refuses_to_be_written() {
    calls::read_only(&on_a_read_only_disk);
}
