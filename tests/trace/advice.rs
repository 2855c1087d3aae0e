//! Following the advice of `trace next` settles much of what was open: a shipped instrument dialled with a converter
//! that jitters, then dialled further as advised.

use cellkeep::layout;
use cellkeep::trace::plan::{Effort, Plan};
use cellkeep::trace::simulate::{self, Hand};
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

#[test]
fn open_controls_become_fewer() {
    let hidden = layout::load("pellow-six").unwrap();
    let (panel, targets) = simulate::panel_of(&hidden).unwrap();
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
