//! 8 MiB to Intel HEX and back, beside objcopy in the same run: `cargo bench --bench hex`.
//!
//! Both are timed as whole processes, from start to exit, by turns; the median of the rounds is shown. Unlike
//! objcopy, cellkeep makes its output durable (fsync) before it exits; the library alone is shown as well.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use std::fs;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use cellkeep::image::form::{ReadOptions, WriteForm, read, write};
use cellkeep::image::{Form, SparseBytes};

const ROUNDS: usize = 21;
const SIZE: usize = 8 << 20;

/// Bytes without a pattern, from a fixed seed (SplitMix64).
fn bytes() -> Vec<u8> {
    let mut state = 8u64;
    let mut next = || {
        state = state.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let z = (state ^ state >> 30).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        let z = (z ^ z >> 27).wrapping_mul(0x94d0_49bb_1331_11eb);
        (z ^ z >> 31) as u8
    };
    (0..SIZE).map(|_| next()).collect()
}

fn timed(work: impl FnOnce()) -> Duration {
    let begun = Instant::now();
    work();
    begun.elapsed()
}

fn run(program: &str, arguments: &[&str]) {
    let done = Command::new(program)
        .args(arguments)
        .stdout(Stdio::null())
        .status();
    let done = done.expect("objcopy is missing: apt-get install binutils");
    assert!(done.success(), "{program} {arguments:?}");
}

fn median(mut times: Vec<Duration>) -> f64 {
    times.sort();
    times[times.len() / 2].as_secs_f64() * 1e3
}

fn main() {
    let dir = tempfile::tempdir_in(env!("CARGO_TARGET_TMPDIR")).unwrap();
    let path = |name: &str| dir.path().join(name).to_str().unwrap().to_owned();
    let (bin, hex, back) = (path("in.bin"), path("in.hex"), path("back.bin"));
    let image = bytes();
    fs::write(&bin, &image).unwrap();
    let cellkeep = env!("CARGO_BIN_EXE_cellkeep");
    let mut times: [Vec<Duration>; 6] = Default::default();
    let how = WriteForm {
        form: Form::IntelHex,
        ..WriteForm::default()
    };
    for _ in 0..ROUNDS {
        times[0].push(timed(|| {
            run(cellkeep, &["convert", &bin, "-o", &hex, "--replace"])
        }));
        times[1].push(timed(|| {
            run(
                "objcopy",
                &["-I", "binary", "-O", "ihex", &bin, &path("o.hex")],
            )
        }));
        times[2].push(timed(|| {
            run(cellkeep, &["convert", &hex, "-o", &back, "--replace"])
        }));
        times[3].push(timed(|| {
            run(
                "objcopy",
                &["-I", "ihex", "-O", "binary", &hex, &path("o.bin")],
            )
        }));
        assert!(fs::read(&back).unwrap() == image && fs::read(path("o.bin")).unwrap() == image);
        let sparse = SparseBytes::from_run(0, image.clone());
        let mut text = Vec::new();
        times[4].push(timed(|| text = write(&sparse, 0, &how).unwrap()));
        times[5].push(timed(|| {
            let contents = read(&text, ReadOptions::default()).unwrap();
            assert_eq!(contents.bytes.count(), SIZE as u64);
        }));
        assert!(Path::new(&hex).metadata().unwrap().len() == text.len() as u64);
    }
    let [to, to_ref, from, from_ref, library_to, library_from] = times.map(median);
    println!("8 MiB, median of {ROUNDS} rounds, milliseconds");
    println!(
        "{:<22}{:>10}{:>10}{:>10}{:>10}",
        "", "cellkeep", "objcopy", "ratio", "library"
    );
    println!(
        "{:<22}{to:>10.1}{to_ref:>10.1}{:>10.2}{library_to:>10.1}",
        "binary to Intel HEX",
        to / to_ref
    );
    println!(
        "{:<22}{from:>10.1}{from_ref:>10.1}{:>10.2}{library_from:>10.1}",
        "Intel HEX to binary",
        from / from_ref
    );
}
