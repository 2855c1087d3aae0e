//! Arbitrary layouts never stop the program. `cargo run --release --example fuzz_layout 1000000` runs as many as one
//! likes.

use crate::mutate::{Random, Tally, corpus, mutate, try_one};

#[test]
fn mutated_layouts_give_problems_or_sound_layouts() {
    let corpus = corpus();
    let mut tally = Tally::default();
    for seed in 0..1500 {
        let text = mutate(&mut Random::new(seed), &corpus);
        try_one(text, &corpus, &mut tally);
    }
    assert!(tally.sound > 50 && tally.broken > 50, "{tally:?}");
}

#[test]
fn cut_off_layouts_give_problems_or_sound_layouts() {
    let corpus = corpus();
    let mut tally = Tally::default();
    for text in corpus.iter().filter(|t| t.len() < 2000) {
        for end in (0..text.len())
            .step_by(23)
            .filter(|e| text.is_char_boundary(*e))
        {
            try_one(text[..end].to_owned(), &corpus, &mut tally);
        }
    }
    assert!(tally.sound + tally.broken > 1000, "{tally:?}");
}
