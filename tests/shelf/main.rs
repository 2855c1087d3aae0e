//! The shelf as a whole, through its public face.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod advice;
mod common;
mod damage;
mod finding;
mod handing;
mod hostile;
mod jobs;
mod layouts;
mod lost;
mod misplaced;
mod names;
mod refusals;
mod since;
mod writers;

#[test]
fn every_flipped_bit_is_found() {
    // Every 389th bit here; every bit in the long form, `cargo bench --bench shelf -- flips`.
    let flips = damage::flips(389, 19_997);
    assert!(flips.tried > 1000, "{flips:?}");
    assert_eq!(flips.missed, Vec::<String>::new());
}

#[test]
fn what_parity_promises_is_restored_and_no_more() {
    let restored = damage::parity(60);
    assert_eq!(restored.restored, restored.within, "{restored:?}");
    assert!(restored.beyond + restored.elsewhere >= 15, "{restored:?}");
    assert_eq!(restored.refused_untouched, restored.beyond, "{restored:?}");
}

#[test]
fn each_kind_of_damage_has_its_name_and_is_made_good() {
    for (code, (codes, good)) in damage::kinds() {
        assert!(codes.iter().any(|c| c == code), "{code}: {codes:?}");
        assert!(good, "{code}");
    }
}

#[test]
fn eight_writers_at_once_lose_nothing() {
    writers::run(8, 6, true);
}
