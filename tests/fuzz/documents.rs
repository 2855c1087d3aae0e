//! Documents that people edit and that the program reads back, mutated: each is refused or read, and never stops it.
//!
//! `FUZZ_CASES` says how many; some run every time.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod random;

use std::fs;

use cellkeep::bank::{self, Bank, Decoded, apply};
use cellkeep::codec::Codec;
use cellkeep::document::{self, Headed};
use cellkeep::reading::{self, Origin, ReadingSpec, WriteOptions};
use cellkeep::standby::{Profile, Tables};
use cellkeep::trace::panel::Panel;
use cellkeep::trace::plan::Plan;
use cellkeep::{hand_set, layout, mend, service};

use random::{Random, cases, contents};

/// A text with some bytes replaced, doubled, dropped or exchanged for others of its kind.
fn mutated(text: &str, random: &mut Random) -> String {
    let mut bytes = text.as_bytes().to_vec();
    for _ in 0..=random.below(6) {
        let at = random.below(bytes.len());
        match random.below(6) {
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
                // A number becomes one at the edge of what there is.
                let digit = |b: &u8| b.is_ascii_digit();
                let from = bytes[at..].iter().position(digit).map_or(at, |n| at + n);
                let to = from + bytes[from..].iter().take_while(|b| digit(b)).count();
                let edges: [&str; 6] = [
                    "0",
                    "-1",
                    "255",
                    "4294967295",
                    "18446744073709551615",
                    "1e308",
                ];
                bytes.splice(from..to, edges[random.below(6)].bytes());
            }
            4 => {
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
    let plan = "reading = \"r\"\nlayout = \"quillon-72\"\nlayout_sha256 = \"00\"\nloss = []\n\n[[chips]]\nchip = \"IC4\"\nsha256 = \"00\"\n\n\
                [[proposal]]\naccept = true\narea = \"sequence\"\nentry = \"step 1\"\nparameter = \"note\"\nnow = \"0?\"\n\
                code = 3\nproposed = 3\nsetting = \"C2\"\nprobability = 0.5\nevidence = [\"none\"]\n";
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

/// `reading.json` beside chip files: whatever it says, the reading is refused with all problems or comes out with
/// chips of a possible size, and the chip files stay as they were.
#[test]
fn a_reading_described_by_nonsense_is_refused_or_read() {
    let layout = layout::load("quillon-72").unwrap_or_else(|e| panic!("{e}"));
    let mut random = Random(0x5151_7272);
    let mut sound = contents(&layout, &mut random);
    let origin = Origin {
        verb: "mended".to_owned(),
        why: "it must be so".to_owned(),
        from: None,
    };
    for n in 0..40 {
        sound.chips[n % 2].set_bit(n as u32 * 3, (n % 4) as u8, Some(n % 3 == 0), &origin);
    }
    let dir = tempfile::tempdir().unwrap();
    let folder = dir.path().join("reading");
    let written = reading::write(&sound, &folder, &WriteOptions::default()).unwrap();
    let record = folder.join("reading.json");
    let text = fs::read_to_string(&record).unwrap();
    let files = || -> Vec<Vec<u8>> {
        let chips = written.files.iter().filter(|f| *f != "reading.json");
        chips.map(|f| fs::read(folder.join(f)).unwrap()).collect()
    };
    let before = files();
    let (mut read, mut refused) = (0u64, 0u64);
    for _ in 0..cases() * 5 {
        fs::write(&record, mutated(&text, &mut random)).unwrap();
        let spec = ReadingSpec::path(&folder);
        let _ = reading::named_layout(&spec);
        // Without a layout the document alone says how large the chips are.
        for layout in [Some(&layout), None] {
            match reading::load(&spec, layout) {
                Err(e) => {
                    assert!(!e.to_string().is_empty());
                    refused += 1;
                }
                Ok(taken) => {
                    read += 1;
                    for chip in &taken.chips {
                        assert!((1..=8).contains(&chip.image.width()), "{}", chip.id);
                        assert!(chip.image.words() <= 1 << 20, "{}", chip.image.words());
                    }
                    if let Some(layout) = layout {
                        let decoded = Decoded::new(layout, &taken).unwrap();
                        let _ = bank::findings(&decoded);
                        let _ = bank::listing(&Bank::new(&decoded));
                    }
                }
            }
        }
    }
    assert_eq!(files(), before);
    assert!(read > 0 && refused > 0, "{read} read, {refused} refused");
}

#[test]
fn panels_plans_tables_profiles_and_records_of_nonsense_are_refused_or_read() {
    let mut random = Random(0x0bad_cafe);
    let panel = r#"name = "Invented"
presets = 8

[[chip]]
id = "IC1"
words = 256
width = 8

[[control]]
key  = "filter.cutoff"
kind = "knob"

[[control]]
key = "osc.wave"
kind = "selector"
positions = ["saw", "pulse", "triangle"]

[[control]]
key = "transpose"
kind = "number"
low = -12
high = 12
"#;
    let parsed = Panel::parse(panel).unwrap_or_else(|e| panic!("{e}"));
    let plan = Plan::new(&parsed, None).unwrap_or_else(|e| panic!("{e}"));
    let plan = document::to_json(&plan).unwrap();
    let tables = "[memory.\"M1\"]\nwords = 1024\nwidth = 4\n";
    for _ in 0..cases() * 5 {
        if let Ok(panel) = Panel::parse(&mutated(panel, &mut random)) {
            assert!(panel.check().is_ok());
        }
        if let Ok(plan) = serde_json::from_str::<Headed<Plan>>(&mutated(&plan, &mut random)) {
            let _ = plan.body.check();
        }
        let _ = Tables::built_in()
            .unwrap()
            .with(&mutated(tables, &mut random), "t");
        if let Ok(profile) = Profile::parse(&mutated("600h@40,120h@31,rest@22", &mut random)) {
            let hours: f64 = profile.shares().map(|s| s.0).sum();
            assert!(hours.is_finite() && profile.coldest() <= profile.hottest());
        }
        let _ = service::read(&mutated(service::blank(), &mut random));
    }
}
