//! Causes told apart on instruments with a sum over every entry and reserved slots, and healthy banks whose owner emptied
//! or set many presets at once.

use cellkeep::examine::{Examined, Verdict, examine};
use cellkeep::finding::{Finding, Severity};
use cellkeep::image::ChipImage;
use cellkeep::layout::model::Layout;

use crate::banks::{Edits, Maker};
use crate::rng::Rng;
use crate::{SEEDS, layouts, trial};

/// A random instrument of two 4-bit chips written together, with reserved slots and a sum over every entry.
fn checked(n: usize) -> Layout {
    let all = (SEEDS..).map(layouts::random);
    let mut checked = all.filter(|l| l.name == "nibbles" && !l.areas[0].checks.is_empty());
    checked.nth(n).expect("there is always another seed")
}

fn alone(layout: &Layout, chips: &[ChipImage]) -> Examined {
    examine(&trial::reading(layout, chips), Some(layout), None).expect("of the layout")
}

fn beside(layout: &Layout, now: &[ChipImage], earlier: &[ChipImage]) -> Examined {
    let (now, earlier) = (trial::reading(layout, now), trial::reading(layout, earlier));
    examine(&now, Some(layout), Some(&earlier)).expect("of the layout")
}

fn codes(examined: &Examined) -> Vec<&str> {
    let findings = examined.examination.findings.iter();
    findings.map(|f| f.code.as_str()).collect()
}

fn graver(examined: &Examined) -> Vec<&Finding> {
    let findings = examined.examination.findings.iter();
    findings.filter(|f| f.severity > Severity::Note).collect()
}

/// A line that stands still stands still in the sums and the reserved slots too, and the other bits of each sum are
/// still right: no converter and no exchange of lines does that.
#[test]
fn a_stuck_line_alone_is_told_by_the_sums_it_breaks() {
    let (mut n, mut wrong) = (0, Vec::new());
    for which in 0..2 {
        let layout = checked(which);
        let mut rng = Rng::new(SEEDS + 1500 + which as u64);
        let bank = trial::make(&layout, &[], false, &mut rng)
            .expect("a healthy bank")
            .seen;
        for chip in 0..2 {
            for line in 0..4u8 {
                let level = (chip + usize::from(line)) % 2 == 0;
                let mut seen = bank.clone();
                seen[chip].edit(|_, v, k| {
                    let m = 1 << line;
                    (if level { v | m } else { v & !m }, k)
                });
                if trial::differing_bits(&bank, &seen) < 4 * trial::EFFECT {
                    continue;
                }
                n += 1;
                let examined = alone(&layout, &seen);
                let said = &examined.examination.explanations[0].causes;
                if *said != ["line.stuck"] {
                    wrong.push(format!("{which} chip {chip} D{line} at {level}: {said:?}"));
                }
            }
        }
    }
    assert!(n >= 10, "{n} lines had an effect");
    assert!(wrong.len() * 10 <= n, "{wrong:?}");
}

/// Where checks fail even after contents were put back in order, nobody is told that nothing is lost.
#[test]
fn nothing_is_said_to_be_complete_while_checks_fail() {
    let layout = checked(0);
    let mut rng = Rng::new(SEEDS + 1510);
    let bank = trial::make(&layout, &[], false, &mut rng)
        .expect("a healthy bank")
        .seen;
    let mut seen = bank;
    let area = &layout.areas[0];
    // Two bits of one entry, so that no single bit makes its sum hold.
    for bit in [0, 9] {
        let p = area.places[area.bits_per_entry * 2 + bit];
        let chip = &mut seen[usize::from(p.chip)];
        let now = chip.bit(p.cell, p.line).expect("known");
        chip.set_bit(p.cell, p.line, Some(!now));
    }
    seen[1].edit(|_, v, k| (!v, k));
    let examined = alone(&layout, &seen);
    let findings = &examined.examination.findings;
    let inverted = findings
        .iter()
        .find(|f| f.code == "bus.inverted")
        .expect("named");
    let means = inverted.means.as_deref().unwrap_or_default();
    assert!(
        codes(&examined).contains(&"check.mismatch"),
        "{:?}",
        codes(&examined)
    );
    assert!(!means.contains("complete"), "{means}");
    assert!(means.contains("still broken"), "{means}");
}

/// Nonsense over an entry, its sum and its reserved slots is no edit, although most of its values changed.
#[test]
fn a_trampled_entry_is_not_taken_for_an_edit() {
    for which in 0..3 {
        let layout = checked(which);
        let mut rng = Rng::new(SEEDS + 1520 + which as u64);
        let trial =
            trial::make(&layout, &["entry.trampled"], true, &mut rng).expect("side by side");
        let examined = trial::run(&layout, &trial, true, true);
        let said = &examined.examination.explanations[0].causes;
        assert!(
            trial::names(said, &["entry.trampled"], &layout),
            "{which}: {said:?}"
        );
        let damaged = examined.examination.entries.iter();
        assert!(damaged.filter(|e| e.verdict == Verdict::Damaged).count() >= 1);
    }
}

/// A few cells of nonsense are little beside forty edited presets, and are looked for all the same where they break a promise.
#[test]
fn nonsense_among_many_edits_is_not_taken_for_one() {
    let layout = layouts::shipped("tessaly-nine");
    let mut rng = Rng::new(SEEDS + 1525);
    let maker = Maker::new(&layout, &mut rng);
    let (earlier, other) = (maker.bank(&mut rng), maker.bank(&mut rng));
    let mut truth = earlier.clone();
    let presets = layout.areas.iter().position(|a| a.name == "presets");
    let area = &layout.areas[presets.expect("presets")];
    for e in 10..50 {
        for f in 0..area.fields.len() {
            let places = area.field_places(e, f);
            truth.scatter(places, other.gather(places).0);
        }
    }
    maker.settle_promises(&mut truth);
    let mut seen = truth.images().expect("shapes");
    let first = area.field_places(60, 0)[0].cell + 8;
    for cell in first..first + 8 {
        seen[0].set_cell(cell, rng.next() as u8, 0xff);
    }
    let examined = beside(&layout, &seen, &earlier.images().expect("shapes"));
    let said = &examined.examination.explanations[0].causes;
    assert_eq!(said, &["entry.glitched"]);
    let mut found = examined.examination.findings.iter();
    let place = &found
        .find(|f| f.code == "entry.glitched")
        .expect("told")
        .place;
    let cells = place.chips[0].cells[0];
    assert!(
        cells.first >= first - 1 && cells.last <= first + 8,
        "{cells:?}"
    );
}

/// Flips all over one chip are that chip's supply, not the contacts of its lines one by one.
#[test]
fn scatter_in_one_chip_is_that_chips_supply() {
    for which in 0..3 {
        let layout = checked(which);
        let mut rng = Rng::new(SEEDS + 1530 + which as u64);
        let mut trial = trial::make(&layout, &[], false, &mut rng).expect("a healthy bank");
        let hit = rng.below(2);
        trial.seen[hit].edit(|_, v, k| {
            let flips = (0..4).fold(0, |f, l| f | u8::from(rng.chance(0.03)) << l);
            (v ^ flips, k)
        });
        let examined = trial::run(&layout, &trial, true, true);
        let told = codes(&examined);
        assert!(!told.contains(&"line.intermittent"), "{told:?}");
        assert!(!told.contains(&"entry.glitched"), "{told:?}");
        let scattered = graver(&examined)
            .into_iter()
            .find(|f| f.code == "decay.scattered")
            .expect("named");
        let chips: Vec<&str> = scattered
            .place
            .chips
            .iter()
            .map(|c| c.chip.as_str())
            .collect();
        assert_eq!(chips, [layout.chips[hit].id.as_str()], "{}", scattered.says);
    }
}

/// Scatter that redundancy places only in a few cells is not told as those few.
#[test]
fn scatter_alone_is_told_at_the_rate_that_the_checks_show() {
    let layout = checked(1);
    let mut rng = Rng::new(SEEDS + 1540);
    let mut seen = trial::make(&layout, &[], false, &mut rng)
        .expect("a healthy bank")
        .seen;
    let mut flipped = 0;
    for chip in &mut seen {
        chip.edit(|_, v, k| {
            let flips = (0..4).fold(0, |f, l| f | u8::from(rng.chance(0.02)) << l);
            flipped += flips.count_ones();
            (v ^ flips, k)
        });
    }
    let bits: u64 = seen.iter().map(ChipImage::bits).sum();
    let share = f64::from(flipped) / bits as f64;
    let examined = alone(&layout, &seen);
    assert!(
        codes(&examined).contains(&"decay.scattered"),
        "{:?}",
        codes(&examined)
    );
    let told = examined.contents.flip_rate / share;
    assert!((0.33..3.0).contains(&told), "{told}");
    let entries = &examined.examination.entries;
    let sound = entries
        .iter()
        .filter(|e| e.verdict == Verdict::Sound)
        .count();
    assert!(sound * 2 < entries.len(), "{sound} called sound");
}

/// An owner who empties many presets, or sets one control alike in all of them, leaves a healthy bank.
#[test]
fn presets_emptied_or_set_alike_are_no_damage() {
    let mut alarms = Vec::new();
    for (i, layout) in ["pellow-six", "aldermoor-four", "wrenfield-strings"]
        .map(layouts::shipped)
        .into_iter()
        .chain([checked(0), checked(1)])
        .enumerate()
    {
        let mut rng = Rng::new(SEEDS + 1550 + i as u64);
        let maker = Maker::new(&layout, &mut rng);
        let mut memory = maker.bank(&mut rng);
        let earlier = memory.images().expect("shapes of the layout");
        let bank = memory.clone();
        for _ in 0..2 {
            memory = bank.clone();
            maker.edit_many(&mut memory, false, &mut rng);
            let now = memory.images().expect("shapes of the layout");
            let examined = beside(&layout, &now, &earlier);
            alarms.extend(
                graver(&examined)
                    .iter()
                    .map(|f| format!("{}: {} {}", layout.id, f.code, f.says)),
            );
        }
    }
    assert!(alarms.is_empty(), "{alarms:?}");
}

/// What an address fault hides is filled in from the earlier reading, and a code made of old and new bits lies near the
/// old one: that is no noise of the converter.
#[test]
fn halves_of_codes_behind_a_stuck_address_line_are_no_converter_noise() {
    let mut n = 0;
    for which in 0..3 {
        let layout = checked(which);
        let mut rng = Rng::new(SEEDS + 1560 + which as u64);
        let maker = Maker::new(&layout, &mut rng);
        let mut memory = maker.bank(&mut rng);
        let earlier = memory.images().expect("shapes of the layout");
        for _ in 0..6 {
            maker.edit(&mut memory, Edits::Some, &mut rng);
        }
        let mut now = memory.images().expect("shapes of the layout");
        let line = layout.chips[1].words.ilog2() - 1;
        let cells = now[1].clone();
        now[1].edit(|cell, _, _| {
            let from = (cell & !(1 << line)) as usize;
            (cells.values()[from], cells.known()[from])
        });
        let truth = memory.images().expect("shapes of the layout");
        if trial::differing_bits(&truth, &now) < 200 {
            continue;
        }
        n += 1;
        let told = beside(&layout, &now, &earlier);
        let told = codes(&told);
        assert!(told.contains(&"address.stuck"), "{told:?}");
        assert!(
            !told.iter().any(|c| c.starts_with("converter.")),
            "{told:?}"
        );
    }
    assert!(n > 0, "no fault had an effect");
}

/// What a dead chip breaks is counted with the dead chip, however many flips in another chip are told before it.
#[test]
fn broken_promises_are_counted_with_what_breaks_them() {
    for which in 0..3 {
        let layout = checked(which);
        let mut rng = Rng::new(SEEDS + 1560 + which as u64);
        let mut trial = trial::make(&layout, &[], false, &mut rng).expect("a healthy bank");
        let cells = vec![15; trial.seen[0].values().len()];
        trial.seen[0] = ChipImage::from_cells(4, &cells).expect("four bits");
        trial.seen[1].edit(|_, v, k| {
            let flips = (0..4).fold(0, |f, l| f | u8::from(rng.chance(0.03)) << l);
            (v ^ flips, k)
        });
        let examined = trial::run(&layout, &trial, true, true);
        let explained = |code: &str| -> Option<(usize, usize)> {
            let mut of_code = examined.examination.findings.iter();
            let f = of_code.find(|f| f.code == code).expect("named");
            let mut told = f
                .evidence
                .iter()
                .filter_map(|e| e.strip_prefix("explains "));
            let words: Vec<&str> = told.next()?.split(' ').collect();
            Some((words[0].parse().ok()?, words[2].parse().ok()?))
        };
        // Every sum is over both chips: with one of them lost none can be judged. The flips break reserved slots at most.
        let (by_chip, of) = explained("chip.dead").expect("sums are broken");
        assert!(by_chip * 10 >= of * 8, "{by_chip} of {of}");
        let by_flips = explained("decay.scattered").map_or(0, |e| e.0);
        assert!(by_chip + by_flips <= of, "{by_chip} and {by_flips} of {of}");
    }
}

/// An earlier reading shows no flip in a value that was set anew: where bits flipped all over, such an entry is not sound.
#[test]
fn an_entry_set_anew_may_hide_flips() {
    let layout = layouts::shipped("aldermoor-four");
    let mut rng = Rng::new(SEEDS + 1570);
    let maker = Maker::new(&layout, &mut rng);
    let truth = maker.bank(&mut rng);
    let mut earlier = truth.clone();
    let other = maker.bank(&mut rng);
    let area = &layout.areas[0];
    for e in [3, 4] {
        for f in 0..area.fields.len() {
            let places = area.field_places(e, f);
            earlier.scatter(places, other.gather(places).0);
        }
    }
    maker.settle_promises(&mut earlier);
    let (truth, earlier) = (
        truth.images().expect("shapes"),
        earlier.images().expect("shapes"),
    );
    let mut flips = |share: f64| {
        let mut seen = truth.clone();
        for chip in &mut seen {
            let width = chip.width();
            chip.edit(|_, v, k| {
                let flips = (0..width).fold(0, |f, l| f | u8::from(rng.chance(share)) << l);
                (v ^ flips, k)
            });
        }
        seen
    };
    let verdicts = |seen: &[ChipImage]| -> Vec<(Verdict, String)> {
        let examined = beside(&layout, seen, &earlier);
        let entries = examined.examination.entries.into_iter();
        entries.map(|e| (e.verdict, e.why)).collect()
    };
    let whole = verdicts(&truth);
    let flipped = verdicts(&flips(0.02));
    for e in [3, 4] {
        assert_eq!(whole[e].0, Verdict::Sound, "{whole:?}");
        assert_ne!(flipped[e].0, Verdict::Sound, "{flipped:?}");
    }
    let hidden = flipped.iter().filter(|v| v.1.starts_with("edited since"));
    assert!(hidden.count() > 0, "{flipped:?}");
}
