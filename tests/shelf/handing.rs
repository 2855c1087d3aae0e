//! Jobs handed over and taken in again.

use std::fs;

use cellkeep::shelf::{NewJob, Shelf, ShelfError};

use super::common::{FIRST, Place, SECOND, act, lasting, sample, text, tree};

#[test]
fn a_hand_over_comes_back_the_same_without_the_shops_own() {
    let place = Place::new();
    let shelf = sample(&place.join("shelf"));
    let zip = place.join("out.zip");
    let handed = shelf
        .hand_over(FIRST, None, &zip, false, &act(500))
        .unwrap();
    assert_eq!(handed.left_out, ["private/price.txt"]);
    assert_eq!(handed.notes_left_out, 1);
    assert!(handed.files.contains(&"data/bank/bank.txt".to_owned()));
    assert!(
        shelf
            .hand_over(FIRST, None, &zip, false, &act(500))
            .is_err()
    );
    let first = fs::read(&zip).unwrap();
    shelf.hand_over(FIRST, None, &zip, true, &act(500)).unwrap();
    assert_eq!(fs::read(&zip).unwrap(), first);
    let whole = text(&first);
    assert!(!whole.contains("price"));
    let other = Shelf::set_up(&place.join("other")).unwrap();
    let done = other
        .take_in(&zip, NewJob::default(), &Default::default(), &act(600))
        .unwrap();
    assert_eq!(done.job, FIRST);
    let (old, new) = (shelf.stored(FIRST).unwrap(), other.stored(FIRST).unwrap());
    let record = new.record(1).unwrap();
    assert_eq!(record.notes.len(), 1);
    assert_eq!(record.notes[0].says, "new cell fitted");
    assert_eq!(record.serial.as_deref(), Some("0042"));
    for file in old.files(4).unwrap() {
        match file.path.as_str() {
            "job.json" => {}
            "private/price.txt" => assert!(new.read(1, &file.path).is_err()),
            path => assert_eq!(
                new.read(1, path).unwrap(),
                old.read(4, path).unwrap(),
                "{path}"
            ),
        }
    }
    assert!(other.audit(None).unwrap().is_clean());
    assert!(matches!(
        other.take_in(&zip, NewJob::default(), &Default::default(), &act(601)),
        Err(ShelfError::JobExists(_))
    ));
}

#[cfg(unix)]
#[test]
fn a_hand_over_replaces_a_plain_file_and_nothing_else() {
    let place = Place::new();
    let shelf = sample(&place.join("shelf"));
    let out = place.join("out");
    fs::create_dir(&out).unwrap();
    let (link, pipe) = (out.join("link.zip"), out.join("pipe.zip"));
    fs::write(out.join("mine.zip"), "dear to me").unwrap();
    std::os::unix::fs::symlink(out.join("mine.zip"), &link).unwrap();
    let made = std::process::Command::new("mkfifo").arg(&pipe).status();
    assert!(made.unwrap().success(), "mkfifo is part of coreutils");
    for target in [&link, &pipe] {
        let before = target.symlink_metadata().unwrap().file_type();
        let error = shelf
            .hand_over(FIRST, None, target, true, &act(500))
            .unwrap_err();
        assert!(error.to_string().contains("no plain file"), "{error}");
        assert_eq!(target.symlink_metadata().unwrap().file_type(), before);
    }
    assert_eq!(fs::read(out.join("mine.zip")).unwrap(), b"dear to me");
    assert_eq!(fs::read_dir(&out).unwrap().count(), 3, "litter is left");
}

#[test]
fn a_job_of_another_shelf_comes_with_all_its_versions() {
    let place = Place::new();
    sample(&place.join("shelf"));
    let other = Shelf::set_up(&place.join("other")).unwrap();
    let from = place.join("shelf/jobs").join(FIRST);
    other
        .take_in(&from, NewJob::default(), &Default::default(), &act(600))
        .unwrap();
    assert_eq!(tree(&place.join("other/jobs").join(FIRST)), tree(&from));
    assert!(other.audit(None).unwrap().is_clean());
    let mut kept = lasting(&place.join("shelf"));
    kept.retain(|name, _| !name.contains(SECOND));
    assert_eq!(lasting(&place.join("other")), kept);
    // Damaged, it is not taken.
    fs::write(from.join("v1/content/as-found/CH1.bin"), "x").unwrap();
    let third = Shelf::set_up(&place.join("third")).unwrap();
    assert!(matches!(
        third.take_in(&from, NewJob::default(), &Default::default(), &act(600)),
        Err(ShelfError::BadBag { .. })
    ));
    assert_eq!(third.job_names().unwrap().len(), 0);
}
