//! Mutated layouts for as long as one likes: `cargo run --release --example fuzz_layout CASES [FIRST-SEED]`.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

#[path = "../layouts/mutate.rs"]
mod mutate;

use mutate::{Random, Tally, corpus, mutate, try_one};

fn main() {
    let mut arguments = std::env::args()
        .skip(1)
        .map(|a| a.parse::<u64>().expect("a number"));
    let cases = arguments.next().unwrap_or(100_000);
    let first = arguments.next().unwrap_or(0);
    let corpus = corpus();
    let mut tally = Tally::default();
    for seed in first..first + cases {
        let text = mutate(&mut Random::new(seed), &corpus);
        let before = tally.slowest;
        let copy = text.clone();
        let done = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| {
            try_one(text, &corpus, &mut tally);
        }));
        assert!(done.is_ok(), "seed {seed}:\n{copy}");
        if tally.slowest > before && tally.slowest.as_millis() > 100 {
            println!("seed {seed}: {:?} for {} bytes", tally.slowest, copy.len());
        }
    }
    println!("{cases} cases from seed {first}: {tally:?}");
}
