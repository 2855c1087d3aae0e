//! Presets in equal steps behind swapped or inverted address lines.

use rayon::prelude::*;

use super::super::rng::Random;
use super::super::space::{Pins, PresetMap};
use super::{HAND_ON, Shifted};

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
        let score = |pins: &Pins, stride: u32, cells: &[u32]| -> f64 {
            let (mut agree, mut all) = (0u32, 0u32);
            for &x in cells {
                let to = pins.logical(x) + stride;
                let y = if to < self.len { pins.physical(to) } else { x };
                for g in 0..groups {
                    let mask = changed[g][x as usize];
                    all += mask.count_ones();
                    let same = !(after[g][x as usize] ^ before[g][y as usize]) & mask;
                    agree += same.count_ones();
                }
            }
            (2.0 * f64::from(agree) - f64::from(all)) / f64::from(all.max(1)).sqrt()
        };
        let straight = Pins::straight(bits);
        let most = (self.len - 1) / (n - 1);
        let few = &cells[..cells.len().min(400)];
        let mut beam: Vec<(f64, u32, Pins)> = (1..=most)
            .into_par_iter()
            .flat_map_iter(|stride| {
                let mut all = straight.changes(false);
                all.push(straight.clone());
                all.into_iter()
                    .map(|p| (score(&p, stride, few), stride, p))
                    .collect::<Vec<_>>()
            })
            .collect();
        let best = |beam: &mut Vec<(f64, u32, Pins)>, keep: usize| {
            beam.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
            beam.dedup_by(|a, b| a.1 == b.1 && a.2 == b.2);
            beam.truncate(keep);
        };
        best(&mut beam, 60);
        for _ in 0..8 {
            let before = beam.first().map_or(0.0, |b| b.0);
            let next: Vec<(f64, u32, Pins)> = beam
                .par_iter()
                .flat_map_iter(|(_, stride, pins)| {
                    pins.changes(true)
                        .into_iter()
                        .map(|p| (score(&p, *stride, few), *stride, p))
                        .collect::<Vec<_>>()
                })
                .collect();
            beam.extend(next);
            best(&mut beam, 60);
            if beam.first().is_none_or(|b| b.0 <= before + 0.01) {
                break;
            }
        }
        let order: Vec<u32> = (0..n).collect();
        beam.truncate(HAND_ON);
        let top = beam.first().map_or(0.0, |b| b.0);
        beam.into_iter()
            .filter(|b| b.0 > 5.0 && b.0 > top * 0.8)
            .map(|(_, stride, pins)| {
                let mut map = PresetMap::stepped(
                    stride,
                    &order,
                    format!("steps of {stride} behind swapped or inverted address lines"),
                );
                map.pins = pins;
                map
            })
            .collect()
    }
}
