//! What the shelf refuses, and what it says when something large is gone.

use std::fs;
use std::path::Path;

use cellkeep::blame::Blame;
use cellkeep::shelf::{Role, Shelf, ShelfError};

use super::common::{FIRST, Place, SECOND, act, open, program, sample, shelf_command, text, tree};

#[test]
fn the_shelf_is_not_put_on_itself() {
    let place = Place::new();
    let root = place.join("bench/shelf");
    fs::create_dir(place.join("bench")).unwrap();
    let shelf = sample(&root);
    fs::write(place.join("bench/letter.txt"), "x").unwrap();
    let before = tree(&root);
    for path in ["bench", "bench/shelf", "bench/../bench/shelf/jobs"] {
        let files = shelf.gather(&place.join(path), Role::Paper, None);
        assert!(matches!(files, Err(ShelfError::BadFile { .. })), "{path}");
        let path = place.join(path);
        let output = shelf_command(
            &root,
            &["put", FIRST, "--as", "paper", &path.to_string_lossy()],
        );
        assert_eq!(output.status.code(), Some(2), "{}", text(&output.stderr));
    }
    assert_eq!(tree(&root), before);
    let letter = place.join("bench/letter.txt");
    assert_eq!(shelf.gather(&letter, Role::Paper, None).unwrap().len(), 1);
}

#[test]
fn an_empty_note_makes_no_version() {
    let place = Place::new();
    let shelf = sample(&place.join("shelf"));
    let head = shelf.stored(FIRST).unwrap().head();
    for says in ["", " \n\t"] {
        let noted = shelf.note(FIRST, says, false, &act(900));
        assert!(matches!(noted, Err(ShelfError::Nothing(_))));
    }
    assert_eq!(shelf.stored(FIRST).unwrap().head(), head);
}

#[test]
fn a_set_up_that_was_broken_off_is_told_and_begun_anew() {
    let place = Place::new();
    let root = place.join("shelf");
    drop(Shelf::set_up(&root).unwrap());
    fs::remove_file(root.join("shelf.json")).unwrap();
    let error = open(&root).unwrap_err();
    assert!(matches!(error, ShelfError::Unfinished(_)), "{error}");
    assert!(error.hint().unwrap().contains("set-up"));
    assert!(
        Shelf::set_up(&root)
            .unwrap()
            .audit(None)
            .unwrap()
            .is_clean()
    );
}

#[test]
fn a_job_that_is_gone_altogether_is_named_with_what_can_be_done() {
    let place = Place::new();
    let root = place.join("shelf");
    let shelf = sample(&root);
    let away = place.join(SECOND);
    fs::rename(root.join("jobs").join(SECOND), &away).unwrap();
    let told = |root: &Path, args: &[&str]| {
        let output = shelf_command(root, args);
        assert_eq!(output.status.code(), Some(1), "{}", text(&output.stderr));
        text(&output.stdout)
    };
    for args in [&["audit"][..], &["audit", SECOND]] {
        let said = told(&root, args);
        assert!(
            said.contains(&format!("jobs/{SECOND} is missing")),
            "{said}"
        );
        assert!(said.contains("take-in"), "{said}");
    }
    let output = shelf_command(&root, &["show", SECOND]);
    assert_eq!(output.status.code(), Some(2));
    assert!(text(&output.stderr).contains("shelf repair"));
    // A job as small as this one can be made again from parity alone.
    let output = shelf_command(&root, &["repair", SECOND]);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    assert_eq!(tree(&root.join("jobs").join(SECOND)), tree(&away));
    assert!(shelf.audit(None).unwrap().is_clean());
    fs::remove_dir_all(root.join("jobs").join(SECOND)).unwrap();
    // With its parity gone too, the index still knows it.
    fs::rename(root.join("parity").join(SECOND), place.join("parity")).unwrap();
    assert_eq!(shelf.audit(None).unwrap().missing, [SECOND]);
    let output = shelf_command(&root, &["take-in", &away.to_string_lossy()]);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    assert!(shelf.audit(None).unwrap().is_clean());
    assert_eq!(tree(&root.join("jobs").join(SECOND)), tree(&away));
}

#[test]
fn a_mended_reading_goes_straight_into_its_job() {
    let place = Place::new();
    let root = place.join("shelf");
    let shelf = sample(&root);
    let dumps = Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-dumps/aldermoor-four");
    let damaged = dumps.join("damaged/sagging");
    let damaged = damaged.to_str().unwrap();
    let run = |args: &[&str]| {
        let output = program(&root)
            .arg("mend")
            .args(args)
            .current_dir(place.join(""))
            .output()
            .unwrap();
        let said = format!("{}{}", text(&output.stdout), text(&output.stderr));
        (output.status.code(), said)
    };
    let earlier = dumps.join("today-1");
    let plan = [
        damaged,
        "-l",
        "aldermoor-four",
        "--earlier",
        earlier.to_str().unwrap(),
    ];
    let (status, said) = run(&[&plan[..], &["--shelf", FIRST]].concat());
    assert_eq!(status, Some(2));
    assert!(said.contains("name a new file with -o"), "{said}");
    let (status, said) = run(&[&plan[..], &["-o", "mend.toml", "--shelf", FIRST]].concat());
    assert!(matches!(status, Some(0 | 1)), "{said}");
    let apply = [damaged, "--apply", "mend.toml", "--at-least", "0.99"];
    let (_, said) = run(&[&apply[..], &["-o", "mended"]].concat());
    assert!(said.contains("to mended"), "{said}");
    let (status, said) = run(&[&apply[..], &["--shelf", FIRST]].concat());
    assert!(matches!(status, Some(0 | 1)), "{said}");
    assert!(
        said.contains(&format!("compare {damaged} shelf:{FIRST}/mended")),
        "{said}"
    );

    let stored = shelf.stored(FIRST).unwrap();
    let read = |path: &str| stored.read(stored.head(), path).unwrap();
    assert_eq!(
        read("findings/mend.toml"),
        fs::read(place.join("mend.toml")).unwrap()
    );
    let written = tree(&place.join("mended"));
    assert!(written.len() > 2);
    for (name, bytes) in written {
        assert_eq!(read(&format!("mended/{name}")), bytes, "{name}");
    }
}

#[test]
fn nothing_else_writes_on_a_shelf() {
    let place = Place::new();
    let root = place.join("shelf");
    drop(sample(&root));
    let before = tree(&root);
    let dump = concat!(env!("CARGO_MANIFEST_DIR"), "/demo-dumps/pellow-six/earlier");
    let content = format!("jobs/{SECOND}/v1/content/as-found");
    let file = format!("jobs/{SECOND}/inventory.json");
    let on = |path: &str| root.join(path).to_string_lossy().into_owned();
    let as_found = format!("{SECOND}/as-found");
    for args in [
        &[
            "blank",
            dump,
            "preset=11",
            "-l",
            "pellow-six",
            "-o",
            &on("jobs/x"),
        ][..],
        &[
            "convert",
            &format!("{dump}/ram.hex"),
            "--to",
            "bin",
            "-o",
            &on(&content),
            "--replace",
        ],
        &[
            "decode",
            dump,
            "-l",
            "pellow-six",
            "-o",
            &on(&file),
            "--replace",
        ],
        &["shelf", "hand-over", SECOND, &on(&file), "--replace"],
        &["shelf", "hand-over", SECOND, &on("copy.zip")],
        &["shelf", "take", SECOND, &on("jobs/x")],
        &["shelf", "take", &as_found, &on(&content), "--replace"],
        &["shelf", "set-up", "--at", &on("jobs/inner")],
        &["shelf", "set-up", "--at", &on("inner")],
    ] {
        let output = program(&root).args(args).output().unwrap();
        let said = text(&output.stderr);
        assert_eq!(output.status.code(), Some(2), "{args:?}: {said}");
        assert!(said.contains("lies on the shelf at"), "{args:?}: {said}");
        assert_eq!(tree(&root), before, "{args:?}");
    }
    // So do a bare name and steps up.
    for (folder, to) in [
        ("", "x"),
        ("jobs", "x"),
        ("", "jobs/no/../x"),
        ("index", "../x"),
    ] {
        let output = program(&root)
            .current_dir(root.join(folder))
            .args(["shelf", "take", SECOND, to])
            .output()
            .unwrap();
        let said = text(&output.stderr);
        assert!(
            said.contains("lies on the shelf at"),
            "{folder} {to}: {said}"
        );
        assert_eq!(tree(&root), before, "{folder} {to}");
    }
    // A link leads there too.
    #[cfg(unix)]
    {
        std::os::unix::fs::symlink(root.join("jobs"), place.join("away")).unwrap();
        let to = place.join("away/x").to_string_lossy().into_owned();
        let output = shelf_command(&root, &["take", SECOND, &to]);
        assert_eq!(output.status.code(), Some(2), "{}", text(&output.stdout));
        assert_eq!(tree(&root), before);
    }
}
