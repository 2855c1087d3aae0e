use cellkeep::compare::verify::verify;
use cellkeep::compare::{Comparison, MoveKind, Step, compare, listing};

use super::board::{PRESETS, decoded, layout};

fn compared(change: impl Fn(&mut [[u8; 4]; 6])) -> Comparison {
    let layout = layout();
    let mut after = PRESETS;
    change(&mut after);
    compare(&decoded(&layout, &PRESETS), &decoded(&layout, &after))
}

#[test]
fn nothing_changed_is_nothing_told() {
    let c = compared(|_| ());
    assert!(c.is_clean());
    assert!(c.areas.is_empty() && c.chips.is_empty() && c.moves.is_empty());
}

/// 0x80 reads 128/255 of 10 = 5.02, 0x81 reads 5.06; the sum goes from 0x92 to 0x93: one bit each.
#[test]
fn a_small_step_is_told_with_its_settings_and_bits() {
    let c = compared(|p| p[1] = [0x81, 0x17, 0xfb, 0x93]);
    assert_eq!(c.totals.parameters, 1);
    assert_eq!(c.totals.small_steps, 1);
    assert_eq!(
        (c.totals.bits, c.totals.parameter_bits, c.totals.check_bits),
        (2, 1, 1)
    );
    let change = &c.areas[0].entries[0].parameters[0];
    assert_eq!(c.areas[0].entries[0].label, "preset 2");
    assert_eq!(
        (
            change.before.setting.as_str(),
            change.after.setting.as_str()
        ),
        ("5.02", "5.06")
    );
    assert_eq!((change.step, change.by), (Step::Small, Some(1)));
    assert_eq!(change.bits.len(), 1);
    assert_eq!((change.bits[0].cell, change.bits[0].line), (4, 0));
    assert_eq!(
        (change.bits[0].before, change.bits[0].after),
        (Some(false), Some(true))
    );
    assert_eq!(c.chips[0].by_line, [2, 0, 0, 0, 0, 0, 0, 0]);
}

/// -5 to +5 cents is ten codes through zero, not 246.
#[test]
fn a_jump_is_counted_in_numbers_not_in_raw_codes() {
    let c = compared(|p| p[1][2] = 0x05);
    let change = &c.areas[0].entries[0].parameters[0];
    assert_eq!(change.key, "tune");
    assert_eq!((change.step, change.by), (Step::Jump, Some(10)));
}

/// Saw to noise: two codes apart, yet another position and no small step. The width means nothing on either side.
#[test]
fn a_switch_is_switched_however_near() {
    let c = compared(|p| p[0] = [0x40, 0x2f, 0x05, 0x74]);
    let keys: Vec<&str> = c.areas[0].entries[0]
        .parameters
        .iter()
        .map(|p| p.key.as_str())
        .collect();
    assert_eq!(keys, ["wave"]);
    assert_eq!(c.areas[0].entries[0].parameters[0].step, Step::Switched);
}

#[test]
fn bits_nobody_claims_are_counted_apart_and_absent_ones_not_at_all() {
    let layout = layout();
    let before = decoded(&layout, &PRESETS);
    let mut reading = super::board::reading(&PRESETS);
    reading.chips[0].image.set_bit(1, 7, Some(true)); // bit 7 of byte 1 of preset 1
    reading.chips[0].image.set_bit(30, 0, Some(false)); // a cell that is not there
    let after = cellkeep::bank::Decoded::new(&layout, &reading).unwrap();
    let c = compare(&before, &after);
    assert_eq!((c.totals.bits, c.totals.other_bits), (1, 1));
    assert!(c.areas.is_empty());
    let v = verify(&before, &after);
    assert_eq!(v.wrong_bits, 1);
    assert_eq!(v.absent_bits, 8 * 8);
    assert_eq!(v.compared_bits, 24 * 8);
}

#[test]
fn a_swap_is_told_once() {
    let c = compared(|p| p.swap(1, 2));
    assert_eq!(c.moves.len(), 1, "{:?}", c.moves);
    let m = &c.moves[0];
    assert_eq!(
        (m.kind, m.to.as_str(), m.from.as_deref()),
        (MoveKind::Swapped, "preset 2", Some("preset 3"))
    );
    assert_eq!(
        (
            c.totals.entries,
            c.totals.explained_entries,
            c.totals.parameters
        ),
        (2, 2, 0)
    );
    assert!(
        !listing(&c, false).contains("level"),
        "{}",
        listing(&c, false)
    );
}

#[test]
fn a_copy_a_move_and_a_blanking_are_told_apart() {
    let c = compared(|p| {
        p[5] = PRESETS[2]; // a copy: 3 is still there
        p[3] = PRESETS[1]; // a move: 2 holds something new
        p[1] = [0x77, 0x00, 0x11, 0x88];
        p[0] = [0, 0, 0, 0];
    });
    let told: Vec<(MoveKind, &str, Option<&str>)> = c
        .moves
        .iter()
        .map(|m| (m.kind, m.to.as_str(), m.from.as_deref()))
        .collect();
    assert_eq!(
        told,
        [
            (MoveKind::Blanked, "preset 1", None),
            (MoveKind::Moved, "preset 4", Some("preset 2")),
            (MoveKind::Copied, "preset 6", Some("preset 3")),
        ]
    );
    assert_eq!(c.totals.parameters, 4); // the new sound in preset 2: level, wave, tune, and the width that a saw has not
    let width = &c.areas[0].entries[1].parameters[2];
    assert_eq!(
        (width.before.setting.as_str(), width.after.setting.as_str()),
        ("7", "-")
    );
}

#[test]
fn an_edit_that_happens_to_look_like_another_preset_is_still_told() {
    // Preset 5 equals preset 1; changing one knob of preset 1 is an edit, and preset 5 keeps its contents.
    let c = compared(|p| p[0] = [0x41, 0x00, 0x05, 0x46]);
    assert!(c.moves.is_empty());
    assert_eq!(c.totals.parameters, 1);
}

#[test]
fn a_bit_known_on_one_side_only_is_incomparable() {
    let layout = layout();
    let before = decoded(&layout, &PRESETS);
    let mut reading = super::board::reading(&PRESETS);
    reading.chips[0].image.set_bit(0, 6, None);
    let after = cellkeep::bank::Decoded::new(&layout, &reading).unwrap();
    let c = compare(&before, &after);
    assert!(!c.is_clean());
    assert_eq!((c.totals.bits, c.totals.incomparable_bits), (0, 1));
    assert_eq!(c.areas[0].entries[0].parameters[0].step, Step::Incomparable);
    assert_eq!(c.areas[0].entries[0].parameters[0].after.setting, "?");
    let v = verify(&before, &after);
    assert_eq!((v.wrong_bits, v.chips[0].not_read), (1, 1));
    assert_eq!(v.parameters[0].key, "level");
}
