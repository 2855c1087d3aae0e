//! The short form of the tracing bench, and a brute-force solver beside the real one. The long form is the example
//! `trace-bench`.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod advice;
mod audit;
mod bad_input;
mod certainty;
mod check_judge;
mod checks;
mod commands;
mod decided;
mod exchange;
mod generator;
mod hidden;
mod judge;
mod noise;
mod shipped;
mod told;
mod untold;
mod voices;

use cellkeep::layout;
use cellkeep::trace::plan::{Effort, Plan};
use cellkeep::trace::simulate::{self, Hand};

/// A few random instruments: what is called certain is right, most is right, and what is written is a layout.
#[test]
fn certain_is_right() {
    let (mut all, mut right) = (0, 0);
    for seed in [7, 24, 26, 285] {
        let i = generator::instrument(seed);
        let (panel, targets) = simulate::panel_of(&i.layout).unwrap();
        let plan = Plan::with(&panel, Effort::FULL);
        let readings = simulate::dial(&i.layout, &targets, &plan, Hand::default(), seed).unwrap();
        let solved = cellkeep::trace::solve(&plan, &readings).unwrap();
        layout::from_text("found", &solved.layout_toml("found")).unwrap();
        for v in judge::judge(&i.layout, &targets, &plan, Some(&solved)) {
            assert!(v.right || !v.certain, "{} {}: {}", i.family, i.says, v.says);
            all += 1;
            right += usize::from(v.right);
        }
    }
    assert!(right * 100 >= all * 95, "{right} of {all}");
}

const TINY: &str = r#"
cellkeep = 1
id = "tiny"
name = "Tiny"
[[chip]]
id = "U1"
words = 256
width = 4
[[area]]
name = "presets"
at = 9
axes = { preset = { count = 32, stride = 7 } }
lines = 4
[[area.parameter]]
key = "cutoff"
bits = ["1.3..0", "2.1..0"]
scale = { dial = [0, 10] }
control = "knob"
[[area.parameter]]
key = "level"
bits = ["5.0..3", "4.2"]
inverted = true
scale = { dial = [0, 10] }
control = "knob"
[[area.parameter]]
key = "glide"
bits = "3.3..0"
scale = { dial = [0, 10] }
control = "knob"
"#;

/// Every step, base and line is tried for every bit of every dial: what holds the plan's codes without exception,
/// as they or their complement, must be where the solver puts the bit, and nowhere else.
#[test]
fn agrees_with_brute_force() {
    let hidden = layout::from_text("tiny", TINY).unwrap();
    let (panel, targets) = simulate::panel_of(&hidden).unwrap();
    let plan = Plan::with(&panel, Effort::FULL);
    let readings = simulate::dial(&hidden, &targets, &plan, Hand::default(), 3).unwrap();
    let solved = cellkeep::trace::solve(&plan, &readings).unwrap();
    assert_eq!(plan.readings(), 2);
    let mut checked = 0;
    for field in &solved.fields {
        let width = field.bits.len() as u32;
        for (k, bit) in field.bits.iter().enumerate() {
            let mut places = Vec::new();
            for step in 1..=8u32 {
                for base in 0..256u32 {
                    for line in 0..4u8 {
                        let mut same = [true; 2];
                        for save in &plan.saves {
                            let position = plan.settings[save.setting].positions[field.control];
                            // Half a mark rounds up: a dial of w bits at p hundredths stands at p (2^w - 1) / 100.
                            let code = (f64::from(position) * f64::from((1u32 << width) - 1)
                                / 100.0
                                + 0.5)
                                .floor() as u32;
                            let want = code >> k & 1 == 1;
                            let image = &readings[save.reading].chips[0].image;
                            match image.bit(base + step * save.preset as u32, line) {
                                Some(b) => {
                                    same[0] &= b == want;
                                    same[1] &= b != want;
                                }
                                None => same = [false; 2],
                            }
                        }
                        if same[0] || same[1] {
                            places.push((base, line, same[1]));
                        }
                    }
                }
            }
            let found: Vec<(u32, u8, bool)> = bit
                .homes
                .iter()
                .map(|h| (h.places[0].cell, h.places[0].line, h.places[0].inverted))
                .collect();
            assert_eq!(
                found, places,
                "{} bit {k}",
                panel.controls[field.control].key
            );
            checked += 1;
        }
    }
    assert_eq!(checked, 6 + 5 + 4);
}
