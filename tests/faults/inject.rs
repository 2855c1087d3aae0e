//! What faults do to chip contents, written down independently of the program's own causes.

use cellkeep::image::ChipImage;
use cellkeep::layout::model::Layout;

use crate::rng::Rng;

/// The faults injected, by the code the program should answer with.
pub(crate) const LINE_AND_CHIP: [&str; 14] = [
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
];

/// Faults of some cells or of a stream.
pub(crate) const CELLS: [&str; 4] = [
    "decay.scattered",
    "entry.glitched",
    "stream.slipped",
    "region.overwritten",
];

fn cells(image: &ChipImage) -> Vec<u8> {
    image.values().to_vec()
}

fn put(image: &mut ChipImage, cells: &[u8]) {
    *image = ChipImage::from_cells(image.width(), cells).expect("the same shape");
}

/// The level pattern cells of a chip come up with: stripes along one or two address lines, and some that differ.
fn power_up(image: &mut ChipImage, rng: &mut Rng) {
    let lines = image.words().ilog2() as usize;
    let mut masks: Vec<(u32, bool)> = Vec::new();
    let base = 1u32 << rng.below(lines)
        | if rng.chance(0.5) {
            1 << rng.below(lines)
        } else {
            0
        };
    for _ in 0..image.width() {
        masks.push((base, rng.chance(0.5)));
    }
    let odd = 0.01 + 0.1 * rng.unit();
    let values: Vec<u8> = (0..image.words())
        .map(|c| {
            masks.iter().enumerate().fold(0, |v, (l, (m, inv))| {
                let bit = ((c & m).count_ones() & 1 == 1) != *inv;
                v | u8::from(bit != rng.chance(odd)) << l
            })
        })
        .collect();
    put(image, &values);
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
