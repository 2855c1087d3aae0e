//! Edits where one thing hangs on another: checks over checks and copies, bits that a selector gives two meanings, places
//! that overlap, donors with other scales. All bytes are worked out by hand.

use std::collections::BTreeSet;

use cellkeep::bank::{self, Bank};
use cellkeep::codec::setting;
use cellkeep::compare::{MoveKind, compare};
use cellkeep::edit::{EditError, Editor, Selector};
use cellkeep::examine::examine;
use cellkeep::finding::{Severity, worst};
use cellkeep::identify::{Fit, rank};
use cellkeep::image::ChipImage;
use cellkeep::layout::{self, model::Layout};
use cellkeep::reading::{ChipReading, Reading};

use super::board::{PRESETS, TEXT, decoded, layout, presets, reading};

fn at(text: &str) -> Selector {
    text.parse().unwrap()
}

fn parsed(text: &str) -> Layout {
    layout::from_text("a test", text).unwrap_or_else(|e| panic!("{e}"))
}

fn of_cells(cells: &[u8]) -> Reading {
    let image = ChipImage::from_cells(8, cells).unwrap();
    Reading::new(vec![ChipReading::new("U1", image)])
}

/// The board with a copy of the presets at 32, and a sum over that copy at 24 that is declared before the sums of the
/// presets it covers. The bytes of the presets add up to 0xbc; with the second one at f0 17 fb 02 to 0x9c.
#[test]
fn a_sum_over_a_copy_of_other_sums_follows_whatever_the_order() {
    let total = r#"
[[area.copy]]
name = "mirror"
at = 32

[[area.check]]
key = "total"
method = "sum"
per = "area"
span = "0x20..0x37"
stored_at = "0x18.7..0"

[[area.check]]
key = "sum""#;
    let text = TEXT
        .replace("words = 32", "words = 64")
        .replace("used = \"0..23\"", "used = \"0..63\"")
        .replacen("\n[[area.check]]\nkey = \"sum\"", total, 1);
    let layout = parsed(&text);
    let mut cells = [0u8; 64];
    for (i, byte) in PRESETS.iter().flatten().enumerate() {
        cells[i] = *byte;
        cells[32 + i] = *byte;
    }
    cells[24] = 0xbc;
    let before = bank::Decoded::new(&layout, &of_cells(&cells)).unwrap();
    assert!(
        bank::findings(&before).is_empty(),
        "the board holds at first"
    );
    let mut editor = Editor::new(&before);
    editor.set(&at("preset=2"), "level", "#0xf0").unwrap();
    let edited = editor.finish("set", "a test", None).unwrap();
    let now = edited.reading.chips[0].image.values();
    assert_eq!(now[4..8], [0xf0, 0x17, 0xfb, 0x02]);
    assert_eq!(now[36..40], [0xf0, 0x17, 0xfb, 0x02]);
    assert_eq!(now[24], 0x9c);
    let told: BTreeSet<&str> = edited.record.checks.iter().map(String::as_str).collect();
    assert_eq!(told.len(), edited.record.checks.len(), "each check once");
    assert_eq!(told.len(), 2, "{told:?}");
    let again = bank::Decoded::new(&layout, &edited.reading).unwrap();
    assert!(bank::findings(&again).is_empty());
}

/// Presets 1 to 3 against 2 to 4: what is in both would have to go to two places.
#[test]
fn places_that_overlap_are_not_exchanged() {
    let layout = layout();
    let before = decoded(&layout, &PRESETS);
    let mut editor = Editor::new(&before);
    let error = editor.swap(&at("preset=1-3"), &at("preset=2-4"));
    assert!(matches!(error, Err(EditError::Overlap { .. })), "{error:?}");
    editor.swap(&at("preset=1-2"), &at("preset=3-4")).unwrap();
    let after = presets(&editor.finish("swapped", "", None).unwrap().reading);
    // Bit 7 of byte 1 of the fourth preset is nobody's and stays where it is: 0x80 + 0x97 + 0xfb = 0x212.
    assert_eq!(after[0], PRESETS[2]);
    assert_eq!(after[1], [0x10, 0x12, 0x01, 0x23]);
    assert_eq!(after[2], PRESETS[0]);
    assert_eq!(after[3], [0x80, 0x97, 0xfb, 0x12]);
}

#[test]
fn an_axis_named_twice_is_refused() {
    let error = "preset=1,preset=2".parse::<Selector>().unwrap_err();
    assert!(
        error.to_string().contains("preset is named twice"),
        "{error}"
    );
}

/// With the selector blank at saw, the low bits of byte 1 mean a depth of -8 at least, which is code 8, and no width.
#[test]
fn blanking_gives_bits_the_meaning_they_have_at_the_blank_selector() {
    let depth = r#"
[[area.parameter]]
key = "depth"
bits = "1.3..0"
code = "twos-complement"
when = { key = "wave", is = [0] }

[[area.parameter]]
key = "width""#;
    let text = TEXT.replacen("\n[[area.parameter]]\nkey = \"width\"", depth, 1);
    let layout = parsed(&text);
    let before = decoded(&layout, &PRESETS);
    let mut editor = Editor::new(&before);
    editor.blank(&at("preset=4")).unwrap();
    let edited = editor.finish("blanked", "", None).unwrap();
    assert_eq!(presets(&edited.reading)[3], [0x00, 0x88, 0x00, 0x88]);
    // And a comparison calls that emptied.
    let after = bank::Decoded::new(&layout, &edited.reading).unwrap();
    let told = compare(&before, &after);
    assert_eq!(told.moves.len(), 1);
    assert_eq!(told.moves[0].kind, MoveKind::Blanked);
}

/// A donor that counts its waves the other way round: its code 2 is pulse, and goes over as pulse, code 1.
#[test]
fn a_donor_with_other_positions_gives_settings_and_not_codes() {
    let layout = layout();
    let text = TEXT
        .replace("id = \"small-board\"", "id = \"other-board\"")
        .replace(
            "[\"saw\", \"pulse\", \"noise\"]",
            "[\"noise\", \"saw\", \"pulse\"]",
        )
        .replace("is = [1]", "is = [2]");
    let other = parsed(&text);
    let mut theirs = [[0u8; 4]; 6];
    theirs[0] = [0x40, 0x27, 0x05, 0x6c];
    let donor = decoded(&other, &theirs);
    let before = decoded(&layout, &PRESETS);
    let mut editor = Editor::new(&before);
    editor
        .copy(&at("preset=1"), &at("preset=6"), Some(&donor))
        .unwrap();
    let edited = editor.finish("copied", "", None).unwrap();
    // 0x40 + 0x17 + 0x05 = 0x5c.
    assert_eq!(presets(&edited.reading)[5], [0x40, 0x17, 0x05, 0x5c]);
}

/// A dial to 20 at code 0x80 reads 10.04, which a dial to 10 does not have; it used to go over as code 0x80, 5.02.
#[test]
fn a_donor_with_another_dial_is_not_taken_by_code() {
    let layout = layout();
    let text = TEXT
        .replace("id = \"small-board\"", "id = \"other-board\"")
        .replace("dial = [0, 10]", "dial = [0, 20]");
    let other = parsed(&text);
    let donor = decoded(&other, &PRESETS);
    let before = decoded(&layout, &PRESETS);
    let mut editor = Editor::new(&before);
    let error = editor.copy(&at("preset=2"), &at("preset=6"), Some(&donor));
    assert!(
        matches!(&error, Err(EditError::CannotHold { key, value, .. }) if key == "level" && value == "10.04"),
        "{error:?}"
    );
}

/// Two voices of two bytes: one preset with both its voices goes to two others.
#[test]
fn a_preset_with_its_voices_can_be_copied_to_several() {
    let layout = parsed(
        r#"
cellkeep = 1
id = "two-voices"
name = "Two voices"

[[chip]]
id = "U1"
words = 16
width = 8
used = "0..11"

[[area]]
name = "presets"
axes = { preset = { count = 3, stride = 4, first = 1 }, voice = { count = 2, stride = 2, first = 1 } }

[[area.parameter]]
key = "level"
bits = "0.7..0"

[[area.parameter]]
key = "tune"
bits = "1.7..0"
"#,
    );
    let mut cells = [0u8; 16];
    cells[..12].copy_from_slice(&[1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12]);
    let before = bank::Decoded::new(&layout, &of_cells(&cells)).unwrap();
    let mut editor = Editor::new(&before);
    editor
        .copy(&at("preset=3"), &at("preset=1-2"), None)
        .unwrap();
    let edited = editor.finish("copied", "", None).unwrap();
    assert_eq!(
        edited.reading.chips[0].image.values()[..12],
        [9, 10, 11, 12, 9, 10, 11, 12, 9, 10, 11, 12]
    );
    let mut editor = Editor::new(&before);
    let error = editor.copy(&at("preset=1-2"), &at("preset=1-3"), None);
    assert!(
        matches!(error, Err(EditError::Count { from: 4, to: 6 })),
        "{error:?}"
    );
}

/// 7 bits hold codes to 0x7f: c1 is wider, and its low seven bits would be another character.
#[test]
fn an_escape_wider_than_the_field_is_refused() {
    let ascii: Vec<Option<char>> = (0..128u8).map(|c| Some(char::from(c))).collect();
    let error = setting::parse_text("name", &ascii, 7, 4, "\\xc1").unwrap_err();
    assert!(error.to_string().contains("\\xc1 is wider"), "{error}");
    assert_eq!(
        setting::parse_text("name", &ascii, 8, 2, "\\xc1A").unwrap(),
        [0xc1, 0x41]
    );
}

/// 6.5 ms is 0.0065 s to the last digit, although 6.5 times 0.001 is another float.
#[test]
fn a_prefix_is_no_rounding() {
    let text = TEXT.replace(
        "scale = { dial = [0, 10] }",
        "range = [0, 2]\nscale = { table = [0.0065, 0.0186, 1.5], unit = \"s\" }",
    );
    let layout = parsed(&text);
    let level = &layout.areas[0].parameters[0];
    for (text, code) in [
        ("6.5 ms", 0),
        ("18.6ms", 1),
        ("0.0186 s", 1),
        ("1500 ms", 2),
        ("1.5", 2),
    ] {
        assert_eq!(setting::parse(level, 8, text).ok(), Some(code), "{text}");
    }
}

/// A range of 2^63 numbers is not walked through.
#[test]
fn a_setting_of_a_very_wide_dial_is_found_at_once() {
    let bits: Vec<String> = (0..8)
        .map(|slot| format!("\"{slot}.{}..0\"", if slot == 0 { 6 } else { 7 }))
        .collect();
    let text = format!(
        "cellkeep = 1\nid = \"wide\"\nname = \"Wide\"\n[[chip]]\nid = \"U1\"\nwords = 32\nwidth = 8\n\
         [[area]]\nname = \"presets\"\naxes = {{ preset = {{ count = 4, stride = 8, first = 1 }} }}\n\
         [[area.parameter]]\nkey = \"level\"\nbits = [{}]\nscale = {{ dial = [0, 10] }}\n",
        bits.join(", ")
    );
    let layout = parsed(&text);
    let level = &layout.areas[0].parameters[0];
    let code = setting::parse(level, 63, "2.5").unwrap();
    // A quarter of the way, as near as nine decimals tell.
    let part = code as f64 / (1u64 << 63) as f64;
    assert!((part - 0.25).abs() < 1e-9, "{part}");
    assert_eq!(setting::parse(level, 63, "10").unwrap(), (1 << 63) - 1);
}

/// Areas, entries and values in any order are the same bank; what is left out has neither code nor setting.
#[test]
fn a_bank_is_read_by_its_names_and_not_by_its_order() {
    let layout = layout();
    let whole = Bank::new(&decoded(&layout, &PRESETS));
    let mut mixed = whole.clone();
    mixed.areas[0].entries.reverse();
    for entry in &mut mixed.areas[0].entries {
        entry.parameters.rotate_left(1);
    }
    assert_eq!(bank::arranged(&mixed, &layout).unwrap().areas, whole.areas);
    let mut part = mixed.clone();
    part.areas[0].entries.retain(|e| e.at != ["1"]);
    let part = bank::arranged(&part, &layout).unwrap();
    assert!(
        part.areas[0].entries[0]
            .parameters
            .iter()
            .all(|v| v.code.is_none())
    );
    assert_eq!(part.areas[0].entries[1..], whole.areas[0].entries[1..]);
    let mut other = whole;
    other.layout.id = "another".to_owned();
    assert!(bank::arranged(&other, &layout).is_err());
}

/// A layout of the right shape that explains little of much is no better than one that fits.
#[test]
fn what_fits_stands_before_what_saves_more_bits() {
    let fit = |layout: &str, bits_saved: f64, share: f64| Fit {
        layout: layout.to_owned(),
        name: layout.to_owned(),
        bits_saved,
        share,
        reasons: Vec::new(),
        shape_fits: true,
    };
    let ranked = rank(vec![fit("large", 900.0, 0.09), fit("small", 400.0, 0.98)]);
    assert_eq!(ranked.fits[0].layout, "small");
}

/// Every bit of the board is under a sum, or in it: whichever flips, an earlier reading makes nobody blinder.
#[test]
fn a_flip_under_a_check_is_never_called_sound_beside_an_earlier_reading() {
    let layout = layout();
    let earlier = reading(&PRESETS).aligned(&layout);
    for at in 0..6 * 32 {
        let mut now = PRESETS;
        now[at / 32][at / 8 % 4] ^= 1 << (at % 8);
        let now = reading(&now).aligned(&layout);
        let found = examine(&now, Some(&layout), Some(&earlier)).unwrap();
        let findings = &found.examination.findings;
        assert!(
            worst(findings) >= Some(Severity::Caution),
            "bit {at}: {findings:?}"
        );
    }
}

/// A chip of four bits that is dead reads 0f or f0 where the file has eight: both are as dead as 00 and ff.
#[test]
fn a_dead_chip_is_found_without_a_layout_whatever_half_of_the_file_it_is_in() {
    let sound: Vec<u8> = (0..256u32).map(|c| (c * 167 % 251 % 16) as u8).collect();
    for value in [0x00, 0xff, 0x0f, 0xf0] {
        let chip =
            |id: &str, cells: &[u8]| ChipReading::new(id, ChipImage::from_cells(8, cells).unwrap());
        let both = Reading::new(vec![chip("U1", &sound), chip("U2", &[value; 256])]);
        let found = examine(&both, None, None).unwrap();
        let dead = found
            .examination
            .findings
            .iter()
            .find(|f| f.code == "chip.dead");
        let dead = dead.unwrap_or_else(|| panic!("{value:#04x}: {:?}", found.examination.findings));
        assert!(
            dead.severity >= Severity::Caution && dead.place.chips[0].chip == "U2",
            "{dead:?}"
        );
    }
}
