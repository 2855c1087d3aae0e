//! Fault analysis against independent arithmetic: CRC error location by brute force over Python's `binascii.crc_hqx`
//! (CRC-16/XMODEM) and `zlib.crc32` (CRC-32/ISO-HDLC).

#![allow(clippy::expect_used, clippy::panic)]

mod tools;

use cellkeep::examine::examine;
use cellkeep::image::ChipImage;
use cellkeep::layout;
use cellkeep::reading::{ChipReading, Reading};
use serde_json::json;

/// A check by one CRC: its name in the layout language, its bytes, and its value by the definition.
struct Rig {
    crc: &'static str,
    bytes: usize,
    value: fn(&[u8]) -> u64,
}

const RIGS: [Rig; 2] = [
    Rig {
        crc: "CRC_16_XMODEM",
        bytes: 2,
        value: xmodem,
    },
    Rig {
        crc: "CRC_32_ISO_HDLC",
        bytes: 4,
        value: hdlc,
    },
];

/// Eight presets of 16 bytes, the last ones their CRC, in one 128 x 8 chip; every code is legal.
fn layout_text(rig: &Rig) -> String {
    let mut text = String::from(
        "cellkeep = 1\nid = \"crc-rig\"\nname = \"CRC rig\"\nrevision = \"1\"\n\
         [[chip]]\nid = \"IC1\"\nwords = 128\nwidth = 8\nevidence = \"documented\"\n\
         [[area]]\nname = \"presets\"\naxes = { preset = { count = 8, first = 1, at = 0, stride = 16 } }\n",
    );
    let held = 16 - rig.bytes;
    for p in 0..held {
        text += &format!(
            "[[area.parameter]]\nkey = \"p{p}\"\nlabel = \"P{p}\"\ngroup = \"All\"\nslot = {p}\nbits = \"7..0\"\n\
             scale = {{ linear = [0, 255] }}\nevidence = \"documented\"\n"
        );
    }
    let bits: Vec<String> = (held..16).map(|b| format!("\"{b}.7..0\"")).collect();
    text + &format!(
        "[[area.check]]\nkey = \"crc\"\nmethod = \"crc\"\ncrc = \"{}\"\nover = [\"0..{}\"]\nbits = [{}]\n\
         policy = \"update\"\n",
        rig.crc,
        held - 1,
        bits.join(", ")
    )
}

/// A plain xorshift, enough to choose contents and places.
fn next(state: &mut u64) -> u64 {
    *state ^= *state << 13;
    *state ^= *state >> 7;
    *state ^= *state << 17;
    *state
}

/// Bit by bit from its definition: polynomial 0x1021, start 0, nothing reflected.
fn xmodem(bytes: &[u8]) -> u64 {
    let crc = bytes.iter().fold(0u16, |crc, b| {
        (0..8).fold(crc ^ (u16::from(*b) << 8), |c, _| {
            if c & 0x8000 == 0 {
                c << 1
            } else {
                c << 1 ^ 0x1021
            }
        })
    });
    crc.into()
}

/// Bit by bit from its definition: polynomial 0x04c11db7 reflected, start and end all ones.
fn hdlc(bytes: &[u8]) -> u64 {
    let crc = bytes.iter().fold(!0u32, |crc, b| {
        (0..8).fold(crc ^ u32::from(*b), |c, _| {
            if c & 1 == 0 {
                c >> 1
            } else {
                c >> 1 ^ 0xedb8_8320
            }
        })
    });
    (!crc).into()
}

/// Which bits, flipped alone, would satisfy a failed CRC: what the program says is what a brute force over Python's own
/// CRCs finds, for one wrong bit and for two.
#[test]
fn wrong_bits_under_a_crc_are_located_as_by_brute_force() {
    let mut state = 0x5eed_1234_5678_9abc;
    for rig in &RIGS {
        let layout = layout::from_text("crc-rig", &layout_text(rig)).expect("a sound layout");
        let mut entries = Vec::new();
        let mut named = Vec::new();
        for trial in 0..40 {
            let mut cells: Vec<u8> = (0..128).map(|_| (next(&mut state) >> 20) as u8).collect();
            for preset in cells.chunks_mut(16) {
                let (held, stored) = preset.split_at_mut(16 - rig.bytes);
                stored.copy_from_slice(&(rig.value)(held).to_be_bytes()[8 - rig.bytes..]);
            }
            let entry = (next(&mut state) >> 9) as usize % 8;
            let wrong = 1 + usize::from(trial % 4 == 3);
            let mut flipped: Vec<usize> = Vec::new();
            while flipped.len() < wrong {
                let bit = (next(&mut state) >> 9) as usize % 128;
                if !flipped.contains(&bit) {
                    flipped.push(bit);
                    cells[entry * 16 + bit / 8] ^= 1 << (bit % 8);
                }
            }
            let image = ChipImage::from_cells(8, &cells).expect("128 x 8");
            let reading = Reading::new(vec![ChipReading::new("IC1", image)]);
            let found = examine(&reading, Some(&layout), None)
                .expect("fits")
                .examination;
            entries.push(cells[entry * 16..entry * 16 + 16].to_vec());
            named.push((entry * 16, wrong, found.findings));
        }
        let asked = json!({ "crc": rig.crc, "bytes": rig.bytes, "entries": entries });
        let answer = tools::ask("faults.py", &[], &asked);
        let located = answer["located"].as_array().expect("a list");
        assert_eq!(located.len(), named.len());
        for (want, (first, wrong, findings)) in located.iter().zip(named) {
            let bits = want.as_array().expect("a list").as_slice();
            let cell = |bit: &serde_json::Value| first + bit[0].as_u64().expect("a byte") as usize;
            let says = match bits {
                [] => {
                    assert_eq!(wrong, 2, "one bit was wrong");
                    "no single bit satisfies it".to_owned()
                }
                [bit] => format!(
                    "one flipped bit satisfies it: IC1 cell {:#06x} D{}",
                    cell(bit),
                    bit[1]
                ),
                several => format!("{} single bits would satisfy it", several.len()),
            };
            // A long CRC makes the flip itself the better explanation: then its cell is named.
            let told = findings.iter().any(|f| match (f.code.as_str(), bits) {
                ("check.mismatch", _) => f.evidence.iter().any(|e| e.starts_with(&says)),
                ("decay.scattered", [bit]) => {
                    let cells: Vec<usize> = f.place.chips[0]
                        .cells
                        .iter()
                        .map(|run| run.first as usize)
                        .collect();
                    cells == [cell(bit)]
                }
                _ => false,
            });
            assert!(told, "{} {says}: {findings:?}", rig.crc);
        }
    }
}
