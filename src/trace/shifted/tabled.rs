//! Presets on address lines of their own, in an order of their own.

use rayon::prelude::*;

use super::super::space::{PresetMap, pivots, turned};
use super::Shifted;

/// How many sets of lines are looked at closely.
const SETS: usize = 16;

impl Shifted {
    /// Presets on address lines of their own in an order of their own: the lines among which successors lie.
    pub(super) fn tabled(&self, across: &[f64], m: usize) -> Vec<PresetMap> {
        let mut found: Vec<(i32, Vec<PresetMap>)> = self
            .line_sets(across, m)
            .par_iter()
            .enumerate()
            .filter_map(|(i, deltas)| self.in_order(deltas, i < 4))
            .collect();
        found.sort_by_key(|f| std::cmp::Reverse(f.0));
        // Where every preset is followed as planned, nothing that is less is worth a look.
        if found.first().is_some_and(|f| f.0 == self.perfect()) {
            found.retain(|f| f.0 == self.perfect());
        }
        // All ways to join the pieces of a broken walk for the likeliest lines only.
        let few = self.few_ways();
        let ways = found.into_iter().enumerate().flat_map(|(i, (_, maps))| {
            let keep = if i == 0 { maps.len() } else { few };
            maps.into_iter().take(keep)
        });
        ways.collect()
    }

    /// The orders of presets that bits turning these lines suggest, and how well they fit.
    fn in_order(&self, deltas: &[u32], thoroughly: bool) -> Option<(i32, Vec<PresetMap>)> {
        let lines = pivots(deltas, false);
        let rest: Vec<u32> = (0..self.bits).filter(|l| !lines.contains(l)).collect();
        let places: Vec<u32> = (0..1usize << deltas.len())
            .map(|q| turned(deltas, q))
            .collect();
        // A preset line may carry a slot line too; then one half of the slots has another origin.
        let halves = rest.iter().copied().filter(|_| thoroughly).map(Some);
        std::iter::once(None).chain(halves).find_map(|half| {
            let bases: Vec<u32> = (0..1u32 << rest.len())
                .map(|i| spread(i, &rest))
                .filter(|b| half.is_none_or(|l| b >> l & 1 == 0))
                .collect();
            let (fit, orders) = self.walks(&bases, &places, |b, o| b ^ o)?;
            let says = "address lines of its own, in an order of its own";
            let maps = orders.into_iter().map(|order| {
                let mut map = PresetMap::wired(deltas, self.presets(), says);
                map.offset = order.iter().map(|q| places[*q]).collect();
                map
            });
            Some((fit, maps.collect()))
        })
    }

    /// The likeliest sets of preset lines; then with one that turns a second line along.
    fn line_sets(&self, across: &[f64], m: usize) -> Vec<Vec<u32>> {
        let best = |values: &[f64]| -> Vec<(f64, u32)> {
            let mut sums = values.to_vec();
            for bit in 0..self.bits {
                for x in 0..sums.len() {
                    if x >> bit & 1 == 1 {
                        sums[x] += sums[x ^ 1 << bit];
                    }
                }
            }
            let mut all: Vec<(f64, u32)> = sums
                .into_iter()
                .enumerate()
                .filter(|(mask, _)| mask.count_ones() as usize == m)
                .map(|(mask, z)| (z, mask as u32))
                .collect();
            all.sort_by(|a, b| b.0.total_cmp(&a.0));
            all.truncate(SETS);
            all
        };
        let lines = |mask: u32| {
            (0..self.bits)
                .map(|b| 1u32 << b)
                .filter(move |b| mask & b != 0)
        };
        let mut out: Vec<(f64, Vec<u32>)> = best(across)
            .into_iter()
            .map(|(z, mask)| (z, lines(mask).collect()))
            .collect();
        let most = out.first().map_or(0.0, |o| o.0);
        // What is expected of the right set is that successors always lie within it.
        if most < 0.6 * self.total.sqrt() {
            let pairs: Vec<(u32, u32)> = (0..self.bits)
                .flat_map(|i| (0..self.bits).map(move |j| (i, j)))
                .filter(|(i, j)| i != j)
                .collect();
            let crossed: Vec<(f64, Vec<u32>)> = pairs
                .into_par_iter()
                .flat_map_iter(|(i, j)| {
                    let turned: Vec<f64> = (0..across.len())
                        .map(|x| across[x ^ (x >> i & 1) << j])
                        .collect();
                    best(&turned)
                        .into_iter()
                        .filter(|(_, mask)| mask >> i & 1 == 1 && mask >> j & 1 == 0)
                        .map(|(z, mask)| {
                            let with = |l: u32| if l == 1 << i { l | 1 << j } else { l };
                            (z - 1.0, lines(mask).map(with).collect())
                        })
                        .collect::<Vec<_>>()
                })
                .collect();
            out.extend(crossed);
            out.sort_by(|a, b| b.0.total_cmp(&a.0));
        }
        out.truncate(SETS);
        out.into_iter().map(|o| o.1).collect()
    }
}

/// The bits of a number on the given lines.
fn spread(number: u32, lines: &[u32]) -> u32 {
    lines
        .iter()
        .enumerate()
        .fold(0, |o, (i, l)| o | (number >> i & 1) << l)
}
