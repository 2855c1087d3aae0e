//! The long run of the mutation tests: `cargo run --release --example fuzz_forms -- [EXECUTIONS [SEED [TARGET]]]`.
//!
//! Prints what each reader made of the files; a broken promise panics with the file.
#![allow(clippy::unwrap_used, clippy::panic)]

mod forms;

fn main() {
    let mut arguments = std::env::args().skip(1);
    let mut number = |default: u64| {
        arguments
            .next()
            .map_or(default, |text| text.parse().unwrap())
    };
    let (executions, seed) = (number(1_000_000), number(2));
    let only = arguments.next();
    for target in forms::TARGETS
        .into_iter()
        .filter(|t| only.as_deref().is_none_or(|o| o == *t))
    {
        let begun = std::time::Instant::now();
        let tally = forms::run(target, seed, executions);
        let seconds = begun.elapsed().as_secs_f64();
        println!("{target:<10} {executions} executions, {tally}, {seconds:.0} s");
    }
}
