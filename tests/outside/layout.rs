//! Resolved places against an independent, slow evaluator in Python (tests/outside/layout.py), on random layouts:
//! pins crossed, inverted and exclusive-ored, serial words and planes, axes that count in every way and are split over
//! chips, several areas. The same layouts are held against the published JSON Schema with jsonschema (PyPI).

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod tools;

use std::fmt::Write as _;

use cellkeep::layout::from_text;
use serde_json::{Map, Value, json};
use tools::{Random, ask};

const CASES: u64 = 1_000;

fn bits(n: u64) -> u32 {
    64 - (n - 1).leading_zeros()
}

fn quoted(list: &[String]) -> String {
    let quoted: Vec<String> = list.iter().map(|x| format!("{x:?}")).collect();
    format!("[{}]", quoted.join(", "))
}

/// A random layout that keeps the rules by the way it is made: every counter bit drives a pin of its own, plainly,
/// inverted, or exclusive-ored with bits that drive other pins.
fn layout(r: &mut Random) -> String {
    let mut out = "cellkeep = 1\nid = \"random\"\nname = \"Random\"\n".to_owned();
    let width = [1, 1, 4, 8][r.below(4) as usize];
    let beside = 1 + r.below(2);
    let split = if r.often(2) { 2 } else { 1 };
    let lines = width * beside;
    let word = 1 + r.below(16.min(lines * 4));
    let steps = word.div_ceil(lines);
    let start = r.below(2);
    let period = (start + steps + r.below(2)).max(1);
    let slots = 2 + r.below(4);
    let presets = 1 + r.below(6);
    let voices = split * (1 + r.below(3));
    let held = voices / split;
    let affine = r.often(3);
    // Counters with the number of bits that change.
    let reach = |n: u64| if n > 1 { bits(n) } else { 0 };
    let mut wires: Vec<String> = Vec::new();
    let mut cells = 0;
    if affine {
        let entry = slots * period;
        cells = 3 + entry * presets * held;
        wires.extend((0..bits(cells)).map(|i| format!("a.{i}")));
    } else {
        for (name, n) in [
            ("step", period),
            ("slot", slots),
            ("preset", presets),
            ("voice", held),
        ] {
            // Gray code and the order table below stay within as many bits.
            wires.extend((0..reach(n)).map(|i| format!("{name}.{i}")));
        }
    }
    let plain = affine && r.often(3);
    let words = if plain { cells } else { 1 << wires.len() };
    for c in 0..split {
        let mut pins = wires.clone();
        if !plain {
            r.shuffle(&mut pins);
            for i in 0..pins.len() {
                if r.often(4) {
                    pins[i].insert(0, '!');
                }
                if i > 0 && r.often(5) {
                    let other = pins[r.below(i as u64) as usize].clone();
                    pins[i] = format!("{} ^ {other}", pins[i]);
                }
            }
        }
        for b in 0..beside {
            let mut data: Vec<String> = (b * width..(b + 1) * width)
                .map(|i| format!("{}q.{i}", if r.often(4) { "!" } else { "" }))
                .collect();
            r.shuffle(&mut data);
            writeln!(
                out,
                "\n[[chip]]\nid = \"C{c}{b}\"\nwords = {words}\nwidth = {width}"
            )
            .unwrap();
            if !plain {
                writeln!(out, "address = {}", quoted(&pins)).unwrap();
            }
            writeln!(out, "data = {}", quoted(&data)).unwrap();
            if split > 1 {
                let mut voices: Vec<u64> = (0..held).map(|v| 1 + v * split + c).collect();
                r.shuffle(&mut voices);
                writeln!(out, "holds = {{ voice = {voices:?} }}").unwrap();
            }
        }
    }
    let counts = |r: &mut Random| ["up", "up", "down", "gray"][r.below(4) as usize];
    let mut order: Vec<u64> = (0..presets).collect();
    r.shuffle(&mut order);
    let order = if r.often(2) {
        format!(", order = {order:?}")
    } else {
        String::new()
    };
    // Gray code of n values may need the next power of two of places; affine areas count up or down.
    let (p, v) = match affine {
        true => (
            ["up", "down"][r.below(2) as usize],
            ["up", "down"][r.below(2) as usize],
        ),
        false => (counts(r), counts(r)),
    };
    let (preset_stride, voice_stride) = match affine {
        true => (slots * period * held, slots * period),
        false => (0, 0),
    };
    write!(
        out,
        "\n[[area]]\nname = \"presets\"\nword = {word}\nlines = {lines}\nfirst = \"{}\"\nstart = {start}\nperiod = {period}\nat = {}\n\
         axes = {{ preset = {{ count = {presets}, stride = {preset_stride}, counts = \"{p}\"{order} }}, \
         voice = {{ count = {voices}, stride = {voice_stride}, counts = \"{v}\" }} }}\n",
        if r.often(2) { "msb" } else { "lsb" },
        if affine { r.below(4) } else { 0 },
    )
    .unwrap();
    // Every bit of every slot, cut into values of random pieces.
    let mut all: Vec<String> = (0..slots)
        .flat_map(|s| (0..word).map(move |b| format!("{s}.{b}")))
        .collect();
    if r.often(2) {
        r.shuffle(&mut all);
    }
    let mut key = 0;
    while !all.is_empty() {
        let n = (1 + r.below(12) as usize).min(all.len());
        let bits: Vec<String> = all.drain(..n).collect();
        let runs = if r.often(2) { joined(&bits) } else { bits };
        writeln!(
            out,
            "\n[[area.parameter]]\nkey = \"p{key}\"\nbits = {}",
            quoted(&runs)
        )
        .unwrap();
        if r.often(4) {
            out += "inverted = true\n";
        }
        key += 1;
    }
    out
}

/// Neighbouring bits of a slot as one piece.
fn joined(bits: &[String]) -> Vec<String> {
    let mut out: Vec<(u64, u64, u64)> = Vec::new();
    for text in bits {
        let (slot, bit) = text.split_once('.').unwrap();
        let (slot, bit): (u64, u64) = (slot.parse().unwrap(), bit.parse().unwrap());
        match out.last_mut() {
            Some(last) if last.0 == slot && last.2 + 1 == bit && last.1 <= last.2 => last.2 = bit,
            _ => out.push((slot, bit, bit)),
        }
    }
    out.iter()
        .map(|(s, a, b)| format!("{s}.{a}..{b}"))
        .collect()
}

#[test]
fn places_agree_with_a_slow_evaluator() {
    let mut cases = Vec::new();
    let mut refused = 0;
    for seed in 0..CASES {
        let mut random = Random(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) | 1);
        let text = layout(&mut random);
        let Ok(layout) = from_text("random", &text) else {
            // Some draw an order or a Gray code whose counter does not fit; those are refused, rightly or not, and
            // must stay few.
            refused += 1;
            continue;
        };
        let mut places = Map::new();
        for area in &layout.areas {
            for entry in 0..area.entries() {
                for parameter in &area.parameters {
                    let shown: Vec<Value> = parameter
                        .fields
                        .clone()
                        .flat_map(|f| area.field_places(entry, f))
                        .map(|p| {
                            let mark = if p.inverted { "!" } else { "" };
                            let chip = &layout.chips[usize::from(p.chip)].id;
                            json!(format!("{mark}{chip}:{}:{}", p.cell, p.line))
                        })
                        .collect();
                    places.insert(
                        format!("{} {entry} {}", area.name, parameter.key),
                        json!(shown),
                    );
                }
            }
        }
        cases.push(json!({ "toml": text, "places": places }));
    }
    assert!(
        refused * 10 < CASES,
        "{refused} of {CASES} layouts were refused"
    );
    let good = cases[0]["toml"].as_str().unwrap().to_owned();
    let wrong = [
        (
            good.replace("cellkeep = 1", "cellkeep = 2"),
            "another version",
        ),
        (good.replace("words", "wrods"), "a misspelt key"),
        (
            good.replace("first = \"", "first = 1 # \""),
            "a text for a number",
        ),
    ];
    let given = json!({ "schema": cellkeep::layout::schema(), "cases": cases, "wrong": wrong });
    let answer = ask("layout.py", &[], &given);
    println!("{answer}, {refused} refused");
    assert_eq!(answer["cases"], json!(CASES - refused));
    assert!(answer["bits"].as_u64().unwrap() > 100_000, "{answer}");
}
