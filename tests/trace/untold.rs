//! Controls that mean something only while another stands in some position, where the panel file does not say so.

use cellkeep::layout::model::Layout;
use cellkeep::trace::panel::Panel;
use cellkeep::trace::plan::{Effort, Plan};
use cellkeep::trace::rehearsal::compare;
use cellkeep::trace::simulate::{self, Hand};
use cellkeep::trace::{next, solve};

use crate::decided::HIDDEN;
use crate::hidden::{Hidden, Traced, bits_of, traced};

/// A layout with its panel, of which no control says when it means something.
fn silent(toml: &str) -> (Layout, Panel, Vec<simulate::Target>) {
    let Hidden {
        layout,
        mut panel,
        targets,
        ..
    } = Hidden::of(toml);
    panel.controls.iter_mut().for_each(|c| c.when = None);
    (layout, panel, targets)
}

/// The split point on lines 0 to 5 and the spread on lines 0 to 3 of cell 21 in preset 4, as where it is told; and the
/// layout says when each means something, with what speaks for it.
#[test]
fn two_controls_in_one_byte_are_noticed() {
    let (hidden, panel, targets) = silent(HIDDEN);
    let plan = Plan::with(&panel, Effort::FULL);
    let Traced {
        solution,
        text,
        found,
    } = traced(&hidden, &targets, &plan);
    let area = &found.areas[0];
    for (key, lines, is) in [("split-point", 0..6, 1), ("spread", 0..4, 0)] {
        let p = &area.parameters[area.parameter(key).unwrap_or_else(|| panic!("{text}"))];
        assert_eq!(
            area.field_places(3, p.fields.start),
            bits_of(21, lines),
            "{text}"
        );
        let when = p.when.as_ref().unwrap();
        assert_eq!(area.parameters[when.parameter].key, "split");
        assert_eq!(when.is, [is]);
        let note = p.note.as_ref().unwrap();
        assert!(
            note.contains("nobody told when it means something"),
            "{note}"
        );
    }
    let says: Vec<String> = (solution.report().findings.into_iter())
        .filter(|f| f.code == "trace.when-noticed")
        .map(|f| f.says)
        .collect();
    assert_eq!(says.len(), 2, "{says:?}");
    assert!(says.contains(&"spread means something only where split is at off".to_owned()));
    let bank = compare(&hidden, &targets, &solution, &found, 3).unwrap();
    assert_eq!(bank.certain_wrong, 0);
}

/// Without the selector: both controls always mean something, and nothing is said of a condition.
#[test]
fn where_nothing_hangs_on_another_nothing_is_noticed() {
    let apart = HIDDEN
        .replace("bits = \"1.3..0\"", "bits = \"3.7..5\"")
        .replace("when = { key = \"split\", is = [\"on\"] }", "")
        .replace("when = { key = \"split\", is = [\"off\"] }", "");
    let (hidden, panel, targets) = silent(&apart);
    let plan = Plan::with(&panel, Effort::FULL);
    for slips in [0.0, 0.05] {
        for seed in 1..3 {
            let hand = Hand {
                jitter: false,
                slips,
            };
            let readings = simulate::dial(&hidden, &targets, &plan, hand, seed).unwrap();
            let solution = solve(&plan, &readings).unwrap();
            assert_eq!(solution.noticed(), [], "seed {seed}, slips {slips}");
        }
    }
}

/// By a short plan the switch stands each way too seldom: no condition is written. What may be is a finding that says
/// what to write in the panel file, and `next` dials with the switch where it should be.
#[test]
fn too_few_settings_write_no_condition() {
    let (hidden, panel, targets) = silent(HIDDEN);
    let plan = Plan::new(&panel, Some(8)).unwrap();
    let readings = simulate::dial(&hidden, &targets, &plan, Hand::default(), 3).unwrap();
    let solution = solve(&plan, &readings).unwrap();
    assert!(
        solution.noticed().iter().all(|n| !n.3),
        "{:?}",
        solution.noticed()
    );
    assert!(!solution.layout_toml("found").contains("when ="));
    let next = next(&solution).unwrap();
    let lanes = panel.lanes();
    for (control, when, ..) in solution.noticed() {
        let by = panel
            .controls
            .iter()
            .position(|c| c.key == when.key)
            .unwrap();
        let l = lanes.iter().position(|l| l.control == control).unwrap();
        let d = lanes.iter().position(|l| l.control == by).unwrap();
        let new = &next.plan.settings[plan.settings.len()..];
        let moved = new
            .windows(2)
            .find(|w| w[0].positions[l] != w[1].positions[l])
            .unwrap();
        let at = panel.controls[by].position(moved[1].positions[d]);
        assert!(when.is.contains(&at), "{when:?}, at {at}");
    }
}
