//! Fault analysis against independent arithmetic: CRC error location by brute force over Python's
//! `binascii.crc_hqx` (CRC-16/XMODEM).

#![allow(clippy::expect_used, clippy::panic)]

mod tools;

use cellkeep::examine::examine;
use cellkeep::image::ChipImage;
use cellkeep::layout;
use cellkeep::reading::{ChipReading, Reading};
use serde_json::json;

/// Eight presets of 14 bytes and their CRC, in one 128 x 8 chip; every code is legal.
fn layout_text() -> String {
    let mut text = String::from(
        "cellkeep = 1\nid = \"crc-rig\"\nname = \"CRC rig\"\nrevision = \"1\"\n\
         [[chip]]\nid = \"IC1\"\nwords = 128\nwidth = 8\nevidence = \"documented\"\n\
         [[area]]\nname = \"presets\"\naxes = { preset = { count = 8, first = 1, at = 0, stride = 16 } }\n",
    );
    for p in 0..14 {
        text += &format!(
            "[[area.parameter]]\nkey = \"p{p}\"\nlabel = \"P{p}\"\ngroup = \"All\"\nslot = {p}\nbits = \"7..0\"\n\
             scale = {{ linear = [0, 255] }}\nevidence = \"documented\"\n"
        );
    }
    text + "[[area.check]]\nkey = \"crc\"\nmethod = \"crc\"\ncrc = \"CRC_16_XMODEM\"\nover = [\"0..13\"]\n\
            bits = [\"14.7..0\", \"15.7..0\"]\npolicy = \"update\"\n"
}

/// A plain xorshift, enough to choose contents and places.
fn next(state: &mut u64) -> u64 {
    *state ^= *state << 13;
    *state ^= *state >> 7;
    *state ^= *state << 17;
    *state
}

/// The check's CRC bit by bit from its definition: polynomial 0x1021, start 0, nothing reflected.
fn xmodem(bytes: &[u8]) -> u16 {
    bytes.iter().fold(0, |crc, b| {
        (0..8).fold(crc ^ (u16::from(*b) << 8), |c, _| {
            if c & 0x8000 == 0 {
                c << 1
            } else {
                c << 1 ^ 0x1021
            }
        })
    })
}

#[test]
fn a_single_wrong_bit_under_a_crc_is_located_as_by_brute_force() {
    let layout = layout::from_text("crc-rig", &layout_text()).expect("a sound layout");
    let mut state = 0x5eed_1234_5678_9abc;
    let mut entries = Vec::new();
    let mut named = Vec::new();
    for _ in 0..40 {
        let mut cells: Vec<u8> = (0..128).map(|_| (next(&mut state) >> 20) as u8).collect();
        for preset in cells.chunks_mut(16) {
            let crc = xmodem(&preset[..14]).to_be_bytes();
            preset[14..].copy_from_slice(&crc);
        }
        let (at, line) = ((next(&mut state) >> 9) % 128, (next(&mut state) >> 9) % 8);
        cells[at as usize] ^= 1 << line;
        let image = ChipImage::from_cells(8, &cells).expect("128 x 8");
        let reading = Reading::new(vec![ChipReading::new("IC1", image)]);
        let found = examine(&reading, Some(&layout), None)
            .expect("fits")
            .examination;
        let first = at as usize / 16 * 16;
        entries.push(cells[first..first + 16].to_vec());
        named.push((first, found.findings));
    }
    let answer = tools::ask("faults.py", &[], &json!({ "entries": entries }));
    let located = answer["located"].as_array().expect("a list");
    assert_eq!(located.len(), named.len());
    for (want, (first, findings)) in located.iter().zip(named) {
        let [bit] = want.as_array().expect("a list").as_slice() else {
            panic!("one bit satisfies it: {want}");
        };
        let cell = first + bit[0].as_u64().expect("a byte") as usize;
        let place = format!(
            "one flipped bit satisfies it: IC1 cell {cell:#06x} D{}",
            bit[1]
        );
        assert!(
            findings
                .iter()
                .any(|f| f.code == "check.mismatch" && f.evidence.contains(&place)),
            "{place}: {findings:?}"
        );
    }
}
