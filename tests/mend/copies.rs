//! Mirrored copies of which one bit turned.

use super::*;
use cellkeep::layout::model::BitPlace;

/// The places of a bit of Wrenfield Strings in the original and in its copy: the third bit of entry 5.
fn mirrored(case: &Case) -> (BitPlace, BitPlace) {
    places(case, 2)
}

/// The same for another bit of that entry.
fn places(case: &Case, bit: usize) -> (BitPlace, BitPlace) {
    let area = case.layout.areas.iter().find(|a| !a.copies.is_empty());
    let area = area.expect("a mirrored area");
    let at = 5 * area.bits_per_entry + bit;
    (area.places[at], area.copies[0].places[at])
}

fn turn(reading: &mut Reading, place: &BitPlace) {
    let image = &mut reading.chips[usize::from(place.chip)].image;
    let bit = image.bit(place.cell, place.line).expect("it was read");
    image.set_bit(place.cell, place.line, Some(!bit));
}

fn case() -> Case {
    let mut case = Case::new("wrenfield-strings", "plane-lost");
    case.damaged = case.truth.clone();
    case
}

fn with_earlier(case: &Case) -> Sources {
    Sources {
        earlier: case.earlier(),
        ..Sources::default()
    }
}

/// The copy alone changed since the earlier reading: nothing else is in doubt, and it is set as the original.
#[test]
fn a_flipped_bit_of_the_copy_is_mended_by_the_original_and_the_earlier_reading() {
    let mut case = case();
    let (_, copy) = mirrored(&case);
    turn(&mut case.damaged, &copy);
    let plan = case.plan(&with_earlier(&case)).expect("one layout");
    assert!(plan.proposals.is_empty(), "{:?}", plan.proposals);
    let [bits] = &plan.bits[..] else {
        panic!("{:?}", plan.bits)
    };
    let chip = &case.layout.chips[usize::from(copy.chip)].id;
    assert_eq!(
        (&bits.chip, bits.first, bits.last),
        (chip, copy.cell, copy.cell)
    );
    assert!(bits.probability > 0.9, "{bits:?}");
    assert!(bits.evidence[0].contains("the original holds it, and the earlier reading"));
    let mended = mend::apply(&case.layout, &case.damaged, &plan, Some(0.9), None).expect("it fits");
    assert_eq!(images(&mended.reading), images(&case.truth));
}

/// The original alone changed: its value is proposed from both others, and the copy keeps what it holds.
#[test]
fn a_flipped_bit_of_the_original_is_mended_by_the_copy_and_the_earlier_reading() {
    let mut case = case();
    let (original, _) = mirrored(&case);
    turn(&mut case.damaged, &original);
    let plan = case.plan(&with_earlier(&case)).expect("one layout");
    assert!(plan.bits.is_empty(), "{:?}", plan.bits);
    let [value] = &plan.proposals[..] else {
        panic!("{:?}", plan.proposals)
    };
    assert!(value.probability > 0.9, "{value:?}");
    assert_eq!(case.judged(&plan, 0.0), (1, 0));
    let mended = mend::apply(&case.layout, &case.damaged, &plan, Some(0.9), None).expect("it fits");
    assert_eq!(images(&mended.reading), images(&case.truth));
}

/// Where the earlier reading has the same difference it cannot tell which is right: neither the read value nor the earlier one
/// speaks for it, and at no more than the chance of the voices is anything proposed.
#[test]
fn a_difference_that_the_earlier_reading_has_too_is_told_by_neither() {
    let mut case = case();
    let (original, _) = mirrored(&case);
    turn(&mut case.damaged, &original);
    turn(&mut case.earlier, &original);
    let plan = case.plan(&with_earlier(&case)).expect("one layout");
    let values = plan.proposals.iter();
    for evidence in values.flat_map(|p| &p.evidence) {
        assert!(!evidence.contains("the earlier reading"), "{evidence}");
        assert!(!evidence.contains("the copy"), "{evidence}");
    }
    assert_eq!(plan.proposals.len() + plan.losses.len(), 1, "{plan:?}");
}

/// An edit that was written to both is no damage. Two values of six bits change in the same bit of the exclusive-or of all, so
/// that the check stays what it is.
#[test]
fn an_edit_written_to_both_is_left_alone() {
    let mut case = case();
    for bit in [2, 8] {
        let (original, copy) = places(&case, bit);
        turn(&mut case.damaged, &original);
        turn(&mut case.damaged, &copy);
    }
    let plan = case.plan(&with_earlier(&case)).expect("one layout");
    assert!(
        plan.proposals.is_empty() && plan.bits.is_empty() && plan.losses.is_empty(),
        "{plan:?}"
    );
}

fn images(reading: &Reading) -> Vec<&cellkeep::image::ChipImage> {
    reading.chips.iter().map(|c| &c.image).collect()
}
