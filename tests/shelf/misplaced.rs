//! What lies in another's place: links, folders under another name, files exchanged, strange things, damaged files of
//! the shelf itself. Each is named by the audit and put right by the repair, or refused.

use std::fs;
use std::path::Path;

use cellkeep::shelf::{NewJob, Role, Shelf, incoming_bytes};

use super::common::{
    FIRST, Place, Rng, SECOND, act, chips, lasting, open, sample, shelf_command, text, tree,
};

/// Runs a command on the shelf; its exit status and everything it says.
fn run(root: &Path, args: &[&str]) -> (i32, String) {
    let output = shelf_command(root, args);
    let said = text(&output.stdout) + &text(&output.stderr);
    (output.status.code().unwrap(), said)
}

/// The audit finds it, the repair puts it right, and nothing differs from before.
fn found_and_put_right(root: &Path, named: &str, damage: impl FnOnce()) {
    let before = lasting(root);
    damage();
    let (status, said) = run(root, &["audit"]);
    assert_eq!(status, 1, "{said}");
    assert!(said.contains(named), "{said}");
    let (status, said) = run(root, &["repair"]);
    assert_eq!(status, 0, "{named}: {said}");
    let (status, said) = run(root, &["audit"]);
    assert_eq!(status, 0, "{named}: {said}");
    assert!(lasting(root) == before, "{named}");
}

#[cfg(unix)]
#[test]
fn links_within_a_job_are_set_aside_and_the_files_restored() {
    use std::os::unix::fs::symlink;
    let place = Place::new();
    let root = place.join("shelf");
    drop(sample(&root));
    let job = root.join("jobs").join(FIRST);
    let away = place.join("away");
    fs::create_dir(&away).unwrap();
    let as_found = job.join("v1/content/as-found");
    let swap = |file: &Path| {
        let to = away.join(file.file_name().unwrap());
        fs::rename(file, &to).unwrap();
        symlink(&to, file).unwrap();
    };
    for (named, file) in [
        ("CH1.bin: a file is missing", as_found.join("CH1.bin")),
        ("inventory.json: a link", job.join("inventory.json")),
        ("v2/inventory.json", job.join("v2/inventory.json")),
        ("as-found: a link", as_found.clone()),
        (
            "v3.parity",
            root.join("parity").join(FIRST).join("v3.parity"),
        ),
        ("shelf.json: a link", root.join("shelf.json")),
    ] {
        found_and_put_right(&root, named, || swap(&file));
        fs::remove_dir_all(&away).unwrap();
        fs::create_dir(&away).unwrap();
    }
}

#[cfg(unix)]
#[test]
fn a_job_that_is_a_link_is_refused_by_every_command() {
    let place = Place::new();
    let root = place.join("shelf");
    drop(sample(&root));
    let (job, away) = (root.join("jobs").join(FIRST), place.join("away"));
    fs::rename(&job, &away).unwrap();
    std::os::unix::fs::symlink(&away, &job).unwrap();
    let before = tree(&away);
    let zip = place.join("x.zip").to_string_lossy().into_owned();
    for args in [
        &["note", FIRST, "x"][..],
        &["show", FIRST],
        &["close", FIRST],
        &["hand-over", FIRST, &zip],
        &["take", FIRST, &zip],
        &["audit", FIRST],
        &["repair", FIRST],
    ] {
        let (status, said) = run(&root, args);
        assert_eq!(status, 2, "{args:?}: {said}");
        assert!(said.contains("links are not followed"), "{args:?}: {said}");
    }
    let (status, said) = run(&root, &["audit"]);
    assert!(status == 1 && said.contains("take the link away"), "{said}");
    let (status, said) = run(&root, &["repair"]);
    assert_eq!(status, 1, "{said}");
    assert_eq!(tree(&away), before);
    assert!(job.symlink_metadata().unwrap().is_symlink());
}

#[test]
fn renamed_and_exchanged_folders_are_named_and_renamed_back() {
    let place = Place::new();
    let root = place.join("shelf");
    drop(sample(&root));
    let jobs = root.join("jobs");
    let held = format!("holds the job {FIRST}");
    found_and_put_right(&root, &held, || {
        fs::rename(jobs.join(FIRST), jobs.join("uno")).unwrap();
    });
    found_and_put_right(&root, &held, || {
        fs::rename(jobs.join(FIRST), jobs.join("x")).unwrap();
        fs::rename(jobs.join(SECOND), jobs.join(FIRST)).unwrap();
        fs::rename(jobs.join("x"), jobs.join(SECOND)).unwrap();
    });
    assert!(!root.join("parity/uno").exists());
    // By the name it has, and by the name it should have.
    for name in ["uno", FIRST] {
        let before = lasting(&root);
        fs::rename(jobs.join(FIRST), jobs.join("uno")).unwrap();
        let (status, said) = run(&root, &["note", "uno", "x"]);
        assert!(status == 2 && said.contains("repair uno"), "{said}");
        let (status, said) = run(&root, &["repair", name]);
        assert_eq!(status, 0, "{said}");
        assert!(lasting(&root) == before);
    }
    // A copy is told and left: nothing says which of the two is wanted.
    super::common::copy_tree(&jobs.join(FIRST), &jobs.join("uno"));
    let (status, said) = run(&root, &["audit"]);
    assert!(
        status == 1 && said.contains("next: move jobs/uno off"),
        "{said}"
    );
    let (status, said) = run(&root, &["repair"]);
    assert!(status == 1 && said.contains("is a copy"), "{said}");
    assert!(jobs.join("uno").exists() && !root.join("parity/uno").exists());
}

#[test]
fn exchanged_files_are_put_back_from_one_another_and_lost_ones_from_other_jobs() {
    let place = Place::new();
    let root = place.join("shelf");
    let shelf = Shelf::set_up(&root).unwrap();
    // Nine files of 3000 bytes: more than parity makes good when all of them are in the wrong place.
    for name in ["one", "two"] {
        let new = NewJob {
            name: Some(name.into()),
            instrument: "Tessaly Nine".into(),
            ..NewJob::default()
        };
        let mut files = chips(&mut Rng(5), Role::AsFound, 9, 3000);
        files.push(incoming_bytes(Role::Paper, "own.txt", name.into()));
        shelf.open_job(new, files, &act(0)).unwrap();
    }
    let content = root.join("jobs/one/v1/content/as-found");
    found_and_put_right(&root, "holds the bytes of", || {
        let file = |n: usize| content.join(format!("CH{n}.bin"));
        fs::rename(file(1), content.join("x")).unwrap();
        (2..=9).for_each(|n| fs::rename(file(n), file(n - 1)).unwrap());
        fs::rename(content.join("x"), file(9)).unwrap();
    });
    found_and_put_right(&root, "a file is missing", || {
        fs::remove_dir_all(&content).unwrap();
    });
}

#[test]
fn strange_things_are_set_aside_and_kept() {
    let place = Place::new();
    let root = place.join("shelf");
    drop(sample(&root));
    found_and_put_right(&root, "jobs/strange", || {
        fs::create_dir(root.join("jobs/strange")).unwrap();
        fs::write(root.join("jobs/strange/x"), "dear to me").unwrap();
        fs::write(root.join("q"), "dear to me too").unwrap();
    });
    let kept = tree(&root.join("damaged"));
    assert_eq!(kept.values().filter(|b| b.starts_with(b"dear")).count(), 2);
}

#[test]
fn an_index_that_is_a_folder_is_set_aside_and_made_anew() {
    let place = Place::new();
    let root = place.join("shelf");
    drop(sample(&root));
    let index = root.join("index/shelf.sqlite");
    fs::remove_file(&index).unwrap();
    fs::create_dir(&index).unwrap();
    fs::write(index.join("x"), "dear to me").unwrap();
    let (status, said) = run(&root, &["find", "winter"]);
    assert!(status == 0 && said.contains(FIRST), "{said}");
    let kept = tree(&root.join("damaged"));
    assert!(kept.values().any(|b| b == b"dear to me"));
    assert_eq!(run(&root, &["audit"]).0, 0);
    found_and_put_right(&root, "shelf.index.behind", || {
        fs::write(&index, "no database").unwrap();
    });
}

#[test]
fn jobs_that_are_gone_are_named_when_the_index_is_made_anew() {
    let place = Place::new();
    let root = place.join("shelf");
    drop(sample(&root));
    fs::remove_dir_all(root.join("jobs").join(SECOND)).unwrap();
    fs::remove_dir_all(root.join("parity").join(SECOND)).unwrap();
    let (status, said) = run(&root, &["index"]);
    assert_eq!(status, 1, "{said}");
    assert!(said.contains(SECOND), "{said}");
}

#[test]
fn a_damaged_declaration_of_the_shelf_is_named_and_restored() {
    let place = Place::new();
    let root = place.join("shelf");
    drop(sample(&root));
    let json = root.join("shelf.json");
    let whole = fs::read(&json).unwrap();
    type Damage = fn(&mut Vec<u8>);
    let damages: [Damage; 4] = [
        |bytes| bytes[0] ^= 1,
        // "version": 1 becomes 9, and the key's last letter another: one bit each.
        |bytes| {
            let at = bytes.iter().position(|b| *b == b'1').unwrap();
            bytes[at] ^= 8;
        },
        |bytes| {
            let at = bytes.iter().position(|b| *b == b'k').unwrap();
            bytes[at] ^= 2;
        },
        Vec::clear,
    ];
    for damage in damages {
        let mut bytes = whole.clone();
        damage(&mut bytes);
        fs::write(&json, bytes).unwrap();
        let (status, said) = run(&root, &["list"]);
        assert!(status == 2 && said.contains("shelf repair"), "{said}");
        found_and_put_right(&root, "shelf.json: a file of the shelf", || {});
        assert_eq!(fs::read(&json).unwrap(), whole);
    }
    found_and_put_right(&root, "shelf.json: a file of the shelf", || {
        fs::remove_file(&json).unwrap();
    });
    found_and_put_right(&root, "jobs/0=ocfl_1.1: a file of the shelf", || {
        fs::remove_file(root.join("jobs/0=ocfl_1.1")).unwrap();
    });
    assert!(open(&root).is_ok());
}
