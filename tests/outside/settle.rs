//! Settling's noise model, as `settle::vote` writes it down, integrated a second time with scipy, and the outlook on further
//! reads with it.

#![allow(clippy::expect_used, clippy::panic)]

mod tools;

use cellkeep::image::ChipImage;
use cellkeep::reading::{ChipReading, Reading};
use cellkeep::settle::vote::{Noise, Vote};
use cellkeep::settle::{Rules, Settlement, settle};
use serde_json::{Value as Json, json};

/// Bits by vote: `(known, minority, bits)`.
type Votes = &'static [(u32, u32, u64)];

/// From a small chip read twice to a large one read nine times; quiet, noisy, shaky, in between, unread bits and
/// votes of different numbers of reads among them.
const CASES: [(Votes, f64); 13] = [
    (&[(2, 0, 4096)], 0.01),
    (&[(2, 0, 4000), (2, 1, 96)], 0.01),
    (&[(3, 0, 4096)], 0.01),
    (&[(3, 0, 4000), (3, 1, 96)], 0.01),
    (&[(3, 0, 16380), (3, 1, 4)], 0.01),
    (&[(3, 0, 3000), (3, 1, 1096)], 0.05),
    (&[(4, 0, 16200), (4, 1, 150), (4, 2, 34)], 0.01),
    (&[(5, 0, 1000), (5, 1, 20), (5, 2, 4)], 0.01),
    (&[(5, 0, 262_000), (5, 1, 130), (5, 2, 14)], 0.001),
    (&[(5, 0, 13_000), (5, 1, 3000), (5, 2, 384)], 0.01),
    (&[(7, 0, 4090), (7, 3, 6)], 0.01),
    (&[(9, 0, 30_000), (9, 1, 2700), (9, 2, 60), (9, 4, 8)], 0.01),
    (
        &[(0, 0, 20), (1, 0, 30), (2, 0, 40), (3, 0, 4000), (3, 1, 6)],
        0.01,
    ),
];

/// Numbers of further reads forecast.
const MORE: [u32; 3] = [0, 1, 4];

fn near(what: &str, got: f64, want: f64) {
    let allowed = 0.005 * want.abs() + 1e-7;
    assert!((got - want).abs() < allowed, "{what}: {got}, scipy {want}");
}

#[test]
fn the_noise_model_is_integrated_as_scipy_does() {
    let cases: Vec<Json> = CASES
        .iter()
        .map(|(votes, doubt)| json!({ "votes": votes, "doubt": doubt, "more": MORE }))
        .collect();
    let answers = tools::ask("settle.py", &[], &json!({ "cases": cases }));
    let answers = answers.as_array().expect("a list");
    assert_eq!(answers.len(), CASES.len());
    for ((case, doubt), answer) in CASES.iter().zip(answers) {
        let votes: Vec<(Vote, u64)> = case
            .iter()
            .map(|(known, minority, bits)| {
                let vote = Vote {
                    known: *known,
                    minority: *minority,
                };
                (vote, *bits)
            })
            .collect();
        let noise = Noise::learn(&votes);
        for (i, (vote, _)) in votes.iter().enumerate() {
            let want = answer["wrong"][i].as_f64().expect("a number");
            near(&format!("{case:?} {vote:?}"), noise.wrong(*vote), want);
        }
        for (i, more) in MORE.into_iter().enumerate() {
            let (wrong, open) = noise.forecast(&votes, more, *doubt);
            let want = |j: usize| answer["forecast"][i][j].as_f64().expect("a number");
            near(&format!("{case:?} wrong after {more} more"), wrong, want(0));
            near(&format!("{case:?} open after {more} more"), open, want(1));
        }
    }
}

/// Votes of a chip of 2K x 8, which further reads settle with some chance, surely, or not: even dissent after two to four reads,
/// without ties and with them, a few ties after five, and none at all.
const OUTLOOKS: [Votes; 6] = [
    &[(2, 0, 16_364), (2, 1, 20)],
    &[(3, 0, 16_309), (3, 1, 75)],
    &[(3, 0, 16_384)],
    &[(4, 0, 16_284), (4, 1, 100)],
    &[(4, 0, 16_200), (4, 1, 150), (4, 2, 34)],
    &[(5, 0, 16_360), (5, 1, 20), (5, 2, 4)],
];

/// Kinds of noise that the outlook tells apart.
const KINDS: u32 = 24;
/// Numbers of further reads that settling foretells.
const FORETOLD: [u32; 5] = [1, 2, 3, 5, 10];

/// Settles reads of one chip with these votes, the dissent scattered over cells, lines and reads.
fn settled(votes: Votes) -> Settlement {
    const CELLS: usize = 2048;
    let reads = votes[0].0 as usize;
    // A linear congruential generator (Knuth's MMIX), seen by its upper bits.
    let mut state = 1_u64;
    let mut below = |n: usize| {
        state = state
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (state >> 33) as usize % n
    };
    let truth: Vec<u8> = (0..CELLS).map(|_| below(256) as u8).collect();
    let mut cells = vec![truth; reads];
    let mut taken = std::collections::HashSet::new();
    for (_, minority, bits) in votes.iter().filter(|v| v.1 > 0) {
        for _ in 0..*bits {
            let place = loop {
                let place = (below(CELLS), below(8));
                if taken.insert(place) {
                    break place;
                }
            };
            let first = below(reads);
            for n in 0..*minority as usize {
                cells[(first + n) % reads][place.0] ^= 1 << place.1;
            }
        }
    }
    let read = |(n, cells): (usize, &Vec<u8>)| {
        let image = ChipImage::from_cells(8, cells).expect("2K x 8");
        let chip = ChipReading::new("IC1", image);
        (format!("read {n}"), Reading::new(vec![chip]))
    };
    let reads: Vec<_> = cells.iter().enumerate().map(read).collect();
    settle(&reads, None, Rules::default())
        .expect("reads of one chip")
        .1
}

/// Numbers are held to two per cent, chances to half of a kind's.
#[test]
fn the_outlook_on_further_reads_is_what_scipy_makes_of_it() {
    let case =
        |votes: &Votes| json!({ "votes": votes, "doubt": 0.01, "kinds": KINDS, "more": FORETOLD });
    let cases: Vec<Json> = OUTLOOKS.iter().map(case).collect();
    let answers = tools::ask("settle.py", &[], &json!({ "cases": cases }));
    let answers = answers.as_array().expect("a list");
    assert_eq!(answers.len(), OUTLOOKS.len());
    for (votes, answer) in OUTLOOKS.iter().zip(answers) {
        let report = settled(votes);
        let codes: Vec<&str> = report.findings.iter().map(|f| f.code.as_str()).collect();
        assert!(
            !report.afresh && codes.iter().all(|c| *c == "settle.open"),
            "{codes:?}"
        );
        let reads: Vec<u32> = report.forecast.iter().map(|f| f.reads).collect();
        assert_eq!(reads, FORETOLD);
        for (got, want) in report
            .forecast
            .iter()
            .zip(answer.as_array().expect("a list"))
        {
            let near = |what: &str, got: f64, allowed: f64| {
                let want = want[what].as_f64().expect("a number");
                let off = (got - want).abs();
                assert!(
                    off < allowed.max(0.02 * want),
                    "{votes:?} {what}: {got}, scipy {want}"
                );
            };
            near("wrong", got.wrong, 1e-4);
            near("open", got.open, 1e-4);
            near("enough", got.enough, 0.5 / f64::from(KINDS));
            near("otherwise", got.otherwise, 0.02);
        }
    }
}
