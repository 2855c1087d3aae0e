use cellkeep::bank::{self, Applied, Bank, Code, Decoded};
use cellkeep::blame::Blame;
use cellkeep::document;
use cellkeep::edit::{EditError, Editor, Selector};
use cellkeep::reading::{self, Origin, ReadingSpec, WriteOptions};

use super::board::{self, PRESETS, decoded, layout, presets, reading};

fn at(text: &str) -> Selector {
    text.parse().unwrap()
}

/// 0x92 + 0xf0 - 0x80: level 0xf0 reads 240/255 of 10 = 9.41; the sum becomes 0xf0 + 0x17 + 0xfb = 0x202.
#[test]
fn setting_a_dial_writes_the_code_and_the_sum_and_nothing_else() {
    let layout = layout();
    let before = decoded(&layout, &PRESETS);
    let mut editor = Editor::new(&before);
    assert_eq!(editor.set(&at("preset=2"), "level", "9.41").unwrap(), 1);
    let edited = editor.finish("set", "a test", None).unwrap();
    let mut want = PRESETS;
    want[1] = [0xf0, 0x17, 0xfb, 0x02];
    assert_eq!(presets(&edited.reading), want);
    assert_eq!(edited.record.parameters.len(), 1);
    assert_eq!(edited.record.checks, ["presets, preset 2: sum"]);
    let cells: Vec<(u32, u8, u8)> = edited
        .record
        .cells
        .iter()
        .map(|c| (c.cell, c.before, c.after))
        .collect();
    assert_eq!(cells, [(4, 0x80, 0xf0), (7, 0x92, 0x02)]);
    // Every changed bit, and no other, says where it came from.
    let chip = &edited.reading.chips[0];
    for cell in 0..32 {
        for line in 0..8 {
            let was = board::reading(&PRESETS).chips[0].image.bit(cell, line);
            let changed = chip.image.bit(cell, line) != was;
            assert_eq!(
                chip.origin_of(cell, line).is_some(),
                changed,
                "{cell}:{line}"
            );
        }
    }
    let again = Bank::new(&Decoded::new(&layout, &edited.reading).unwrap());
    assert_eq!(
        again
            .value("presets", 1, "level")
            .unwrap()
            .origin
            .as_deref(),
        Some("set")
    );
    assert_eq!(again.value("presets", 1, "tune").unwrap().origin, None);
}

/// 5.00 lies between 127/255 = 4.98 and 128/255 = 5.02.
#[test]
fn a_setting_between_codes_is_refused_with_the_two_nearest() {
    let layout = layout();
    let before = decoded(&layout, &PRESETS);
    let error = Editor::new(&before)
        .set(&at("preset=2"), "level", "5")
        .unwrap_err();
    let says = error.to_string();
    assert!(
        says.contains("4.98 (code 127)") && says.contains("5.02 (code 128)"),
        "{says}"
    );
}

#[test]
fn what_cannot_be_meant_is_refused_by_name() {
    let layout = layout();
    let before = decoded(&layout, &PRESETS);
    let mut editor = Editor::new(&before);
    let mut says = |place: &str, key: &str, text: &str| {
        let selector = match place.parse::<Selector>() {
            Ok(selector) => selector,
            Err(error) => return error.to_string(),
        };
        let error = editor.set(&selector, key, text).unwrap_err();
        format!("{error} / {}", error.hint().unwrap_or_default())
    };
    assert!(says("preset=7", "level", "1.02").contains("runs from 1 to 6"));
    assert!(says("voice=1", "level", "1.02").contains("presets (over preset)"));
    assert!(says("preset=1", "levle", "1.02").contains("did you mean level?"));
    assert!(says("preset=1", "wave", "sine").contains("one of saw, pulse, noise"));
    assert!(says("preset", "level", "1").contains("preset=12"));
    let says = says("preset=1", "width", "#3");
    assert!(
        says.contains("wave is saw") && says.contains("set wave first"),
        "{says}"
    );
    assert_eq!(
        presets(&editor.finish("set", "", None).unwrap().reading),
        PRESETS
    );
}

#[test]
fn the_code_itself_can_be_given() {
    let layout = layout();
    let before = decoded(&layout, &PRESETS);
    let mut editor = Editor::new(&before);
    editor.set(&at("preset=1"), "tune", "#0x80").unwrap();
    assert!(matches!(
        editor.set(&at("preset=1"), "tune", "#256"),
        Err(EditError::Setting(_))
    ));
    let edited = editor.finish("set", "", None).unwrap();
    assert_eq!(presets(&edited.reading)[0], [0x40, 0x00, 0x80, 0xc0]);
    assert_eq!(edited.record.parameters[0].after, "-128 cents");
}

#[test]
fn copying_takes_everything_but_bits_nobody_claims() {
    let layout = layout();
    let before = decoded(&layout, &PRESETS);
    let mut editor = Editor::new(&before);
    editor
        .copy(&at("preset=4"), &at("preset=1-2"), None)
        .unwrap();
    let edited = editor.finish("copied", "", None).unwrap();
    let mut want = PRESETS;
    // Bit 7 of byte 1 is set in preset 4; it belongs to nobody and stays behind: 0x10 + 0x12 + 0x01 = 0x23.
    want[0] = [0x10, 0x12, 0x01, 0x23];
    want[1] = [0x10, 0x12, 0x01, 0x23];
    assert_eq!(presets(&edited.reading), want);
}

#[test]
fn swapping_twice_is_nothing() {
    let layout = layout();
    let before = decoded(&layout, &PRESETS);
    let mut editor = Editor::new(&before);
    editor.swap(&at("preset=1"), &at("preset=3")).unwrap();
    editor.swap(&at("preset=1"), &at("preset=3")).unwrap();
    let edited = editor.finish("swapped", "", None).unwrap();
    assert_eq!(presets(&edited.reading), PRESETS);
    assert!(edited.record.cells.is_empty());
}

/// Blank codes as the layout declares them; the unclaimed bit of preset 4 stays.
#[test]
fn blanking_leaves_unclaimed_bits() {
    let layout = layout();
    let before = decoded(&layout, &PRESETS);
    let mut editor = Editor::new(&before);
    editor.blank(&at("preset=4")).unwrap();
    let edited = editor.finish("blanked", "", None).unwrap();
    // The sum covers whole bytes, the unclaimed bit included.
    assert_eq!(presets(&edited.reading)[3], [0x00, 0x80, 0x00, 0x80]);
}

#[test]
fn a_failing_check_whose_words_are_untouched_stays_failing() {
    let layout = layout();
    let mut damaged = PRESETS;
    damaged[2][3] = 0x00;
    let before = decoded(&layout, &damaged);
    let mut editor = Editor::new(&before);
    editor.set(&at("preset=1"), "level", "#1").unwrap();
    let edited = editor.finish("set", "", None).unwrap();
    assert_eq!(presets(&edited.reading)[2], damaged[2]);
    assert_eq!(presets(&edited.reading)[0], [0x01, 0x00, 0x05, 0x06]);
}

#[test]
fn a_bank_goes_through_json_and_back_unchanged() {
    let layout = layout();
    let before = decoded(&layout, &PRESETS);
    let text = document::to_json(&Bank::new(&before)).unwrap();
    let bank: Bank = serde_json::from_str(&text).unwrap();
    assert_eq!(bank.areas, Bank::new(&before).areas);
    let mut codes = before.codes.clone();
    assert_eq!(
        bank::apply(&bank, &layout, &mut codes).unwrap(),
        Applied::default()
    );
    assert_eq!(codes, before.codes);
}

#[test]
fn a_bank_edited_into_nonsense_is_refused_with_every_reason() {
    let layout = layout();
    let before = decoded(&layout, &PRESETS);
    let mut bank = Bank::new(&before);
    let entries = &mut bank.areas[0].entries;
    entries[0].parameters[0].code = Some(Code::One(256));
    entries[1].parameters[0].setting = Some("9.41".into()); // the code still says 5.02
    entries[2].parameters[1].code = None;
    entries[2].parameters[1].setting = Some("sine".into());
    entries[3].parameters[3].key = "tuen".into();
    entries[4].at = vec!["9".to_owned()];
    entries[5].at = vec!["4".to_owned()];
    let mut codes = before.codes.clone();
    let says = bank::apply(&bank, &layout, &mut codes)
        .unwrap_err()
        .to_string();
    for part in [
        "6 values",
        "presets 1 level: code 256 does not fit 8 bits",
        "presets 2 level: the code reads \"5.02\" but the setting says \"9.41\"",
        "presets 3 wave: wave: \"sine\" is not a setting",
        "presets 4 tuen: no such parameter",
        "presets 9: no such entry",
        "presets 4: this entry stands twice",
    ] {
        assert!(says.contains(part), "{part} is missing in:\n{says}");
    }
    assert_eq!(codes, before.codes, "nothing may be applied");
}

#[test]
fn an_area_that_stands_twice_or_is_counted_otherwise_is_refused() {
    let layout = layout();
    let before = decoded(&layout, &PRESETS);
    let mut codes = before.codes.clone();
    let mut twice = Bank::new(&before);
    let mut again = twice.areas[0].clone();
    again.entries[0].parameters[0].code = Some(Code::One(7));
    again.entries[0].parameters[0].setting = None;
    twice.areas.push(again);
    let mut other = Bank::new(&before);
    other.areas[0].axes = vec!["voice".to_owned()];
    for (bank, part) in [
        (twice, "this area stands twice"),
        (other, "counted by voice"),
    ] {
        let says = bank::apply(&bank, &layout, &mut codes)
            .unwrap_err()
            .to_string();
        assert!(says.contains(part), "{part} is missing in:\n{says}");
    }
    assert_eq!(codes, before.codes, "nothing may be applied");
}

#[test]
fn a_setting_alone_is_enough_and_the_new_selector_counts() {
    let layout = layout();
    let before = decoded(&layout, &PRESETS);
    let mut bank = Bank::new(&before);
    bank.areas[0].entries.truncate(1);
    let parameters = &mut bank.areas[0].entries[0].parameters;
    parameters.truncate(1);
    parameters[0].code = None;
    parameters[0].setting = Some("10.00".into());
    let mut codes = before.codes.clone();
    assert_eq!(bank::apply(&bank, &layout, &mut codes).unwrap().changed, 1);
    assert_eq!(codes.areas[0].get(0, 0), (0xff, 0xff));
}

/// What a dead chip read must not pass for the customer's: of a value that the bank does not know the files hold what was read,
/// since a chip cannot hold nothing, and the reading that is written does not know it.
#[test]
fn what_the_bank_does_not_know_is_unknown_where_it_is_put_back() {
    let layout = layout();
    let before = decoded(&layout, &PRESETS);
    let mut bank = Bank::new(&before);
    let values = &mut bank.areas[0].entries[1].parameters;
    values[0].known = Some(Code::One(0x7f)); // the top bit is open
    let tune = values.iter_mut().find(|v| &*v.key == "tune").unwrap();
    let changed = Code::One(tune.code.as_ref().unwrap().all()[0] ^ 1);
    (tune.code, tune.setting) = (Some(changed), None);
    let mut codes = before.codes.clone();
    let applied = bank::apply(&bank, &layout, &mut codes).unwrap();
    let [level] = applied.kept.as_slice() else {
        panic!("{applied:?}");
    };
    assert_eq!(level.place, "presets, preset 2: level");
    // Bit 7 of byte 0 of the second preset of four bytes.
    let bits: Vec<(u32, u8)> = level.bits.iter().map(|b| (b.cell, b.line)).collect();
    assert_eq!(bits, [(4, 7)]);
    let mut editor = Editor::new(&before);
    editor.replace_codes(codes);
    let mut edited = editor.finish("edited", "a test", None).unwrap();
    let whole = edited.reading.chips[0].image.clone();
    let origin = Origin {
        verb: "unknown in the bank".to_owned(),
        why: "a test".to_owned(),
        from: None,
    };
    edited.leave_unknown(&layout, &before.reading, &level.bits, &origin);

    // Written and loaded, the file holds what was read, and the reading does not know it, nor the sum reckoned over it.
    let dir = tempfile::tempdir().unwrap();
    let options = WriteOptions {
        held: edited.held.clone(),
        ..WriteOptions::default()
    };
    let at = dir.path().join("edited");
    let written = reading::write(&edited.reading, &at, &options).unwrap();
    let bytes = std::fs::read(at.join(&written.files[0])).unwrap();
    assert_eq!(bytes, whole.values());
    assert_eq!(bytes[4], PRESETS[1][0]);
    let sum = PRESETS[1][..3].iter().fold(0u8, |s, b| s.wrapping_add(*b));
    assert_ne!(bytes[7], PRESETS[1][3], "the check follows the edit");
    assert_eq!(
        bytes[4..7].iter().fold(0u8, |s, b| s.wrapping_add(*b)),
        bytes[7]
    );
    assert_eq!(sum, PRESETS[1][3]);
    let loaded = reading::load(&ReadingSpec::path(&at), Some(&layout)).unwrap();
    let image = &loaded.chips[0].image;
    assert_eq!(image.bit(4, 7), None);
    assert_eq!(image.known()[7], 0, "a sum over what is not known");
    assert_eq!(image.unknown_bits(), 9);
    assert_eq!(loaded.chips[0].sha256(), edited.record.after[0]);
    let again = Decoded::new(&layout, &loaded).unwrap();
    let codes: Vec<String> = bank::findings(&again).into_iter().map(|f| f.code).collect();
    assert!(codes.iter().any(|c| c == "value.unknown"), "{codes:?}");
    let listed = bank::listing(&Bank::new(&again));
    let named: Vec<&str> = listed
        .lines()
        .filter(|l| l.contains("(unknown in the bank)"))
        .collect();
    assert_eq!(named.len(), 1, "{listed}");
    assert!(
        named[0].contains("level") && named[0].contains("not all bits known"),
        "{named:?}"
    );

    // What the reading does not know either is no news; nor is a bank that knows all.
    let mut codes = before.codes.clone();
    let code = codes.areas[0].get(1, 0).0;
    codes.areas[0].set_partly(1, 0, code, 0x7f);
    let applied = bank::apply(&bank, &layout, &mut codes).unwrap();
    assert!(applied.kept.is_empty(), "{applied:?}");
    let mut codes = before.codes.clone();
    let applied = bank::apply(&Bank::new(&before), &layout, &mut codes).unwrap();
    assert_eq!(applied, Applied::default());
}

#[test]
fn findings_tell_what_is_wrong_in_one_line_a_check() {
    let layout = layout();
    let mut damaged = PRESETS;
    damaged[0][3] ^= 1;
    damaged[4][3] ^= 1;
    damaged[2][1] = 0x50; // wave 5: no such position; its sum is wrong too
    let d = decoded(&layout, &damaged);
    let found = bank::findings(&d);
    let check = found.iter().find(|f| f.code == "check.mismatch").unwrap();
    assert!(
        check
            .says
            .contains("fails in 3 of 6: preset 1; preset 3; preset 5"),
        "{}",
        check.says
    );
    let illegal = found.iter().find(|f| f.code == "code.illegal").unwrap();
    assert_eq!(illegal.place.entries, ["preset 3"]);
}

/// An unknown bit is stored as 0; a listing must not pass that for the code 0.
#[test]
fn a_value_of_which_no_bit_is_known_is_listed_without_a_code() {
    let layout = layout();
    let mut read = reading(&PRESETS);
    for line in 0..8 {
        read.chips[0].image.set_bit(0, line, None);
    }
    read.chips[0].image.set_bit(4, 7, None);
    let decoded = Decoded::new(&layout, &read).unwrap();
    let mut listed = String::new();
    bank::list_decoded(&decoded, &mut listed).unwrap();
    assert_eq!(listed, bank::listing(&Bank::new(&decoded)));
    let levels: Vec<Vec<&str>> = listed
        .lines()
        .filter(|l| l.starts_with("  level"))
        .map(|l| l.split_whitespace().collect())
        .collect();
    assert_eq!(levels[0], ["level", "?", "-", "(no", "bit", "known)"]);
    // 0x80 without its top bit.
    let partly = ["level", "?", "0", "(not", "all", "bits", "known)"];
    assert_eq!(levels[1], partly);
    assert!(levels[2].ends_with(&["255"]), "{:?}", levels[2]);
    let csv = bank::csv(&Bank::new(&decoded));
    assert!(csv.contains("presets,preset 1,level,?,,0x0,"), "{csv}");
    assert!(csv.contains("presets,preset 2,level,?,0,0x7f,"), "{csv}");
}
