//! Presets in equal steps in an order of their own, behind swapped or inverted address lines or none.
//!
//! Whatever the order is: if a step is right, what each preset's cells hold after is what some preset's cells held
//! before. Rows of cells are compared with each other, so every step and every wiring can be looked at for little.

use rayon::prelude::*;

use super::super::abreast::{ABREAST, Bits};
use super::super::space::{Pins, PresetMap, gcd};
use super::{HAND_ON, Plane, Shifted};

/// Rows whose follower is looked for, at first and in full.
const ROWS: [usize; 2] = [3, 12];
/// Bits of a row that are compared, at first and in full: a wiring that is wrong for a part of the rows alone must show.
const BITS: [u32; 2] = [48, 1024];
/// Pieces of a row that are looked through for them at most.
const PIECES: [usize; 2] = [48, 192];
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

/// The likeliest steps.
fn best(steps: &mut Vec<Step>, keep: usize) {
    steps.sort_by(|a, b| {
        let by = a.unlike.total_cmp(&b.unlike);
        by.then_with(|| (a.stride, a.at, a.pins.invert).cmp(&(b.stride, b.at, b.pins.invert)))
    });
    steps.dedup_by(|a, b| a.stride == b.stride && a.pins == b.pins);
    steps.truncate(keep);
}

/// All numbers below one, in an order in which the first few lie far apart.
fn spread(count: usize) -> impl Iterator<Item = usize> {
    // The golden section, as nearly as it meets all.
    let by = (count * 618 / 1000).max(1);
    let by = (by..=count).find(|by| gcd(*by, count) == 1).unwrap_or(1);
    (0..count).map(move |i| i * by % count)
}

/// The memory in the order of its addresses behind a wiring.
struct Order<'a> {
    pins: &'a Pins,
    /// Bits of all planes, cell by cell.
    before: Bits,
    after: Bits,
    changed: Bits,
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
        let planes = packed.planes.max(1);
        let in_order = |bits: &[u64]| {
            let at = |x: &u32| bits.get(*x as usize).copied().unwrap_or(0);
            Bits::of_cells(cells.iter().map(at), planes)
        };
        let moves = |x: &u32| packed.changed.get(*x as usize).is_some_and(|c| *c != 0);
        let mut sums = vec![0; cells.len() + 1];
        for (a, x) in cells.iter().enumerate() {
            sums[a + 1] = sums[a] + u32::from(moves(x));
        }
        let from = cells.iter().position(moves).unwrap_or(0) as u32;
        let to = cells.iter().rposition(moves).unwrap_or(0) as u32;
        Self {
            pins,
            before: in_order(&packed.before),
            after: in_order(&packed.after),
            changed: in_order(&packed.changed),
            planes,
            presets: shifted.presets() as u32,
            sums,
            from,
            to,
        }
    }

    fn len(&self) -> u32 {
        self.sums.len() as u32 - 1
    }

    /// A step, where its rows are followed: with all of an entry together, or each of its cells a window apart.
    fn step(&self, stride: u32) -> Vec<Step> {
        let (n, len) = (self.presets, self.len());
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
        let last = self.len() as usize - span;
        let by = (stride as usize / 8).max(1);
        let all = (0..=last).step_by(by).chain([last]);
        let most = all.max_by_key(|&a| (self.sums[a + span] - self.sums[a], usize::MAX - a));
        most.unwrap_or(0) as u32
    }

    /// In what share of what unrelated rows differ in rows differ from what follows them.
    fn unlike(&self, stride: u32, at: u32, windows: u32, look: usize) -> f64 {
        let n = self.presets as usize;
        let rows = ROWS[look].min(n);
        let row = stride as usize * self.planes;
        // A row of every window, in pieces of a word.
        let of_window = row.div_ceil(ABREAST);
        let pieces = of_window * windows as usize;
        let (mut before, mut after): (Vec<u64>, Vec<u64>) = (Vec::new(), Vec::new());
        let (mut seen, mut used) = (0, ABREAST);
        for piece in spread(pieces).take(PIECES[look]) {
            let (window, within) = (piece / of_window, piece % of_window * ABREAST);
            let start =
                (at + window as u32 * self.presets * stride) as usize * self.planes + within;
            let len = (row - within).min(ABREAST);
            let live = (0..n).fold(0, |o, q| o | self.changed.from(start + q * row));
            let live = live & u64::MAX >> (ABREAST - len);
            if live == 0 {
                continue;
            }
            // As many pieces in a word as it takes.
            if used + len > ABREAST {
                before.resize(before.len() + n, 0);
                after.resize(after.len() + rows, 0);
                used = 0;
            }
            let last = before.len() - n;
            for (q, word) in before[last..].iter_mut().enumerate() {
                *word |= (self.before.from(start + q * row) & live) << used;
            }
            let last = after.len() - rows;
            for (r, word) in after[last..].iter_mut().enumerate() {
                *word |= (self.after.from(start + r * n / rows * row) & live) << used;
            }
            used += len;
            seen += live.count_ones();
            if seen >= BITS[look] {
                break;
            }
        }
        let (mut nearest, mut usual) = (0.0, 0.0);
        let mut apart = vec![0; n];
        for r in 0..rows {
            apart.fill(0);
            for (after, before) in after.chunks(rows).zip(before.chunks(n)) {
                for (apart, before) in apart.iter_mut().zip(before) {
                    *apart += (after[r] ^ before).count_ones();
                }
            }
            // What stays where it is says nothing.
            let others = apart.iter().enumerate().filter(|(o, _)| *o != r * n / rows);
            nearest += f64::from(others.map(|(_, apart)| *apart).min().unwrap_or(0));
            usual += f64::from(apart.iter().sum::<u32>()) / n as f64;
        }
        // Too little that differs tells nothing.
        if usual < 4.0 * rows as f64 {
            1.0
        } else {
            nearest / usual
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::super::rng::Random;
    use super::*;

    #[test]
    fn pieces_are_all_met_once() {
        for count in 1..200 {
            let mut all: Vec<usize> = spread(count).collect();
            all.sort_unstable();
            assert_eq!(all, (0..count).collect::<Vec<_>>());
        }
        // By hand: 618 in 1000 of 100 is 61, which has no divisor in common with it.
        assert_eq!(spread(100).take(4).collect::<Vec<_>>(), [0, 61, 22, 83]);
    }

    /// Eight presets, each of which holds afterwards what the next one in an order of its own held: in steps of 20 cells of
    /// three lines, and with each cell a window of eight apart. Followed without a difference at the right step, and at none
    /// that divides nothing alike.
    #[test]
    fn rows_are_followed_at_the_right_step_alone() {
        const NEXT: [usize; 8] = [3, 0, 5, 7, 1, 6, 4, 2];
        let mut random = Random::new(4);
        for (stride, windows) in [(20usize, 1usize), (1, 20)] {
            let size = 8 * stride * windows;
            let cell = |preset: usize, i: usize| (i / stride * 8 + preset) * stride + i % stride;
            let before: Vec<u64> = (0..size).map(|_| random.bits() & 7).collect();
            let mut after = before.clone();
            for preset in 0..8 {
                for i in 0..stride * windows {
                    after[cell(preset, i)] = before[cell(NEXT[preset], i)];
                }
            }
            let changed: Vec<u64> = before.iter().zip(&after).map(|(a, b)| a ^ b).collect();
            let pins = Pins::straight(8);
            let bits = |cells: &[u64]| Bits::of_cells(cells.iter().copied(), 3);
            let order = Order {
                pins: &pins,
                before: bits(&before),
                after: bits(&after),
                changed: bits(&changed),
                planes: 3,
                presets: 8,
                sums: vec![0; size + 1],
                from: 0,
                to: size as u32 - 1,
            };
            for look in [0, 1] {
                let right = order.unlike(stride as u32, 0, windows as u32, look);
                assert_eq!(right, 0.0);
            }
            assert!(order.unlike(4, 0, 5, 1) > FOLLOWS);
            assert!(order.unlike(10, 0, 2, 1) > FOLLOWS);
        }
    }
}
