//! What is said of slips that are more than a wrong position, of chips that show nothing, and of what is not written.

use std::process::Command;

use cellkeep::image::ChipImage;
use cellkeep::layout::{self, model::Layout};
use cellkeep::reading::{ChipReading, Reading};
use cellkeep::trace::plan::{Effort, Plan};
use cellkeep::trace::rehearsal::rehearse;
use cellkeep::trace::simulate::{self, Hand, Target};
use cellkeep::trace::{Solution, next, order_of, solve};

use crate::hidden::Hidden;
use crate::{exchange, generator, noise};

fn small(chips: usize) -> (Layout, Vec<Target>, Plan) {
    let hidden = Hidden::of(&noise::small(chips, 16));
    (hidden.layout, hidden.targets, hidden.plan)
}

fn dial(layout: &Layout, targets: &[Target], plan: &Plan) -> Vec<Reading> {
    simulate::dial(layout, targets, plan, Hand::default(), 3).unwrap()
}

/// The owner saved two settings of the first reading each as the other's preset; the second, which takes every preset
/// from the next, carries them along.
#[test]
fn presets_that_were_exchanged_are_named_as_exchanged() {
    let (layout, targets, plan) = small(1);
    exchanged_and_named(&layout, &targets, &plan, &[[4, 11]], "preset");
}

/// The same of two steps of a sequencer, of which few bits are known: by itself neither shows which setting it holds.
#[test]
fn steps_of_few_bits_that_were_exchanged_are_named_as_exchanged() {
    let layout = layout::load("quillon-72").unwrap();
    let (panel, targets) = simulate::panel_of(&layout).unwrap();
    let plan = Plan::with(&panel, Effort::FULL);
    exchanged_and_named(&layout, &targets, &plan, &[[11, 39], [24, 68]], "step");
}

/// Boards of which whole chips were not understood where two presets were exchanged before the first reading.
#[test]
fn exchanged_presets_hide_no_chip() {
    let layout = layout::load("aldermoor-four").unwrap();
    let (panel, targets) = simulate::panel_of(&layout).unwrap();
    let plan = Plan::with(&panel, Effort::FULL);
    exchanged_and_named(&layout, &targets, &plan, &[[2, 8]], "preset");
}

/// Exchanges two presets, from 0, in each of these ways: both are named in both readings and nothing else is said of slips;
/// and what is found is neither more nor less, nor surer, than without the exchange.
fn exchanged_and_named(
    layout: &Layout,
    targets: &[Target],
    plan: &Plan,
    ways: &[[usize; 2]],
    axis: &str,
) {
    let shifted = plan.shifted().unwrap();
    let sure = |s: &Solution| -> Vec<(String, String)> {
        let fields = s.report().fields.into_iter();
        fields.map(|f| (f.name, format!("{:.3}", f.sure))).collect()
    };
    let clean = solve(plan, &dial(layout, targets, plan)).unwrap();
    for [first, second] in ways {
        let done = exchange::exchanged(plan, *first, *second);
        let solution = solve(plan, &dial(layout, targets, &done)).unwrap();
        let said: Vec<(String, String)> = (solution.report().findings.into_iter())
            .map(|f| (f.code.to_string(), f.says))
            .collect();
        let exchanged = |reading: usize, a: usize, b: usize| {
            let says = format!(
                "{axis}s {a} and {b} of reading {} are exchanged",
                reading + 1
            );
            said.iter()
                .any(|(c, s)| c == "trace.exchanged" && s.starts_with(&says))
        };
        // Each preset of the shifted reading holds what the next one held.
        assert!(exchanged(shifted - 1, first + 1, second + 1), "{said:?}");
        assert!(exchanged(shifted, *first, *second), "{said:?}");
        let invented = |(c, _): &&(String, String)| {
            ["trace.off-mark", "trace.wrong-preset", "trace.no-structure"].contains(&c.as_str())
        };
        assert_eq!(said.iter().find(invented), None);
        assert_eq!(sure(&solution), sure(&clean));
    }
}

/// Where the order of presets follows a table and slips leave it open, presets in each other's places in that order look like
/// presets that were saved in each other's places. Taking two pairs for exchanged made a wrong order 90 % sure.
#[test]
fn an_open_order_of_presets_is_no_surer_for_presets_taken_for_exchanged() {
    let i = generator::instrument(73);
    let (panel, targets) = simulate::panel_of(&i.layout).unwrap();
    let plan = Plan::with(&panel, Effort::FULL);
    let slips = Hand {
        jitter: false,
        slips: 0.05,
    };
    let readings = simulate::dial(&i.layout, &targets, &plan, slips, 73).unwrap();
    let solution = solve(&plan, &readings).unwrap();
    let fields = solution.report().fields;
    assert!(fields.len() > 30);
    let surest = fields.iter().map(|f| f.sure).fold(0.0, f64::max);
    assert!(surest < 0.5, "{surest}");
}

/// Two presets alone do not make an exchange: where each of two saves holds something else, and not the other's setting, no
/// exchange is named.
#[test]
fn two_slips_are_no_exchange() {
    let (layout, targets, plan) = small(1);
    let mut done = plan.clone();
    let shifted = plan.shifted().unwrap();
    let saves = done.saves.iter_mut().filter(|s| s.reading + 1 == shifted);
    for save in saves.filter(|s| [4, 11].contains(&s.preset)) {
        save.setting = if save.preset == 4 { 2 } else { 7 };
    }
    let report = solve(&plan, &dial(&layout, &targets, &done))
        .unwrap()
        .report();
    assert!(report.findings.iter().all(|f| f.code != "trace.exchanged"));
    let wrong = report
        .findings
        .iter()
        .filter(|f| f.code == "trace.wrong-preset");
    assert_eq!(wrong.count(), 2);
}

/// One of two chips gave nothing but ones in the last reading.
#[test]
fn a_chip_that_is_blank_in_one_reading_is_named() {
    let (layout, targets, plan) = small(2);
    let mut readings = dial(&layout, &targets, &plan);
    let last = readings.len();
    let chip = &mut readings[last - 1].chips[1];
    let cells = vec![0xff >> (8 - chip.image.width()); chip.image.words() as usize];
    let image = ChipImage::from_cells(chip.image.width(), &cells).unwrap();
    *chip = ChipReading::new("U2", image);
    let solution = solve(&plan, &readings).unwrap();
    let report = solution.report();
    let blank = report
        .findings
        .iter()
        .filter(|f| f.code == "trace.chip-blank");
    let blank: Vec<&str> = blank.map(|f| &f.says[..]).collect();
    assert_eq!(
        blank,
        [format!(
            "U2 is blank in reading {last} and is not in others"
        )]
    );
    // It is read again before anything further is dialled.
    let advice = next(&solution).unwrap();
    assert_eq!(advice.read_again, [("U2".to_owned(), last)]);
    assert_eq!((advice.added, &advice.plan), (0, &plan));
    // What nothing speaks for is not written down as if something did, nor counted as guessed.
    assert!(
        report
            .fields
            .iter()
            .all(|f| f.shown > 0 && f.sure_of_shown >= 0.05)
    );
    let lanes = plan.panel.lanes().len();
    assert_eq!(report.fields.len() + report.not_found.len(), lanes);
    let written = solution.layout_toml("small");
    let sure = written.lines().filter_map(|l| l.split_once("sure to "));
    for (_, rest) in sure {
        let percent: f64 = rest.split(' ').next().unwrap().parse().unwrap();
        assert!(percent >= 5.0, "{rest}");
    }
}

/// A chip in which no structure is seen, since it holds something else in every reading: a control is not said to be kept
/// nowhere, but that this chip was not understood.
#[test]
fn a_chip_whose_structure_is_not_found_is_named() {
    let (layout, targets, plan) = small(2);
    let mut readings = dial(&layout, &targets, &plan);
    let mut random = cellkeep::trace::rng::Random::new(5);
    for reading in &mut readings {
        let chip = &mut reading.chips[1];
        let cells: Vec<u8> = (0..chip.image.words())
            .map(|_| random.bits() as u8 & 3)
            .collect();
        *chip = ChipReading::new("U2", ChipImage::from_cells(2, &cells).unwrap());
    }
    let solution = solve(&plan, &readings).unwrap();
    let findings = solution.report().findings;
    let says = |code: &str| -> Vec<String> {
        let some = findings.iter().filter(|f| f.code == code);
        some.map(|f| f.says.clone()).collect()
    };
    assert_eq!(
        says("trace.no-structure"),
        ["how presets lie in U2 was not found"]
    );
    let open = [says("trace.not-found"), says("trace.by-chance")].concat();
    assert!(!open.is_empty());
    assert!(open.iter().all(|s| s.ends_with(": U2 is not")), "{open:?}");
}

/// A tempo to 240 in decimal digits of four bits: the upper two bits of the hundreds are never set, and the rest is
/// written all the same.
#[test]
fn digits_that_never_come_need_no_place() {
    let text = r#"
cellkeep = 1
id = "tempo"
name = "Tempo"
[[chip]]
id = "U1"
words = 256
width = 8
[[area]]
name = "presets"
axes = { preset = { count = 16, stride = 16 } }
lines = 8
[[area.parameter]]
key = "tempo"
bits = ["6.3..0", "5.7..0"]
code = "bcd"
range = [40, 240]
control = "number"
[[area.parameter]]
key = "dial"
bits = ["2.7..1"]
scale = { dial = [0, 10] }
control = "knob"
[[area.parameter]]
key = "glide"
bits = ["3.0"]
scale = { on-off = true }
control = "switch"
"#;
    let layout = layout::from_text("tempo", text).unwrap();
    let found = rehearse(&layout, Hand::default(), 7).unwrap().unwrap();
    assert_eq!(
        (found.compared.right, found.compared.values),
        (48, 48),
        "{:?}",
        found.compared.wrong
    );
    // Ten bits: the digits of 240 are 10 0100 0000.
    assert!(
        found
            .layout_toml
            .contains("bits = [\"6.1..0\", \"5.7..0\"]"),
        "{}",
        found.layout_toml
    );
}

/// Readings given in another order do not make the layout wrong.
#[test]
fn an_audit_notices_exchanged_readings() {
    let layout = layout::load("pellow-six").unwrap();
    let (panel, targets) = simulate::panel_of(&layout).unwrap();
    let plan = Plan::with(&panel, Effort::FULL);
    let mut readings = dial(&layout, &targets, &plan);
    assert_eq!(order_of(&layout, &readings, &plan).unwrap(), None);
    readings.reverse();
    assert_eq!(
        order_of(&layout, &readings, &plan).unwrap(),
        Some(vec![1, 0])
    );
}

/// One preset and one knob: every setting takes a reading, and the sheet says why and what to do about it.
#[test]
fn a_plan_of_one_preset_says_why_it_takes_so_many_readings() {
    let folder = tempfile::tempdir().unwrap();
    let panel = "name = \"One\"\npresets = 1\n[[control]]\nkey = \"knob\"\nkind = \"knob\"\n";
    std::fs::write(folder.path().join("panel.toml"), panel).unwrap();
    let out = Command::new(env!("CARGO_BIN_EXE_cellkeep"))
        .current_dir(folder.path())
        .args(["trace", "plan", "panel.toml", "--output", "a plan.json"])
        .output()
        .unwrap();
    let said = String::from_utf8(out.stdout).unwrap();
    assert!(said.contains("Each reading takes 1 setting only"), "{said}");
    assert!(said.contains("--settings N"), "{said}");
    assert!(
        said.contains("cellkeep trace solve 'a plan.json' reading1"),
        "{said}"
    );
}
