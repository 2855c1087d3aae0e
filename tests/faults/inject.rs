//! What faults do to chip contents, written down independently of the program's own causes.

use cellkeep::image::ChipImage;
use cellkeep::layout::model::Layout;

use crate::rng::Rng;

/// The faults injected, by the code the program should answer with.
pub(crate) const LINE_AND_CHIP: [&str; 21] = [
    "line.stuck",
    "line.bridged",
    "address.stuck",
    "address.bridged",
    "chip.dead",
    "chip.random",
    "chip.power-up",
    "all.blank",
    "bus.inverted",
    "bus.reversed",
    "line.crossed",
    "address.crossed",
    "address.rotated",
    "chips.exchanged",
    "chip.half",
    "bus.halves-swapped",
    "part.latched",
    "part.wrong",
    "board.random",
    "all.power-up",
    "all.random",
];

/// Faults of some cells or of a stream.
pub(crate) const CELLS: [&str; 7] = [
    "decay.scattered",
    "entry.glitched",
    "stream.slipped",
    "region.overwritten",
    "mirror.damaged",
    "decay.one-chip",
    "entry.trampled",
];

/// What the program should answer: the fault's own code, but for faults that are another one in a special place.
pub(crate) fn answers(fault: &str) -> &'static [&'static [&'static str]] {
    match fault {
        // A part with latched addresses, read as a static one, shows in each cell the one asked for before.
        "part.latched" => &[&["stream.slipped"]],
        // A smaller part chosen on the device programmer leaves its topmost address lines undriven.
        "part.wrong" => &[&["address.stuck"], &["address.stuck", "address.stuck"]],
        "board.random" => &[&["chip.random"]],
        "decay.one-chip" => &[&["decay.scattered"]],
        "entry.trampled" => &[&["region.overwritten"]],
        "mirror.damaged" => &[&["decay.scattered"], &["region.overwritten"]],
        _ => &[],
    }
}

fn cells(image: &ChipImage) -> Vec<u8> {
    image.values().to_vec()
}

fn put(image: &mut ChipImage, cells: &[u8]) {
    *image = ChipImage::from_cells(image.width(), cells).expect("the same shape");
}

/// The pattern that the cells of one chip come up with: stripes along one or two address lines, cells that differ from
/// them by the mismatch of their transistors, and a few that come up now this way, now that.
pub(crate) struct PowerUp {
    width: u8,
    cells: Vec<u8>,
    /// Share of bits that come up otherwise at any one power-up.
    unsteady: f64,
}

impl PowerUp {
    pub(crate) fn draw(words: u32, width: u8, rng: &mut Rng) -> Self {
        let lines = words.ilog2() as usize;
        let base = 1u32 << rng.below(lines)
            | if rng.chance(0.5) {
                1 << rng.below(lines)
            } else {
                0
            };
        let inverted: Vec<bool> = (0..width).map(|_| rng.chance(0.5)).collect();
        let odd = 0.01 + 0.08 * rng.unit();
        let cells = (0..words)
            .map(|c| {
                let stripe = (c & base).count_ones() & 1 == 1;
                inverted.iter().enumerate().fold(0, |v, (l, inv)| {
                    v | u8::from((stripe != *inv) != rng.chance(odd)) << l
                })
            })
            .collect();
        Self {
            width,
            cells,
            unsteady: 0.005 + 0.015 * rng.unit(),
        }
    }

    /// What one power-up shows.
    pub(crate) fn image(&self, rng: &mut Rng) -> ChipImage {
        let cells: Vec<u8> = self
            .cells
            .iter()
            .map(|v| (0..self.width).fold(*v, |v, l| v ^ u8::from(rng.chance(self.unsteady)) << l))
            .collect();
        ChipImage::from_cells(self.width, &cells).expect("the same shape")
    }
}

fn power_up(image: &mut ChipImage, rng: &mut Rng) {
    *image = PowerUp::draw(image.words(), image.width(), rng).image(rng);
}

/// Nonsense over one whole entry, whatever it holds: in every chip that it lies in, where it lies in the same cells of each,
/// side by side.
fn trampled(chips: &mut [ChipImage], layout: &Layout, rng: &mut Rng) -> Option<Vec<usize>> {
    let area = rng.pick(&layout.areas);
    let e = rng.below(area.entries());
    let places = &area.places[e * area.bits_per_entry..(e + 1) * area.bits_per_entry];
    let mut on: Vec<usize> = places.iter().map(|p| usize::from(p.chip)).collect();
    on.sort_unstable();
    on.dedup();
    let of = |chip: usize| {
        let cells = places.iter().filter(|p| usize::from(p.chip) == chip);
        let mut cells: Vec<u32> = cells.map(|p| p.cell).collect();
        cells.sort_unstable();
        cells.dedup();
        cells
    };
    let cells_of = of(on[0]);
    let beside = cells_of.windows(2).all(|w| w[0] + 1 == w[1]);
    if !beside || on.iter().any(|c| of(*c) != cells_of) {
        return None;
    }
    for chip in &on {
        let mut v = cells(&chips[*chip]);
        for cell in &cells_of {
            v[*cell as usize] = rng.next() as u8 & chips[*chip].mask();
        }
        put(&mut chips[*chip], &v);
    }
    Some(on)
}

/// Damages the images. Returns the chip concerned, or nothing where the fault does not apply to these chips.
pub(crate) fn inject(
    fault: &str,
    chips: &mut [ChipImage],
    layout: &Layout,
    rng: &mut Rng,
) -> Option<Vec<usize>> {
    let at = rng.below(chips.len());
    let width = chips[at].width();
    let words = chips[at].words();
    let lines = words.ilog2() as usize;
    let old = cells(&chips[at]);
    let mask = chips[at].mask();
    let one = Some(vec![at]);
    let two_lines = |rng: &mut Rng, n: usize| {
        let a = rng.below(n);
        let b = (a + 1 + rng.below(n - 1)) % n;
        (a, b)
    };
    match fault {
        "line.stuck" => {
            let bit = 1u8 << rng.below(width.into());
            let high = rng.chance(0.5);
            let new: Vec<u8> = old
                .iter()
                .map(|v| if high { v | bit } else { v & !bit })
                .collect();
            put(&mut chips[at], &new);
            one
        }
        "line.bridged" => {
            if width < 2 {
                return None;
            }
            let (a, b) = two_lines(rng, width.into());
            let and = rng.chance(0.5);
            let new: Vec<u8> = old
                .iter()
                .map(|v| {
                    let (x, y) = (v >> a & 1, v >> b & 1);
                    let z = if and { x & y } else { x | y };
                    v & !(1 << a | 1 << b) | z << a | z << b
                })
                .collect();
            put(&mut chips[at], &new);
            one
        }
        "address.stuck" => {
            let bit = 1usize << rng.below(lines);
            let high = rng.chance(0.5);
            let new: Vec<u8> = (0..old.len())
                .map(|c| old[if high { c | bit } else { c & !bit }])
                .collect();
            put(&mut chips[at], &new);
            one
        }
        "address.bridged" => {
            let (a, b) = two_lines(rng, lines);
            let and = rng.chance(0.5);
            let new: Vec<u8> = (0..old.len())
                .map(|c| {
                    let (x, y) = (c >> a & 1, c >> b & 1);
                    let z = if and { x & y } else { x | y };
                    old[c & !(1 << a | 1 << b) | z << a | z << b]
                })
                .collect();
            put(&mut chips[at], &new);
            one
        }
        "chip.dead" => {
            let any = rng.next() as u8 & mask;
            let v = *rng.pick(&[0, mask, any]);
            put(&mut chips[at], &vec![v; old.len()]);
            one
        }
        "chip.random" => {
            let new: Vec<u8> = old.iter().map(|_| rng.next() as u8 & mask).collect();
            put(&mut chips[at], &new);
            one
        }
        "chip.power-up" => {
            power_up(&mut chips[at], rng);
            one
        }
        "all.blank" => {
            let high = rng.chance(0.5);
            for c in chips.iter_mut() {
                let v = if high { c.mask() } else { 0 };
                let n = c.words() as usize;
                put(c, &vec![v; n]);
            }
            Some((0..chips.len()).collect())
        }
        "bus.inverted" => {
            let new: Vec<u8> = old.iter().map(|v| !v & mask).collect();
            put(&mut chips[at], &new);
            one
        }
        "bus.reversed" => {
            if width < 3 {
                return None;
            }
            let new: Vec<u8> = old
                .iter()
                .map(|v| (0..width).fold(0, |n, l| n | (v >> l & 1) << (width - 1 - l)))
                .collect();
            put(&mut chips[at], &new);
            one
        }
        "line.crossed" => {
            if width < 2 {
                return None;
            }
            let (a, b) = two_lines(rng, width.into());
            let new: Vec<u8> = old
                .iter()
                .map(|v| v & !(1 << a | 1 << b) | (v >> a & 1) << b | (v >> b & 1) << a)
                .collect();
            put(&mut chips[at], &new);
            one
        }
        "address.crossed" => {
            let (a, b) = two_lines(rng, lines);
            let new: Vec<u8> = (0..old.len())
                .map(|c| old[c & !(1 << a | 1 << b) | (c >> a & 1) << b | (c >> b & 1) << a])
                .collect();
            put(&mut chips[at], &new);
            one
        }
        "address.rotated" => {
            // Even cells first, then odd ones.
            let new: Vec<u8> = (0..old.len())
                .step_by(2)
                .chain((1..old.len()).step_by(2))
                .map(|c| old[c])
                .collect();
            put(&mut chips[at], &new);
            one
        }
        "chips.exchanged" => {
            let mates: Vec<usize> = (0..chips.len())
                .filter(|o| *o != at && chips[*o].words() == words && chips[*o].width() == width)
                .collect();
            if mates.is_empty() {
                return None;
            }
            let other = *rng.pick(&mates);
            chips.swap(at, other);
            Some(vec![at.min(other), at.max(other)])
        }
        "chip.half" => {
            // A byte file of a 4-bit chip: the other half floats, is tied, or repeats the nibble.
            if width != 8 {
                return None;
            }
            let (high, way) = (rng.chance(0.5), rng.below(3));
            let new: Vec<u8> = old
                .iter()
                .map(|v| {
                    let nibble = if high { v >> 4 } else { v & 15 };
                    let other = [0, 15, nibble][way];
                    if high {
                        nibble << 4 | other
                    } else {
                        other << 4 | nibble
                    }
                })
                .collect();
            put(&mut chips[at], &new);
            one
        }
        "bus.halves-swapped" => {
            if width != 8 {
                return None;
            }
            let new: Vec<u8> = old.iter().map(|v| v.rotate_left(4)).collect();
            put(&mut chips[at], &new);
            one
        }
        "part.latched" => {
            let new: Vec<u8> = (0..old.len()).map(|c| old[c.saturating_sub(1)]).collect();
            put(&mut chips[at], &new);
            one
        }
        "part.wrong" => {
            let driven = lines - rng.between(1, 2);
            let high = if rng.chance(0.5) {
                old.len() - (1 << driven)
            } else {
                0
            };
            let new: Vec<u8> = (0..old.len())
                .map(|c| old[c & ((1 << driven) - 1) | high])
                .collect();
            put(&mut chips[at], &new);
            one
        }
        "board.random" => {
            let board = layout.chips[at].board.as_deref()?;
            let on: Vec<usize> = (0..chips.len())
                .filter(|c| layout.chips[*c].board.as_deref() == Some(board))
                .collect();
            if on.len() < 2 || on.len() == chips.len() {
                return None;
            }
            for c in &on {
                let new: Vec<u8> = (0..chips[*c].words())
                    .map(|_| rng.next() as u8 & chips[*c].mask())
                    .collect();
                put(&mut chips[*c], &new);
            }
            Some(on)
        }
        "all.power-up" => {
            chips.iter_mut().for_each(|c| power_up(c, rng));
            Some((0..chips.len()).collect())
        }
        "all.random" => {
            for c in chips.iter_mut() {
                let new: Vec<u8> = (0..c.words())
                    .map(|_| rng.next() as u8 & c.mask())
                    .collect();
                put(c, &new);
            }
            Some((0..chips.len()).collect())
        }
        "mirror.damaged" => mirror(chips, layout, rng),
        "entry.trampled" => trampled(chips, layout, rng),
        "decay.one-chip" => {
            // A chip of one line cannot be told from its line.
            if chips.len() < 2 || width == 1 {
                return None;
            }
            let rate = 0.01 + 0.09 * rng.unit();
            let mut v = cells(&chips[at]);
            for cell in &mut v {
                *cell = (0..width).fold(*cell, |v, l| v ^ u8::from(rng.chance(rate)) << l);
            }
            put(&mut chips[at], &v);
            one
        }
        "decay.scattered" => {
            let rate = 0.0005 + 0.02 * rng.unit() * rng.unit();
            // Each cell has a side it falls to; most of a chip's fall to the same.
            let lean = if rng.chance(0.5) { 0.8 } else { 0.2 };
            for c in chips.iter_mut() {
                let mut v = cells(c);
                for cell in &mut v {
                    for l in 0..c.width() {
                        let falls_to = rng.chance(lean);
                        if rng.chance(2.0 * rate) {
                            *cell = *cell & !(1 << l) | u8::from(falls_to) << l;
                        }
                    }
                }
                put(c, &v);
            }
            Some((0..chips.len()).collect())
        }
        "entry.glitched" => {
            let length = if width == 1 {
                rng.between(6, 16)
            } else {
                rng.between(2, 10)
            };
            let start = if rng.chance(0.3) {
                0
            } else {
                rng.below(old.len() - length)
            };
            let mut new = old.clone();
            for v in &mut new[start..start + length] {
                *v = rng.next() as u8 & mask;
            }
            put(&mut chips[at], &new);
            one
        }
        "stream.slipped" => {
            let from = rng.below(old.len() * 3 / 4);
            let late = rng.chance(0.5);
            let mut new = old.clone();
            for (c, v) in new.iter_mut().enumerate().skip(from.max(1)) {
                let source = if late { c - 1 } else { c + 1 };
                *v = old.get(source).copied().unwrap_or(0);
            }
            put(&mut chips[at], &new);
            one
        }
        "region.overwritten" => {
            // The first presets, or up to a round address.
            let length = 1usize << rng.between(5, lines - 1);
            let start = if rng.chance(0.6) {
                0
            } else {
                rng.below(old.len() / length) * length
            };
            let mut new = old.clone();
            let constant = rng.chance(0.5).then(|| *rng.pick(&[0, mask]));
            for v in &mut new[start..start + length] {
                *v = constant.unwrap_or_else(|| rng.next() as u8 & mask);
            }
            put(&mut chips[at], &new);
            one
        }
        other => panic!("no such fault: {other} for {}", layout.id),
    }
}

/// Damage to a mirrored copy only: a stretch of its cells on one chip holds noise. The original is untouched.
fn mirror(chips: &mut [ChipImage], layout: &Layout, rng: &mut Rng) -> Option<Vec<usize>> {
    let copies: Vec<_> = layout.areas.iter().flat_map(|a| &a.copies).collect();
    if copies.is_empty() {
        return None;
    }
    let copy = *rng.pick(&copies);
    let at = usize::from(rng.pick(&copy.places).chip);
    let mut of_copy: Vec<u32> = copy
        .places
        .iter()
        .filter(|p| usize::from(p.chip) == at)
        .map(|p| p.cell)
        .collect();
    of_copy.sort_unstable();
    of_copy.dedup();
    let length = rng.between(24, 96).min(of_copy.len());
    let from = rng.below(of_copy.len() - length + 1);
    let mut new = cells(&chips[at]);
    for cell in &of_copy[from..from + length] {
        new[*cell as usize] = rng.next() as u8 & chips[at].mask();
    }
    put(&mut chips[at], &new);
    Some(vec![at])
}
