//! The layout language on small layouts, whose places were worked out by hand.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod mutate;
mod organisations;
mod random;
mod reference;
mod wrong;

/// One test loads every layout that ships: each keeps every rule, its id is the name of its file, and what its
/// bits are adds up to its chips.
#[test]
fn built_in_layouts_are_sound() {
    let listed = cellkeep::layout::list().unwrap();
    let built_in: Vec<_> = listed.iter().filter(|l| l.path.is_none()).collect();
    assert!(!built_in.is_empty());
    for listed in built_in {
        let checked = cellkeep::layout::check_named(&listed.id).unwrap();
        assert!(checked.problems.list.is_empty(), "{}", checked.problems);
        let layout = checked.layout.unwrap();
        assert_eq!(layout.id, listed.id);
        for chip in cellkeep::layout::owners::coverage(&layout) {
            assert_eq!(chip.total(), chip.bits, "{} {}", layout.id, chip.chip);
        }
    }
}
