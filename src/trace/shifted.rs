//! What a reading shows that holds every setting of another one preset further back.
//!
//! A preset's cells then hold what its successor's held before. So each changed bit points at the place where the
//! successor keeps the same bit, and the way from a preset to the next shows by correlation, without trying orders or
//! words: as an exclusive-or of address lines (by Walsh-Hadamard transforms), as a step (by counting), or, where
//! presets follow a table, as the set of places they lie on, through which the contents can then be walked.

use rayon::prelude::*;

use super::cells::Experiment;
use super::explain::pivots;
use super::signal;
use super::space::{Contents, PresetMap};

/// A pair of readings of which the second holds each setting one preset further back.
#[derive(Clone, Debug)]
pub(crate) struct Shift {
    pub(crate) first: usize,
    pub(crate) second: usize,
    /// The setting of each preset in the first reading.
    pub(crate) settings: Vec<usize>,
    /// About what bits each preset then holds: every dial taken for one of six bits.
    rows: Vec<Vec<u64>>,
}

impl Shift {
    /// The pair that a plan contains, if one.
    pub(crate) fn of(experiment: &Experiment) -> Option<Self> {
        let plan = experiment.plan;
        let second = plan.shifted()?;
        // A setting dialled anew is the same setting.
        let same = |setting: usize| {
            let positions = &plan.settings[setting].positions;
            plan.settings.iter().position(|s| s.positions == *positions)
        };
        let mut settings = vec![0; plan.panel.presets];
        for s in plan.saves.iter().filter(|s| s.reading + 1 == second) {
            settings[s.preset] = same(s.setting)?;
        }
        Some(Self {
            first: second - 1,
            second,
            rows: settings.iter().map(|s| about(experiment, *s)).collect(),
            settings,
        })
    }
}

/// About what bits a setting gives.
fn about(experiment: &Experiment, setting: usize) -> Vec<u64> {
    let panel = experiment.panel();
    let positions = &experiment.plan.settings[setting].positions;
    let mut bits = Vec::new();
    for (lane, &position) in experiment.lanes.iter().zip(positions) {
        let h = signal::hypotheses(panel, *lane)
            .into_iter()
            .find(|h| h.width == 6 || panel.controls[lane.control].exact());
        let Some(h) = h else { continue };
        let code = signal::code(h, panel, *lane, position);
        bits.extend((0..h.width).map(|k| code >> k & 1));
    }
    bits.chunks(64)
        .map(|c| c.iter().enumerate().fold(0, |w, (i, b)| w | b << i))
        .collect()
}

/// One data line of one memory, before and after, and what is known of it in both.
struct Plane {
    before: Vec<bool>,
    after: Vec<bool>,
    /// Known in both and changed.
    changed: Vec<u32>,
}

/// Memories of one size that are thought to be addressed alike.
pub(crate) struct Shifted {
    planes: Vec<Plane>,
    len: u32,
    bits: u32,
    /// Changed bits in all.
    total: f64,
    shift: Shift,
}

/// How many maps of a kind are handed on.
const HAND_ON: usize = 8;

impl Shifted {
    /// The memories of a pool, each with all its readings.
    pub(crate) fn new(shift: Shift, pool: &[(&[Contents], u8)]) -> Option<Self> {
        let len = pool.first()?.0.first()?.value.len();
        let mut planes = Vec::new();
        for (contents, width) in pool {
            let (a, b) = (&contents[shift.first], &contents[shift.second]);
            for line in 0..*width {
                let bit = |c: &Contents, x: usize| c.value[x] >> line & 1 == 1;
                let known = |x: usize| a.known[x] & b.known[x] & 1 << line != 0;
                planes.push(Plane {
                    before: (0..len).map(|x| bit(a, x)).collect(),
                    after: (0..len).map(|x| bit(b, x)).collect(),
                    changed: (0..len)
                        .filter(|&x| known(x) && bit(a, x) != bit(b, x))
                        .map(|x| x as u32)
                        .collect(),
                });
            }
        }
        let total: usize = planes.iter().map(|p| p.changed.len()).sum();
        (total >= 8).then_some(Self {
            planes,
            len: len as u32,
            bits: len.next_power_of_two().trailing_zeros(),
            total: total as f64,
            shift,
        })
    }

    fn presets(&self) -> usize {
        self.shift.settings.len()
    }

    /// Number of address bits that count presets.
    fn preset_bits(&self) -> usize {
        self.presets().next_power_of_two().trailing_zeros() as usize
    }

    /// For every exclusive-or of address lines: by how much changed bits agree, more often than not, with what the
    /// place across it held before; in standard deviations.
    fn across(&self) -> Vec<f64> {
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

    /// Maps that the readings suggest, the plainest first.
    pub(crate) fn maps(&self) -> Vec<PresetMap> {
        let m = self.preset_bits();
        let straight = self.len == 1 << self.bits && m as u32 <= self.bits && m > 0;
        let across = if straight { self.across() } else { Vec::new() };
        let (mut out, mut sure) = (Vec::new(), false);
        if straight {
            (out, sure) = self.linear(&across, m);
        }
        let plain = self.stepped();
        sure |= !plain.is_empty();
        out.extend(plain);
        if !sure {
            out.extend(self.stepped_otherwise());
            if straight {
                out.extend(self.tabled(&across, m));
            }
        }
        out.dedup();
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
    /// so far can turn must be what the settings lead to expect. True where little is missing.
    fn linear(&self, across: &[f64], m: usize) -> (Vec<PresetMap>, bool) {
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
            next.truncate(64);
            beam = next;
        }
        beam.truncate(HAND_ON);
        // Little is missing where the agreement is near what is expected, and far from none.
        let fit = |p: &Partial| {
            let (mut off, mut all) = (0.0, 0.0);
            for (s, share) in p.span.iter().zip(&profile) {
                let e = share * self.total.sqrt();
                off += (across[*s as usize] - e).powi(2);
                all += e * e;
            }
            1.0 - off / all
        };
        let best = beam.first().map_or(0.0, fit);
        let sure = best > 0.75;
        let maps = beam
            .iter()
            .filter(|p| fit(p) > 0.3)
            .map(|p| {
                let single = |d: &u32| d.count_ones() == 1;
                let gray = |j: usize| (p.span[(2 << j) - 1]).count_ones() == 1;
                let says = if p.deltas.iter().all(single) {
                    "address lines of its own"
                } else if (0..m).all(gray) {
                    "a Gray counter on address lines of its own"
                } else {
                    "address lines of its own, some of which turn a second line"
                };
                PresetMap::wired(&p.deltas, n, says)
            })
            .collect();
        (maps, sure)
    }

    /// Presets on address lines of their own in an order of their own: the lines among which successors lie.
    fn tabled(&self, across: &[f64], m: usize) -> Vec<PresetMap> {
        let sets = self.line_sets(across, m);
        let mut out = Vec::new();
        for deltas in sets {
            let lines = pivots(&deltas);
            let rest: Vec<u32> = (0..self.bits).filter(|l| !lines.contains(l)).collect();
            let places: Vec<u32> = (0..1usize << m).map(|q| turned(&deltas, q)).collect();
            // A preset line may carry a slot line too; then one half of the slots has another origin.
            let halves = std::iter::once(None).chain(rest.iter().copied().map(Some));
            for half in halves {
                let bases: Vec<u32> = (0..1u32 << rest.len())
                    .map(|i| spread(i, &rest))
                    .filter(|b| half.is_none_or(|l| b >> l & 1 == 0))
                    .collect();
                let found = self.walks(&bases, &places, |b, o| b ^ o);
                let some = !found.is_empty();
                out.extend(found.into_iter().map(|order| {
                    let mut map = PresetMap::wired(
                        &deltas,
                        self.presets(),
                        "address lines of its own, in an order of its own",
                    );
                    map.offset = order.iter().map(|q| places[*q]).collect();
                    map
                }));
                if some {
                    break;
                }
            }
        }
        out
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
            all.truncate(4);
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
        out.truncate(4);
        out.into_iter().map(|o| o.1).collect()
    }

    /// Maps of equal steps from almost every preset to the next, up or down.
    fn stepped(&self) -> Vec<PresetMap> {
        let n = self.presets() as u32;
        let most = (self.len - 1) / (n - 1);
        let near: Vec<[f64; 2]> = (1..=most).into_par_iter().map(|d| self.along(d)).collect();
        (1..=most)
            .flat_map(|stride| [(stride, false), (stride, true)])
            .filter(|&(stride, down)| {
                near[stride as usize - 1][usize::from(down)] > 0.6 * self.total.sqrt()
            })
            .map(|(stride, down)| {
                let order: Vec<u32> = if down {
                    (0..n).rev().collect()
                } else {
                    (0..n).collect()
                };
                let says = if down { "down" } else { "up" };
                PresetMap::stepped(
                    stride,
                    &order,
                    format!("counting {says} in steps of {stride}"),
                )
            })
            .collect()
    }

    /// Maps of equal steps in Gray order, or in an order of their own.
    fn stepped_otherwise(&self) -> Vec<PresetMap> {
        let n = self.presets() as u32;
        let most = (self.len - 1) / (n - 1);
        // Agreement at every distance, up and down.
        let along: Vec<[f64; 2]> = (0..self.len)
            .into_par_iter()
            .map(|d| if d == 0 { [0.0; 2] } else { self.along(d) })
            .collect();
        let orders: [(&str, Vec<u32>); 3] = [
            ("counting up", (0..n).collect()),
            ("counting down", (0..n).rev().collect()),
            ("in Gray order", (0..n).map(|p| p ^ p >> 1).collect()),
        ];
        let mut found: Vec<(f64, u32, usize)> = Vec::new();
        let mut tables: Vec<(f64, u32)> = Vec::new();
        for stride in 1..=most {
            for (o, (_, order)) in orders.iter().enumerate() {
                let top = order.iter().max().copied().unwrap_or(0);
                if top * stride >= self.len {
                    continue;
                }
                // Every step of the order has its share of the agreement.
                let share = 1.0 / f64::from(n);
                let mut by: std::collections::BTreeMap<i64, f64> =
                    std::collections::BTreeMap::new();
                for p in 0..n as usize {
                    let to = order[(p + 1) % n as usize];
                    *by.entry(i64::from(to) - i64::from(order[p])).or_default() += share;
                }
                let z = |k: i64| {
                    let d = (k.unsigned_abs() as u32 * stride) as usize;
                    along[d][usize::from(k < 0)]
                };
                let score: f64 = by
                    .iter()
                    .map(|(k, w)| {
                        let e = w * self.total.sqrt();
                        e * z(*k) - e * e / 2.0
                    })
                    .sum();
                found.push((score, stride, o));
            }
            let sum: f64 = (1..n)
                .map(|k| (k * stride) as usize)
                .map(|d| along[d][0] + along[d][1])
                .sum();
            tables.push((sum / f64::from(2 * (n - 1)).sqrt(), stride));
        }
        found.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
        let mut out: Vec<PresetMap> = found
            .iter()
            .take(HAND_ON)
            .filter(|f| f.0 > 0.0)
            .map(|&(_, stride, o)| {
                let (says, order) = &orders[o];
                PresetMap::stepped(stride, order, format!("{says} in steps of {stride}"))
            })
            .collect();
        tables.sort_by(|a, b| b.0.total_cmp(&a.0));
        for &(z, stride) in tables.iter().take(3) {
            if z > 4.0 {
                out.extend(self.stepped_table(stride));
            }
        }
        out
    }

    /// Standard deviations of the agreement at a distance, up and down.
    fn along(&self, d: u32) -> [f64; 2] {
        let mut sum = [0i64; 2];
        for plane in &self.planes {
            for &x in &plane.changed {
                let want = plane.after[x as usize];
                if let Some(b) = plane.before.get((x + d) as usize) {
                    sum[0] += if *b == want { 1 } else { -1 };
                }
                if x >= d {
                    let b = plane.before[(x - d) as usize];
                    sum[1] += if b == want { 1 } else { -1 };
                }
            }
        }
        sum.map(|s| s as f64 / self.total.sqrt())
    }

    fn stepped_table(&self, stride: u32) -> Vec<PresetMap> {
        let n = self.presets() as u32;
        let span = (stride * n) as usize;
        // The window where most changed.
        let mut sums = vec![0usize; self.len as usize + 1];
        for plane in &self.planes {
            for &x in &plane.changed {
                sums[x as usize + 1] += 1;
            }
        }
        for x in 1..sums.len() {
            sums[x] += sums[x - 1];
        }
        let at = (0..sums.len().saturating_sub(span))
            .max_by_key(|&a| (sums[a + span] - sums[a], usize::MAX - a))
            .unwrap_or(0) as u32;
        let bases: Vec<u32> = (at..at + stride).collect();
        let places: Vec<u32> = (0..n).map(|q| q * stride).collect();
        self.walks(&bases, &places, |b, o| b + o)
            .into_iter()
            .map(|order| {
                let order: Vec<u32> = order.into_iter().map(|q| q as u32).collect();
                PresetMap::stepped(
                    stride,
                    &order,
                    format!("in steps of {stride}, in an order of its own"),
                )
            })
            .collect()
    }

    /// Walks from place to place by what each holds before and after; the place of every preset, likeliest walks
    /// first. Which preset a walk begins with is open where no setting is saved twice: then all are given.
    fn walks(
        &self,
        bases: &[u32],
        places: &[u32],
        cell: impl Fn(u32, u32) -> u32,
    ) -> Vec<Vec<usize>> {
        let words = |rows: &[Vec<bool>], q: usize| -> Vec<u64> {
            rows.chunks(64)
                .map(|c| {
                    c.iter()
                        .enumerate()
                        .fold(0u64, |w, (i, row)| w | u64::from(row[q]) << i)
                })
                .collect()
        };
        let few = (self.presets() / 6).max(2);
        let (mut before, mut after) = (Vec::new(), Vec::new());
        for plane in &self.planes {
            for &base in bases {
                let at = |o: &u32| cell(base, *o) as usize;
                if places.iter().any(|o| at(o) >= plane.before.len()) {
                    continue;
                }
                let a: Vec<bool> = places.iter().map(|o| plane.before[at(o)]).collect();
                let b: Vec<bool> = places.iter().map(|o| plane.after[at(o)]).collect();
                if a.iter().zip(&b).filter(|(a, b)| a != b).count() >= few {
                    before.push(a);
                    after.push(b);
                }
            }
        }
        let columns = before.len();
        if columns < 8 {
            return Vec::new();
        }
        let before: Vec<Vec<u64>> = (0..places.len()).map(|q| words(&before, q)).collect();
        let after: Vec<Vec<u64>> = (0..places.len()).map(|q| words(&after, q)).collect();
        walk(&before, &after, columns, &self.shift.settings)
    }

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
        super::rng::Random::new(u64::from(self.len)).shuffle(&mut cells);
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
                map.pins = pins.pins.clone();
                map.invert = pins.invert;
                map
            })
            .collect()
    }
}

/// Which pin carries each bit of an address, and which pins are inverted.
#[derive(Clone, Debug, PartialEq, Eq)]
struct Pins {
    pins: Vec<u8>,
    invert: u32,
}

impl Pins {
    fn straight(bits: u32) -> Self {
        Self {
            pins: (0..bits as u8).collect(),
            invert: 0,
        }
    }

    fn logical(&self, cell: u32) -> u32 {
        let cell = cell ^ self.invert;
        let bit = |(bit, pin): (usize, &u8)| (cell >> pin & 1) << bit;
        self.pins.iter().enumerate().map(bit).sum()
    }

    fn physical(&self, address: u32) -> u32 {
        let bit = |(bit, pin): (usize, &u8)| (address >> bit & 1) << pin;
        self.invert ^ self.pins.iter().enumerate().map(bit).sum::<u32>()
    }

    /// All that differ in one exchange of two pins, or in one inversion.
    fn changes(&self, inversions: bool) -> Vec<Self> {
        let mut out = Vec::new();
        for i in 0..self.pins.len() {
            for j in 0..i {
                let mut next = self.clone();
                next.pins.swap(i, j);
                out.push(next);
            }
            if inversions {
                let mut next = self.clone();
                next.invert ^= 1 << i;
                out.push(next);
            }
        }
        out
    }
}

/// The exclusive-or of the deltas of a number's bits.
fn turned(deltas: &[u32], q: usize) -> u32 {
    let set = deltas.iter().enumerate().filter(|(j, _)| q >> j & 1 == 1);
    set.fold(0, |o, (_, d)| o ^ d)
}

/// In how many bits two rows differ.
fn apart(a: &[u64], b: &[u64]) -> u32 {
    a.iter().zip(b).map(|(a, b)| (a ^ b).count_ones()).sum()
}

/// The bits of a number on the given lines.
fn spread(number: u32, lines: &[u32]) -> u32 {
    lines
        .iter()
        .enumerate()
        .fold(0, |o, (i, l)| o | (number >> i & 1) << l)
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

/// The order in which the places are presets: `after` of a place is `before` of the next, and places whose setting is
/// the same held the same. So places of one setting are put together, and the settings are given to them so that who
/// follows whom is as the plan says.
fn walk(
    before: &[Vec<u64>],
    after: &[Vec<u64>],
    columns: usize,
    settings: &[usize],
) -> Vec<Vec<usize>> {
    let apart = |a: &[u64], b: &[u64]| f64::from(apart(a, b)) / columns as f64;
    // Places that were written: about half of the bits of a preset change.
    let used: Vec<usize> = (0..before.len())
        .filter(|&q| apart(&before[q], &after[q]) > 0.08)
        .collect();
    // Groups of places that held one setting.
    let mut group = vec![usize::MAX; before.len()];
    let mut members: Vec<Vec<usize>> = Vec::new();
    for &q in &used {
        let nearest = members
            .iter()
            .enumerate()
            .map(|(g, m)| (apart(&before[q], &before[m[0]]), g))
            .min_by(|a, b| a.0.total_cmp(&b.0));
        match nearest {
            Some((d, g)) if d < ALIKE => {
                group[q] = g;
                members[g].push(q);
            }
            _ => {
                group[q] = members.len();
                members.push(vec![q]);
            }
        }
    }
    // Who follows each place.
    let next = |q: usize| -> Option<usize> {
        used.iter()
            .filter(|o| **o != q)
            .map(|&o| (apart(&after[q], &before[o]), o))
            .min_by(|a, b| a.0.total_cmp(&b.0))
            .filter(|(d, _)| *d < ALIKE)
            .map(|(_, o)| group[o])
    };
    let groups = members.len();
    let follower: Vec<Option<usize>> = (0..before.len())
        .map(|q| {
            if group[q] == usize::MAX {
                None
            } else {
                next(q)
            }
        })
        .collect();
    // Where the places are wrong, hardly any is followed by another.
    if follower.iter().flatten().count() * 10 < settings.len() * 7 {
        return Vec::new();
    }
    let mut seen = vec![0i32; groups * groups];
    for &q in &used {
        if let Some(to) = follower[q] {
            seen[group[q] * groups + to] += 1;
        }
    }
    // The same of the plan.
    let n = settings.len();
    let mut labels: Vec<usize> = Vec::new();
    for s in settings {
        if !labels.contains(s) {
            labels.push(*s);
        }
    }
    let label = |p: usize| {
        labels
            .iter()
            .position(|l| *l == settings[p % n])
            .unwrap_or(0)
    };
    let mut planned = vec![0i32; labels.len() * labels.len()];
    let mut times = vec![0i32; labels.len()];
    for p in 0..n {
        planned[label(p) * labels.len() + label(p + 1)] += 1;
        times[label(p)] += 1;
    }
    let mut beam: Vec<(i32, Vec<usize>)> = vec![(0, Vec::new())];
    for l in 0..labels.len() {
        let mut longer: Vec<(i32, Vec<usize>)> = Vec::new();
        for (score, given) in &beam {
            for g in (0..groups).filter(|g| !given.contains(g)) {
                let mut score = score - (members[g].len() as i32 - times[l]).abs();
                for (o, &other) in given.iter().enumerate() {
                    for (plan, is) in [
                        (planned[o * labels.len() + l], seen[other * groups + g]),
                        (planned[l * labels.len() + o], seen[g * groups + other]),
                    ] {
                        score += 2 * plan.min(is) - (plan - is).abs();
                    }
                }
                let mut given = given.clone();
                given.push(g);
                longer.push((score, given));
            }
        }
        longer.sort_by(|a, b| b.cmp(a));
        longer.truncate(300);
        beam = longer;
    }
    let most = beam.first().map_or(0, |b| b.0);
    // Most presets must be followed by whom the plan says.
    if most < n as i32 {
        return Vec::new();
    }
    beam.iter()
        .take_while(|b| b.0 == most)
        .take(n.max(HAND_ON))
        .map(|(_, given)| {
            let mut free = vec![true; before.len()];
            let mut order = vec![usize::MAX; n];
            // Whoever is followed as planned first, then who is left of the group, then anybody.
            for strict in [2, 1, 0] {
                for p in 0..n {
                    if order[p] != usize::MAX {
                        continue;
                    }
                    let (here, to) = (given[label(p)], given[label(p + 1)]);
                    let fits = |q: &usize| {
                        free[*q]
                            && (strict < 1 || group[*q] == here)
                            && (strict < 2 || follower[*q] == Some(to))
                    };
                    if let Some(q) = (0..before.len()).find(fits) {
                        free[q] = false;
                        order[p] = q;
                    }
                }
            }
            order
        })
        .collect()
}

/// Two places that differ in a smaller part of their bits than this held one setting.
const ALIKE: f64 = 0.22;
