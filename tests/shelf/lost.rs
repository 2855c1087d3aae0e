//! Lost jobs and versions of which the parity is left: nothing new takes its place before they are restored.

use std::fs;

use cellkeep::blame::Blame;
use cellkeep::shelf::{NewJob, Shelf, ShelfError};

use super::common::{FIRST, Place, SECOND, act, copy_tree, lasting, open, quillon, sample};

#[test]
fn a_lost_jobs_name_is_taken_and_its_parity_stays() {
    let place = Place::new();
    let root = place.join("shelf");
    let shelf = sample(&root);
    let before = lasting(&root);
    let zip = place.join("second.zip");
    shelf
        .hand_over(SECOND, None, &zip, false, &act(400))
        .unwrap();
    fs::remove_dir_all(root.join("jobs").join(SECOND)).unwrap();
    let lost = lasting(&root);
    let named = NewJob {
        name: Some(SECOND.into()),
        ..quillon("0042")
    };
    for error in [
        shelf.open_job(named, Vec::new(), &act(500)).unwrap_err(),
        shelf
            .take_in(&zip, NewJob::default(), &Default::default(), &act(500))
            .unwrap_err(),
    ] {
        assert!(matches!(&error, ShelfError::LostJob(job) if job == SECOND));
        assert!(error.hint().unwrap().contains("cellkeep shelf repair"));
    }
    assert!(lasting(&root) == lost);
    shelf.repair_job(SECOND, &act(600)).unwrap();
    assert!(lasting(&root) == before);
    assert!(shelf.audit(None).unwrap().is_clean());
    // Without a name of its own a new job gets the next one that no lost job has.
    fs::remove_dir_all(root.join("jobs").join(FIRST)).unwrap();
    let new = quillon("0042");
    let done = shelf.open_job(new, Vec::new(), &act(0)).unwrap();
    assert_eq!(done.job, format!("{FIRST}-2"));
}

/// A copy of the folder `jobs` older than the parity, as a backup brings it back.
#[test]
fn nothing_is_added_to_a_job_whose_last_version_is_lost() {
    let place = Place::new();
    let root = place.join("shelf");
    let shelf = sample(&root);
    let old = place.join("old");
    copy_tree(&root.join("jobs").join(SECOND), &old);
    shelf.note(SECOND, "the last", false, &act(300)).unwrap();
    let before = lasting(&root);
    fs::remove_dir_all(root.join("jobs").join(SECOND)).unwrap();
    copy_tree(&old, &root.join("jobs").join(SECOND));
    let lost = lasting(&root);
    let error = shelf.note(SECOND, "other", false, &act(500)).unwrap_err();
    assert!(
        matches!(&error, ShelfError::LostVersion { job, version: 2 } if job == SECOND),
        "{error}"
    );
    assert!(lasting(&root) == lost);
    shelf.repair_job(SECOND, &act(600)).unwrap();
    assert!(lasting(&root) == before);
    shelf.note(SECOND, "other", false, &act(700)).unwrap();
}

#[test]
fn a_lost_job_comes_back_from_another_shelf_but_no_other_job_in_its_place() {
    let place = Place::new();
    let root = place.join("shelf");
    let shelf = sample(&root);
    let second = root.join("jobs").join(SECOND);
    let copies = [place.join("old/second"), place.join("new/second")];
    copy_tree(&second, &copies[0]);
    shelf.note(SECOND, "the last", false, &act(300)).unwrap();
    copy_tree(&second, &copies[1]);
    let before = lasting(&root);

    let other = Shelf::set_up(&place.join("other")).unwrap();
    let same_name = NewJob {
        name: Some(SECOND.into()),
        instrument: "Aldermoor Four".into(),
        ..NewJob::default()
    };
    other.open_job(same_name, Vec::new(), &act(0)).unwrap();
    fs::remove_dir_all(&second).unwrap();
    let lost = lasting(&root);
    let take = |from: &std::path::Path| {
        open(&root)
            .unwrap()
            .take_in(from, NewJob::default(), &Default::default(), &act(400))
    };
    let error = take(&place.join("other/jobs").join(SECOND)).unwrap_err();
    assert!(matches!(&error, ShelfError::LostJob(job) if job == SECOND));
    assert!(lasting(&root) == lost);

    // An older copy is taken, with what is still lost of it named, and repair restores that.
    let done = take(&copies[0]).unwrap();
    assert_eq!(done.version, 1);
    assert!(done.cautions[0].contains("version 2"), "{done:?}");
    shelf.repair_job(SECOND, &act(600)).unwrap();
    assert!(lasting(&root) == before);

    fs::remove_dir_all(&second).unwrap();
    let done = take(&copies[1]).unwrap();
    assert!(done.cautions.is_empty(), "{done:?}");
    assert!(lasting(&root) == before);
    assert!(shelf.audit(None).unwrap().is_clean());
}
