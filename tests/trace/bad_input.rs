//! What goes wrong at the bench before anything can be traced: each is told in words that say what to do.

use cellkeep::blame::Blame;
use cellkeep::image::ChipImage;
use cellkeep::layout::{self, model::Layout};
use cellkeep::reading::{ChipReading, Reading};
use cellkeep::trace::plan::{Effort, Plan, PlanError};
use cellkeep::trace::simulate::{self, Hand, Target};
use cellkeep::trace::{TraceError, solve, solve_in_order};

use crate::noise;

fn dialled(id: &str, seed: u64) -> (Layout, Vec<Target>, Plan, Vec<Reading>) {
    let layout = layout::load(id).unwrap();
    let (panel, targets) = simulate::panel_of(&layout).unwrap();
    let plan = Plan::with(&panel, Effort::FULL);
    let readings = simulate::dial(&layout, &targets, &plan, Hand::default(), seed).unwrap();
    (layout, targets, plan, readings)
}

/// The error and its hint.
fn refused(plan: &Plan, readings: &[Reading]) -> String {
    let error: TraceError = solve(plan, readings).err().expect("this must be refused");
    format!("{error}; {}", error.hint().unwrap_or_default())
}

fn codes(plan: &Plan, readings: &[Reading]) -> Vec<(String, String)> {
    let solution = solve(plan, readings).unwrap();
    let findings = solution.report().findings.into_iter();
    findings.map(|f| (f.code.to_string(), f.says)).collect()
}

#[test]
fn a_second_reading_is_missing_or_the_first_one_again() {
    let (_, _, plan, readings) = dialled("pellow-six", 3);
    let said = refused(&plan, &readings[..1]);
    assert!(said.contains("asks for 2 readings, 1 given"), "{said}");
    assert!(said.contains("nothing is dialled anew"), "{said}");
    let twice = [readings[0].clone(), readings[0].clone()];
    let said = refused(&plan, &twice);
    assert!(said.contains("readings 1 and 2 are the same"), "{said}");
    assert!(said.contains("save what it lists for the second"), "{said}");
    let three = [&readings[..], &readings[..1]].concat();
    let said = refused(&plan, &three);
    assert!(said.contains("asks for 2 readings, 3 given"), "{said}");
}

#[test]
fn a_blank_reading_is_named() {
    let (_, _, plan, readings) = dialled("pellow-six", 3);
    let blank = |r: &Reading| {
        let chips = r.chips.iter().map(|c| {
            let cells = vec![0xff; c.image.words() as usize];
            let image = ChipImage::from_cells(c.image.width(), &cells).unwrap();
            ChipReading::new(&c.id, image)
        });
        Reading::new(chips.collect())
    };
    let said = refused(&plan, &[readings[0].clone(), blank(&readings[1])]);
    assert!(said.contains("reading 2 is blank"), "{said}");
    assert!(said.contains("clip"), "{said}");
}

#[test]
fn readings_or_a_plan_of_another_instrument() {
    let (_, _, plan, readings) = dialled("pellow-six", 3);
    let (_, _, other_plan, others) = dialled("quillon-72", 3);
    let said = refused(&plan, &[readings[0].clone(), others[0].clone()]);
    assert!(said.contains("reading 2"), "{said}");
    assert!(said.contains("the plan was made for"), "{said}");
    let said = refused(&other_plan, &readings[..other_plan.readings()]);
    assert!(said.contains("reading 1"), "{said}");
}

#[test]
fn a_control_that_the_plan_never_moves_is_named() {
    let (layout, targets, mut plan, _) = dialled("pellow-six", 3);
    for setting in &mut plan.settings {
        setting.positions[4] = 0;
    }
    let readings = simulate::dial(&layout, &targets, &plan, Hand::default(), 3).unwrap();
    let name = plan.panel.lane_name(plan.panel.lanes()[4]);
    let said = codes(&plan, &readings);
    let wanted = format!("the plan never moves {name}");
    assert!(
        said.iter()
            .any(|(c, s)| c == "trace.never-moved" && *s == wanted),
        "{said:?}"
    );
}

#[test]
fn presets_that_were_left_out_are_named() {
    let (layout, targets, plan, readings) = dialled("pellow-six", 3);
    // Nobody saved presets 5 and 6 for the second reading: they hold what they held.
    let mut lazy = plan.clone();
    lazy.saves
        .retain(|s| s.reading == 0 || !(4..6).contains(&s.preset));
    let left_out = simulate::dial(&layout, &targets, &lazy, Hand::default(), 3).unwrap();
    assert_ne!(left_out, readings);
    let said = codes(&plan, &left_out);
    for preset in ["preset 5 of reading 2", "preset 6 of reading 2"] {
        let named = |(code, says): &(String, String)| {
            code == "trace.wrong-preset" && says.starts_with(preset) && says.contains("left out")
        };
        assert!(said.iter().any(named), "{preset}: {said:?}");
    }
}

/// The third reading is of another instrument of the same model, with presets of its own: none is as planned.
#[test]
fn a_reading_of_another_instrument_is_strange() {
    let layout = layout::from_text("small", &noise::small(1, 20)).unwrap();
    let (panel, targets) = simulate::panel_of(&layout).unwrap();
    let plan = Plan::with(&panel, Effort::FULL);
    assert_eq!(plan.readings(), 3);
    let dial =
        |plan: &Plan, seed| simulate::dial(&layout, &targets, plan, Hand::default(), seed).unwrap();
    let readings = dial(&plan, 3);
    let mut played = plan.clone();
    for (s, setting) in played.settings.iter_mut().enumerate() {
        for (l, position) in setting.positions.iter_mut().enumerate() {
            *position = (s * 7 + l * 13 + s * l * 5) as u32 % 101;
        }
    }
    let mut mixed = readings.clone();
    mixed[2] = dial(&played, 4).remove(2);
    let said = codes(&plan, &mixed);
    let strange: Vec<&str> = said
        .iter()
        .filter(|(c, _)| c == "trace.strange-reading")
        .map(|(_, s)| &s[..])
        .collect();
    assert_eq!(
        strange,
        ["most presets of reading 3 do not hold what the plan says"],
        "{said:?}"
    );
    // What is true of the whole reading is not said of each preset once more.
    let each = |(c, s): &(String, String)| c == "trace.wrong-preset" && s.contains("reading 3");
    assert!(!said.iter().any(each), "{said:?}");
    let good = codes(&plan, &readings);
    assert!(good.iter().all(|(c, _)| c != "trace.strange-reading"));
}

#[test]
fn too_few_settings_say_how_many_it_takes() {
    let (_, _, plan, _) = dialled("pellow-six", 3);
    let error = Plan::new(&plan.panel, Some(3)).unwrap_err();
    let PlanError::TooFew { asked, least, .. } = &error;
    assert_eq!(*asked, 3);
    assert!(Plan::new(&plan.panel, Some(*least)).is_ok());
    assert!(Plan::new(&plan.panel, Some(*least - 1)).is_err());
    assert!(error.to_string().contains(&format!("at least {least}")));
}

/// Five knobs, three switches, a selector and a sum over all of it: 16 cells a preset from cell 0x41 on, all else
/// random; not all addresses are there, so that wired address lines, which take long, need not be looked for. The sum, modulo 256, is worked out here.
mod simple {
    use super::*;
    use cellkeep::trace::panel::Panel;
    use cellkeep::trace::rng::Random;

    pub(super) const AT: usize = 0x41;
    pub(super) const STRIDE: usize = 16;

    pub(super) fn plan() -> Plan {
        let mut text =
            "name = \"Simple\"\npresets = 24\n[[chip]]\nid = \"IC1\"\nwords = 500\nwidth = 8\n"
                .to_owned();
        let mut control = |key: String, kind: &str| {
            text.push_str(&format!(
                "[[control]]\nkey = \"{key}\"\nkind = \"{kind}\"\n"
            ));
        };
        for i in 0..5 {
            control(format!("knob-{i}"), "knob");
        }
        for i in 0..3 {
            control(format!("switch-{i}"), "switch");
        }
        control("wave".to_owned(), "selector");
        text.push_str("positions = [\"x\", \"y\", \"z\"]\n");
        Plan::with(&Panel::parse(&text).unwrap(), Effort::FULL)
    }

    /// What a preset holds.
    pub(super) fn entry(positions: &[u32]) -> [u8; STRIDE] {
        let mut e = [0u8; STRIDE];
        for (i, p) in positions[..5].iter().enumerate() {
            e[i] = ((p * 127 + 50) / 100) as u8;
        }
        for (i, p) in positions[5..8].iter().enumerate() {
            e[i] |= (*p as u8) << 7;
        }
        e[8] = (positions[8] as u8) << 3;
        sum(&mut e);
        e
    }

    pub(super) fn sum(e: &mut [u8; STRIDE]) {
        e[15] = e[..15].iter().fold(0u8, |s, b| s.wrapping_add(*b));
    }

    /// The readings, every entry changed on its way into memory: reading, preset, entry.
    pub(super) fn readings(
        plan: &Plan,
        change: &dyn Fn(usize, usize, &mut [u8; STRIDE]),
    ) -> Vec<Reading> {
        let mut random = Random::new(77);
        let mut cells: Vec<u8> = (0..500).map(|_| random.bits() as u8).collect();
        let mut out = Vec::new();
        for reading in 0..plan.readings() {
            for save in plan.saves.iter().filter(|s| s.reading == reading) {
                let mut e = entry(&plan.settings[save.setting].positions);
                change(reading, save.preset, &mut e);
                let at = AT + STRIDE * save.preset;
                cells[at..at + STRIDE].copy_from_slice(&e);
            }
            out.push(of(&cells));
        }
        out
    }

    pub(super) fn of(cells: &[u8]) -> Reading {
        let image = ChipImage::from_cells(8, cells).unwrap();
        Reading::new(vec![ChipReading::new("IC1", image)])
    }
}

#[test]
fn a_selector_and_its_check_are_not_taken_for_each_other() {
    let plan = simple::plan();
    let readings = simple::readings(&plan, &|_, _, _| {});
    let solution = solve(&plan, &readings).unwrap();
    let report = solution.report();
    let wave = report.fields.iter().find(|f| f.name == "wave").unwrap();
    let homes: Vec<&str> = wave.bits.iter().map(|b| b.homes[0].as_str()).collect();
    assert_eq!(
        homes,
        ["IC1 cell 0x049 D3", "IC1 cell 0x049 D4"],
        "{}",
        wave.code
    );
    assert!(solution.layout_toml("simple").contains("at    = 65\n"));
    let sums: Vec<&str> = report.checks.iter().map(|c| c.stored.as_str()).collect();
    assert_eq!(sums, ["15.7..0"]);
    assert!(report.findings.iter().all(|f| f.code != "trace.by-chance"));
}

/// The second of two is of another instrument of the same model, with presets of its own: nothing of the pair follows,
/// but the first does by itself.
#[test]
fn a_strange_reading_of_two_is_named() {
    let plan = simple::plan();
    assert_eq!(plan.readings(), 2);
    let readings = simple::readings(&plan, &|reading, preset, e| {
        if reading == 1 {
            for (i, b) in e[..9].iter_mut().enumerate() {
                *b = (preset * 37 + i * 59 + preset * preset * (i + 3) * 23) as u8;
            }
            simple::sum(e);
        }
    });
    let error = solve_in_order(&plan, &readings).err();
    assert_eq!(error, Some(TraceError::Strange(vec![1])));
    let said = error.unwrap().to_string();
    assert!(said.starts_with("reading 2 does not hold"), "{said}");
}

#[test]
fn a_slip_in_one_save_and_a_line_that_is_stuck_are_named() {
    let plan = simple::plan();
    // Knob 2 of preset 4 is otherwise in the first reading; D5 reads 0 throughout.
    let mut readings = simple::readings(&plan, &|reading, preset, e| {
        if (reading, preset) == (0, 3) {
            e[2] ^= 0x55;
            simple::sum(e);
        }
    });
    let said = codes(&plan, &readings);
    let named = |(code, says): &(String, String)| {
        code == "trace.off-mark" && says.starts_with("preset 4 of reading 1: knob-2 reads ")
    };
    assert!(said.iter().any(named), "{said:?}");
    for reading in &mut readings {
        let cells: Vec<u8> = reading.chips[0]
            .image
            .values()
            .iter()
            .map(|b| b & 0xdf)
            .collect();
        *reading = simple::of(&cells);
    }
    let said = codes(&plan, &readings);
    let still = (
        "trace.line-still".to_owned(),
        "D5 of IC1 is 0 in every cell of every reading".to_owned(),
    );
    assert!(said.contains(&still), "{said:?}");
}

#[test]
fn a_knob_that_nobody_moved_is_named() {
    let plan = simple::plan();
    let readings = simple::readings(&plan, &|_, _, e| {
        e[4] = 0;
        simple::sum(e);
    });
    let said = codes(&plan, &readings);
    let named = |(code, says): &(String, String)| {
        ["trace.by-chance", "trace.not-found"].contains(&code.as_str()) && says.contains("knob-4")
    };
    assert!(said.iter().any(named), "{said:?}");
}

#[test]
fn readings_in_another_order_are_put_right() {
    let plan = simple::plan();
    let readings = simple::readings(&plan, &|_, _, _| {});
    let turned = [readings[1].clone(), readings[0].clone()];
    let error = cellkeep::trace::solve_in_order(&plan, &turned)
        .err()
        .unwrap();
    assert_eq!(error, TraceError::Order(vec![1, 0]));
    assert!(
        error.to_string().contains("they fit as the 2nd, the 1st"),
        "{error}"
    );
    assert!(cellkeep::trace::solve_in_order(&plan, &readings).is_ok());
}
