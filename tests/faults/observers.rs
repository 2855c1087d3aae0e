//! The observer who does not know the edits, checked by hand and against the bench's own draws.

use std::collections::BTreeMap;

use cellkeep::codec::Memory;

use crate::banks::{Edits, Maker};
use crate::blind::{Blind, of_trial, threshold};
use crate::chances::{Value, edited};
use crate::layouts;
use crate::rng::Rng;
use crate::trial;

const SEEDS: u64 = (1 << 40) + 1700;

fn value(codes: f64, changed: bool, dialled: f64) -> Value {
    Value {
        codes,
        legal: (true, true),
        changed,
        dialled,
    }
}

/// Chances after no, one and two edits.
fn after(values: &[Value]) -> [f64; 3] {
    let (of, log2) = edited(values);
    [0, 1, 2].map(|m| of[m] * log2.exp2())
}

fn near(a: f64, b: f64) -> bool {
    (a - b).abs() <= 1e-9 * b.abs().max(1e-300)
}

/// By hand. One switch set once to four times, each as often, changes when it is set an odd number of times: half of the time; and
/// so it does where a patch of even habits is written. Of two switches one alone changes when one is set once or three times
/// and the other not or twice: once 1/2, twice never, three times 1/8 + 3/8, four times never: a quarter. One selector of three
/// codes reaches one other code after one, two, three, four turns with 1/2, 1/4, 3/8, 5/16.
#[test]
fn chances_of_edits_are_those_worked_out_by_hand() {
    let [none, one, two] = after(&[value(2.0, true, 0.5)]);
    assert!(
        none == 0.0 && near(one, 0.5) && near(two, 0.5),
        "{one} {two}"
    );
    let [none, one, _] = after(&[value(2.0, false, 0.5)]);
    assert!(none == 1.0 && near(one, 0.5), "{none} {one}");
    let [_, one, _] = after(&[value(2.0, true, 0.5), value(2.0, false, 0.5)]);
    assert!(near(one, 0.25), "{one}");
    let [_, one, two] = after(&[value(3.0, true, 0.2)]);
    let set = (1.0 / 2.0 + 1.0 / 4.0 + 3.0 / 8.0 + 5.0 / 16.0) / 4.0;
    assert!(near(one, 0.7 * set + 0.3 * 0.2), "{one}");
    // Twice: a patch last; a patch and then some values; some values twice. After a patch the code holds what it does with 0.2,
    // and is moved there from one of the two others, or away and back: 0, 1/2, 1/4, 3/8 of the moves come back to where they began.
    let back = (0.0 + 1.0 / 2.0 + 1.0 / 4.0 + 3.0 / 8.0) / 4.0;
    let patched = 0.2 * back + 0.8 * set;
    // Both times some values: the first leaves another code than the wanted one (with `back` the old one, with `set` each other).
    let set_twice = back * set + set * back + set * set;
    let by_hand = 0.3 * 0.2 + 0.7 * 0.3 * patched + 0.49 * set_twice;
    assert!(near(two, by_hand), "{two} {by_hand}");
}

/// A chip of 64 x 1 with two presets of six switches each, at cells 0 to 5 and 16 to 21. All six of the second changed. By hand: a
/// glitch of `n` of 6 to 16 cells that covers 16 to 21 starts at one of `n - 5` cells, none of them 0, each with 0.7 in `64 - n`, and
/// shows this with 2^-n; glitches are drawn again until six bits changed. Of two entries one is trampled, again until all six changed.
/// Half of the owners edited nothing; of the others 85 % did nothing to many at once, and then one to four edits all fell on
/// the first preset, each with a half, and left it as it was.
#[test]
fn odds_of_a_stray_write_are_those_worked_out_by_hand() {
    let layout = layouts::two_presets();
    let mut rng = Rng::new(SEEDS);
    let maker = Maker::new(&layout, &mut rng);
    let bank = maker.bank(&mut rng);
    let mut memory = bank.clone();
    let done = maker.edit(&mut memory, Edits::None, &mut rng);
    let (mut enough, mut glitch) = (0.0, 0.0);
    for n in 6..=16u32 {
        let ways = |k: u32| -> f64 {
            (0..k)
                .map(|i| f64::from(n - i) / f64::from(i + 1))
                .product()
        };
        enough += (6..=n).map(ways).sum::<f64>() / 2f64.powi(n as i32) / 11.0;
        glitch += f64::from(n - 5) * 0.7 / f64::from(64 - n) / 2f64.powi(n as i32) / 11.0;
    }
    let write = glitch / enough + 0.5;
    let area = &layout.areas[0];
    let mut first = Vec::new();
    for f in 0..6 {
        let code = memory.gather(area.field_places(0, f)).0;
        first.push(value(2.0, false, maker.dialled(0, f, code).1));
        let places = area.field_places(1, f);
        let code = memory.gather(places).0;
        memory.scatter(places, 1 - code);
    }
    let (of, log2) = edited(&first);
    let left: f64 = (1..=4)
        .map(|k| of[k] * log2.exp2() * 0.5f64.powi(k as i32) / 4.0)
        .sum();
    let blind = Blind::new(&maker, &done);
    let by_hand = write * (0.5 * 0.85 * left + 0.5) / (0.85 * blind.by_edits(&memory));
    let odds = blind.odds(&memory);
    assert!(near(odds, by_hand), "{odds} {by_hand}");
    // Five bits are not enough to count, and a bit that nothing claims is changed by no edit.
    let places = area.field_places(1, 5);
    memory.scatter(places, bank.gather(places).0);
    assert_eq!(blind.odds(&memory), 0.0);
    let mut images = memory.images().expect("the chip");
    let other = 1 - images[0].values()[40];
    images[0].set_cell(40, other, 1);
    let stray = Memory::of_images(&layout, &[&images[0]]).expect("the chip");
    assert_eq!(blind.odds(&stray), f64::INFINITY);
}

/// Edits of the two presets by the bench itself, sixty thousand times, against the chances that the observer states: every outcome
/// that is seen often enough to say.
#[test]
fn chances_of_edits_are_those_of_the_bench() {
    let layout = layouts::two_presets();
    let mut rng = Rng::new(SEEDS + 1);
    let maker = Maker::new(&layout, &mut rng);
    let bank = maker.bank(&mut rng);
    let mut seen: BTreeMap<Vec<u8>, (usize, Memory)> = BTreeMap::new();
    let mut n = 0;
    let mut base = None;
    while n < 60_000 {
        let mut memory = bank.clone();
        let done = maker.edit(&mut memory, Edits::Some, &mut rng);
        if done.mass {
            continue;
        }
        n += 1;
        let cells = memory.images().expect("the chip")[0].values().to_vec();
        seen.entry(cells).or_insert((0, memory)).0 += 1;
        base = Some(done);
    }
    let blind = Blind::new(&maker, &base.expect("edits"));
    let (mut checked, mut chi) = (0, 0.0);
    for (times, memory) in seen.values() {
        let expected = blind.by_edits(memory) * n as f64;
        if *times >= 40 {
            checked += 1;
            chi += (*times as f64 - expected).powi(2) / expected;
        }
    }
    // The mean of chi squared is the number of outcomes, its deviation the root of twice that.
    let (of, off) = (f64::from(checked), (2.0 * f64::from(checked)).sqrt());
    assert!(checked > 20, "{checked}");
    assert!((chi - of).abs() < 5.0 * off, "{chi} of {checked}");
}

/// Of a thousand healthy banks three may be called.
#[test]
fn three_in_a_thousand_healthy_banks_are_above_the_bar() {
    let odds: Vec<f64> = (0..1000).map(f64::from).collect();
    let bar = threshold(odds.clone());
    assert_eq!(odds.iter().filter(|o| **o > bar).count(), 3);
}

/// What an owner did is never impossible to the observer, on any layout.
#[test]
fn healthy_edited_banks_are_possible() {
    let mut impossible = Vec::new();
    let shipped = layouts::SHIPPED.iter().map(|id| layouts::shipped(id));
    let random = (0..20).map(|i| layouts::random(SEEDS + i));
    for (i, layout) in shipped.chain(random).enumerate() {
        for seed in 0..20 {
            let mut rng = Rng::new(SEEDS + 100 * i as u64 + seed);
            let trial = trial::make(&layout, &[], true, &mut rng).expect("no fault always applies");
            let odds = of_trial(&layout, &trial);
            if !odds.is_some_and(f64::is_finite) {
                impossible.push(format!("{} {seed}", layout.id));
            }
        }
    }
    assert!(impossible.is_empty(), "{impossible:?}");
}
