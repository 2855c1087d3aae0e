//! The codec against a reader in another language: Python's `bitstruct` (PyPI, tests/outside/requirements.txt).
//!
//! Random layouts and images, decoded and encoded here, are handed over as JSON; `codec.py` reads the images
//! with its own arithmetic and says where the two disagree. Contiguous fields are read by `bitstruct` itself,
//! least and most significant bit first; scattered ones bit by bit.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

#[path = "../codec/builder.rs"]
mod builder;
mod tools;

use std::path::Path;
use std::process::Command;

use cellkeep::codec::{Codec, Memory};
use cellkeep::image::ChipImage;
use cellkeep::layout::model::BitPlace;
use serde_json::{Value, json};
use tools::{Random, venv};

const CASES: u64 = 2_000;

fn case(seed: u64) -> Value {
    let mut random = Random(seed * 0x9e37_79b9 + 0x1234_5677);
    let kind = ["lsb-first", "msb-first", "scattered"][(seed % 3) as usize];
    let widths: Vec<u8> = (0..=random.below(11))
        .map(|_| 1 + random.below(16) as u8)
        .collect();
    let bits: usize = widths.iter().map(|w| usize::from(*w)).sum();
    let entries = 1 + random.below(12) as usize;
    let bytes = bits.div_ceil(8);
    let mut order: Vec<usize> = (0..bytes * 8).collect();
    if kind == "scattered" {
        for i in (1..order.len()).rev() {
            order.swap(i, random.below(i as u64 + 1) as usize);
        }
    }
    let inverted: Vec<bool> = (0..bytes * 8)
        .map(|_| kind == "scattered" && random.below(3) == 0)
        .collect();
    let mut places = Vec::new();
    for entry in 0..entries {
        let mut first = 0;
        for &width in &widths {
            for k in 0..usize::from(width) {
                // Most significant first: bit k of a field stands width - 1 - k after its start.
                let (at, line) = if kind == "msb-first" {
                    let at = first + usize::from(width) - 1 - k;
                    (at, 7 - at % 8)
                } else {
                    (order[first + k], order[first + k] % 8)
                };
                places.push(BitPlace {
                    chip: 0,
                    cell: (entry * bytes + at / 8) as u32,
                    line: line as u8,
                    inverted: inverted[at],
                });
            }
            first += usize::from(width);
        }
    }
    let image: Vec<u8> = (0..entries * bytes).map(|_| random.next() as u8).collect();
    let chip = builder::chip("U1", image.len() as u32, 8);
    let flat: Vec<Value> = places
        .iter()
        .map(|p| json!([p.cell, p.line, p.inverted]))
        .collect();
    let layout = builder::layout(vec![chip], vec![builder::area(entries, &widths, places)]);
    let codec = Codec::new(&layout);
    let chip_image = ChipImage::from_cells(8, &image).unwrap();
    let mut memory = Memory::of_images(&layout, &[&chip_image]).unwrap();
    let mut codes = codec.decode(&memory);
    let listed = |codes: &cellkeep::codec::Codes| -> Vec<Vec<u64>> {
        (0..entries)
            .map(|e| {
                (0..widths.len())
                    .map(|f| codes.areas[0].get(e, f).0)
                    .collect()
            })
            .collect()
    };
    let decoded = listed(&codes);
    for entry in 0..entries {
        for (f, &width) in widths.iter().enumerate() {
            codes.areas[0].set(entry, f, random.next() & ((1 << width) - 1));
        }
    }
    let written = listed(&codes);
    codec.encode(&codes, &mut memory).unwrap();
    json!({
        "kind": kind,
        "widths": widths,
        "bytes": bytes,
        "places": flat,
        "image": image,
        "decoded": decoded,
        "written": written,
        "encoded": memory.images().unwrap()[0].values(),
    })
}

#[test]
fn bitstruct_reads_and_writes_the_same() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("cases.json");
    let cases: Vec<Value> = (0..CASES).map(case).collect();
    std::fs::write(&file, serde_json::to_vec(&cases).unwrap()).unwrap();
    let output = Command::new(venv("python"))
        .arg(root.join("tests/outside/codec.py"))
        .arg(&file)
        .output()
        .unwrap();
    let says = String::from_utf8_lossy(&output.stdout);
    assert!(
        output.status.success(),
        "{says}{}",
        String::from_utf8_lossy(&output.stderr)
    );
    assert_eq!(says.trim(), format!("{CASES} cases agree"));
}
