//! Voices that lie alike are written as an axis.

use cellkeep::layout::{self, model::BitPlace};
use cellkeep::trace::plan::Plan;
use cellkeep::trace::rehearsal::compare;
use cellkeep::trace::simulate::{self, Hand};
use cellkeep::trace::solve;

use crate::hidden::{Hidden, Traced, bits_of, traced};

/// Eight presets of eight bytes from cell 16 on; two bytes a voice, the second voice three bytes after the first; and a
/// control of both in the last byte.
const HIDDEN: &str = r#"
cellkeep = 1
id   = "two-voices"
name = "Two voices"
[[chip]]
id    = "U1"
words = 128
width = 8
[[area]]
name = "voices"
at   = 16
axes = { preset = { count = 8, stride = 8 }, voice = { count = 2, stride = 3 } }
[[area.parameter]]
key  = "filter.cutoff"
bits = "0.6..0"
scale = { dial = [0, 10] }
[[area.parameter]]
key  = "osc.sync"
bits = "0.7"
scale = { on-off = true }
control = "switch"
[[area.parameter]]
key  = "amp.level"
bits = "1.5..0"
scale = { dial = [0, 10] }
[[area]]
name = "shared"
at   = 16
axes = { preset = { count = 8, stride = 8 } }
[[area.parameter]]
key  = "volume"
bits = "6.4..0"
scale = { dial = [0, 10] }
"#;

/// By hand: preset 6 of voice 2 begins at cell 16 + 5 x 8 + 3 = 59, with the cutoff on lines 0 to 6; its level is in cell
/// 60, and the shared volume of preset 6 in cell 16 + 5 x 8 + 6 = 62.
#[test]
fn two_voices_are_one_parameter_each() {
    let Hidden {
        layout: hidden,
        targets,
        plan,
        ..
    } = Hidden::of(HIDDEN);
    let Traced {
        solution,
        text,
        found,
    } = traced(&hidden, &targets, &plan);
    assert_eq!(
        solution.report().voices,
        ["U1: 2 voices, 3 addresses apart; 3 controls lie alike in every voice"]
    );
    let places = |key: &str, preset: usize, voice: Option<usize>| -> Vec<BitPlace> {
        let mut areas = found.areas.iter();
        let (area, p) = areas
            .find_map(|a| a.parameter(key).map(|p| (a, p)))
            .unwrap_or_else(|| panic!("{key} in {text}"));
        let at: Vec<usize> = [preset].into_iter().chain(voice).collect();
        let entry = area.entry(&at).unwrap();
        area.field_places(entry, area.parameters[p].fields.start)
            .to_vec()
    };
    assert_eq!(places("filter.cutoff", 5, Some(1)), bits_of(59, 0..7));
    assert_eq!(places("osc.sync", 5, Some(1)), bits_of(59, 7..8));
    assert_eq!(places("amp.level", 5, Some(1)), bits_of(60, 0..6));
    assert_eq!(places("amp.level", 0, Some(0)), bits_of(17, 0..6));
    assert_eq!(places("volume", 5, None), bits_of(62, 0..5));
    // What a person saves afterwards reads as it was dialled.
    let bank = compare(&hidden, &targets, &solution, &found, 3).unwrap();
    assert_eq!((bank.right, bank.values), (7 * 8, 7 * 8));
    assert_eq!(bank.certain_wrong, 0);
}

/// Where one voice keeps a control on other lines, that control stays voice by voice, and the others do not.
#[test]
fn what_lies_otherwise_stays_voice_by_voice() {
    let hidden = HIDDEN.replace(
        "[[area]]\nname = \"shared\"",
        "[[area]]\nname = \"odd\"\nat = 16\naxes = { preset = { count = 8, stride = 8 } }\n\
         [[area.parameter]]\nkey = \"odd\"\nbits = \"7.3..0\"\nscale = { dial = [0, 10] }\n\
         [[area]]\nname = \"shared\"",
    );
    let Hidden {
        layout: hidden,
        mut panel,
        targets,
        plan,
    } = Hidden::of(&hidden);
    // A person takes two controls of the panel, one after the other, for the two voices' of one.
    let at = |key: &str| panel.controls.iter().position(|c| c.key == key).unwrap();
    let (volume, odd) = (at("volume"), at("odd"));
    assert_eq!(volume, odd + 1);
    let readings = simulate::dial(&hidden, &targets, &plan, Hand::default(), 5).unwrap();
    panel.controls[odd].key = "drive".to_owned();
    panel.controls[odd].per_voice = true;
    panel.controls.remove(volume);
    let plan = Plan { panel, ..plan };
    let solution = solve(&plan, &readings).unwrap();
    let text = solution.layout_toml("found");
    let found = layout::from_text("found", &text).unwrap();
    let has = |key: &str| found.areas.iter().any(|a| a.parameter(key).is_some());
    assert!(
        has("filter.cutoff") && !has("filter.cutoff.voice-1"),
        "{text}"
    );
    assert!(
        has("drive.voice-1") && has("drive.voice-2") && !has("drive"),
        "{text}"
    );
}
