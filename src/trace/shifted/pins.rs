//! Presets in equal steps behind swapped or inverted address lines.

use std::collections::HashSet;

use rayon::prelude::*;

use super::super::abreast::{ABREAST, Bits, Counts, Planes};
use super::super::pins::{Pins, Wiring};
use super::super::rng::Random;
use super::super::space::PresetMap;
use super::ordered::pack;
use super::{HAND_ON, Shifted};

/// So many changed bits more or less that are what the next preset held do not tell two wirings apart.
const TIE: f64 = 6.0;
/// How many wirings that are not told apart are handed on: what the saves hold must choose among them.
const TIES: usize = 48;

/// How many times as many as are kept are compared, since many say the same.
const MORE: usize = 32;

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
        let looked = Looked::of(self);
        let cells = &looked.cells;
        // Agreement of cells with where they are thought to go on, in standard deviations.
        let behind = |pins: &Pins, stride: i32, cells: &[Vec<Cell>]| -> f64 {
            let wiring = Wiring::of(pins);
            looked.agreement(cells, |c, before| {
                let to = wiring.logical(c.at).checked_add_signed(stride);
                let to = to.filter(|t| *t < self.len);
                before[to.map_or(c.at, |t| wiring.physical(t)) as usize]
            })
        };
        let straight = Pins::straight(bits);
        let most = (self.len - 1) / (n - 1);
        let few = first_of(cells, 400);
        // First every step behind any one exchange and any one inversion, by fewer cells where those are many.
        let mut first = straight.changes(false);
        first.push(straight);
        let inverted: Vec<Pins> = (first.iter())
            .flat_map(|p| (0..bits).map(|i| p.inverted(i)))
            .collect();
        first.extend(inverted);
        let look = (LOOKS / (2 * first.len() * most as usize)).max(60);
        let fewer = first_of(&few, look);
        let mut beam: Vec<(f64, i32, Pins)> = first
            .into_par_iter()
            .flat_map_iter(|pins| {
                let mut all = looked.steps(&fewer, &pins, self.len, most);
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
            beam.truncate(keep * MORE);
            let mut keyed: Vec<_> = beam.drain(..).map(|b| (key(&b), b)).collect();
            keyed.sort_by(|(a, x), (b, y)| y.0.total_cmp(&x.0).then_with(|| a.cmp(b)));
            keyed.dedup_by(|a, b| a.0.0 == b.0.0);
            beam.extend(keyed.into_iter().map(|(_, b)| b).take(keep));
        };
        best(&mut beam, 200);
        beam.par_iter_mut()
            .for_each(|b| b.0 = behind(&b.2, b.1, &few));
        // Few cells leave many wirings nearly as good as the right one: so the more are followed the fewer cells.
        let ways = (bits * (bits - 1) / 2 * 4 + bits) as usize;
        let looks = few.first().map_or(0, Vec::len);
        let keep = (LOOKS / (ROUNDS * ways * looks.max(1))).clamp(60, 400);
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
            // What does not come up to those there are is none of those that are kept.
            let least = match beam.len() < keep {
                true => f64::MIN,
                false => beam.last().map_or(f64::MIN, |b| b.0),
            };
            let mut next: Vec<(f64, usize, Change)> = fresh
                .par_iter()
                .enumerate()
                .flat_map_iter(|(parent, (_, stride, pins))| {
                    let near = Near::of(&looked, &few, pins, self.len);
                    let all = Change::all(pins);
                    let looked = all.filter_map(|c| {
                        let agree = near.agreement(&looked, c, *stride, least)?;
                        Some((agree, parent, c))
                    });
                    looked.collect::<Vec<_>>()
                })
                .collect();
            next.sort_by(|a, b| b.0.total_cmp(&a.0));
            next.truncate(keep * MORE);
            let next: Vec<(f64, i32, Pins)> = (next.into_iter())
                .map(|(z, parent, change)| {
                    let (_, stride, pins) = fresh[parent];
                    (z, *stride, change.made(pins))
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

/// A cell that changed: a bit a plane.
#[derive(Clone, Copy)]
struct Cell {
    at: u32,
    after: u64,
    changed: u64,
}

/// Cells in an order that means nothing, and what all held before; 64 planes at a time.
struct Looked {
    cells: Vec<Vec<Cell>>,
    before: Vec<Vec<u64>>,
    /// Bits that a cell takes where several are counted together.
    apart: u32,
}

impl Looked {
    fn of(shifted: &Shifted) -> Self {
        let size = shifted.len as usize;
        let packed: Vec<_> = shifted
            .planes
            .chunks(64)
            .map(|some| pack(some, size))
            .collect();
        let mut order: Vec<u32> = (0..shifted.len)
            .filter(|&x| packed.iter().any(|p| p.changed[x as usize] != 0))
            .collect();
        Random::new(u64::from(shifted.len)).shuffle(&mut order);
        let cells = packed.iter().map(|p| {
            let cell = |&at: &u32| Cell {
                at,
                after: p.after[at as usize],
                changed: p.changed[at as usize],
            };
            order.iter().map(cell).collect()
        });
        Self {
            cells: cells.collect(),
            apart: (shifted.planes.len().min(64) as u32).next_power_of_two(),
            before: packed.into_iter().map(|p| p.before).collect(),
        }
    }

    /// By how much cells agree with what `before` finds for each among what was held before; standard deviations.
    fn agreement(&self, cells: &[Vec<Cell>], before: impl Fn(&Cell, &[u64]) -> u64) -> f64 {
        let all = self.agreement_among(cells, &self.before, u32::MAX, before);
        all.unwrap_or(f64::MIN)
    }

    /// The same for every step up and down that is no longer than `most`, behind a wiring; best first. What lies a step
    /// on from a cell is looked up for 64 steps at once.
    fn steps(&self, cells: &[Vec<Cell>], pins: &Pins, len: u32, most: u32) -> Vec<(f64, i32)> {
        let (to, wiring) = (pins.cells(len), Wiring::of(pins));
        let lines: Vec<Vec<Planes>> = (self.before.iter())
            .map(|before| {
                let eight = |by: usize| {
                    Planes::of(to.len(), 8, |x| (before[to[x] as usize] >> (8 * by)) as u8)
                };
                (0..self.apart.div_ceil(8) as usize).map(eight).collect()
            })
            .collect();
        // Where each changed bit lies behind the wiring, the line it is in, and what it is now.
        let mut bits: Vec<(i64, &Bits, u64)> = Vec::new();
        for (cells, lines) in cells.iter().zip(&lines) {
            for c in cells {
                let at = i64::from(wiring.logical(c.at));
                let changed = (0..ABREAST).filter(|line| c.changed >> line & 1 == 1);
                bits.extend(changed.map(|line| {
                    let now = 0u64.wrapping_sub(c.after >> line & 1);
                    (at, lines[line / 8].line(line % 8), now)
                }));
            }
        }
        let mut out: Vec<(f64, i32)> = Vec::new();
        let blocks = i64::from(most).div_euclid(ABREAST as i64) + 1;
        for first in (-blocks..blocks).map(|b| b * ABREAST as i64) {
            let mut agree = Counts::default();
            for eight in bits.chunks(8) {
                let mut same = [0; 8];
                for (same, (at, line, now)) in same.iter_mut().zip(eight) {
                    // Nothing that changed is what it was before, so there is no agreement beyond either end.
                    *same = !(line.around(at + first) ^ now) & within(at + first, len);
                }
                agree.add(same);
            }
            for (agree, step) in agree.each().into_iter().zip(first..) {
                if (1..=i64::from(most)).contains(&step.abs()) {
                    out.push((deviations(agree, bits.len() as u32), step as i32));
                }
            }
        }
        out.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
        out
    }

    /// The same; `None` where more than `most` bits differ.
    fn agreement_among(
        &self,
        cells: &[Vec<Cell>],
        held: &[Vec<u64>],
        most: u32,
        before: impl Fn(&Cell, &[u64]) -> u64,
    ) -> Option<f64> {
        let (mut agree, mut all) = (0u32, 0u32);
        for (cells, held) in cells.iter().zip(held) {
            for some in cells.chunks((64 / self.apart) as usize) {
                let (mut same, mut changed) = (0, 0);
                for (c, i) in some.iter().zip(0..) {
                    same |= (!(c.after ^ before(c, held)) & c.changed) << (i * self.apart);
                    changed |= c.changed << (i * self.apart);
                }
                agree += same.count_ones();
                all += changed.count_ones();
                if all - agree > most {
                    return None;
                }
            }
        }
        Some(deviations(agree, all))
    }
}

/// By how many standard deviations so many of all that agree are more than half.
fn deviations(agree: u32, all: u32) -> f64 {
    (2.0 * f64::from(agree) - f64::from(all)) / f64::from(all.max(1)).sqrt()
}

/// Which of 64 addresses from one on, which may lie before the beginning, are in the memory.
fn within(first: i64, len: u32) -> u64 {
    let below = |end: i64| match end {
        ..=0 => 0,
        1..64 => u64::MAX >> (64 - end),
        _ => u64::MAX,
    };
    below(i64::from(len) - first) & !below(-first)
}

/// The first few of the cells.
fn first_of(cells: &[Vec<Cell>], most: usize) -> Vec<Vec<Cell>> {
    let first = |c: &Vec<Cell>| c[..c.len().min(most)].to_vec();
    cells.iter().map(first).collect()
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

/// One exchange of two lines, or one inversion; an exchange may come with inversions of its two lines.
#[derive(Clone, Copy)]
struct Change {
    /// Bits of the address whose lines are exchanged; the same twice where none are.
    bits: [u32; 2],
    /// Bits of the address whose lines, after the exchange, are inverted further, as a mask.
    invert: u32,
}

impl Change {
    /// All changes of a wiring.
    fn all(pins: &Pins) -> impl Iterator<Item = Self> {
        let bit_of = |line: u32| pins.pins.iter().position(|p| u32::from(*p) == line);
        (0..pins.pins.len() as u32).flat_map(move |i| {
            let exchanged = (0..i).flat_map(move |j| {
                let invert = [0, 1 << j, 1 << i, 1 << j | 1 << i].into_iter();
                invert.map(move |invert| Self {
                    bits: [i, j],
                    invert,
                })
            });
            let inverted = Self {
                bits: [i, i],
                invert: bit_of(i).map_or(0, |bit| 1 << bit),
            };
            exchanged.chain([inverted])
        })
    }

    /// A wiring with this change.
    fn made(self, pins: &Pins) -> Pins {
        let mut out = pins.clone();
        out.pins.swap(self.bits[0] as usize, self.bits[1] as usize);
        for (bit, pin) in out.pins.iter().enumerate() {
            out.invert ^= (self.invert >> bit & 1) << pin;
        }
        out
    }

    /// An address with the two bits exchanged.
    fn swapped(self, address: u32) -> u32 {
        let [i, j] = self.bits;
        let differ = (address >> i ^ address >> j) & 1;
        address ^ (differ << i | differ << j)
    }
}

/// Cells that changed by their addresses behind a wiring, and what was held before in the order of these addresses: for
/// wirings that differ from it in one change.
struct Near {
    cells: Vec<Vec<Cell>>,
    before: Vec<Vec<u64>>,
    /// Bits that changed in the cells.
    changed: u32,
}

impl Near {
    fn of(looked: &Looked, cells: &[Vec<Cell>], pins: &Pins, len: u32) -> Self {
        let to = pins.cells(len);
        let wiring = Wiring::of(pins);
        let at = |c: &Cell| Cell {
            at: wiring.logical(c.at),
            ..*c
        };
        let in_order = |before: &Vec<u64>| to.iter().map(|x| before[*x as usize]).collect();
        Self {
            cells: (cells.iter()).map(|c| c.iter().map(at).collect()).collect(),
            before: looked.before.iter().map(in_order).collect(),
            changed: cells.iter().flatten().map(|c| c.changed.count_ones()).sum(),
        }
    }

    /// By how much the cells agree with what lies a step on behind the changed wiring; standard deviations, or `None` where
    /// that comes to less than `least`.
    fn agreement(&self, looked: &Looked, change: Change, stride: i32, least: f64) -> Option<f64> {
        // Of all that changed so many may differ, and one for what is rounded.
        let all = f64::from(self.changed);
        let most = ((all - least * all.sqrt()) / 2.0 + 1.0).max(0.0) as u32;
        looked.agreement_among(&self.cells, &self.before, most, |c, before| {
            let here = change.swapped(c.at) ^ change.invert;
            let next = here.wrapping_add_signed(stride);
            let held = match (next as usize) < before.len() {
                true => before.get(change.swapped(next ^ change.invert) as usize),
                false => None,
            };
            // Nothing that changed is what it was before.
            held.copied().unwrap_or(!c.after)
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Behind a changed wiring a cell's address, and the cell at an address, are those of the wiring before with the change
    /// made to the address.
    #[test]
    fn a_change_of_the_wiring_is_one_of_the_address() {
        let pins = Pins {
            pins: vec![2, 0, 3, 1],
            invert: 0b0101,
        };
        let all: Vec<Change> = Change::all(&pins).collect();
        // Six exchanges with four inversions each, and four inversions.
        assert_eq!(all.len(), 28);
        let mut said = HashSet::new();
        for change in all {
            let made = change.made(&pins);
            for x in 0..16 {
                let here = change.swapped(pins.logical(x)) ^ change.invert;
                assert_eq!(here, made.logical(x));
                let there = pins.physical(change.swapped(x ^ change.invert));
                assert_eq!(there, made.physical(x));
            }
            assert!(made != pins && said.insert((made.pins, made.invert)));
        }
        // By hand: bits 0 and 2 exchanged puts them on pins 3 and 2; bit 2, now on pin 2, is inverted no longer.
        let change = Change {
            bits: [2, 0],
            invert: 1 << 2,
        };
        let made = change.made(&pins);
        assert_eq!((made.pins, made.invert), (vec![3, 0, 2, 1], 0b0001));
    }

    /// Every step, up and down and beyond both ends, as looked up bit by bit.
    #[test]
    fn steps_are_as_one_by_one() {
        let mut random = Random::new(9);
        for (bits, planes) in [(7u32, 5u32), (5, 64), (9, 1)] {
            let len = 1u32 << bits;
            let mask = u64::MAX >> (64 - planes);
            let mut lines: Vec<u8> = (0..bits as u8).collect();
            random.shuffle(&mut lines);
            let pins = Pins {
                pins: lines,
                invert: random.below(len as usize) as u32,
            };
            let before: Vec<u64> = (0..len).map(|_| random.bits() & mask).collect();
            let cells: Vec<Cell> = (0..30)
                .map(|_| {
                    let at = random.below(len as usize) as u32;
                    let changed = random.bits() & random.bits() & mask;
                    let after = before[at as usize] ^ changed;
                    Cell { at, after, changed }
                })
                .collect();
            let looked = Looked {
                cells: vec![cells.clone()],
                before: vec![before.clone()],
                apart: planes.next_power_of_two(),
            };
            let most = len - 2;
            let steps = looked.steps(&looked.cells, &pins, len, most);
            assert_eq!(steps.len() as u32, 2 * most);
            assert!(steps.windows(2).all(|s| s[0].0 >= s[1].0));
            for (z, step) in steps {
                let (mut agree, mut all) = (0u32, 0u32);
                for c in &cells {
                    let to = i64::from(pins.logical(c.at)) + i64::from(step);
                    let inside = (0..i64::from(len)).contains(&to);
                    let held = inside.then(|| before[pins.physical(to as u32) as usize]);
                    for line in (0..planes).filter(|l| c.changed >> l & 1 == 1) {
                        all += 1;
                        agree += u32::from(held.is_some_and(|h| (h ^ c.after) >> line & 1 == 0));
                    }
                }
                let want = (2.0 * f64::from(agree) - f64::from(all)) / f64::from(all).sqrt();
                assert!((z - want).abs() < 1e-9, "{step}: {z} and {want}");
            }
        }
    }
}
