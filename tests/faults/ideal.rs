//! What the best observer could reach: one who knows the contents before the fault, and with what chances the injector
//! draws each fault, and answers the likeliest. No one who knows less can do better.

use std::sync::Arc;

use cellkeep::examine::cause::{Address, Cause, Line, Order};
use cellkeep::image::ChipImage;
use cellkeep::layout::model::Layout;

use crate::inject::{CELLS, LINE_AND_CHIP, answers};
use crate::trial::{Trial, class};

/// What is known of a trial.
struct Scene<'a> {
    truth: &'a [ChipImage],
    seen: &'a [ChipImage],
    layout: &'a Layout,
    /// Chips that differ.
    changed: Vec<usize>,
}

/// log2 of a sum of powers of two.
fn log2_sum(terms: impl IntoIterator<Item = f64>) -> f64 {
    let terms: Vec<f64> = terms.into_iter().filter(|t| t.is_finite()).collect();
    let most = terms.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    if most.is_finite() {
        most + terms.iter().map(|t| (t - most).exp2()).sum::<f64>().log2()
    } else {
        f64::NEG_INFINITY
    }
}

const NEVER: f64 = f64::NEG_INFINITY;

/// The part of an equally likely choice of faults of one chip that comes to what is seen, as log2.
fn drawn(scene: &Scene, chip: usize, causes: Vec<Arc<dyn Cause>>) -> f64 {
    let all = causes.len() as f64;
    let hits = causes.iter().filter(|cause| {
        let mut chips = scene.truth.to_vec();
        cause.forward(&mut chips);
        chips[chip] == scene.seen[chip]
    });
    (hits.count() as f64 / all).log2()
}

fn pairs(n: u8) -> impl Iterator<Item = (u8, u8)> {
    (0..n).flat_map(move |a| (a + 1..n).map(move |b| (a, b)))
}

/// Bits of two images that differ in some cells.
fn differing(a: &ChipImage, b: &ChipImage, cells: impl Iterator<Item = usize>) -> u32 {
    cells
        .map(|c| (a.values()[c] ^ b.values()[c]).count_ones())
        .sum()
}

/// Chance that cells outside a stretch are as before and those inside are noise, as log2.
fn noise_in(scene: &Scene, chip: usize, first: usize, length: usize) -> f64 {
    let (t, s) = (&scene.truth[chip], &scene.seen[chip]);
    let n = t.values().len();
    let outside = (0..first).chain(first + length..n);
    if differing(t, s, outside) > 0 {
        return NEVER;
    }
    -((length * usize::from(t.width())) as f64)
}

/// First and last changed cell of a chip.
fn span(scene: &Scene, chip: usize) -> (usize, usize) {
    let (t, s) = (scene.truth[chip].values(), scene.seen[chip].values());
    let changed = |c: &usize| t[*c] != s[*c];
    let first = (0..t.len()).find(changed).unwrap_or(0);
    let last = (0..t.len()).rev().find(changed).unwrap_or(0);
    (first, last)
}

fn glitched(scene: &Scene, chip: usize) -> f64 {
    let image = &scene.truth[chip];
    let (n, width) = (image.values().len(), image.width());
    let (low, high) = if width == 1 { (6, 16) } else { (2, 10) };
    let (first, last) = span(scene, chip);
    let lengths = f64::from(high - low + 1).log2();
    log2_sum((low..=high).flat_map(|length| {
        let length = length as usize;
        let starts = (n - length) as f64;
        (last.saturating_sub(length - 1)..=first).filter_map(move |start| {
            let mut chance = 0.7 / starts;
            if start == 0 {
                chance += 0.3;
            }
            (start + length <= n)
                .then(|| chance.log2() - lengths + noise_in(scene, chip, start, length))
        })
    }))
}

fn overwritten(scene: &Scene, chip: usize) -> f64 {
    let image = &scene.truth[chip];
    let (n, mask) = (image.values().len(), image.mask());
    let lines = n.ilog2() as usize;
    let powers = ((lines - 1) - 5 + 1) as f64;
    let (first, last) = span(scene, chip);
    log2_sum((5..lines).flat_map(|power| {
        let length = 1usize << power;
        let start = first / length * length;
        if last >= start + length {
            return vec![];
        }
        let mut chance = 0.4 * length as f64 / n as f64;
        if start == 0 {
            chance += 0.6;
        }
        let place = chance.log2() - powers.log2();
        let held = &scene.seen[chip].values()[start..start + length];
        let mut out = vec![place - 1.0 + noise_in(scene, chip, start, length)];
        for value in [0, mask] {
            if held.iter().all(|v| *v == value) {
                out.push(place - 2.0);
            }
        }
        out
    }))
}

fn slipped(scene: &Scene, chip: usize) -> f64 {
    let n = scene.truth[chip].values().len();
    let starts = n * 3 / 4;
    let (t, s) = (scene.truth[chip].values(), scene.seen[chip].values());
    log2_sum([true, false].into_iter().flat_map(|late| {
        // From where on everything is the neighbour's.
        let shown = |c: usize| {
            let from = if late { c.checked_sub(1) } else { Some(c + 1) };
            from.and_then(|f| t.get(f)).copied().unwrap_or(0) == s[c]
        };
        let from = (0..n).rev().take_while(|c| shown(*c)).last().unwrap_or(n);
        let to = (0..n).take_while(|c| t[*c] == s[*c]).count();
        let chance = 0.5 / starts as f64;
        (from..=to.min(starts.saturating_sub(1))).map(move |start| match start {
            0 => NEVER,
            1 => (2.0 * chance).log2(),
            _ => chance.log2(),
        })
    }))
}

fn decayed(scene: &Scene) -> f64 {
    let (mut zeros, mut ones, mut up, mut down) = (0u64, 0u64, 0u64, 0u64);
    for (t, s) in scene.truth.iter().zip(scene.seen) {
        for (x, y) in t.values().iter().zip(s.values()) {
            ones += u64::from(x.count_ones());
            zeros += u64::from(t.width()) - u64::from(x.count_ones());
            up += u64::from((!x & y).count_ones());
            down += u64::from((x & !y).count_ones());
        }
    }
    const STEPS: usize = 48;
    let at = |i: usize| (i as f64 + 0.5) / STEPS as f64;
    let chance = |n: u64, k: u64, p: f64| {
        k as f64 * p.log2() + (n - k) as f64 * (-p).ln_1p() / std::f64::consts::LN_2
    };
    log2_sum([0.8, 0.2].into_iter().flat_map(|lean| {
        (0..STEPS * STEPS).map(move |i| {
            let falls = 2.0 * (0.0005 + 0.02 * at(i / STEPS) * at(i % STEPS));
            chance(zeros, up, falls * lean) + chance(ones, down, falls * (1.0 - lean))
                - 1.0
                - 2.0 * (STEPS as f64).log2()
        })
    }))
}

/// A chip at its power-up pattern: stripes along one or two lines, odd cells at a rate between 1 and 11 %.
fn powered_up(image: &ChipImage) -> f64 {
    let lines = image.words().ilog2();
    let mut bases = Vec::new();
    for a in 0..lines {
        for b in 0..lines {
            // Half of the time one line alone, else a second one, which may be the same.
            bases.push((1u32 << a | 1 << b, 0.5 / f64::from(lines * lines)));
        }
        bases.push((1 << a, 0.5 / f64::from(lines)));
    }
    let n = f64::from(image.words());
    log2_sum(bases.into_iter().flat_map(|(base, prior)| {
        let against: Vec<f64> = (0..image.width())
            .map(|l| {
                let odd = (0..image.words()).filter(|c| {
                    let stripe = (c & base).count_ones() & 1 == 1;
                    image.bit(*c, l) != Some(stripe)
                });
                odd.count() as f64
            })
            .collect();
        (0..20).map(move |i| {
            let odd = 0.01 + 0.1 * (f64::from(i) + 0.5) / 20.0;
            let chance = |k: f64| k * odd.log2() + (n - k) * (1.0 - odd).log2() - 1.0;
            let told = against
                .iter()
                .map(|k| log2_sum([chance(*k), chance(n - k)]));
            prior.log2() - 20f64.log2() + told.sum::<f64>()
        })
    }))
}

/// log2 of the chance that the injector makes what is seen of the truth with this fault, but for the choice of the chip.
fn of_chip(fault: &str, scene: &Scene, chip: usize) -> f64 {
    let (t, s) = (&scene.truth[chip], &scene.seen[chip]);
    let (width, lines) = (t.width(), t.words().ilog2() as u8);
    let arcs = |list: Vec<Order>| -> Vec<Arc<dyn Cause>> {
        list.into_iter()
            .map(|o| Arc::new(o) as Arc<dyn Cause>)
            .collect()
    };
    let constant = s
        .values()
        .iter()
        .all(|v| *v == s.values()[0])
        .then(|| s.values()[0]);
    match fault {
        "line.stuck" => {
            let causes = (0..width).flat_map(|line| {
                [false, true]
                    .map(|level| Arc::new(Line::Stuck { chip, line, level }) as Arc<dyn Cause>)
            });
            drawn(scene, chip, causes.collect())
        }
        "line.bridged" => {
            let causes = pairs(width).flat_map(|lines| {
                [false, true].map(|low_wins| {
                    Arc::new(Line::Bridged {
                        chip,
                        lines,
                        low_wins,
                    }) as Arc<dyn Cause>
                })
            });
            drawn(scene, chip, causes.collect())
        }
        "address.stuck" => {
            let causes = (0..lines).flat_map(|line| {
                [false, true]
                    .map(|level| Arc::new(Address::Stuck { chip, line, level }) as Arc<dyn Cause>)
            });
            drawn(scene, chip, causes.collect())
        }
        "address.bridged" => {
            let causes = pairs(lines).flat_map(|lines| {
                [false, true].map(|low_wins| {
                    Arc::new(Address::Bridged {
                        chip,
                        lines,
                        low_wins,
                    }) as Arc<dyn Cause>
                })
            });
            drawn(scene, chip, causes.collect())
        }
        "chip.dead" => constant.map_or(NEVER, |v| {
            let blank = if v == 0 || v == t.mask() {
                1.0 / 3.0
            } else {
                0.0
            };
            (blank + (-f64::from(width)).exp2() / 3.0).log2()
        }),
        "chip.random" => -(t.bits() as f64),
        "chip.power-up" => powered_up(s),
        "bus.inverted" => drawn(scene, chip, arcs(vec![Order::Inverted(chip)])),
        "bus.reversed" if width > 2 => drawn(scene, chip, arcs(vec![Order::Reversed(chip)])),
        "bus.halves-swapped" if width == 8 => {
            drawn(scene, chip, arcs(vec![Order::HalvesSwapped(chip)]))
        }
        "line.crossed" => {
            let list = pairs(width).map(|(a, b)| Order::LinesCrossed(chip, a, b));
            drawn(scene, chip, arcs(list.collect()))
        }
        "address.crossed" => {
            let list = pairs(lines).map(|(a, b)| Order::AddressCrossed(chip, a, b));
            drawn(scene, chip, arcs(list.collect()))
        }
        "address.rotated" => drawn(scene, chip, arcs(vec![Order::Rotated(chip, true)])),
        "chip.half" if width == 8 => {
            let hits = (0..6).filter(|way| {
                t.values().iter().zip(s.values()).all(|(x, y)| {
                    let high = way % 2 == 1;
                    let nibble = if high { x >> 4 } else { x & 15 };
                    let other = [0, 15, nibble][way / 2];
                    *y == if high {
                        nibble << 4 | other
                    } else {
                        other << 4 | nibble
                    }
                })
            });
            (hits.count() as f64 / 6.0).log2()
        }
        "entry.glitched" => glitched(scene, chip),
        "stream.slipped" => slipped(scene, chip),
        "part.latched" => {
            let before = |c: usize| t.values()[c.saturating_sub(1)];
            if (0..t.values().len()).all(|c| s.values()[c] == before(c)) {
                0.0
            } else {
                NEVER
            }
        }
        "part.wrong" => {
            let n = t.values().len();
            let hits = [1, 2]
                .into_iter()
                .flat_map(|less| [false, true].map(|high| (less, high)));
            let hits = hits.filter(|(less, high)| {
                let driven = n >> less;
                let base = if *high { n - driven } else { 0 };
                (0..n).all(|c| s.values()[c] == t.values()[c & (driven - 1) | base])
            });
            (hits.count() as f64 / 4.0).log2()
        }
        "region.overwritten" => overwritten(scene, chip),
        _ => NEVER,
    }
}

fn likelihood(fault: &str, scene: &Scene) -> f64 {
    let chips = scene.truth.len() as f64;
    let all = |f: &dyn Fn(&ChipImage) -> f64| scene.seen.iter().map(f).sum::<f64>();
    match fault {
        "decay.scattered" => decayed(scene),
        "all.random" => -all(&|c| c.bits() as f64),
        "all.power-up" => all(&powered_up),
        "all.blank" => {
            let held = |high: bool| {
                scene.seen.iter().all(|c| {
                    let v = if high { c.mask() } else { 0 };
                    c.values().iter().all(|x| *x == v)
                })
            };
            if held(false) || held(true) {
                -1.0
            } else {
                NEVER
            }
        }
        "board.random" => {
            let boards = scene
                .changed
                .iter()
                .map(|c| scene.layout.chips[*c].board.as_deref());
            let mut boards: Vec<Option<&str>> = boards.collect();
            boards.dedup();
            let [Some(board)] = boards.as_slice() else {
                return NEVER;
            };
            let on: Vec<usize> = (0..scene.truth.len())
                .filter(|c| scene.layout.chips[*c].board.as_deref() == Some(board))
                .collect();
            if on.len() < 2 || on.len() == scene.truth.len() {
                return NEVER;
            }
            let bits: u64 = on.iter().map(|c| scene.truth[*c].bits()).sum();
            (on.len() as f64 / chips).log2() - bits as f64
        }
        "chips.exchanged" => match scene.changed.as_slice() {
            [a, b] if scene.truth[*a] == scene.seen[*b] && scene.truth[*b] == scene.seen[*a] => {
                (2.0 / (chips * (chips - 1.0))).log2()
            }
            _ => NEVER,
        },
        _ => match scene.changed.as_slice() {
            [chip] => of_chip(fault, scene, *chip) - chips.log2(),
            _ => NEVER,
        },
    }
}

/// How likely the best observer answers rightly in a trial with one fault: whether the fault's class is the likeliest of
/// its section's, all being equally common; shared where several are equally likely. Nothing where the injector's chances
/// are not known here.
pub(crate) fn reaches(fault: &str, trial: &Trial, layout: &Layout) -> Option<f64> {
    let (truth, seen) = (&trial.truth, &trial.seen);
    let scene = Scene {
        truth,
        seen,
        layout,
        changed: (0..truth.len()).filter(|c| truth[*c] != seen[*c]).collect(),
    };
    if likelihood(fault, &scene) == NEVER {
        return None;
    }
    let name = |f: &'static str| class(answers(f).first().map_or(f, |a| a[0]), layout);
    let list: &[&'static str] = if CELLS.contains(&fault) {
        &CELLS
    } else {
        &LINE_AND_CHIP
    };
    let mut classes: Vec<(&str, f64)> = Vec::new();
    let mut mine = "";
    for other in list {
        let (bits, name) = (likelihood(other, &scene), name(other));
        if *other == fault {
            mine = name;
        }
        match classes.iter_mut().find(|c| c.0 == name) {
            Some(c) => c.1 = log2_sum([c.1, bits]),
            None => classes.push((name, bits)),
        }
    }
    let most = classes.iter().map(|c| c.1).fold(NEVER, f64::max);
    let best: Vec<&(&str, f64)> = classes.iter().filter(|c| c.1 > most - 1e-6).collect();
    let right = best.iter().any(|c| c.0 == mine);
    Some(if right { 1.0 / best.len() as f64 } else { 0.0 })
}
