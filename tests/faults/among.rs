//! Faults beside an earlier reading where the owner did something to many presets in between, and scatter in what he edited.

use cellkeep::image::ChipImage;
use cellkeep::layout::model::Layout;

use crate::banks::{Edits, Maker};
use crate::inject::inject;
use crate::rng::Rng;
use crate::{SEEDS, layouts, trial};

/// What is answered where many presets were emptied, or one control set alike in many, and then this fault befell the chips, and
/// whether that names it; nothing where the fault does not apply or hardly changes anything.
fn among_many(layout: &Layout, fault: &str, seed: u64) -> Option<(Vec<String>, bool)> {
    let mut rng = Rng::new(seed);
    let maker = Maker::new(layout, &mut rng);
    let mut memory = maker.bank(&mut rng);
    let images = |m: &cellkeep::codec::Memory| -> Vec<ChipImage> { m.images().expect("shapes") };
    let earlier = images(&memory);
    maker.edit_many(&mut memory, false, &mut rng);
    let truth = images(&memory);
    let mut seen = truth.clone();
    inject(fault, &mut seen, layout, &mut rng)?;
    (trial::differing_bits(&truth, &seen) >= 4 * trial::EFFECT).then_some(())?;
    let trial = trial::Trial {
        earlier,
        truth,
        seen,
        chips: Vec::new(),
        entry: None,
        owner: None,
    };
    let examined = trial::run(layout, &trial, true, true);
    let said = examined.examination.explanations[0].causes.clone();
    let named = trial::names(&said, &[fault], layout);
    Some((said, named))
}

/// What a fault changes is little beside presets that were emptied, and is weighed by the bits it takes to tell all the same.
#[test]
fn faults_are_named_among_presets_that_were_emptied() {
    let (mut n, mut wrong) = (0, Vec::new());
    let random = (0..6).map(|i| layouts::random(SEEDS + 1800 + i));
    let shipped = ["quillon-72", "wrenfield-strings"].map(layouts::shipped);
    for (i, layout) in shipped.into_iter().chain(random).enumerate() {
        for (f, fault) in [
            "bus.reversed",
            "address.bridged",
            "line.stuck",
            "entry.glitched",
        ]
        .iter()
        .enumerate()
        {
            let seed = SEEDS + 1800 + (10 * i + f) as u64;
            let Some((said, named)) = among_many(&layout, fault, seed) else {
                continue;
            };
            n += 1;
            if !named {
                wrong.push(format!("{} {fault}: {said:?}", layout.id));
            }
        }
    }
    assert!(n >= 12, "{n} faults applied");
    assert!(wrong.len() * 10 <= n, "{wrong:?} of {n}");
}

/// Flips in a preset that was edited, or in its copy, are flips like all others, and no write over its cells. Now and then an address
/// line that would make both copies read alike still is the shorter story.
#[test]
fn scatter_in_edited_presets_is_no_second_fault() {
    let layout = layouts::shipped("wrenfield-strings");
    let mut wrong = Vec::new();
    for seed in 0..20 {
        let mut rng = Rng::new(SEEDS + 1900 + seed);
        let trial = trial::make(&layout, &["decay.scattered"], Edits::Some, &mut rng)
            .expect("decay always applies");
        let examined = trial::run(&layout, &trial, true, true);
        let said = &examined.examination.explanations[0].causes;
        if !trial::names(said, &["decay.scattered"], &layout) {
            wrong.push(format!("{seed}: {said:?}"));
        }
    }
    assert!(wrong.len() <= 2, "{wrong:?}");
}
