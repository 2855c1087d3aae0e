//! Layouts made wrong at random, always the same way for the same seed; whatever comes of it must be a list of
//! problems or a layout that keeps its promises, and must come soon.

use std::fs;
use std::path::Path;
use std::time::{Duration, Instant};

use cellkeep::layout::owners::{Owners, coverage};
use cellkeep::layout::problem::SourceText;
use cellkeep::layout::{Library, check};

pub(crate) struct Random(u64);

impl Random {
    pub(crate) fn new(seed: u64) -> Self {
        Self(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) | 1)
    }

    fn next(&mut self) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0 >> 11
    }

    fn below(&mut self, n: usize) -> usize {
        (self.next() % n.max(1) as u64) as usize
    }

    fn pick<'a, T: ?Sized>(&mut self, from: &[&'a T]) -> &'a T {
        from[self.below(from.len())]
    }
}

/// Layouts to begin from: every one in the repository.
pub(crate) fn corpus() -> Vec<String> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let folders = [
        "tests/layouts/valid",
        "tests/layouts/invalid",
        "tests/layouts/bases",
        "tests/outside/layouts",
        "formats",
    ];
    let mut out = Vec::new();
    for folder in folders {
        let mut paths: Vec<_> = fs::read_dir(root.join(folder))
            .unwrap()
            .map(|e| e.unwrap().path())
            .filter(|p| p.extension().is_some_and(|e| e == "toml"))
            .collect();
        paths.sort();
        out.extend(paths.iter().map(|p| fs::read_to_string(p).unwrap()));
    }
    out
}

/// Numbers at the ends of what anything could take.
const NUMBERS: &[&str] = &[
    "0",
    "1",
    "2",
    "7",
    "8",
    "63",
    "64",
    "65",
    "255",
    "256",
    "65535",
    "65536",
    "65537",
    "131072",
    "1048576",
    "16777216",
    "268435456",
    "2147483647",
    "2147483648",
    "4294967295",
    "4294967296",
    "9223372036854775807",
    "-1",
    "-2",
    "-268435456",
    "-9223372036854775808",
    "99999999999999999999999999999999999999999",
    "0xFFFFFFFFFFFFFFFF",
    "1e308",
    "nan",
    "-inf",
    "0.5",
];

/// Texts that mean something somewhere.
const TEXTS: &[&str] = &[
    "\"\"",
    "\"-\"",
    "\"q\"",
    "\"!q.0\"",
    "\"a.31\"",
    "\"a.0 ^ a.1 ^ step.0\"",
    "\"preset.0\"",
    "\"7..0\"",
    "\"0..7\"",
    "\"1048576.63..0\"",
    "\"0..1048576\"",
    "\"0..268435455\"",
    "\"small\"",
    "\"aldermoor-four\"",
    "\"text\"",
    "\"one-hot\"",
    "\"crc\"",
    "\"CRC_64_XZ\"",
    "\"area\"",
    "\"gray\"",
    "\"\\u0000\"",
    "\"\u{1F39B}\"",
    "[]",
    "{}",
    "[[]]",
    "true",
    "2020-01-01",
    "{ count = 65536 }",
    "{ steps = [[9223372036854775807, \"x\"]] }",
    "{ table = [] }",
    "{ log = [1e-308, 1e308] }",
    "[-9223372036854775808, 9223372036854775807]",
    "{ key = \"level\", is = [1] }",
];

/// Lines that change what the others mean.
const LINES: &[&str] = &[
    "extends = \"small\"",
    "remove = [\"presets\", \"RAM\"]",
    "[[chip]]",
    "[[area]]",
    "[[area.parameter]]",
    "[[area.check]]",
    "[[area.copy]]",
    "[[area.reserved]]",
    "[[absent]]",
    "[[waive]]",
    "[[hand-set]]",
    "[bench]",
    "[area]",
    "lines = 64",
    "word = 64",
    "period = 1048576",
    "start = 1048576",
    "first = \"lsb\"",
    "words = 8388608",
    "width = 1",
    "chars = 256",
    "every = 1048576",
    "inverted = true",
    "per = \"area\"",
    "span = \"0..1048575\"",
    "slots = \"0..1048576\"",
    "holds = { preset = [1], area = [\"presets\"] }",
    "chips = []",
    "enable = [\"1\", \"0\"]",
    "used = \"0..0\"",
    "axes = { a1 = { count = 65536, stride = 1 }, b1 = { count = 65536, stride = -1 } }",
    "over = \"0..1048576\"",
    "like = \"RAM\"",
    "cells = \"0..16777215\"",
];

/// A text changed in a few places.
pub(crate) fn mutate(random: &mut Random, corpus: &[String]) -> String {
    let mut text = corpus[random.below(corpus.len())].clone();
    for _ in 0..=random.below(4) {
        text = once(random, &text, corpus);
    }
    text
}

fn once(random: &mut Random, text: &str, corpus: &[String]) -> String {
    let mut lines: Vec<String> = text.lines().map(str::to_owned).collect();
    if lines.is_empty() {
        return random.pick(LINES).to_owned();
    }
    let at = random.below(lines.len());
    match random.below(9) {
        0 => drop(lines.remove(at)),
        1 => lines.insert(at, random.pick(LINES).to_owned()),
        2 => {
            let copy = lines[random.below(lines.len())].clone();
            lines.insert(at, copy);
        }
        3 => {
            let other = corpus[random.below(corpus.len())]
                .lines()
                .collect::<Vec<_>>();
            if !other.is_empty() {
                lines.insert(at, other[random.below(other.len())].to_owned());
            }
        }
        4 | 5 => {
            if let Some((key, _)) = lines[at].clone().split_once('=') {
                let value = match random.below(2) {
                    0 => random.pick(NUMBERS),
                    _ => random.pick(TEXTS),
                };
                lines[at] = format!("{key}= {value}");
            }
        }
        6 => lines[at] = other_number(random, &lines[at]),
        7 => {
            let mut letters: Vec<char> = lines[at].chars().collect();
            if !letters.is_empty() {
                let i = random.below(letters.len());
                letters[i] = random
                    .pick(&[
                        "\"", "[", "}", "=", ".", "\u{e9}", "0", "!", "\u{0}", "#", "'",
                    ])
                    .chars()
                    .next()
                    .unwrap();
            }
            lines[at] = letters.into_iter().collect();
        }
        _ => lines.truncate(at + 1),
    }
    lines.join("\n")
}

/// One run of digits in a line replaced.
fn other_number(random: &mut Random, line: &str) -> String {
    let starts: Vec<usize> = line
        .char_indices()
        .filter(|(i, c)| {
            let before = line[..*i].chars().next_back();
            c.is_ascii_digit() && !before.is_some_and(|b| b.is_ascii_digit())
        })
        .map(|(i, _)| i)
        .collect();
    if starts.is_empty() {
        return line.to_owned();
    }
    let start = starts[random.below(starts.len())];
    let len = line[start..].bytes().take_while(u8::is_ascii_digit).count();
    format!(
        "{}{}{}",
        &line[..start],
        random.pick(NUMBERS),
        &line[start + len..]
    )
}

/// Extended layouts come from the corpus, by their file's content.
struct Known<'c>(&'c [String]);

impl Library for Known<'_> {
    fn text(&self, id: &str) -> Result<Option<SourceText>, String> {
        let line = format!("\"{id}\"");
        let found = self.0.iter().find(|t| {
            t.lines()
                .any(|l| l.trim_start().starts_with("id") && l.contains(&line))
        });
        Ok(found.map(|text| SourceText {
            origin: id.to_owned(),
            text: text.clone(),
        }))
    }
}

/// What came of some cases.
#[derive(Debug, Default)]
pub(crate) struct Tally {
    pub(crate) sound: usize,
    pub(crate) broken: usize,
    pub(crate) slowest: Duration,
}

/// Checks one text and everything a layout promises; panics where a promise is broken.
pub(crate) fn try_one(text: String, corpus: &[String], tally: &mut Tally) {
    let source = SourceText {
        origin: "mutated".to_owned(),
        text,
    };
    let begun = Instant::now();
    let checked = check(source, &Known(corpus));
    tally.slowest = tally.slowest.max(begun.elapsed());
    // Printing must not fail either: every place lies in its text.
    let shown = checked.problems.to_string();
    let Some(layout) = checked.layout else {
        assert!(checked.problems.errors() > 0 && !shown.is_empty());
        tally.broken += 1;
        return;
    };
    assert_eq!(checked.problems.errors(), 0);
    tally.sound += 1;
    for chip in coverage(&layout) {
        assert_eq!(chip.total(), chip.bits);
    }
    let owners = Owners::new(&layout);
    for area in &layout.areas {
        let copies = area.copies.iter().map(|c| &c.places);
        for places in std::iter::once(&area.places).chain(copies) {
            assert_eq!(places.len(), area.entries() * area.bits_per_entry);
            for p in places {
                let chip = &layout.chips[usize::from(p.chip)];
                assert!(p.cell < chip.words && p.line < chip.width);
                assert!(!owners.of(usize::from(p.chip), p.cell, p.line).is_empty());
            }
        }
        for field in &area.fields {
            assert!((1..=64).contains(&field.width));
        }
    }
}
