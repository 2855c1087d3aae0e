//! Following the advice of `trace next` settles what was open: the instrument of the brute-force test, dialled with a
//! converter that jitters after a plan that is too short, then dialled further as advised.

use cellkeep::layout;
use cellkeep::trace::plan::{Effort, Plan};
use cellkeep::trace::simulate::{self, Hand};
use cellkeep::trace::{Solution, next};

/// Controls that are not certain, those not found among them, and how sure the others are together.
fn open(solution: &Solution, lanes: usize) -> usize {
    lanes - solution.fields.iter().filter(|f| f.certain()).count()
}

#[test]
fn open_controls_become_fewer() {
    let hidden = layout::from_text("tiny", super::TINY).unwrap();
    let (panel, targets) = simulate::panel_of(&hidden).unwrap();
    let short = Effort {
        distance: 2,
        sweeps: 4,
        repeats: 0,
    };
    let hand = Hand {
        jitter: true,
        slips: 0.0,
    };
    let lanes = panel.lanes().len();
    let (mut before, mut after, mut asked) = (0, 0, 0);
    for seed in 1..=4 {
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
    assert!(before >= 6, "nothing was open: {before}");
    assert!(after * 2 <= before, "{after} of {before} are still open");
    assert!(asked <= 4 * 10, "{asked} settings");
}
