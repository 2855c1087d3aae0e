//! Plans: how many settings, what they tell apart, and which are refused.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]
use super::saves::walk;
use super::*;
use crate::trace::panel::PanelControl;

pub(crate) fn knobs(n: usize, presets: usize) -> Panel {
    Panel {
        name: "Test".into(),
        presets,
        voices: 1,
        axis: "preset".into(),
        chips: vec![],
        controls: (0..n)
            .map(|i| PanelControl {
                key: format!("knob-{i}"),
                label: String::new(),
                group: None,
                kind: Kind::Knob,
                per_voice: false,
                positions: vec![],
                low: None,
                high: None,
                chars: None,
                when: None,
            })
            .collect(),
    }
}

/// What the settings need, and the one that shows the way from preset to preset.
#[test]
fn two_or_three_readings_for_a_usual_panel() {
    for (n, presets, readings) in [(24, 64, 2), (24, 16, 3), (60, 32, 2), (8, 8, 4)] {
        let plan = Plan::with(&knobs(n, presets), Effort::FULL);
        assert_eq!(plan.shifted(), Some(1));
        assert_eq!(plan.readings(), readings, "{n} knobs, {presets} presets");
        assert!(plan.cost().one_at_a_time > 2 * plan.cost().settings);
        plan.check().unwrap();
    }
}

/// By hand: 24 dials of 7 bits are 168 bits; ceil(log2(170)) = 8; one at a time 169 settings.
#[test]
fn cost_against_the_floor() {
    let cost = Plan::with(&knobs(24, 64), Effort::FULL).cost();
    assert_eq!((cost.floor, cost.one_at_a_time), (8, 169));
    assert!(cost.settings < 30, "{cost:?}");
}

/// Where the order of presets is a table, nothing but what presets hold and are followed by tells them apart.
#[test]
fn no_two_presets_hold_and_are_followed_by_the_same() {
    for presets in [8, 16, 32, 40, 50, 64, 72] {
        for settings in 20..36 {
            // The last setting repeats one in the middle.
            let mut alike: Vec<usize> = (0..settings).collect();
            alike[settings - 1] = settings / 2;
            let walk = walk(&alike, presets);
            let pair = |p: usize| (alike[walk[p]], alike[walk[(p + 1) % presets]]);
            let pairs: std::collections::BTreeSet<_> = (0..presets).map(pair).collect();
            assert_eq!(
                pairs.len(),
                presets,
                "{settings} settings, {presets} presets"
            );
        }
    }
}

#[test]
fn every_setting_is_saved() {
    for presets in [1, 3, 8, 16, 72, 128] {
        let plan = Plan::with(&knobs(30, presets), Effort::FULL);
        for s in 0..plan.settings.len() {
            assert!(plan.saves.iter().any(|x| x.setting == s));
        }
    }
}

/// Saved one after the other, the presets recalled hold what the plan says at that moment.
#[test]
fn the_shifted_reading_is_recalled() {
    for (n, presets) in [(24, 64), (8, 8), (8, 2), (30, 128)] {
        let plan = Plan::with(&knobs(n, presets), Effort::FULL);
        let held = |reading: usize| {
            let mut all = vec![0; presets];
            for s in plan.saves.iter().filter(|s| s.reading == reading) {
                all[s.preset] = s.setting;
            }
            all
        };
        let mut memory = held(0);
        let recalls = plan.recalls().unwrap();
        assert_eq!(recalls.len(), presets);
        for (preset, recall) in recalls.iter().enumerate() {
            memory[preset] = match recall {
                Recall::Preset(p) => memory[*p],
                Recall::Dial(setting) => *setting,
            };
        }
        assert_eq!(memory, held(1));
    }
}

/// A plan that someone changed: what is wrong with it is said, with its place.
#[test]
fn a_plan_that_cannot_be_is_refused() {
    let mut panel = knobs(8, 16);
    panel.controls[3].kind = Kind::Selector;
    panel.controls[3].positions = ["saw", "pulse", "sine"].map(str::to_owned).to_vec();
    let plan = Plan::with(&panel, Effort::FULL);
    plan.check().unwrap();
    let refused = |change: &dyn Fn(&mut Plan)| {
        let mut plan = plan.clone();
        change(&mut plan);
        plan.check().unwrap_err()
    };
    assert_eq!(
        refused(&|p| p.settings[4].positions[3] = 3),
        "setting 5 has knob-3 at position 3, which is not there: it has 3 positions, counted from 0"
    );
    assert_eq!(
        refused(&|p| p.settings[0].positions[0] = 1_000_000),
        "setting 1 has knob-0 at position 1000000, which is not there: it goes from 0 to 100, in tenths of a mark"
    );
    for (wrong, says) in [
        (
            refused(&|p| p.saves[2].preset = 16),
            "save 3 names preset 17, the panel has 16",
        ),
        (
            refused(&|p| p.saves[2].setting = 99),
            "save 3 names setting 100, there are",
        ),
        (
            refused(&|p| p.saves[2].reading = usize::MAX),
            "save 3 names reading",
        ),
        (
            refused(&|p| p.saves[2].preset = p.saves[3].preset),
            "is saved twice for reading 1",
        ),
        (
            refused(&|p| p.saves.retain(|s| s.reading != 0)),
            "nothing is saved for reading 1",
        ),
        (
            refused(&|p| p.settings[1].positions.truncate(7)),
            "setting 2 gives 7 positions",
        ),
        (refused(&|p| p.panel.presets = 4), "the panel has 4"),
    ] {
        assert!(wrong.contains(says), "{wrong}");
    }
}

#[test]
fn too_short_a_plan_is_refused() {
    assert!(matches!(
        Plan::new(&knobs(30, 64), Some(4)),
        Err(PlanError::TooFew {
            asked: 4,
            lanes: 30,
            ..
        })
    ));
}

/// By hand: a dial of 7 bits at 0, 100 and 50 tenths has the codes 0, 127 and 64 (50 x 127 / 100 is 63.5, rounded up), so
/// the bits below the highest stand alike; Gray code of these is 0, 1000000 and 1100000, where only the two highest move.
/// With the full plan nothing is left open.
#[test]
fn what_a_plan_leaves_open_by_hand() {
    let mut plan = Plan::with(&knobs(1, 8), Effort::FULL);
    assert_eq!(plan.left_open(), []);
    plan.settings.truncate(3);
    for (setting, position) in plan.settings.iter_mut().zip([0, 100, 50]) {
        setting.positions = vec![position];
    }
    let open = plan.left_open();
    let low = "which is which of bits 0, 1, 2, 3, 4, 5 of plain binary in 7 bits";
    assert!(open.contains(&(low.to_owned(), 1)), "{open:?}");
    // With the ends alone nothing tells the bits apart, nor where the top bit is.
    plan.settings.truncate(2);
    let all = "which is which of bits 0, 1, 2, 3, 4, 5, 6 of plain binary in 7 bits";
    assert!(plan.left_open().contains(&(all.to_owned(), 1)));
}
