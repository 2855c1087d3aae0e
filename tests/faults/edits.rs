//! What changed since an earlier reading without being damage: another bank, part of one, another order.

use cellkeep::codec::Memory;
use cellkeep::image::ChipImage;
use cellkeep::layout::model::{FieldOwner, Layout};

use crate::banks::Maker;
use crate::rng::Rng;
use crate::{SEEDS, layouts, trial};

/// The areas of presets, each with the entries of each of its presets.
fn presets(layout: &Layout) -> Vec<(usize, Vec<Vec<usize>>)> {
    let areas = layout.areas.iter().enumerate();
    let areas = areas.filter(|(_, area)| !area.axes.is_empty());
    areas
        .map(|(a, area)| (a, crate::panel::presets(area)))
        .collect()
}

/// A bank in which preset `to` of each area holds what preset `from` of another bank holds.
fn taken(layout: &Layout, bank: &Memory, other: &Memory, pairs: &[(usize, usize)]) -> Memory {
    let mut out = bank.clone();
    for (a, groups) in presets(layout) {
        for (to, from) in pairs {
            let (Some(to), Some(from)) = (groups.get(*to), groups.get(*from)) else {
                continue;
            };
            for (t, f) in to.iter().zip(from) {
                for field in 0..layout.areas[a].fields.len() {
                    let (code, _) = other.gather(layout.areas[a].field_places(*f, field));
                    out.scatter(layout.areas[a].field_places(*t, field), code);
                }
            }
        }
    }
    out
}

fn codes(layout: &Layout, earlier: &Memory, now: &Memory) -> Vec<String> {
    let images = |m: &Memory| -> Vec<ChipImage> { m.images().expect("shapes of the layout") };
    let trial = trial::Trial {
        earlier: images(earlier),
        truth: images(now),
        seen: images(now),
        chips: Vec::new(),
        entry: None,
        owner: None,
    };
    let examined = trial::run(layout, &trial, true, true);
    let findings = &examined.examination.findings;
    findings.iter().map(|f| f.code.clone()).collect()
}

#[test]
fn another_bank_part_of_one_and_another_order_are_told_apart() {
    for id in ["quillon-72", "tessaly-nine", "pellow-six", "aldermoor-four"] {
        let layout = layouts::shipped(id);
        let mut rng = Rng::new(SEEDS + 1400);
        let maker = Maker::new(&layout, &mut rng);
        let (bank, other) = (maker.bank(&mut rng), maker.bank(&mut rng));
        let n = presets(&layout)
            .iter()
            .map(|p| p.1.len())
            .max()
            .expect("presets");
        let all: Vec<(usize, usize)> = (0..n).map(|p| (p, p)).collect();
        let settled = |mut memory: Memory| {
            maker.settle_promises(&mut memory);
            memory
        };

        let replaced = settled(taken(&layout, &bank, &other, &all));
        let told = codes(&layout, &bank, &replaced);
        assert!(told.contains(&"bank.replaced".to_owned()), "{id}: {told:?}");

        // Eight presets of sixteen side by side may be a whim as well.
        let clear = n > 16;
        let part = settled(taken(&layout, &bank, &other, &all[2..2 + n / 2]));
        let told = codes(&layout, &bank, &part);
        let named = told.contains(&"presets.replaced".to_owned());
        assert_eq!(named, clear, "{id}: {told:?}");

        let turned: Vec<(usize, usize)> = (0..n).map(|p| (p, n - 1 - p)).collect();
        let reordered = settled(taken(&layout, &bank, &bank, &turned));
        let told = codes(&layout, &bank, &reordered);
        assert!(
            told.contains(&"bank.reordered".to_owned()),
            "{id}: {told:?}"
        );
    }
}

/// A converter whose zero moved adds the same to every knob, which is neither noise nor another scale.
#[test]
fn knobs_that_are_all_off_by_the_same_are_the_converters_zero() {
    for (id, step) in [("pellow-six", 3i64), ("tessaly-nine", -4)] {
        let layout = layouts::shipped(id);
        let mut rng = Rng::new(SEEDS + 1401);
        let maker = Maker::new(&layout, &mut rng);
        let bank = maker.bank(&mut rng);
        let mut now = bank.clone();
        for (a, groups) in presets(&layout) {
            let knobs = crate::panel::knobs(&maker, a);
            for e in groups.iter().take(20).flatten() {
                for knob in &knobs {
                    let places = layout.areas[a].field_places(*e, knob.field);
                    let top = (1u64 << places.len()) - 1;
                    let code = now.gather(places).0.saturating_add_signed(step).min(top);
                    now.scatter(places, code);
                }
            }
        }
        maker.settle_promises(&mut now);
        let told = codes(&layout, &bank, &now);
        assert!(
            told.contains(&"converter.drift".to_owned()),
            "{id}: {told:?}"
        );
    }
}

/// Whoever clears a bank to begin anew and sets a control or two here and there has loaded no other bank, and nothing was
/// overwritten.
#[test]
fn presets_emptied_and_then_begun_anew_are_edits() {
    for id in ["wrenfield-strings", "tessaly-nine"] {
        let layout = layouts::shipped(id);
        let mut rng = Rng::new(SEEDS + 1402);
        let maker = Maker::new(&layout, &mut rng);
        let bank = maker.bank(&mut rng);
        let mut now = bank.clone();
        let mut begun = 0;
        for (a, groups) in presets(&layout) {
            let area = &layout.areas[a];
            let values = maker.values(a);
            for e in groups.iter().skip(1).flatten() {
                for f in &values {
                    let FieldOwner::Parameter(p) = area.fields[*f].owner else {
                        continue;
                    };
                    let empty = area.parameters[p].blank;
                    let empty = empty.unwrap_or_else(|| maker.legal(a, *f)[0]);
                    now.scatter(area.field_places(*e, *f), empty);
                }
            }
            if values.len() < 8 {
                continue;
            }
            for e in groups.iter().skip(1).step_by(3).flatten() {
                for _ in 0..2 {
                    let f = *rng.pick(&values);
                    let places = area.field_places(*e, f);
                    if let Some(code) = maker.other(a, f, now.gather(places).0, &mut rng) {
                        now.scatter(places, code);
                        begun += 1;
                    }
                }
            }
        }
        assert!(begun > 4, "{id}");
        maker.settle_promises(&mut now);
        let told = codes(&layout, &bank, &now);
        assert!(
            told.contains(&"entries.edited".to_owned()),
            "{id}: {told:?}"
        );
        for wrong in ["bank.replaced", "presets.replaced", "region.overwritten"] {
            assert!(!told.contains(&wrong.to_owned()), "{id}: {told:?}");
        }
    }
}
