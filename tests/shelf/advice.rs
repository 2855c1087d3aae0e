//! What the commands say: the next step names what was just put in, and a record is one line.

use std::fs;
use std::path::Path;

use cellkeep::shelf::{Role, incoming_bytes};

use super::common::{FIRST, Place, Rng, SECOND, act, sample, shelf_command, text};

/// What a command says, and its exit status.
fn run(root: &Path, args: &[&str]) -> (i32, String) {
    let output = shelf_command(root, args);
    let said = text(&output.stdout) + &text(&output.stderr);
    (output.status.code().unwrap(), said)
}

#[test]
fn the_next_step_names_the_reading_just_put_in() {
    let place = Place::new();
    let root = place.join("shelf");
    drop(sample(&root));
    let reading = |name: &str, byte: u8| {
        let folder = place.join(name);
        fs::create_dir(&folder).unwrap();
        fs::write(folder.join("IC14.bin"), [byte; 2048]).unwrap();
        folder.to_str().unwrap().to_owned()
    };
    let (good, bad) = (reading("good", 1), reading("bad", 2));
    let put = |args: &[&str]| {
        let (status, said) = run(&root, &[&["put", SECOND, "--as"], args].concat());
        assert_eq!(status, 0, "{said}");
        said
    };
    // Nothing to compare with yet.
    let said = put(&["read-back", "--name", "early", &good]);
    assert!(said.contains("--as as-written FOLDER"), "{said}");
    put(&["as-written", &good]);
    put(&["read-back", &good]);
    let said = put(&["read-back", "--name", "week-two", &bad]);
    let command =
        format!("verify shelf:{SECOND}/as-written shelf:{SECOND}/read-back/week-two -l LAYOUT`");
    assert!(said.contains(&command), "{said}");
    // It finds the difference that the loose reading does not have.
    let compared = super::common::program(&root)
        .args(["verify", &format!("shelf:{SECOND}/as-written")])
        .arg(format!("shelf:{SECOND}/read-back/week-two"))
        .args(["-l", "pellow-six"])
        .output()
        .unwrap();
    assert_eq!(compared.status.code(), Some(1));
    // What was written last is what counts.
    put(&["as-written", "--name", "again", &bad]);
    let said = put(&["read-back", "--name", "week-three", &bad]);
    assert!(said.contains("as-written/again shelf:"), "{said}");

    let said = put(&["as-found", "--name", "first-read", &good]);
    assert!(
        said.contains(&format!("examine shelf:{SECOND}/as-found/first-read`")),
        "{said}"
    );
}

#[test]
fn a_record_is_one_line() {
    let place = Place::new();
    let root = place.join("shelf");
    drop(sample(&root));
    let open = [
        "open",
        "--name",
        "rook",
        "--instrument",
        "Ro\nok",
        "--complaint",
        "no\n\nsound",
    ];
    assert_eq!(run(&root, &open).0, 0);
    assert_eq!(run(&root, &["note", "rook", "first\nsecond"]).0, 0);
    let (_, listed) = run(&root, &["list"]);
    let lines: Vec<&str> = listed.lines().filter(|l| !l.starts_with("next")).collect();
    assert_eq!(lines.len(), 3, "{listed}");
    assert!(listed.contains("Ro ok") && listed.contains("no sound"));
    let (_, shown) = run(&root, &["show", "rook"]);
    assert!(shown.contains("): first second\n"), "{shown}");
}

#[test]
fn an_audit_sends_to_no_repair_that_cannot_be() {
    let place = Place::new();
    let root = place.join("shelf");
    drop(sample(&root));
    let (_, said) = run(&root, &["audit"]);
    assert!(said.contains("next: nothing"), "{said}");
    let job = root.join("jobs").join(FIRST);
    fs::remove_file(job.join("v3/content/bank/bank.json")).unwrap();
    let (_, said) = run(&root, &["audit"]);
    assert!(said.contains("next: `cellkeep shelf repair"), "{said}");
    fs::remove_file(root.join("parity").join(FIRST).join("v3.parity")).unwrap();
    for args in [&["audit"][..], &["audit", FIRST]] {
        let (status, said) = run(&root, args);
        assert_eq!(status, 1);
        assert!(said.contains("next: copy"), "{said}");
        assert!(said.contains("bank/bank.json is damaged"), "{said}");
        assert!(said.contains("7 of 8 files of version 4"), "{said}");
    }
    assert_eq!(run(&root, &["repair", FIRST]).0, 2);
}

/// The inventory of the job and its last version are lost, and more of that than parity makes good.
#[test]
fn what_is_good_of_a_job_beyond_repair_comes_out() {
    let place = Place::new();
    let root = place.join("shelf");
    let shelf = sample(&root);
    let photo = incoming_bytes(Role::Photograph, "board.jpg", Rng(5).bytes(100_000));
    shelf.put(FIRST, vec![photo], false, &act(900)).unwrap();
    let good = shelf.stored(FIRST).unwrap();
    let good = good.read(4, "as-found/CH1.bin").unwrap();
    let job = root.join("jobs").join(FIRST);
    fs::remove_file(job.join("inventory.json")).unwrap();
    fs::remove_dir_all(job.join("v5")).unwrap();
    let (status, said) = run(&root, &["audit"]);
    assert_eq!(status, 1);
    let take = format!("take {FIRST}@v4 FOLDER`");
    assert!(said.contains(&take), "{said}");
    assert_eq!(run(&root, &["show", FIRST]).0, 2);
    let (status, said) = run(&root, &["show", &format!("{FIRST}@v4")]);
    assert!(status == 0 && said.contains("as-found/CH1.bin"), "{said}");
    let out = place.join("out");
    let whole = format!("{FIRST}@v4");
    assert_eq!(run(&root, &["take", &whole, out.to_str().unwrap()]).0, 0);
    assert_eq!(fs::read(out.join("as-found/CH1.bin")).unwrap(), good);
    // Nothing is written on what is only good for reading.
    assert_eq!(run(&root, &["note", FIRST, "more"]).0, 2);
}
