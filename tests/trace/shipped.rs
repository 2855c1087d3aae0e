//! Instruments of the demonstration whose structure of presets is hard to see.

use cellkeep::layout;
use cellkeep::trace::rehearsal::{Rehearsal, rehearse};
use cellkeep::trace::simulate::Hand;

/// What is found of an instrument without noise, where all of so many values of a second bank are right.
fn whole(id: &str, values: usize) -> Rehearsal {
    let layout = layout::load(id).unwrap();
    let found = rehearse(&layout, Hand::default(), 7).unwrap().unwrap();
    assert_eq!(
        (found.compared.right, found.compared.values),
        (values, values),
        "{:?}",
        found.structure
    );
    assert_eq!(found.compared.certain_wrong, 0);
    found
}

/// Two small chips of a sequencer: one behind address lines of which all are exchanged and one is inverted, the other
/// with a parity over bits that nobody dials. Few changed bits leave many wirings nearly as good as the right one.
/// Its notes mean something in some steps only and stand still in the others.
#[test]
fn a_sequencer_behind_exchanged_lines_is_found_whole() {
    let found = whole("quillon-72", 310);
    let doubt = found.structure.iter().find(|s| s.contains("in doubt"));
    assert_eq!(doubt, None);
}

/// Voice boards of four small chips, each of which holds a quarter of the presets; the chip of the shared controls has
/// their shape and holds all. What a quarter shows looks like more than half of what moves there.
#[test]
fn boards_whose_chips_share_the_presets_are_found_whole() {
    let found = whole("aldermoor-eight", 3088);
    let together = found.structure.iter().find(|s| s.starts_with("CH56A + "));
    assert!(together.is_some(), "{:?}", found.structure);
    // Two boards of one chip and two voices, and those of voices 5 to 8, whose address lines carry the slot in another order.
    let [voices] = &found.voices[..] else {
        panic!("{:?}", found.voices);
    };
    assert!(
        voices.ends_with("8 voices on 3 boards, on address lines of their own; 23 controls lie alike in every voice"),
        "{voices}"
    );
    assert!(!found.layout_toml.contains(".voice-"));
}

/// A dial that means something at one of six positions of a selector shows so little between the end stops that five bits
/// of it and no more come near; two more lie below, and were not looked for, but its coding was said to be sign and magnitude in five bits
/// for sure.
#[test]
fn a_dial_that_means_something_seldom_is_found_down_to_its_lowest_bit() {
    whole("tessaly-nine", 15_299);
}

/// Bit planes whose presets follow a table, dialled by a hand that slips on a noisy converter. Four chips seemed to hold a part of
/// the presets each, since that is told by one table in place of four; and slips let some of them show another order than the rest.
#[test]
fn bit_planes_that_slips_show_in_two_orders_follow_one() {
    let layout = layout::load("wrenfield-strings").unwrap();
    let both = Hand {
        jitter: true,
        slips: 0.05,
    };
    let found = rehearse(&layout, both, 3).unwrap().unwrap();
    assert!(found.compared.right > 500, "{}", found.compared.right);
    assert_eq!(found.compared.certain_wrong, 0);
}
