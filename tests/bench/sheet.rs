//! How long sheets take to write: `cargo bench --bench sheet`. The aim is 100 ms for 64 presets of six voices.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

#[path = "../sheet/builder.rs"]
mod builder;
#[path = "../sheet/demo.rs"]
mod demo;

use builder::{page, small_panel, subject};
use cellkeep::sheet::patch::{Options, patch};

fn main() {
    divan::main();
}

/// Every control of every voice differs: 7,680 controls drawn.
#[divan::bench]
fn patch_64_presets_6_voices(bencher: divan::Bencher<'_, '_>) {
    let panel = small_panel();
    let pages: Vec<_> = (0..64).map(|p| page(&panel, p, 6, 1)).collect();
    let subject = subject("Six voices");
    bencher.bench(|| patch(&subject, &pages, Options::default()));
}

/// A 32 KiB memory, the largest of the demonstration: loading and decoding included.
#[divan::bench(sample_count = 20)]
fn memory_picture_32_kib(bencher: divan::Bencher<'_, '_>) {
    let layout = demo::layout("tessaly-nine");
    bencher.bench(|| demo::memory_sheet(&layout, "today-1", "earlier"));
}
