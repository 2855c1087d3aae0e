//! Settling's noise model, as `settle::vote` writes it down, integrated a second time with scipy.

#![allow(clippy::expect_used, clippy::panic)]

mod tools;

use cellkeep::settle::vote::{Noise, Vote};
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
