//! Controls that mean something only while another stands in some position.

use cellkeep::trace::plan::{Effort, Plan};
use cellkeep::trace::rehearsal::compare;
use cellkeep::trace::simulate::{self, Hand};
use cellkeep::trace::solve;

use crate::generator;
use crate::hidden::{Hidden, Traced, bits_of, traced};

/// Sixteen presets of four bytes from cell 8 on: a switch in the top bit of the first byte decides whether the second byte
/// holds a split point of six bits or a spread of four.
pub(crate) const HIDDEN: &str = r#"
cellkeep = 1
id   = "split"
name = "Split"
[[chip]]
id    = "U1"
words = 128
width = 8
[[area]]
name = "presets"
at   = 8
axes = { preset = { count = 16, stride = 4 } }
[[area.parameter]]
key  = "split"
bits = "0.7"
scale = { on-off = true }
control = "switch"
[[area.parameter]]
key  = "cutoff"
bits = "0.6..0"
scale = { dial = [0, 10] }
[[area.parameter]]
key  = "split-point"
bits = "1.5..0"
scale = { dial = [0, 10] }
when = { key = "split", is = ["on"] }
[[area.parameter]]
key  = "spread"
bits = "1.3..0"
scale = { dial = [0, 10] }
when = { key = "split", is = ["off"] }
[[area.parameter]]
key  = "level"
bits = "2.6..0"
scale = { dial = [0, 10] }
[[area.parameter]]
key  = "glide"
bits = "3.4..0"
scale = { dial = [0, 10] }
"#;

/// By hand: the second byte of preset 4 is cell 8 + 3 x 4 + 1 = 21; the split point is on lines 0 to 5 there, the spread on
/// lines 0 to 3.
#[test]
fn two_controls_in_one_byte_are_found_with_what_decides() {
    let Hidden {
        layout: hidden,
        panel,
        targets,
        plan,
    } = Hidden::of(HIDDEN);
    // Each is dialled where it means something, at both ends and between them.
    let lane = |key: &str| panel.controls.iter().position(|c| c.key == key).unwrap();
    for key in ["split-point", "spread"] {
        let l = lane(key);
        let meant = (0..plan.settings.len()).filter(|d| plan.means(l, *d));
        let at: Vec<u32> = meant.map(|d| plan.settings[d].positions[l]).collect();
        assert!(
            at.contains(&0) && at.contains(&100) && at.len() >= 15,
            "{at:?}"
        );
    }
    let Traced {
        solution,
        text,
        found,
    } = traced(&hidden, &targets, &plan);
    let area = &found.areas[0];
    for (key, lines, is) in [("split-point", 0..6, 1), ("spread", 0..4, 0)] {
        let p = &area.parameters[area.parameter(key).unwrap()];
        let places = area.field_places(3, p.fields.start);
        assert_eq!(places, bits_of(21, lines), "{text}");
        let when = p.when.as_ref().unwrap();
        assert_eq!(area.parameters[when.parameter].key, "split");
        assert_eq!(when.is, [is]);
    }
    // Of a second bank each value that means something: four of each preset always, and one of two.
    let bank = compare(&hidden, &targets, &solution, &found, 3).unwrap();
    assert_eq!((bank.right, bank.values), (16 * 5, 16 * 5));
    assert_eq!(bank.certain_wrong, 0);
}

/// Presets whose order is a table, in a small chip. What means nothing in a setting stays as it was, and 66 settings leave none
/// to be saved twice: some of them are so alike that they were taken for copies of one, and nothing was found.
#[test]
fn an_order_of_its_own_is_found_where_settings_are_much_alike() {
    let i = generator::instrument(500_002);
    let (panel, targets) = simulate::panel_of(&i.layout).unwrap();
    let plan = Plan::with(&panel, Effort::FULL);
    let readings = simulate::dial(&i.layout, &targets, &plan, Hand::default(), 500_002).unwrap();
    let solution = solve(&plan, &readings).unwrap();
    let found = cellkeep::layout::from_text("found", &solution.layout_toml("found")).unwrap();
    let bank = compare(&i.layout, &targets, &solution, &found, 3).unwrap();
    assert!(bank.values > 300);
    assert_eq!(bank.right, bank.values, "{:?}", bank.wrong);
}
