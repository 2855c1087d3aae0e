//! What goes wrong at the bench before anything can be traced: each is told in words that say what to do.

use cellkeep::blame::Blame;
use cellkeep::image::ChipImage;
use cellkeep::layout::{self, model::Layout};
use cellkeep::reading::{ChipReading, Reading};
use cellkeep::trace::plan::{Effort, Plan, PlanError};
use cellkeep::trace::simulate::{self, Hand, Target};
use cellkeep::trace::{TraceError, solve};

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
