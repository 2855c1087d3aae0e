//! The round-trip law on random contents of every built-in layout, and documents that people edit, mutated.
//!
//! `FUZZ_CASES` says how many of each; a few hundred run every time.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use cellkeep::bank::{Bank, Decoded, apply};
use cellkeep::codec::Codec;
use cellkeep::document;
use cellkeep::image::ChipImage;
use cellkeep::layout::model::Layout;
use cellkeep::reading::{ChipReading, Reading};
use cellkeep::{hand_set, layout, mend};

fn cases() -> u64 {
    std::env::var("FUZZ_CASES")
        .ok()
        .and_then(|n| n.parse().ok())
        .unwrap_or(60)
}

struct Random(u64);

impl Random {
    fn next(&mut self) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0 >> 11
    }

    fn below(&mut self, n: usize) -> usize {
        (self.next() % n.max(1) as u64) as usize
    }
}

fn layouts() -> Vec<Layout> {
    let known = layout::list().unwrap_or_else(|e| panic!("{e}"));
    let all: Vec<Layout> = known
        .iter()
        .map(|l| layout::load(&l.id).unwrap_or_else(|e| panic!("{e}")))
        .collect();
    assert!(all.len() >= 6);
    all
}

/// Random contents: every bit known, most known, or any.
fn contents(layout: &Layout, random: &mut Random) -> Reading {
    let unknowns = random.below(3);
    let chips = layout.chips.iter().map(|chip| {
        let mut image = ChipImage::unknown(chip.words, chip.width).unwrap();
        for cell in 0..chip.words {
            let known = match unknowns {
                0 => 0xff,
                1 => (random.next() | random.next() | random.next()) as u8,
                _ => random.next() as u8,
            };
            image.set_cell(cell, random.next() as u8, known);
        }
        ChipReading::new(&chip.id, image)
    });
    Reading::new(chips.collect())
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
            let changed = apply(&bank, &layout, &mut codes).unwrap_or_else(|e| panic!("{e}"));
            assert_eq!(changed, 0, "{} case {case}", layout.id);
            assert_eq!(codes, decoded.codes, "{} case {case}", layout.id);
        }
    }
}

/// A text with some bytes replaced, doubled, dropped or exchanged for others of its kind.
fn mutated(text: &str, random: &mut Random) -> String {
    let mut bytes = text.as_bytes().to_vec();
    for _ in 0..=random.below(6) {
        let at = random.below(bytes.len());
        match random.below(5) {
            0 => bytes[at] = random.next() as u8,
            1 => {
                bytes.remove(at);
            }
            2 => bytes.insert(
                at,
                *b"0123456789-\"{}[],.=\n#"
                    .get(random.below(21))
                    .unwrap_or(&b'0'),
            ),
            3 => {
                let end = (at + random.below(40)).min(bytes.len());
                let piece = bytes[at..end].to_vec();
                let to = random.below(bytes.len());
                bytes.splice(to..to, piece);
            }
            _ => bytes.truncate(bytes.len() - random.below(bytes.len() / 8 + 1)),
        }
        if bytes.is_empty() {
            bytes.push(b'{');
        }
    }
    String::from_utf8_lossy(&bytes).into_owned()
}

#[test]
fn documents_edited_into_nonsense_are_refused_or_read_but_never_stop_the_program() {
    let layout = layout::load("quillon-72").unwrap_or_else(|e| panic!("{e}"));
    let mut random = Random(0x9e37_79b9);
    let decoded_reading = contents(&layout, &mut random);
    let decoded = Decoded::new(&layout, &decoded_reading).unwrap();
    let bank = document::to_json(&Bank::new(&decoded)).unwrap();
    let form_layout = layout::load("aldermoor-four").unwrap_or_else(|e| panic!("{e}"));
    let form = hand_set::blank_form(&form_layout).unwrap_or_else(|e| panic!("{e}"));
    let plan = "reading = \"r\"\nlayout = \"quillon-72\"\nloss = []\n\n[[chips]]\nchip = \"IC4\"\nsha256 = \"00\"\n\n\
                [[proposal]]\naccept = true\narea = \"sequence\"\nentry = \"step 1\"\nparameter = \"note\"\nnow = \"0?\"\n\
                code = 3\nsetting = \"C2\"\nprobability = 0.5\nevidence = [\"none\"]\n";
    mend::from_text(plan).unwrap_or_else(|e| panic!("{e}"));
    let (mut read, mut refused) = (0u64, 0u64);
    for _ in 0..cases() * 5 {
        match serde_json::from_str::<Bank>(&mutated(&bank, &mut random)) {
            Err(_) => refused += 1,
            Ok(bank) => {
                let mut codes = decoded.codes.clone();
                if apply(&bank, &layout, &mut codes).is_err() {
                    refused += 1;
                    assert_eq!(codes, decoded.codes, "refused, and yet applied in part");
                    continue;
                }
                read += 1;
                let mut memory = decoded.memory.clone();
                let codec = Codec::new(&layout);
                codec.encode(&codes, &mut memory).unwrap();
                assert_eq!(codec.decode(&memory), codes);
            }
        }
        let _ = hand_set::read_form(&form_layout, &mutated(&form, &mut random));
        let _ = mend::from_text(&mutated(plan, &mut random));
    }
    assert!(read > 0 && refused > 0, "{read} read, {refused} refused");
}
