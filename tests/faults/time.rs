//! How long examining a 32 KiB reading takes, fault by fault, beside a reference that tells how busy the machine is.

use std::time::Instant;

use cellkeep::layout::model::Layout;
use sha2::{Digest, Sha256};

use crate::inject::{CELLS, LINE_AND_CHIP};
use crate::layouts;
use crate::rng::Rng;
use crate::trial::{self, Trial};

/// Runs of each case; the best and the middle one are told.
const RUNS: usize = 7;

/// Milliseconds of each run, the shortest first.
fn timed(mut run: impl FnMut()) -> Vec<f64> {
    let mut times: Vec<f64> = (0..RUNS)
        .map(|_| {
            let start = Instant::now();
            run();
            start.elapsed().as_secs_f64() * 1000.0
        })
        .collect();
    times.sort_by(f64::total_cmp);
    times
}

fn examined(layout: &Layout, trial: &Trial, earlier: bool) -> Vec<f64> {
    timed(|| {
        std::hint::black_box(trial::run(layout, trial, earlier, true));
    })
}

/// Prints a line a fault: alone and with an earlier reading, best and middle of the runs.
pub(crate) fn section(only: &[&str]) {
    let layout = layouts::shipped("tessaly-nine");
    println!("\nTime to examine a 32 KiB reading, best and middle of {RUNS}");
    let bytes = vec![0x5au8; 16 << 20];
    let reference = timed(|| {
        std::hint::black_box(Sha256::digest(&bytes));
    });
    println!(
        "{:<20} {:7.1} {:7.1} ms",
        "SHA-256 of 16 MiB",
        reference[0],
        reference[RUNS / 2]
    );
    println!("{:<20} {:>18} {:>18}", "fault", "alone", "earlier");
    let mut slowest = [0f64; 2];
    for fault in std::iter::once(&"").chain(&LINE_AND_CHIP).chain(&CELLS) {
        if !only.is_empty() && !only.contains(fault) {
            continue;
        }
        let faults: Vec<&str> = Some(*fault).filter(|f| !f.is_empty()).into_iter().collect();
        let mut rng = Rng::new(1);
        let Some(trial) = trial::make(&layout, &faults, true, &mut rng) else {
            continue;
        };
        let times = [false, true].map(|earlier| examined(&layout, &trial, earlier));
        for (s, t) in slowest.iter_mut().zip(&times) {
            *s = s.max(t[0]);
        }
        let shown = times.map(|t| format!("{:7.1} {:7.1} ms", t[0], t[RUNS / 2]));
        let name = if fault.is_empty() { "sound" } else { fault };
        println!("{name:<20} {:>18} {:>18}", shown[0], shown[1]);
    }
    println!(
        "{:<20} {:7.1} {:>18.1} ms",
        "slowest best", slowest[0], slowest[1]
    );
}
