//! Presets in equal steps in an order of their own, behind swapped or inverted address lines or none.
//!
//! Whatever the order is: if a step is right, what each preset's cells hold after is what some preset's cells held
//! before. Rows of cells are compared with each other, so every step and every wiring can be looked at for little.

use rayon::prelude::*;

use super::super::space::{Pins, PresetMap};
use super::{HAND_ON, Plane, Shifted, apart};

/// Rows whose follower is looked for, at first and in full.
const ROWS: [usize; 2] = [3, 12];
/// Bits of a row that are compared, at first and in full.
const BITS: [usize; 2] = [48, 192];
/// A follower differs in a smaller share of what unrelated rows differ in than this.
const FOLLOWS: f64 = 0.4;
/// Presets in a row in which a bit may stand still by chance, at both ends of what changed together.
const MOST_STILL: u32 = 10;
/// How many wirings are changed further.
const CLIMB: usize = 8;

/// What is compared of every cell: a bit a plane, before and after, and where it changed.
pub(super) struct Packed {
    pub(super) before: Vec<u64>,
    pub(super) after: Vec<u64>,
    pub(super) changed: Vec<u64>,
    planes: usize,
}

/// Up to 64 planes, packed.
pub(super) fn pack(planes: &[Plane], size: usize) -> Packed {
    let mut out = Packed {
        before: vec![0; size],
        after: vec![0; size],
        changed: vec![0; size],
        planes: planes.len(),
    };
    for (i, plane) in planes.iter().enumerate() {
        for x in 0..size {
            out.before[x] |= u64::from(plane.before[x]) << i;
            out.after[x] |= u64::from(plane.after[x]) << i;
        }
        for &x in &plane.changed {
            out.changed[x as usize] |= 1 << i;
        }
    }
    out
}

/// A step, where it starts, and how unlike what follows its rows is.
#[derive(Clone, Debug)]
struct Step {
    unlike: f64,
    stride: u32,
    at: u32,
    /// Windows at a pitch of all presets' steps.
    windows: u32,
    pins: Pins,
}

impl Shifted {
    /// Equal steps in an order of their own.
    pub(super) fn stepped_in_order(&self) -> Vec<PresetMap> {
        let packed = self.packed();
        let steps = self.steps_behind(&packed, &Pins::straight(self.bits));
        self.in_order_of_their_own(&packed, steps)
    }

    /// The same behind swapped or inverted address lines.
    pub(crate) fn stepped_in_order_behind_pins(&self) -> Vec<PresetMap> {
        if !(2..=13).contains(&self.bits) || self.len != 1 << self.bits {
            return Vec::new();
        }
        let packed = self.packed();
        let straight = Pins::straight(self.bits);
        let mut wirings = straight.changes(false);
        wirings.push(straight);
        let inverted: Vec<Pins> = (wirings.iter())
            .flat_map(|p| (0..self.bits).map(|i| p.inverted(i)))
            .collect();
        wirings.extend(inverted);
        let mut steps: Vec<Step> = (wirings.par_iter())
            .flat_map_iter(|pins| self.steps_behind(&packed, pins))
            .collect();
        best(&mut steps, CLIMB);
        for _ in 0..4 {
            if steps.first().is_none_or(|s| s.unlike < 0.02) {
                break;
            }
            let further: Vec<Step> = steps
                .par_iter()
                .flat_map_iter(|s| {
                    let changes = s.pins.changes(true).into_iter();
                    changes.flat_map(|pins| self.step_behind(&packed, &pins, s.stride))
                })
                .collect();
            let before = steps.len();
            steps.extend(further);
            best(&mut steps, CLIMB);
            if steps.len() == before {
                break;
            }
        }
        self.in_order_of_their_own(&packed, steps)
    }

    fn packed(&self) -> Packed {
        pack(&self.planes[..self.planes.len().min(64)], self.len as usize)
    }

    /// The steps whose rows are followed, behind a wiring.
    fn steps_behind(&self, packed: &Packed, pins: &Pins) -> Vec<Step> {
        let order = Order::of(self, packed, pins);
        let mut steps: Vec<Step> = (1..=self.len / self.presets() as u32)
            .flat_map(|stride| order.step(stride))
            .collect();
        best(&mut steps, CLIMB);
        steps
    }

    fn step_behind(&self, packed: &Packed, pins: &Pins, stride: u32) -> Vec<Step> {
        Order::of(self, packed, pins).step(stride)
    }

    /// The maps of some steps, in the order in which their rows follow each other.
    fn in_order_of_their_own(&self, packed: &Packed, mut steps: Vec<Step>) -> Vec<PresetMap> {
        best(&mut steps, HAND_ON);
        let n = self.presets() as u32;
        let mut out: Vec<PresetMap> = Vec::new();
        for s in &steps {
            let places: Vec<u32> = (0..n).map(|q| q * s.stride).collect();
            let cells = s.pins.cells(self.len);
            let live = |b: &u32| {
                let mut cells = places.iter().map(|o| cells[(b + o) as usize] as usize);
                cells.any(|x| packed.changed[x] != 0)
            };
            let bases: Vec<u32> = (0..s.windows)
                .flat_map(|w| (0..s.stride).map(move |r| s.at + w * n * s.stride + r))
                .filter(|b| b + (n - 1) * s.stride < self.len)
                .filter(live)
                .collect();
            let Some((fit, orders)) = self.walks(&bases, &places, |b, o| cells[(b + o) as usize])
            else {
                continue;
            };
            // As in `tabled`, all ways for the likeliest step only.
            let keep = if out.is_empty() {
                orders.len()
            } else {
                self.few_ways()
            };
            for order in orders.into_iter().take(keep) {
                let order: Vec<u32> = order.into_iter().map(|q| q as u32).collect();
                let plain = s.pins == Pins::straight(self.bits);
                let behind = match plain {
                    true => "",
                    false => ", behind swapped or inverted address lines",
                };
                let says = format!("in steps of {}, in an order of its own{behind}", s.stride);
                let mut map = PresetMap::stepped(s.stride, &order, says);
                if !plain {
                    map.pins = s.pins.clone();
                }
                out.push(map);
            }
            if fit == self.perfect() {
                break;
            }
        }
        out
    }
}

/// What a cell's presets hold, one after the other.
fn each(bits: &[u64], base: u32, stride: u32, presets: u32) -> impl Iterator<Item = &u64> {
    let from = bits.get(base as usize..).unwrap_or(&[]);
    from.iter().step_by(stride as usize).take(presets as usize)
}

/// The likeliest steps.
fn best(steps: &mut Vec<Step>, keep: usize) {
    steps.sort_by(|a, b| {
        let by = a.unlike.total_cmp(&b.unlike);
        by.then_with(|| (a.stride, a.at, a.pins.invert).cmp(&(b.stride, b.at, b.pins.invert)))
    });
    steps.dedup_by(|a, b| a.stride == b.stride && a.pins == b.pins);
    steps.truncate(keep);
}

/// The memory in the order of its addresses behind a wiring.
struct Order<'a> {
    pins: &'a Pins,
    before: Vec<u64>,
    after: Vec<u64>,
    changed: Vec<u64>,
    planes: usize,
    presets: u32,
    /// Changed cells up to each address.
    sums: Vec<u32>,
    /// First and last changed address.
    from: u32,
    to: u32,
}

impl<'a> Order<'a> {
    fn of(shifted: &Shifted, packed: &Packed, pins: &'a Pins) -> Self {
        let cells = pins.cells(shifted.len);
        let in_order = |bits: &[u64]| -> Vec<u64> {
            let at = |x: &u32| bits.get(*x as usize).copied().unwrap_or(0);
            cells.iter().map(at).collect()
        };
        let changed = in_order(&packed.changed);
        let mut sums = vec![0; changed.len() + 1];
        for (a, c) in changed.iter().enumerate() {
            sums[a + 1] = sums[a] + u32::from(*c != 0);
        }
        let moves = |c: &u64| *c != 0;
        let from = changed.iter().position(moves).unwrap_or(0) as u32;
        let to = changed.iter().rposition(moves).unwrap_or(0) as u32;
        Self {
            pins,
            before: in_order(&packed.before),
            after: in_order(&packed.after),
            changed,
            planes: packed.planes.max(1),
            presets: shifted.presets() as u32,
            sums,
            from,
            to,
        }
    }

    /// A step, where its rows are followed: with all of an entry together, or each of its cells a window apart.
    fn step(&self, stride: u32) -> Vec<Step> {
        let (n, len) = (self.presets, self.changed.len() as u32);
        let (span, used) = (n * stride, self.to + 1 - self.from);
        if span > len || span >= used + 2 * stride {
            return Vec::new();
        }
        let mut starts: Vec<(u32, u32)> = Vec::new();
        if span + stride >= used {
            starts.push((self.fullest(stride), 1));
        } else {
            let windows = used.div_ceil(span);
            let spare = windows * span - used;
            // Some preset among the first few, and the last few, changes the first bit, and the last.
            if spare > MOST_STILL * stride {
                return Vec::new();
            }
            let back = (0..=spare / stride).map(|i| i * stride);
            let at = back.filter_map(|b| self.from.checked_sub(b));
            starts.extend(
                at.filter(|a| a + windows * span <= len)
                    .map(|a| (a, windows)),
            );
        }
        let step = |(at, windows): (u32, u32)| {
            let unlike = |look: usize| self.unlike(stride, at, windows, look);
            let unlike = (unlike(0) < FOLLOWS).then(|| unlike(1))?;
            (unlike < FOLLOWS).then(|| Step {
                unlike,
                stride,
                at,
                windows,
                pins: self.pins.clone(),
            })
        };
        starts.into_iter().filter_map(step).collect()
    }

    /// Where a window of all presets holds most of what changed.
    fn fullest(&self, stride: u32) -> u32 {
        let span = (self.presets * stride) as usize;
        let last = self.changed.len() - span;
        let by = (stride as usize / 8).max(1);
        let all = (0..=last).step_by(by).chain([last]);
        let most = all.max_by_key(|&a| (self.sums[a + span] - self.sums[a], usize::MAX - a));
        most.unwrap_or(0) as u32
    }

    /// In what share of what unrelated rows differ in rows differ from what follows them.
    fn unlike(&self, stride: u32, at: u32, windows: u32, look: usize) -> f64 {
        let n = self.presets;
        let all = windows * stride;
        let planes = self.planes;
        let want = ((BITS[look] / planes).max(4) as u32).min(all);
        let some: Vec<(u32, u64)> = (0..want)
            .map(|i| (u64::from(i) * u64::from(all) / u64::from(want)) as u32)
            .map(|i| at + i / stride * n * stride + i % stride)
            .map(|base| {
                (
                    base,
                    each(&self.changed, base, stride, n).fold(0, |o, c| o | c),
                )
            })
            .filter(|(_, live)| *live != 0)
            .collect();
        if some.is_empty() {
            return 1.0;
        }
        // As many cells in a word as it takes.
        let together = 64 / planes;
        let words = some.len().div_ceil(together);
        let mut before = vec![0u64; words * n as usize];
        for (i, (base, live)) in some.iter().enumerate() {
            let (word, by) = (i / together, i % together * planes);
            let rows = before.iter_mut().skip(word).step_by(words);
            for (row, held) in rows.zip(each(&self.before, *base, stride, n)) {
                *row |= (held & live) << by;
            }
        }
        let held = |q: u32, words: &mut Vec<u64>| {
            for some in some.chunks(together) {
                let word = |o: u64, (i, (base, live)): (usize, &(u32, u64))| {
                    o | (self.after[(base + q * stride) as usize] & live) << (i * planes)
                };
                words.push(some.iter().enumerate().fold(0, word));
            }
        };
        let rows = ROWS[look].min(n as usize) as u32;
        let (mut nearest, mut usual) = (0.0, 0.0);
        let mut after = Vec::with_capacity(words);
        for row in 0..rows {
            let q = row * n / rows;
            after.clear();
            held(q, &mut after);
            let (mut least, mut sum) = (u32::MAX, 0);
            for (o, before) in (0..n).zip(before.chunks(words)) {
                let apart = apart(&after, before);
                sum += apart;
                // What stays where it is says nothing.
                if o != q {
                    least = least.min(apart);
                }
            }
            nearest += f64::from(if least == u32::MAX { 0 } else { least });
            usual += f64::from(sum) / f64::from(n);
        }
        // Too little that differs tells nothing.
        if usual < 4.0 * f64::from(rows) {
            1.0
        } else {
            nearest / usual
        }
    }
}
