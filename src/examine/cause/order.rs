//! Contents that are all there, in another order: bus inverted or reversed, lines crossed, chips exchanged, a
//! stream slipped by a clock. Nothing is lost, and undoing it gives the reading back.

use std::sync::Arc;

use super::{
    Cause, FAULT, LITTLE, Names, Scene, Shared, address_lines, finding, otherwise, sample,
};
use crate::evidence::one_of;
use crate::finding::{Finding, Place, Severity};
use crate::image::ChipImage;

/// How one chip's contents are rearranged.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Order {
    /// Every data line inverted.
    Inverted(usize),
    /// Data lines in reverse order.
    Reversed(usize),
    /// The two halves of each 8-bit cell exchanged.
    HalvesSwapped(usize),
    /// Two data lines crossed: chip, lines.
    LinesCrossed(usize, u8, u8),
    /// Two address lines crossed: chip, lines.
    AddressCrossed(usize, u8, u8),
    /// Address lines rotated by one: even cells first, then odd ones (or the way back).
    Rotated(usize, bool),
    /// From a cell on, cells show their neighbour: chip, first cell, true where the stream is late (shows the
    /// cell before), false where it is early.
    Slipped(usize, u32, bool),
    /// Two chips exchanged.
    Exchanged(usize, usize),
}

fn reverse(v: u8, width: u8) -> u8 {
    v.reverse_bits() >> (8 - width)
}

fn cross(v: u32, a: u8, b: u8) -> u32 {
    let differ = (v >> a ^ v >> b) & 1;
    v ^ (differ << a | differ << b)
}

impl Order {
    fn chip(self) -> usize {
        match self {
            Order::Inverted(c)
            | Order::Reversed(c)
            | Order::HalvesSwapped(c)
            | Order::LinesCrossed(c, ..)
            | Order::AddressCrossed(c, ..)
            | Order::Rotated(c, _)
            | Order::Slipped(c, ..)
            | Order::Exchanged(c, _) => c,
        }
    }

    /// The cell whose contents show at `cell`, if it is there.
    fn source(self, cell: u32, words: u32) -> Option<u32> {
        let lines = words.next_power_of_two().trailing_zeros();
        let from = match self {
            Order::AddressCrossed(_, a, b) => cross(cell, a, b),
            Order::Rotated(_, _) if lines < 2 => cell,
            Order::Rotated(_, true) => cell >> (lines - 1) | (cell << 1) & (words - 1),
            Order::Rotated(_, false) => cell >> 1 | (cell & 1) << (lines - 1),
            Order::Slipped(_, first, late) if cell >= first => {
                if late {
                    cell.checked_sub(1)?
                } else {
                    cell + 1
                }
            }
            _ => cell,
        };
        (from < words).then_some(from)
    }

    /// What a cell holds once crossed lines are put right.
    fn put_right(self, image: &ChipImage, cell: u32) -> u8 {
        let from = self.source(cell, image.words()).unwrap_or(cell);
        let value = image.values().get(from as usize).copied().unwrap_or(0);
        self.value(value, image.width())
    }

    fn value(self, v: u8, width: u8) -> u8 {
        match self {
            Order::Inverted(_) => !v,
            Order::Reversed(_) => reverse(v, width),
            Order::HalvesSwapped(_) => v.rotate_left(4),
            Order::LinesCrossed(_, a, b) => cross(u32::from(v), a, b) as u8,
            _ => v,
        }
    }

    fn mask(self, k: u8, width: u8) -> u8 {
        match self {
            Order::Inverted(_) => k,
            _ => self.value(k, width),
        }
    }

    /// Bits of a sample of cells that differ from what is seen, when this is what happened to `expected`; counted no
    /// further than the limit.
    fn misses(self, seen: &ChipImage, expected: &ChipImage, limit: u32) -> u32 {
        let (words, width) = (seen.words(), seen.width());
        let (values, known) = (expected.values(), expected.known());
        let at = |from: u32| {
            let f = from as usize;
            Some((*values.get(f)?, *known.get(f)?))
        };
        match self {
            Order::AddressCrossed(_, a, b) => differing(seen, limit, |c| at(cross(c, a, b))),
            Order::Rotated(..) | Order::Slipped(..) => {
                differing(seen, limit, |c| at(self.source(c, words)?))
            }
            _ => {
                // Where the cells stay, what each value becomes is looked up.
                let table: [u8; 256] = std::array::from_fn(|v| self.value(v as u8, width));
                let keeps = matches!(self, Order::Inverted(_));
                differing(seen, limit, |c| {
                    let (v, k) = at(c)?;
                    let k = if keeps { k } else { table[usize::from(k)] };
                    Some((table[usize::from(v)], k))
                })
            }
        }
    }
}

/// Bits of a sample of cells that differ between what is seen and what is shown, counted no further than the limit.
/// What is shown of a cell is its value and the bits known of it.
fn differing(seen: &ChipImage, limit: u32, shows: impl Fn(u32) -> Option<(u8, u8)>) -> u32 {
    let mut miss = 0;
    for cell in sample(seen.words()) {
        if let Some((v, k)) = shows(cell) {
            let c = cell as usize;
            let differ = (seen.values()[c] ^ v) & seen.known()[c] & k;
            if differ != 0 {
                miss += differ.count_ones();
                if miss > limit {
                    break;
                }
            }
        }
    }
    miss
}

/// The orders of one chip that bring it closest to what is expected, of those that bring it closer at all.
fn closest(orders: Vec<Order>, image: &ChipImage, expected: &ChipImage, plain: u32) -> Vec<Order> {
    let mut best: Vec<(u32, Order)> = Vec::new();
    let mut limit = plain.saturating_sub(4 + (f64::from(plain) * LITTLE) as u32);
    for order in orders {
        let misses = order.misses(image, expected, limit);
        if misses >= limit {
            continue;
        }
        let at = best.partition_point(|b| b.0 <= misses);
        best.insert(at, (misses, order));
        best.truncate(MOST);
        if let Some(last) = best.get(MOST - 1) {
            limit = limit.min(last.0);
        }
    }
    best.into_iter().map(|b| b.1).collect()
}

/// Most orders of one chip that are weighed with an earlier reading: as many as are weighed of all causes.
const MOST: usize = 12;

impl Cause for Order {
    fn code(&self) -> &'static str {
        match self {
            Order::Inverted(_) => "bus.inverted",
            Order::Reversed(_) => "bus.reversed",
            Order::HalvesSwapped(_) => "bus.halves-swapped",
            Order::LinesCrossed(..) => "line.crossed",
            Order::AddressCrossed(..) => "address.crossed",
            Order::Rotated(..) => "address.rotated",
            Order::Slipped(..) => "stream.slipped",
            Order::Exchanged(..) => "chips.exchanged",
        }
    }

    fn length(&self, chips: &[ChipImage]) -> f64 {
        let image = chips.get(self.chip());
        let lines = image.map_or(1, |c| address_lines(c) as usize);
        let width = image.map_or(1, |c| usize::from(c.width()));
        FAULT
            + one_of(chips.len())
            + match self {
                Order::Inverted(_) | Order::Reversed(_) | Order::HalvesSwapped(_) => 1.0,
                Order::Rotated(..) => 2.0,
                Order::LinesCrossed(..) => 2.0 + one_of(width * width / 2),
                Order::AddressCrossed(..) => 2.0 + one_of(lines * lines / 2),
                Order::Slipped(..) => 1.0 + lines as f64,
                // Chips differ in their screws and labels: an exchange takes some carelessness (common practice, no source).
                Order::Exchanged(..) => 3.0 + one_of(chips.len().saturating_sub(1)),
            }
    }

    fn forward(&self, chips: &mut [ChipImage]) {
        if let Order::Exchanged(a, b) = *self {
            if a < chips.len() && b < chips.len() {
                chips.swap(a, b);
            }
            return;
        }
        let Some(image) = chips.get_mut(self.chip()) else {
            return;
        };
        let (words, width) = (image.words(), image.width());
        let old = image.clone();
        image.edit(|cell, _, _| match self.source(cell, words) {
            Some(from) => {
                let f = from as usize;
                (
                    self.value(old.values()[f], width),
                    self.mask(old.known()[f], width),
                )
            }
            None => (0, 0),
        });
    }

    fn undo(&self, chips: &mut [ChipImage], _plausible: bool) {
        // Done twice, these leave everything as it was.
        if let Order::Exchanged(..) | Order::AddressCrossed(..) = self {
            self.forward(chips);
            return;
        }
        let Some(image) = chips.get_mut(self.chip()) else {
            return;
        };
        let (words, width) = (image.words(), image.width());
        if !matches!(self, Order::Rotated(..) | Order::Slipped(..)) {
            // Where the cells stay, what each value becomes is looked up.
            let values: [u8; 256] = std::array::from_fn(|v| self.value(v as u8, width));
            let masks: [u8; 256] = std::array::from_fn(|k| self.mask(k as u8, width));
            image.edit(|_, v, k| (values[usize::from(v)], masks[usize::from(k)]));
            return;
        }
        let seen = image.clone();
        image.edit(|_, _, _| (0, 0));
        for cell in 0..words {
            if let Some(from) = self.source(cell, words) {
                let c = cell as usize;
                // Every value map here is its own inverse.
                let (v, k) = (
                    self.value(seen.values()[c], width),
                    self.mask(seen.known()[c], width),
                );
                image.set_cell(from, v, k);
            }
        }
    }

    fn rearranges(&self) -> bool {
        true
    }

    fn neighbours(&self) -> Vec<Shared> {
        let Order::Slipped(chip, first, late) = *self else {
            return Vec::new();
        };
        const STEPS: [i64; 4] = [1, 2, 9, 27];
        STEPS
            .iter()
            .flat_map(|s| [-s, *s])
            .filter_map(|s| u32::try_from(i64::from(first) + s).ok())
            .map(|first| Arc::new(Order::Slipped(chip, first, late)) as Shared)
            .collect()
    }

    fn chips(&self) -> Vec<usize> {
        match self {
            Order::Exchanged(a, b) => vec![*a, *b],
            _ => vec![self.chip()],
        }
    }

    fn tell(&self, names: &Names) -> Finding {
        let id = names.of(self.chip()).to_owned();
        let mut place = names.place(self.chip());
        let nothing_lost = "Nothing is lost: put back in order, the reading is complete.";
        let (says, act, list): (String, &str, &[&str]) = match *self {
            Order::Inverted(_) => (
                format!("{id}: every bit is inverted"),
                "Check whether the reader or a buffer inverts; if the board does, the layout must say so.",
                &["the layout lacks an inversion"],
            ),
            Order::Reversed(_) => (
                format!("{id}: the data lines are in reverse order"),
                "Check how D0 to the top line were wired to the reader.",
                &["the layout counts the data pins from the other end"],
            ),
            Order::HalvesSwapped(_) => (
                format!("{id}: the two halves of each byte are exchanged"),
                "Exchange the two 4-bit chips or files that make up the byte.",
                &["the layout has the nibbles the other way round"],
            ),
            Order::LinesCrossed(_, a, b) => {
                place.data_lines = vec![a, b];
                (
                    format!("{id}: data lines D{a} and D{b} are crossed"),
                    "Check the wiring of those two lines at the reader.",
                    &["the layout has them the other way round"],
                )
            }
            Order::AddressCrossed(_, a, b) => {
                place.address_lines = vec![a, b];
                (
                    format!("{id}: address lines A{a} and A{b} are crossed"),
                    "Check the wiring of those two lines at the reader.",
                    &["the layout has them the other way round"],
                )
            }
            Order::Rotated(..) => (
                format!(
                    "{id}: the address lines are rotated by one: even cells come first, then odd ones"
                ),
                "Check where A0 is wired at the reader, or how the file was split.",
                &["the file was made by splitting even and odd bytes"],
            ),
            Order::Slipped(_, first, late) => {
                place.cells = super::runs(first, u32::MAX);
                let shows = if late { "before" } else { "after" };
                (
                    format!(
                        "{id}: from cell {first:#06x} on, each cell shows the one {shows} it: a clock was {}",
                        if late { "missed" } else { "counted twice" }
                    ),
                    "Read that chip again; if it repeats, look at the clock or at the address latch of the part.",
                    &["a part with latched addresses was read as a static one"],
                )
            }
            Order::Exchanged(a, b) => {
                let f = Finding::new(
                    self.code(),
                    Severity::Damage,
                    format!("{} and {} are exchanged", names.of(a), names.of(b)),
                )
                .at(Place {
                    chips: vec![names.place(a), names.place(b)],
                    ..Place::default()
                })
                .means(nothing_lost)
                .act("Check whether the files were named after the wrong chips, or the boards sit in each other's place.");
                return otherwise(f, &["the boards were exchanged in an earlier repair"]);
            }
        };
        let means = match self {
            Order::Slipped(..) => {
                "One cell is lost, where the clock went wrong or at the end; put back in order, the others are complete."
            }
            _ => nothing_lost,
        };
        otherwise(
            finding(self.code(), place, says).means(means).act(act),
            list,
        )
    }
}

/// Every pair of data lines crossed and of address lines crossed.
fn crossed(chip: usize, image: &ChipImage) -> Vec<Order> {
    let pairs = |n: u8| (0..n).flat_map(move |a| (a + 1..n).map(move |b| (a, b)));
    let data = pairs(image.width()).map(|(a, b)| Order::LinesCrossed(chip, a, b));
    let whole = image.words().is_power_of_two();
    let lines = if whole { address_lines(image) as u8 } else { 0 };
    let address = pairs(lines).map(|(a, b)| Order::AddressCrossed(chip, a, b));
    data.chain(address).collect()
}

/// Every crossing of every chip that leaves unclaimed cells about as blank as they are, for when nothing else explains
/// what promises are broken. The unclaimed cells are given by chip, each with what a blank one holds.
pub(crate) fn crossings(chips: &[ChipImage], unclaimed: &[Vec<(u32, u8)>]) -> Vec<Shared> {
    const LOOKED_AT: usize = 256;
    let mut out = Vec::new();
    for ((chip, image), cells) in chips.iter().enumerate().zip(unclaimed) {
        let step = cells.len().div_ceil(LOOKED_AT).max(1);
        let used = |order: Order| {
            let cells = cells.iter().step_by(step);
            let used = cells.filter(|(cell, blank)| order.put_right(image, *cell) != *blank);
            used.count()
        };
        let now = used(Order::LinesCrossed(chip, 0, 0));
        let orders = crossed(chip, image).into_iter();
        let orders = orders.filter(|o| used(*o) <= now + LOOKED_AT / 16);
        out.extend(orders.map(|o| Arc::new(o) as Shared));
    }
    out
}

/// Pairs of lines crossed are tried only where the contents break promises.
pub(super) fn propose(scene: &Scene, out: &mut Vec<Shared>) {
    for chip in 0..scene.seen.len() {
        let image = &scene.seen[chip];
        let (width, lines) = (image.width(), address_lines(image) as u8);
        let mut orders = vec![Order::Inverted(chip)];
        if width > 1 {
            orders.push(Order::Reversed(chip));
        }
        if width == 8 {
            orders.push(Order::HalvesSwapped(chip));
        }
        if image.words().is_power_of_two() && lines > 1 {
            orders.push(Order::Rotated(chip, true));
            orders.push(Order::Rotated(chip, false));
        }
        if scene.expected.is_some() || scene.crossings {
            orders.extend(crossed(chip, image));
        }
        match scene.expected {
            Some(expected) => {
                let plain =
                    Order::LinesCrossed(chip, 0, 0).misses(image, &expected[chip], u32::MAX);
                orders = closest(orders, image, &expected[chip], plain);
                orders.extend(slips(image, &expected[chip], chip));
            }
            None => worth_alone(scene, image, &mut orders),
        }
        for order in orders {
            out.push(Arc::new(order));
        }
    }
    exchanges(scene, out);
}

/// Largest chip whose contents are put in another order on trial from one reading alone even if no promise is broken.
const SMALL: u64 = 20_000;

/// From one reading alone, only a layout tells one order from another. Crossings are many and weighed only where
/// the contents break promises; the others where the chip is small too.
fn worth_alone(scene: &Scene, image: &ChipImage, orders: &mut Vec<Order>) {
    let small = image.bits() <= SMALL;
    if scene.further {
        // Beside a cause that hides half the contents, a rearrangement only chooses which half.
        orders.clear();
    }
    orders.retain(|o| {
        scene.layout.is_some()
            && match o {
                Order::LinesCrossed(..) | Order::AddressCrossed(..) => scene.strained,
                _ => scene.strained || small,
            }
    });
}

fn exchanges(scene: &Scene, out: &mut Vec<Shared>) {
    for a in 0..scene.seen.len() {
        for b in a + 1..scene.seen.len() {
            let (x, y) = (&scene.seen[a], &scene.seen[b]);
            if x.words() != y.words() || x.width() != y.width() {
                continue;
            }
            let worth = match scene.expected {
                Some(e) => {
                    let same = Order::LinesCrossed(0, 0, 0);
                    let misses = |x, e| same.misses(x, e, u32::MAX);
                    let straight = misses(x, &e[a]) + misses(y, &e[b]);
                    misses(x, &e[b]) + misses(y, &e[a]) + 4 < straight
                }
                None => {
                    scene.layout.is_some()
                        && !scene.further
                        && (scene.strained || x.bits() <= SMALL)
                }
            };
            if worth {
                out.push(Arc::new(Order::Exchanged(a, b)));
            }
        }
    }
}

/// The best starting cell of a slip in each direction, by comparing with what is expected.
fn slips(seen: &ChipImage, expected: &ChipImage, chip: usize) -> Vec<Order> {
    let words = seen.words() as usize;
    let miss = |c: usize, from: Option<usize>| match from.filter(|f| *f < words) {
        Some(f) => {
            ((seen.values()[c] ^ expected.values()[f]) & seen.known()[c] & expected.known()[f])
                .count_ones()
        }
        None => 0,
    };
    let mut out = Vec::new();
    let straight: u32 = (0..words).map(|c| miss(c, Some(c))).sum();
    for late in [true, false] {
        let slipped = |c: usize| miss(c, if late { c.checked_sub(1) } else { Some(c + 1) });
        // Start with everything slipped and move the start up.
        let mut total: u32 = (0..words).map(slipped).sum();
        let mut best = (total, 0);
        for c in 0..words {
            total = total + miss(c, Some(c)) - slipped(c);
            if total < best.0 {
                best = (total, c + 1);
            }
        }
        if best.0 + 4 < straight && best.1 < words {
            out.push(Order::Slipped(chip, best.1 as u32, late));
        }
    }
    out
}

/// The best starting cell of a slip in each direction, by the strain the contents are under straight and slipped.
pub(crate) fn slip_by_strain(
    chip: usize,
    straight: &[f32],
    slipped: &[f32],
    late: bool,
) -> Option<Order> {
    let mut total: f64 = slipped.iter().map(|s| f64::from(*s)).sum();
    let whole: f64 = straight.iter().map(|s| f64::from(*s)).sum();
    let mut best = (total, 0);
    for (c, (s, t)) in straight.iter().zip(slipped).enumerate() {
        total += f64::from(*s) - f64::from(*t);
        if total < best.0 {
            best = (total, c + 1);
        }
    }
    (best.0 + 4.0 < whole && best.1 < straight.len()).then_some(Order::Slipped(
        chip,
        best.1 as u32,
        late,
    ))
}
