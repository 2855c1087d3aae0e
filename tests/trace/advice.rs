//! Following the advice of `trace next` settles much of what was open: a shipped instrument dialled with a converter
//! that jitters, then dialled further as advised.

use cellkeep::layout::{self, model::Layout};
use cellkeep::trace::panel::Panel;
use cellkeep::trace::plan::{Effort, Plan};
use cellkeep::trace::simulate::{self, Hand, Target};
use cellkeep::trace::{CERTAIN, Solution, next};

/// Bits that are not certain; a control that is not found counts as eight.
fn open(solution: &Solution, lanes: usize) -> usize {
    let loose = |f: &cellkeep::trace::FoundField| {
        let bits = f.bits.iter().filter(|b| b.sure < CERTAIN).count();
        bits + usize::from(!f.certain())
    };
    let found = &solution.fields;
    8 * (lanes - found.len()) + found.iter().map(loose).sum::<usize>()
}

/// The panel of a layout without what means something only sometimes, which would make for a longer plan.
pub(crate) fn without_dependents(layout: &Layout) -> (Panel, Vec<Target>) {
    let (mut panel, targets) = simulate::panel_of(layout).unwrap();
    let always = panel.controls.iter().map(|c| c.when.is_none());
    let targets = targets
        .into_iter()
        .zip(always)
        .filter(|(_, always)| *always);
    let targets = targets.map(|(target, _)| target).collect();
    panel.controls.retain(|c| c.when.is_none());
    (panel, targets)
}

#[test]
fn open_controls_become_fewer() {
    let hidden = layout::load("pellow-six").unwrap();
    let (panel, targets) = without_dependents(&hidden);
    let short = Effort {
        distance: 4,
        sweeps: 10,
        repeats: 2,
    };
    let hand = Hand {
        jitter: true,
        slips: 0.0,
    };
    let lanes = panel.lanes().len();
    let (mut before, mut after, mut asked) = (0, 0, 0);
    for seed in 1..=2 {
        let mut plan = Plan::with(&panel, short);
        let readings = simulate::dial(&hidden, &targets, &plan, hand, seed).unwrap();
        let Ok(first) = cellkeep::trace::solve(&plan, &readings) else {
            continue;
        };
        before += open(&first, lanes);
        let Some(advice) = next(&first) else { continue };
        asked += advice.added;
        // The longer plan begins with the old one, so its first readings are the same.
        assert_eq!(advice.plan.settings[..plan.settings.len()], plan.settings);
        plan = advice.plan;
        let again = simulate::dial(&hidden, &targets, &plan, hand, seed).unwrap();
        assert_eq!(again[0], readings[0]);
        let second = cellkeep::trace::solve(&plan, &again).unwrap();
        after += open(&second, lanes);
    }
    println!("open before {before}, after {after}, {asked} more settings");
    assert!(before >= 60, "little was open: {before}");
    assert!(
        after * 3 <= before * 2,
        "{after} of {before} are still open"
    );
    assert!(asked <= 2 * 10, "{asked} settings");
}

/// An instrument of sixteen presets in a 256 x 8 chip. The display shows 0 to 24 and 27 is the highest code; another shows
/// -12 to 12 in offset binary; a knob is inverted, one counts in Gray code, a further display too.
const OFFSETS: &str = r#"
cellkeep = 1
id       = "offsets"
name     = "Offsets"
revision = "1"

[[chip]]
id    = "U4"
words = 256
width = 8

[[area]]
name  = "presets"
chips = ["U4"]
at    = 16
axes  = { preset = { count = 16, stride = 8 } }
lines = 8

[[area.parameter]]
key     = "osc.pitch"
bits    = ["0.4..0"]
range   = [3, 27]
control = "number"

[[area.parameter]]
key     = "osc.detune"
bits    = ["1.4..0"]
code    = "offset-binary"
range   = [-12, 12]
control = "number"

[[area.parameter]]
key      = "filter.cutoff"
bits     = ["2.6..0"]
inverted = true
scale    = { dial = [0, 10] }
control  = "knob"

[[area.parameter]]
key     = "filter.reso"
bits    = ["3.5..0"]
code    = "gray"
scale   = { dial = [0, 10] }
control = "knob"

[[area.parameter]]
key     = "lfo.rate"
bits    = ["4.6..0"]
scale   = { dial = [0, 10] }
control = "knob"

[[area.parameter]]
key     = "env.time"
bits    = ["5.4..0"]
code    = "gray"
range   = [0, 30]
control = "number"

[[area.parameter]]
key     = "glide.on"
bits    = ["6.0"]
scale   = { on-off = true }
control = "switch"

[[area.parameter]]
key     = "sync.on"
bits    = ["6.1"]
scale   = { on-off = true }
control = "switch"
"#;

/// Following the advice comes to an end, and by then every control is certain and right: codes that begin with 3, offset
/// binary, a complement and Gray codes. The pitch is shown as 0 to 24, so that nothing on the panel tells its offset.
#[test]
fn advice_comes_to_an_end() {
    let hidden = layout::from_text("offsets", OFFSETS).unwrap();
    let (mut panel, targets) = simulate::panel_of(&hidden).unwrap();
    let pitch = &mut panel.controls[0];
    assert_eq!((pitch.low, pitch.high), (Some(3), Some(27)));
    (pitch.low, pitch.high) = (Some(0), Some(24));
    for seed in 1..=3 {
        let mut plan = Plan::with(&panel, Effort::FULL);
        let mut rounds = 0;
        loop {
            let readings = simulate::dial(&hidden, &targets, &plan, Hand::default(), seed).unwrap();
            let solved = cellkeep::trace::solve(&plan, &readings).unwrap();
            let advice = next(&solved);
            if advice.as_ref().is_none_or(|a| a.added == 0) {
                for v in super::judge::judge(&hidden, &targets, &plan, Some(&solved)) {
                    assert!(v.right && v.certain, "seed {seed}: {}", v.says);
                }
                let found = solved.layout_toml("found");
                layout::from_text("found", &found).unwrap();
                for says in [
                    "range = [3, 27]\nscale = { linear = [0, 24] }",
                    "code = \"offset-binary\"\nrange = [-12, 12]",
                ] {
                    assert!(found.contains(says), "seed {seed}: no {says} in\n{found}");
                }
                break;
            }
            rounds += 1;
            assert!(rounds < 4, "seed {seed}: {:?}", advice.unwrap().open);
            plan = advice.unwrap().plan;
        }
        println!("seed {seed}: {rounds} rounds");
    }
}

/// What no dialling tells is said, and not asked for again: a control that is not stored anywhere.
#[test]
fn what_dialling_cannot_tell_is_not_asked_for_again() {
    let hidden = layout::from_text("offsets", OFFSETS).unwrap();
    let (panel, mut targets) = simulate::panel_of(&hidden).unwrap();
    // The panel has a knob more than memory holds: the hand that follows the plan moves nothing by it.
    let mut wider = panel.clone();
    let mut knob = panel.controls[4].clone();
    knob.key = "volume.master".to_owned();
    wider.controls.push(knob);
    targets.truncate(panel.controls.len());
    let mut plan = Plan::with(&wider, Effort::FULL);
    let mut asked = 0;
    for _ in 0..6 {
        // Dialled without the knob that is not stored.
        let mut stored = plan.clone();
        stored.panel = panel.clone();
        for s in &mut stored.settings {
            s.positions.truncate(panel.lanes().len());
        }
        let readings = simulate::dial(&hidden, &targets, &stored, Hand::default(), 1).unwrap();
        let solved = cellkeep::trace::solve(&plan, &readings).unwrap();
        let advice = next(&solved).expect("a control that is not stored is open");
        if advice.added == 0 {
            assert_eq!(advice.plan, plan);
            assert_eq!(advice.stays.len(), 1, "{:?}", advice.stays);
            assert!(advice.stays[0].starts_with("volume.master: no bit follows it, after "));
            assert!(asked > 0 && asked <= 40, "{asked} more settings");
            return;
        }
        let mut said = advice.open.iter().chain(&advice.stays);
        assert!(said.any(|o| o.starts_with("volume.master")));
        asked += advice.added;
        plan = advice.plan;
    }
    panic!("{asked} settings, and no end");
}

/// Of Pellow Six, dialled without noise, some controls are short of certain. It is the number of settings that does it: a
/// bit that stands alike at both ends of its control shows in the thirteen settings between them alone, which one column
/// in 2^13 fits by chance, of the 480 ways (240 bits of an entry, straight or inverted) that it could lie; and 27 settings
/// do not rule out that a dial has a bit more below that lies nowhere. Dialled further as advised, all are certain.
#[test]
fn more_settings_make_the_rest_certain() {
    let hidden = layout::load("pellow-six").unwrap();
    let (panel, targets) = simulate::panel_of(&hidden).unwrap();
    let mut plan = Plan::with(&panel, Effort::FULL);
    let (mut certain, mut asked) = (Vec::new(), 0);
    loop {
        let readings = simulate::dial(&hidden, &targets, &plan, Hand::default(), 7).unwrap();
        let solved = cellkeep::trace::solve(&plan, &readings).unwrap();
        certain.push(solved.fields.iter().filter(|f| f.certain()).count());
        for v in super::judge::judge(&hidden, &targets, &plan, Some(&solved)) {
            assert!(v.right, "{}", v.says);
        }
        let Some(advice) = next(&solved).filter(|a| a.added > 0) else {
            break;
        };
        asked += advice.added;
        plan = advice.plan;
        assert!(certain.len() < 5, "{certain:?}");
    }
    println!(
        "certain {certain:?} of {}, {asked} more settings",
        panel.lanes().len()
    );
    assert!(certain[0] < panel.lanes().len());
    assert_eq!(certain.last(), Some(&panel.lanes().len()));
    assert!(asked <= 20, "{asked} more settings");
}
