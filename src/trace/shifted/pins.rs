//! Presets in equal steps behind swapped or inverted address lines.

use std::collections::HashSet;

use rayon::prelude::*;

use super::super::rng::Random;
use super::super::space::{Pins, PresetMap};
use super::{HAND_ON, Shifted};

/// So many changed bits more or less that are what the next preset held do not tell two wirings apart.
const TIE: f64 = 6.0;
/// How many wirings that are not told apart are handed on: what the saves hold must choose among them.
const TIES: usize = 48;

/// How often wirings are changed further.
const ROUNDS: usize = 8;

/// Cells looked at in all while every step behind any one exchange is tried.
const LOOKS: usize = 20_000_000;

impl Shifted {
    /// Equal steps behind swapped or inverted address lines.
    pub(crate) fn stepped_behind_pins(&self) -> Vec<PresetMap> {
        let n = self.presets() as u32;
        let bits = self.bits;
        if !(2..=13).contains(&bits) || self.len != 1 << bits {
            return Vec::new();
        }
        // Whole cells before and after, a line a bit.
        let size = self.len as usize;
        let groups = self.planes.len().div_ceil(64);
        let mut before = vec![vec![0u64; size]; groups];
        let mut after = before.clone();
        let mut changed = before.clone();
        for (i, plane) in self.planes.iter().enumerate() {
            for x in 0..size {
                before[i / 64][x] |= u64::from(plane.before[x]) << (i % 64);
                after[i / 64][x] |= u64::from(plane.after[x]) << (i % 64);
            }
            for &x in &plane.changed {
                changed[i / 64][x as usize] |= 1 << (i % 64);
            }
        }
        let mut cells: Vec<u32> = (0..self.len)
            .filter(|&x| changed.iter().any(|c| c[x as usize] != 0))
            .collect();
        Random::new(u64::from(self.len)).shuffle(&mut cells);
        // Agreement of cells with where they are thought to go on, in standard deviations.
        let score = |pairs: &mut dyn Iterator<Item = (u32, u32)>| -> f64 {
            let (mut agree, mut all) = (0u32, 0u32);
            for (x, y) in pairs {
                for g in 0..groups {
                    let mask = changed[g][x as usize];
                    all += mask.count_ones();
                    let same = !(after[g][x as usize] ^ before[g][y as usize]) & mask;
                    agree += same.count_ones();
                }
            }
            (2.0 * f64::from(agree) - f64::from(all)) / f64::from(all.max(1)).sqrt()
        };
        let behind = |pins: &Pins, stride: i32, cells: &[u32]| -> f64 {
            score(&mut cells.iter().map(|&x| {
                let to = pins.logical(x).checked_add_signed(stride);
                let to = to.filter(|t| *t < self.len);
                (x, to.map_or(x, |t| pins.physical(t)))
            }))
        };
        let straight = Pins::straight(bits);
        let most = (self.len - 1) / (n - 1);
        let few = &cells[..cells.len().min(400)];
        // First every step behind any one exchange and any one inversion, by fewer cells where those are many.
        let mut first = straight.changes(false);
        first.push(straight);
        let inverted: Vec<Pins> = (first.iter())
            .flat_map(|p| (0..bits).map(|i| p.inverted(i)))
            .collect();
        first.extend(inverted);
        let look = (LOOKS / (2 * first.len() * most as usize)).max(60);
        let fewer = &few[..few.len().min(look)];
        let mut beam: Vec<(f64, i32, Pins)> = first
            .into_par_iter()
            .flat_map_iter(|pins| {
                let to: Vec<u32> = (0..self.len).map(|x| pins.physical(x)).collect();
                let from: Vec<u32> = fewer.iter().map(|x| pins.logical(*x)).collect();
                let mut all: Vec<(f64, i32)> = (1..=most as i32)
                    .flat_map(|stride| [stride, -stride])
                    .map(|stride| {
                        let pairs = fewer.iter().zip(&from).map(|(x, at)| {
                            let next = at.wrapping_add_signed(stride) as usize;
                            let next = to.get(next);
                            (*x, next.copied().unwrap_or(*x))
                        });
                        (score(&mut pairs.into_iter()), stride)
                    })
                    .collect();
                all.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
                all.truncate(4);
                all.into_iter().map(move |(z, s)| (z, s, pins.clone()))
            })
            .collect();
        // Of wirings that say the same the one with the fewest lines moved stands for all.
        let best = |beam: &mut Vec<(f64, i32, Pins)>, keep: usize| {
            let moved = |p: &Pins| {
                let pins = p.pins.iter().enumerate();
                pins.filter(|(i, pin)| *i != usize::from(**pin)).count() as u32
                    + p.invert.count_ones()
            };
            let key = |b: &(f64, i32, Pins)| (same(b.1, &b.2), moved(&b.2), b.1 < 0);
            beam.sort_by(|a, b| b.0.total_cmp(&a.0));
            // More than are kept, since many may say the same.
            beam.truncate(keep * 32);
            let mut keyed: Vec<_> = beam.drain(..).map(|b| (key(&b), b)).collect();
            keyed.sort_by(|(a, x), (b, y)| y.0.total_cmp(&x.0).then_with(|| a.cmp(b)));
            keyed.dedup_by(|a, b| a.0.0 == b.0.0);
            beam.extend(keyed.into_iter().map(|(_, b)| b).take(keep));
        };
        best(&mut beam, 200);
        beam.par_iter_mut()
            .for_each(|b| b.0 = behind(&b.2, b.1, few));
        // Few cells leave many wirings nearly as good as the right one: so the more are followed the fewer cells.
        let ways = (bits * (bits - 1) / 2 * 4 + bits) as usize;
        let keep = (LOOKS / (ROUNDS * ways * few.len().max(1))).clamp(60, 400);
        best(&mut beam, keep);
        let mut done: HashSet<(u32, Vec<u8>, u32)> = HashSet::new();
        for _ in 0..ROUNDS {
            let fresh: Vec<&(f64, i32, Pins)> = beam
                .iter()
                .filter(|b| done.insert(same(b.1, &b.2)))
                .collect();
            if fresh.is_empty() {
                break;
            }
            let next: Vec<(f64, i32, Pins)> = fresh
                .par_iter()
                .flat_map_iter(|(_, stride, pins)| {
                    changes(pins)
                        .map(|p| (behind(&p, *stride, few), *stride, p))
                        .collect::<Vec<_>>()
                })
                .collect();
            beam.extend(next);
            best(&mut beam, keep);
        }
        let top = beam.first().map_or(0.0, |b| b.0);
        let tie = top - 2.0 * TIE / self.total.sqrt();
        beam.into_iter()
            .enumerate()
            .take(TIES)
            .filter(|(i, b)| b.0 > 5.0 && b.0 > if *i < HAND_ON { top * 0.8 } else { tie })
            .map(|(_, (_, stride, pins))| {
                let (order, way) = match stride > 0 {
                    true => ((0..n).collect::<Vec<u32>>(), ""),
                    false => ((0..n).rev().collect(), "down "),
                };
                let step = stride.unsigned_abs();
                let says = "behind swapped or inverted address lines";
                let mut map =
                    PresetMap::stepped(step, &order, format!("steps {way}of {step} {says}"));
                map.pins = pins;
                map
            })
            .collect()
    }
}

/// What wirings that say the same have in common: which bit of an address that stays where it is lies on which line
/// says nothing, and counting down is counting up behind inverted lines.
fn same(stride: i32, pins: &Pins) -> (u32, Vec<u8>, u32) {
    let still = (stride.trailing_zeros() as usize).min(pins.pins.len());
    let mut order = pins.pins.clone();
    order[..still].sort_unstable();
    let counts = order[still..].iter().fold(0, |o, pin| o | 1u32 << pin);
    let invert = match stride < 0 {
        true => !pins.invert & counts,
        false => pins.invert & counts,
    };
    (stride.unsigned_abs(), order, invert)
}

/// Wirings one exchange or inversion away; an exchange may come with inversions of its two lines.
fn changes(pins: &Pins) -> impl Iterator<Item = Pins> {
    let bits = pins.pins.len() as u32;
    pins.changes(true).into_iter().flat_map(move |p| {
        let exchanged = |p: &Pins, i: u32| p.pins[i as usize] != pins.pins[i as usize];
        let lines: Vec<u32> = (0..bits)
            .filter(|i| exchanged(&p, *i))
            .map(|i| u32::from(p.pins[i as usize]))
            .collect();
        let mut out = vec![p];
        for line in lines {
            let more: Vec<Pins> = out.iter().map(|p| p.inverted(line)).collect();
            out.extend(more);
        }
        out
    })
}
