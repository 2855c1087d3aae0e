//! Names and readings as they are put in and given back, and what is taken in.

use std::fs;
use std::path::Path;

use cellkeep::shelf::{Limits, NewJob, Role, Shelf, ShelfError, incoming_bytes};

use super::common::{
    FIRST, Place, SECOND, act, copy_tree, open, sample, shelf_command, text, tree,
};

fn run(root: &Path, args: &[&str]) -> (i32, String) {
    let output = shelf_command(root, args);
    let said = text(&output.stdout) + &text(&output.stderr);
    (output.status.code().unwrap(), said)
}

#[test]
fn a_layout_nobody_knows_is_refused_at_the_opening() {
    let place = Place::new();
    let root = place.join("shelf");
    drop(Shelf::set_up(&root).unwrap());
    for layout in ["nofile.toml", "nosuch"] {
        let (status, said) = run(&root, &["open", "--instrument", "X", "--layout", layout]);
        assert!(status == 2 && said.contains(layout), "{said}");
    }
    assert!(open(&root).unwrap().job_names().unwrap().is_empty());
    assert_eq!(run(&root, &["open", "--instrument", "X"]).0, 0);
}

#[test]
fn a_second_reading_is_never_mixed_into_the_first() {
    let place = Place::new();
    let shelf = sample(&place.join("shelf"));
    let files = |names: &[&str]| {
        names
            .iter()
            .map(|name| incoming_bytes(Role::AsFound, name, name.as_bytes().to_vec()))
            .collect::<Vec<_>>()
    };
    let in_role = |shelf: &Shelf| {
        let stored = shelf.stored(FIRST).unwrap();
        let files = stored.files(stored.head()).unwrap();
        files
            .into_iter()
            .filter_map(|f| f.path.strip_prefix("as-found/").map(str::to_owned))
            .collect::<Vec<_>>()
    };
    assert_eq!(in_role(&shelf), ["CH1.bin", "CH2.bin"]);
    let second = files(&["CH1.hex", "CH2.hex"]);
    let refused = shelf.put(FIRST, second.clone(), false, &act(600));
    assert!(matches!(refused, Err(ShelfError::ReadingThere { .. })));
    assert_eq!(in_role(&shelf), ["CH1.bin", "CH2.bin"]);
    let done = shelf.put(FIRST, second, true, &act(601)).unwrap();
    assert_eq!(in_role(&shelf), ["CH1.hex", "CH2.hex"]);
    assert_eq!(done.notices.len(), 2, "{:?}", done.notices);
    // The former one stays in the history; another folder of the part is another reading; papers are no reading.
    let old = shelf.stored(FIRST).unwrap();
    assert!(old.read(1, "as-found/CH1.bin").is_ok());
    shelf
        .put(FIRST, files(&["again/CH1.bin"]), false, &act(602))
        .unwrap();
    for name in ["a.txt", "b.txt"] {
        let paper = incoming_bytes(Role::Paper, name, b"x".to_vec());
        shelf.put(FIRST, vec![paper], false, &act(603)).unwrap();
    }
    // The whole of what is there, and a file more, is the same reading.
    shelf
        .put(
            FIRST,
            files(&["CH1.hex", "CH2.hex", "CH3.hex"]),
            false,
            &act(604),
        )
        .unwrap();
    assert_eq!(
        in_role(&shelf),
        ["CH1.hex", "CH2.hex", "CH3.hex", "again/CH1.bin"]
    );
}

#[test]
fn a_file_keeps_its_own_name() {
    let place = Place::new();
    let root = place.join("shelf");
    drop(sample(&root));
    let own = "Foto Gr\u{f6}\u{df}e 100%.jpg";
    fs::write(place.join(own), "a photograph").unwrap();
    let file = place.join(own).to_string_lossy().into_owned();
    let (status, said) = run(&root, &["put", FIRST, "--as", "photograph", &file]);
    assert_eq!(status, 0, "{said}");
    let stored = "photograph/Foto_Gr__e_100_.jpg";
    assert!(said.contains(own) && said.contains(stored), "{said}");
    assert!(run(&root, &["show", FIRST]).1.contains(own));
    let to = |name: &str| place.join(name).to_string_lossy().into_owned();
    assert_eq!(run(&root, &["take", FIRST, &to("out")]).0, 0);
    assert!(place.join("out/photograph").join(own).is_file());
    // The customer's copy has it too, passes its own check, and gives it back when it is taken in.
    let (status, said) = run(&root, &["hand-over", FIRST, &to("copy.zip")]);
    assert!(status == 0 && said.contains("verified"), "{said}");
    let other = place.join("other");
    drop(Shelf::set_up(&other).unwrap());
    let (status, said) = run(&other, &["take-in", &to("copy.zip")]);
    assert_eq!(status, 0, "{said}");
    assert_eq!(run(&other, &["take", FIRST, &to("back")]).0, 0);
    assert!(place.join("back/photograph").join(own).is_file());
}

#[test]
fn a_folder_name_that_leads_elsewhere_is_refused() {
    let place = Place::new();
    let root = place.join("shelf");
    drop(sample(&root));
    let before = tree(&root);
    fs::write(place.join("a.bin"), "x").unwrap();
    let file = place.join("a.bin").to_string_lossy().into_owned();
    for name in ["../x", "", "a//b", "/x", "zwei Lesungen"] {
        let (status, said) = run(
            &root,
            &["put", FIRST, "--as", "paper", "--name", name, &file],
        );
        assert_eq!(status, 2, "{name}: {said}");
    }
    assert_eq!(tree(&root), before);
}

/// A bag as RFC 8493 has it, whose payload is a file and a `job.json` with the text given.
fn bag(place: &Path, record: &str) {
    fs::create_dir_all(place.join("data")).unwrap();
    let declaration = "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n";
    fs::write(place.join("bagit.txt"), declaration).unwrap();
    let mut manifest = String::new();
    for (name, bytes) in [("IC14.bin", "chip"), ("job.json", record)] {
        fs::write(place.join("data").join(name), bytes).unwrap();
        let digest = cellkeep::reading::sha256_hex(bytes.as_bytes());
        manifest.push_str(&format!("{digest}  data/{name}\n"));
    }
    fs::write(place.join("manifest-sha256.txt"), manifest).unwrap();
}

#[test]
fn a_bags_own_record_is_never_dropped_in_silence() {
    let place = Place::new();
    let root = place.join("shelf");
    let shelf = Shelf::set_up(&root).unwrap();
    let new = || NewJob {
        name: Some("from-outside".into()),
        instrument: "Pellow Six".into(),
        ..NewJob::default()
    };
    bag(
        &place.join("later"),
        r#"{"kind":"job","version":99,"job":"x"}"#,
    );
    let later = shelf.take_in(&place.join("later"), new(), &Limits::default(), &act(0));
    assert!(matches!(later, Err(ShelfError::Newer { .. })), "{later:?}");
    bag(&place.join("other"), r#"{"mine":true}"#);
    let nameless = shelf.take_in(
        &place.join("other"),
        NewJob::default(),
        &Limits::default(),
        &act(0),
    );
    assert!(
        matches!(nameless, Err(ShelfError::BadBag { .. })),
        "{nameless:?}"
    );
    let done = shelf
        .take_in(&place.join("other"), new(), &Limits::default(), &act(0))
        .unwrap();
    assert!(
        done.notices.iter().any(|n| n.contains("job.json")),
        "{:?}",
        done.notices
    );
    let stored = shelf.stored("from-outside").unwrap();
    assert_eq!(
        stored.read(1, "paper/job.json").unwrap(),
        br#"{"mine":true}"#
    );
    // Nothing was as found, and what is there is named.
    let (_, said) = run(&root, &["show", "from-outside"]);
    assert!(
        !said.contains("as-found") && said.contains("shelf take"),
        "{said}"
    );
}

#[test]
fn a_newer_state_of_a_known_job_is_taken_in() {
    let place = Place::new();
    let (here, there) = (place.join("here"), place.join("there"));
    drop(sample(&here));
    copy_tree(&here, &there);
    let away = open(&there).unwrap();
    away.note(SECOND, "one", false, &act(900)).unwrap();
    away.note(SECOND, "two", true, &act(901)).unwrap();
    let shelf = open(&here).unwrap();
    let object = there.join("jobs").join(SECOND);
    let take_in = || shelf.take_in(&object, NewJob::default(), &Limits::default(), &act(902));
    let done = take_in().unwrap();
    assert_eq!((done.version, done.changed), (3, true));
    assert!(shelf.audit(None).unwrap().is_clean());
    assert_eq!(tree(&here.join("jobs").join(SECOND)), tree(&object));
    let again = take_in().unwrap();
    assert_eq!((again.version, again.changed), (3, false));
    away.note(SECOND, "there", false, &act(903)).unwrap();
    shelf.note(SECOND, "here", false, &act(904)).unwrap();
    assert!(matches!(
        take_in(),
        Err(ShelfError::Parted { version: 4, .. })
    ));
}

#[test]
fn shelf_references_are_read_wherever_a_file_is_and_never_written() {
    let place = Place::new();
    let root = place.join("shelf");
    drop(Shelf::set_up(&root).unwrap());
    let dump = concat!(env!("CARGO_MANIFEST_DIR"), "/demo-dumps/pellow-six/earlier");
    let cell = |args: &[&str]| {
        let output = super::common::program(&root)
            .current_dir(place.path())
            .args(args)
            .output()
            .unwrap();
        let said = text(&output.stdout) + &text(&output.stderr);
        (output.status.code().unwrap(), said)
    };
    let open = [
        "shelf",
        "open",
        "--instrument",
        "Pellow Six",
        "--layout",
        "pellow-six",
    ];
    let (status, said) = cell(&[&open[..], &["--as-found", dump, "--name", "b"]].concat());
    assert_eq!(status, 0, "{said}");
    let reading = "shelf:b/as-found";
    let (_, said) = cell(&["decode", reading, "--as", "table", "--shelf", "b"]);
    assert!(said.contains("version 2 is on the shelf"), "{said}");
    let (status, said) = cell(&[
        "encode",
        "shelf:b/bank/bank.json",
        "--onto",
        reading,
        "-o",
        "same",
    ]);
    assert!(status < 2 && place.join("same").is_dir(), "{said}");
    let (status, said) = cell(&["convert", "shelf:b/as-found/ram.hex", "-o", "ram.bin"]);
    assert!(
        status == 0 && fs::metadata(place.join("ram.bin")).unwrap().len() == 2048,
        "{said}"
    );
    let (status, said) = cell(&["compare", reading, "same", "--shelf", "b"]);
    assert!(status < 2 && said.contains("is on the shelf"), "{said}");
    let (status, said) = cell(&["plan", "--job", "b"]);
    assert!(status < 2 && !said.contains("without a layout"), "{said}");
    // As a place to write to it is refused, and nothing of that name is made.
    for args in [
        &["decode", reading, "--json", "-o", "shelf:b/bank/x.json"][..],
        &["blank", reading, "preset=11", "-o", "shelf:b/as-written"],
    ] {
        let (status, said) = cell(args);
        assert!(status == 2 && said.contains("--shelf"), "{said}");
    }
    assert!(!place.join("shelf:b").exists());
    // What is wrong with a file is told by its reference, not by where it was laid out.
    let empty = place.join("empty.hex");
    fs::write(&empty, ":00000001FE\n").unwrap();
    let file = empty.to_string_lossy().into_owned();
    assert_eq!(run(&root, &["put", "b", "--as", "donor", &file]).0, 0);
    let (status, said) = cell(&["decode", "shelf:b/donor", "-l", "pellow-six"]);
    assert!(status > 0 && said.contains("shelf:b/donor"), "{said}");
    assert!(!said.contains(".tmp"), "{said}");
}

#[test]
fn a_job_is_closed_once() {
    let place = Place::new();
    let shelf = sample(&place.join("shelf"));
    let close = |says: Option<&str>, again| {
        let done = shelf.close(SECOND, says, again, &act(900)).unwrap();
        (done.version, done.changed)
    };
    assert_eq!(close(None, true), (1, false));
    assert_eq!(close(Some("done"), false), (2, true));
    assert_eq!(close(Some("done"), false), (2, false));
    assert_eq!(close(None, false), (2, false));
    assert_eq!(close(Some("paid"), false), (3, true));
    assert_eq!(close(None, true), (4, true));
    assert_eq!(close(None, true), (4, false));
}
