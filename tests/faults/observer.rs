//! What an observer makes of votes who knows from where the noise and the share of shaky bits of a chip were drawn: nobody can
//! expect better. He integrates by midpoints on an even grid and counts shaky bits by Simpson's rule, and shares no line with
//! `settle::vote`.

use std::collections::BTreeMap;

use cellkeep::settle::Settlement;

use crate::simulate::Prior;

/// Points along each side.
const POINTS: usize = 160;
/// Steps of Simpson's rule.
const STEPS: usize = 400;

fn choose(n: i32, k: i32) -> f64 {
    (0..k)
        .map(|i| f64::from(n - i) / f64::from(i + 1))
        .product()
}

/// Chance that `wrong` of `n` reads of a shaky bit are wrong, its own chance being anything between 0 and 1/2.
pub(crate) fn shaky(n: i32, wrong: i32) -> f64 {
    let step = 0.5 / STEPS as f64;
    let at = |i: usize| {
        let q = i as f64 * step;
        2.0 * q.powi(wrong) * (1.0 - q).powi(n - wrong)
    };
    let weight = |i: usize| match i {
        0 | STEPS => 1.0,
        i if i % 2 == 1 => 4.0,
        _ => 2.0,
    };
    choose(n, wrong) * step / 3.0 * (0..=STEPS).map(|i| weight(i) * at(i)).sum::<f64>()
}

/// Bits by how many of all reads dissent, and how many of those were settled.
#[derive(Default)]
struct Seen {
    bits: f64,
    settled: f64,
}

/// Of the bits that were settled, how many the observer expects to be wrong. Every read knows every bit.
pub(crate) fn expected_wrong(prior: Prior, bits: u64, reads: usize, report: &Settlement) -> f64 {
    let n = reads as i32;
    let mut votes: BTreeMap<i32, Seen> = BTreeMap::new();
    for d in &report.dissents {
        let seen = votes.entry(d.zeros.min(d.ones) as i32).or_default();
        seen.bits += 1.0;
        seen.settled += f64::from(u8::from(d.settled.is_some()));
    }
    let agreed = bits as f64 - report.dissents.len() as f64;
    let all = Seen {
        bits: agreed,
        settled: agreed,
    };
    votes.insert(0, all);
    let shaky: Vec<f64> = (0..=n).map(|w| shaky(n, w)).collect();
    let side = |(low, high): (f64, f64), i: usize| {
        10f64.powf(low + (high - low) * (i as f64 + 0.5) / POINTS as f64)
    };
    let mut points = Vec::new();
    for i in 0..POINTS {
        for j in 0..POINTS {
            let (q, s) = (side(prior.noise, i), side(prior.shaky, j));
            let chance = |w: i32| {
                (1.0 - s) * choose(n, w) * q.powi(w) * (1.0 - q).powi(n - w) + s * shaky[w as usize]
            };
            let (mut log, mut wrong) = (0.0, 0.0);
            for (k, seen) in &votes {
                // A tie is never settled, and has one side only.
                let other = if 2 * k == n { 0.0 } else { chance(n - k) };
                let either = chance(*k) + other;
                log += seen.bits * either.ln();
                wrong += seen.settled * other / either;
            }
            points.push((log, wrong));
        }
    }
    let top = points.iter().map(|p| p.0).fold(f64::NEG_INFINITY, f64::max);
    let weights: Vec<(f64, f64)> = points
        .iter()
        .map(|(log, wrong)| ((log - top).exp(), *wrong))
        .collect();
    let sum: f64 = weights.iter().map(|w| w.0).sum();
    weights
        .iter()
        .map(|(weight, wrong)| weight * wrong)
        .sum::<f64>()
        / sum
}
