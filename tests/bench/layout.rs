//! How long it takes to load a layout: text to checked places, every rule applied.
//!
//! Run with `cargo bench --bench layout`.

#![allow(clippy::unwrap_used, clippy::expect_used)]

fn main() {
    divan::main();
}

#[divan::bench(args = ["aldermoor-four", "aldermoor-eight", "pellow-six", "quillon-72", "wrenfield-strings", "tessaly-nine"])]
fn load(layout: &str) -> usize {
    let layout = cellkeep::layout::load(layout).expect("a layout that ships");
    layout.areas.iter().map(|a| a.places.len()).sum()
}

/// What the map and the bit query add when they are asked for.
#[divan::bench(args = ["pellow-six", "tessaly-nine"])]
fn who_owns_what(bencher: divan::Bencher<'_, '_>, layout: &str) {
    let layout = cellkeep::layout::load(layout).expect("a layout that ships");
    bencher.bench(|| cellkeep::layout::owners::Owners::new(&layout));
}
