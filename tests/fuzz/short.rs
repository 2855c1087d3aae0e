//! The short run of the mutation tests; the long one is `cargo run --release --example fuzz_forms`.
#![allow(clippy::unwrap_used, clippy::panic)]

mod forms;

#[test]
fn mutated_files_of_every_form() {
    for target in forms::TARGETS {
        let tally = forms::run(target, 1, 1500);
        assert!(tally.read > 150, "{target}: {tally}");
        assert_eq!(tally.read + tally.refused, 1500, "{target}");
    }
}
