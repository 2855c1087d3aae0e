//! The audit of a layout against a bank whose every noticed and unnoticed change was worked out by hand.

use cellkeep::image::ChipImage;
use cellkeep::layout;
use cellkeep::reading::{ChipReading, Reading};
use cellkeep::trace::panel::Panel;
use cellkeep::trace::plan::{Plan, Purpose, Save, Setting};
use cellkeep::trace::{LayoutAudit, TraceError, audit, belongs, simulate};

const LAYOUT: &str = r#"
cellkeep = 1
id = "small"
name = "Small"
[[chip]]
id = "U1"
words = 16
width = 4
[[area]]
name = "presets"
at = 2
axes = { preset = { count = 4, stride = 3 } }
lines = 4
[[area.parameter]]
key = "level"
bits = ["0.3..0"]
range = [0, 15]
control = "number"
[[area.parameter]]
key = "chorus"
bits = ["1.0"]
scale = { on-off = true }
control = "switch"
"#;

/// Level 0, 15, 3, 12 and chorus on, on, off, off in the four presets at cells 2, 5, 8 and 11.
fn reading() -> Reading {
    let cells = [0, 0, 0, 1, 0, 15, 1, 0, 3, 0, 0, 12, 0, 0, 0, 0];
    let image = ChipImage::from_cells(4, &cells).unwrap();
    Reading::new(vec![ChipReading::new("U1", image)])
}

fn audited(text: &str, planned: bool) -> LayoutAudit {
    let layout = layout::from_text("small", text).unwrap();
    let (panel, _) = simulate::panel_of(&layout).unwrap();
    let keys: Vec<&str> = panel.controls.iter().map(|c| c.key.as_str()).collect();
    assert_eq!(keys, ["level", "chorus"]);
    let plan = Plan {
        panel,
        distance: 1,
        settings: [[0, 1], [15, 1], [3, 0], [12, 0]]
            .map(|p| Setting {
                purpose: Purpose::Sweep,
                positions: p.to_vec(),
            })
            .to_vec(),
        saves: (0..4)
            .map(|preset| Save {
                reading: 0,
                preset,
                setting: preset,
            })
            .collect(),
    };
    audit(&layout, &[reading()], planned.then_some(&plan)).unwrap()
}

/// By hand. Level: bits 3 and 2 are the same in all four settings, as are 1 and 0, so of 4 x (1 + 4) changes the four
/// exchanges within these pairs go unnoticed. Chorus: no other bit is like it, none of 1 + 4 goes unnoticed.
/// Structure: of 2 starts, 2 steps, 3 exchanges of presets, 4 + 6 on address lines, 4 + 6 on data lines three go
/// unnoticed: A0 with A1 shows only in setting 2 (cell 5 becomes 6), A0 with A2 only in setting 4 (cell 11 becomes
/// 14), and one setting may be a slip; D2 with D3 changes nothing.
#[test]
fn unnoticed_changes_by_hand() {
    let audit = audited(LAYOUT, true);
    assert!(audit.contradicted.is_empty(), "{:?}", audit.contradicted);
    assert_eq!((audit.tried, audit.unnoticed), (20 + 5 + 27, 4 + 3));
    let row = |key: &str| audit.unproved.iter().find(|u| u.key == key);
    let level = row("level").unwrap();
    assert_eq!((level.tried, level.unnoticed), (20, 4));
    assert_eq!(
        level.examples,
        [
            "bit 0 exchanged with level bit 1",
            "bit 1 exchanged with level bit 0",
            "bit 2 exchanged with level bit 3"
        ]
    );
    assert!(row("chorus").is_none());
    let structure = row("(structure)").unwrap();
    assert_eq!((structure.tried, structure.unnoticed), (27, 3));
    assert_eq!(
        structure.examples,
        [
            "A0 and A1 of U1 exchanged",
            "A0 and A2 of U1 exchanged",
            "D2 and D3 of U1 exchanged"
        ]
    );
}

/// Every code is legal and there is no check, so without the plan nothing is noticed.
#[test]
fn nothing_is_noticed_without_a_plan() {
    let audit = audited(LAYOUT, false);
    assert_eq!((audit.tried, audit.unnoticed), (52, 52));
}

/// With a level of 0 to 12 alone, 15 would be no preset of this instrument; the changes that make 13 to 15 of a legal
/// level are noticed: none of the reading's levels that are legal, 0, 3 and 12, becomes one by an exchange within the
/// level, 12 does by bit 0 or bit 1 turned.
#[test]
fn illegal_codes_are_noticed_without_a_plan() {
    let audit = audited(&LAYOUT.replace("range = [0, 15]", "range = [0, 12]"), false);
    let level = audit.unproved.iter().find(|u| u.key == "level").unwrap();
    assert!(
        !level
            .examples
            .contains(&"bit 0 the other way round".to_owned())
    );
    assert!(
        level
            .examples
            .contains(&"bit 0 exchanged with level bit 1".to_owned())
    );
}

/// The level's bits the other way round read 0, 15, 12, 3: two of four values contradict the plan.
#[test]
fn a_wrong_layout_is_contradicted() {
    let audit = audited(&LAYOUT.replace("0.3..0", "0.0..3"), true);
    assert_eq!(audit.contradicted.len(), 1);
    let c = &audit.contradicted[0];
    assert_eq!((c.key.as_str(), c.compared, c.off), ("level", 4, 2));
}

/// A plan must be of the instrument, its readings complete; and what is guessed or missing is never proved.
#[test]
fn a_plan_of_another_and_a_guess_prove_nothing() {
    let layout = layout::from_text("small", LAYOUT).unwrap();
    let (panel, _) = simulate::panel_of(&layout).unwrap();
    let of = |panel: Panel| Plan::new(&panel, None).unwrap();
    let plan = of(panel.clone());
    belongs(&layout, &plan, plan.readings()).unwrap();
    let refused = |panel: Panel| {
        let plan = of(panel);
        belongs(&layout, &plan, plan.readings())
            .unwrap_err()
            .to_string()
    };
    let count = belongs(&layout, &plan, plan.readings() - 1).unwrap_err();
    assert!(matches!(count, TraceError::Readings { .. }), "{count}");
    let mut other = panel.clone();
    other.chips[0].words = 32;
    assert!(refused(other).contains("the layout has no chip U1 of 32 x 4"));
    let mut other = panel.clone();
    other.presets = 3;
    assert!(refused(other).contains("it saves 3 presets, the layout has 4"));
    let mut other = panel.clone();
    other.controls.iter_mut().for_each(|c| c.key.push('x'));
    assert!(refused(other).contains("none of its controls is in the layout"));

    // One control of two under another name, and one that the layout guesses.
    let mut other = panel;
    other.controls[1].key = "tremolo".to_owned();
    let guessed = LAYOUT.replace(
        "control = \"number\"",
        "control = \"number\"\nevidence = \"guessed\"",
    );
    let layout = layout::from_text("small", &guessed).unwrap();
    let audit = audit(&layout, &[reading()], Some(&of(other))).unwrap();
    assert_eq!(
        (&audit.guessed[..], &audit.missing[..]),
        (&["level".to_owned()][..], &["tremolo".to_owned()][..])
    );
    assert!(!audit.proves());
}
