//! The round-trip law on random contents of every built-in layout.
//!
//! `FUZZ_CASES` says how many; some run every time.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod random;

use cellkeep::bank::{Bank, Decoded, apply};
use cellkeep::codec::Codec;
use cellkeep::layout::model::Layout;
use cellkeep::{document, layout};

use random::{Random, cases, contents};

fn layouts() -> Vec<Layout> {
    let known = layout::list().unwrap_or_else(|e| panic!("{e}"));
    let all: Vec<Layout> = known
        .iter()
        .map(|l| layout::load(&l.id).unwrap_or_else(|e| panic!("{e}")))
        .collect();
    assert!(all.len() >= 6);
    all
}

#[test]
fn encoding_what_was_decoded_gives_back_every_bit() {
    for layout in layouts() {
        // Large memories take their share of the time, not a multiple of it.
        let bits: u64 = layout
            .chips
            .iter()
            .map(|c| u64::from(c.words) * u64::from(c.width))
            .sum();
        let cases = (cases() * 16_384 / bits.max(16_384)).max(2);
        let mut random = Random(0x2545_f491);
        for case in 0..cases {
            let reading = contents(&layout, &mut random);
            let decoded = Decoded::new(&layout, &reading).unwrap();
            let mut memory = decoded.memory.clone();
            let codec = Codec::new(&layout);
            codec.encode(&decoded.codes, &mut memory).unwrap();
            assert_eq!(memory, decoded.memory, "{} case {case}", layout.id);
            // The same by way of the document a person keeps.
            let text = document::to_json(&Bank::new(&decoded)).unwrap();
            let bank: Bank = serde_json::from_str(&text).unwrap();
            let mut codes = decoded.codes.clone();
            let applied = apply(&bank, &layout, &mut codes).unwrap_or_else(|e| panic!("{e}"));
            assert_eq!(applied.changed, 0, "{} case {case}", layout.id);
            // What the bank does not know the reading does not know either.
            assert!(applied.kept.is_empty(), "{} case {case}", layout.id);
            assert_eq!(codes, decoded.codes, "{} case {case}", layout.id);
        }
    }
}
