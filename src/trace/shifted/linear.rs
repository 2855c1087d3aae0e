//! Presets on address lines of their own, counted plainly or in Gray code, by Walsh-Hadamard transforms.

use rayon::prelude::*;

use super::super::explain::gather;
use super::super::space::{PresetMap, lines_say, pivots, turned};
use super::{HAND_ON, Shifted, apart};

impl Shifted {
    /// For every exclusive-or of address lines: by how much changed bits agree, more often than not, with what the
    /// place across it held before; in standard deviations.
    pub(super) fn across(&self) -> Vec<f64> {
        let size = 1usize << self.bits;
        let sums = self
            .planes
            .par_iter()
            .map(|plane| {
                let sign = |b: bool| if b { 1.0 } else { -1.0 };
                let mut a = vec![0.0; size];
                let mut b = vec![0.0; size];
                let ones = plane
                    .changed
                    .iter()
                    .filter(|x| plane.after[**x as usize])
                    .count();
                let mean = 2.0 * ones as f64 / plane.changed.len().max(1) as f64 - 1.0;
                for &x in &plane.changed {
                    a[x as usize] = sign(plane.after[x as usize]) - mean;
                }
                for (b, v) in b.iter_mut().zip(&plane.before) {
                    *b = sign(*v);
                }
                walsh(&mut a);
                walsh(&mut b);
                a.iter_mut().zip(&b).for_each(|(a, b)| *a *= b);
                a
            })
            .reduce(
                || vec![0.0; size],
                |mut x, y| {
                    x.iter_mut().zip(&y).for_each(|(x, y)| *x += y);
                    x
                },
            );
        let mut out = sums;
        walsh(&mut out);
        let scale = 1.0 / (size as f64 * self.total.sqrt());
        out.iter_mut().for_each(|x| *x *= scale);
        // A changed bit never agrees with itself.
        out[0] = 0.0;
        out
    }

    /// The agreement to be expected across each exclusive-or of preset bits, as a share of all that changed: what a
    /// preset's successor held is found across the lowest bit in half of the presets, and so on, and settings are alike
    /// to some degree in any case.
    fn profile(&self, m: usize) -> Vec<f64> {
        let rows = &self.shift.rows;
        let n = rows.len();
        let mut all = 0u32;
        let mut out = vec![0.0; 1 << m];
        for p in 0..n {
            let next = &rows[(p + 1) % n];
            all += apart(&rows[p], next);
            for (e, share) in out.iter_mut().enumerate().skip(1) {
                let Some(there) = rows.get(p ^ e) else {
                    continue;
                };
                for ((here, next), there) in rows[p].iter().zip(next).zip(there) {
                    let changed = here ^ next;
                    let wrong = (changed & (next ^ there)).count_ones();
                    *share += f64::from(changed.count_ones()) - 2.0 * f64::from(wrong);
                }
            }
        }
        out.iter_mut().for_each(|s| *s /= f64::from(all.max(1)));
        out
    }

    /// What each preset bit turns, looked for from the lowest bit up: the agreement across everything the bits found
    /// so far can turn must be what the settings lead to expect.
    pub(super) fn linear(&self, across: &[f64], m: usize) -> Vec<PresetMap> {
        struct Partial {
            deltas: Vec<u32>,
            /// What all numbers of the bits so far turn.
            span: Vec<u32>,
            score: f64,
        }
        let n = self.presets();
        let profile = self.profile(m);
        let lines: Vec<u32> = (0..self.bits).map(|b| 1 << b).collect();
        let mut beam = vec![Partial {
            deltas: Vec::new(),
            span: vec![0],
            score: 0.0,
        }];
        for j in 0..m {
            let mut next: Vec<Partial> = beam
                .par_iter()
                .flat_map_iter(|partial| {
                    let last = partial.span[partial.span.len() - 1];
                    // One line (a plain counter), one line that the last bit turned (Gray), two lines at once.
                    let mut all: Vec<(u32, f64)> = Vec::new();
                    for (i, &a) in lines.iter().enumerate() {
                        all.push((a, 0.0));
                        if last != 0 {
                            all.push((last ^ a, 1.0));
                        }
                        all.extend(lines[..i].iter().map(|b| (a | b, 4.0)));
                    }
                    all.sort_by(|a, b| a.0.cmp(&b.0).then(a.1.total_cmp(&b.1)));
                    all.dedup_by_key(|a| a.0);
                    let profile = &profile;
                    all.into_iter()
                        .filter(|(delta, _)| !partial.span.contains(delta))
                        .map(move |(delta, price)| {
                            // How far the agreement is from what is expected; sizes of fields are not known, so
                            // the more is expected the wider.
                            let gain: f64 = partial
                                .span
                                .iter()
                                .zip(&profile[1 << j..])
                                .map(|(s, share)| {
                                    let e = share * self.total.sqrt();
                                    let z = across[(s ^ delta) as usize];
                                    -(z - e).powi(2) / (2.0 + 0.04 * e * e)
                                })
                                .sum();
                            let mut deltas = partial.deltas.clone();
                            deltas.push(delta);
                            let turned = partial.span.iter().map(|s| s ^ delta);
                            Partial {
                                deltas,
                                span: partial.span.iter().copied().chain(turned).collect(),
                                score: partial.score + gain - price,
                            }
                        })
                })
                .collect();
            next.sort_by(|a, b| {
                let by_deltas = || a.deltas.cmp(&b.deltas);
                b.score.total_cmp(&a.score).then_with(by_deltas)
            });
            next.truncate(if self.bits <= 10 { 1024 } else { 128 });
            beam = next;
        }
        // Of those left, the ones that take most of what changed from every preset to the next.
        let mut exact: Vec<(f64, Partial)> = beam
            .into_par_iter()
            .map(|p| (self.taken_on(&p.deltas), p))
            .collect();
        exact.sort_by(|a, b| b.0.total_cmp(&a.0));
        // Where saves are damaged, the plainer of two that are nearly as good may be the right one.
        let mut by_score: Vec<usize> = (0..exact.len()).collect();
        by_score.sort_by(|a, b| exact[*b].1.score.total_cmp(&exact[*a].1.score));
        let plainer = by_score.into_iter().filter(|i| *i >= HAND_ON).take(HAND_ON);
        (0..exact.len().min(HAND_ON))
            .chain(plainer)
            .map(|i| &exact[i])
            .map(|(_, p)| PresetMap::wired(&p.deltas, n, lines_say(&p.deltas)))
            .collect()
    }

    /// The share of changed bits that are what the next preset held, if preset bits turn these lines and preset 1 lies
    /// where that fits best.
    fn taken_on(&self, deltas: &[u32]) -> f64 {
        let n = self.presets();
        let pivots = pivots(deltas, false);
        let offsets: Vec<u32> = (0..n).map(|p| turned(deltas, p)).collect();
        let classes: Vec<usize> = offsets
            .iter()
            .map(|o| gather(*o, &pivots) as usize)
            .collect();
        // The ways from a preset to the next, and for each the agreement where a cell's class is so and so.
        let way = |p: usize| offsets[p] ^ offsets[(p + 1) % n];
        let mut ways: Vec<u32> = (0..n).map(way).collect();
        ways.sort_unstable();
        ways.dedup();
        let mut agree = vec![vec![0i32; 1 << pivots.len()]; ways.len()];
        for plane in &self.planes {
            for &x in &plane.changed {
                let class = gather(x, &pivots) as usize;
                for (w, agree) in ways.iter().zip(&mut agree) {
                    let same = plane.after[x as usize] == plane.before[(x ^ w) as usize];
                    agree[class] += if same { 1 } else { -1 };
                }
            }
        }
        let by_preset: Vec<&Vec<i32>> = (0..n)
            .map(|p| &agree[ways.binary_search(&way(p)).unwrap_or(0)])
            .collect();
        let at = |origin: usize| -> i32 {
            let each = by_preset.iter().zip(&classes);
            each.map(|(agree, class)| agree[class ^ origin]).sum()
        };
        let best = (0..1 << pivots.len()).map(at).max().unwrap_or(0);
        f64::from(best) / self.total
    }
}

/// The Walsh-Hadamard transform in place, unscaled; the length is a power of two.
fn walsh(values: &mut [f64]) {
    let mut half = 1;
    while half < values.len() {
        for block in values.chunks_exact_mut(2 * half) {
            let (low, high) = block.split_at_mut(half);
            for (a, b) in low.iter_mut().zip(high) {
                (*a, *b) = (*a + *b, *a - *b);
            }
        }
        half *= 2;
    }
}
