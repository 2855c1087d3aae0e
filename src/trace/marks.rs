//! Where dials stand in the settings between the end stops.

use super::codes;
use super::panel::{Kind, Lane, Panel};
use super::rng::Random;

/// A character for a name: letters, digits and a blank, which every character set has.
pub(crate) fn character(random: &mut Random) -> u32 {
    const SET: &[u8] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789 ";
    u32::from(SET[random.below(SET.len())])
}

/// Positions of one lane in the sweep settings, chosen so that for every width a dial can have, the bits differ
/// from each other in as many settings as possible.
pub(crate) fn sweep_marks(
    panel: &Panel,
    lane: Lane,
    sweeps: usize,
    random: &mut Random,
) -> Vec<u32> {
    let c = &panel.controls[lane.control];
    let span = c.span();
    match c.kind {
        Kind::Text => (0..sweeps).map(|_| character(random)).collect(),
        Kind::Switch => balanced(2, sweeps, random),
        Kind::Selector => balanced(span + 1, sweeps, random),
        Kind::Number => exact_marks(panel, lane, sweeps, random),
        Kind::Knob | Kind::Slider => {
            let mut best = (i64::MIN, Vec::new());
            for _ in 0..60 {
                let marks = some_marks(span, sweeps, random);
                let score = separation(&marks, span);
                if score > best.0 {
                    best = (score, marks);
                }
            }
            best.1
        }
    }
}

/// Marks between the ends, at random.
fn some_marks(span: u32, sweeps: usize, random: &mut Random) -> Vec<u32> {
    let low = (span / 50).max(u32::from(span > 3));
    let mark = |_| random.between(low as usize, (span - low) as usize) as u32;
    (0..sweeps).map(mark).collect()
}

/// Numbers to dial on a display, chosen so that under every code it could have, no two bits are alike in all of them
/// or opposite, and none stands still.
fn exact_marks(panel: &Panel, lane: Lane, sweeps: usize, random: &mut Random) -> Vec<u32> {
    let span = panel.controls[lane.control].span();
    let codes: Vec<(u32, Vec<u64>)> = codes::hypotheses(panel, lane)
        .into_iter()
        .map(|h| {
            let code = |position| codes::code(h, panel, lane, position);
            (h.width, (0..=span.min(MOST_CODES)).map(code).collect())
        })
        .collect();
    // Bits that are alike in every position need not be told apart.
    let pairs: Vec<Vec<(u32, u32)>> = (codes.iter())
        .map(|(width, codes)| {
            let all = (0..*width).flat_map(|a| (a..*width).map(move |b| (a, b)));
            all.filter(|(a, b)| {
                let differ = |c: &&u64| apart(**c, *a, *b);
                let n = codes.iter().filter(differ).count();
                n > 0 && n < codes.len()
            })
            .collect()
        })
        .collect();
    let worth = |marks: &[u32]| -> (usize, usize) {
        let (mut least, mut sum) = (usize::MAX, 0);
        for ((_, codes), pairs) in codes.iter().zip(&pairs) {
            for &(a, b) in pairs {
                let code = |m: &u32| codes.get(*m as usize).copied().unwrap_or(0);
                let n = marks.iter().filter(|m| apart(code(m), a, b)).count();
                let told = n.min(marks.len() - n);
                least = least.min(told);
                sum += told.min(3);
            }
        }
        (least, sum)
    };
    let mut best = some_marks(span, sweeps, random);
    if span > MOST_CODES || sweeps == 0 {
        return best;
    }
    let mut most = worth(&best);
    for _ in 0..30 * sweeps {
        let mut marks = best.clone();
        marks[random.below(sweeps)] = random.between(0, span as usize) as u32;
        let now = worth(&marks);
        if now >= most {
            (most, best) = (now, marks);
        }
    }
    best
}

/// Displays with more numbers than this get marks at random.
const MOST_CODES: u32 = 1 << 12;

/// True where two bits of a code differ, or where one bit is 1.
fn apart(code: u64, a: u32, b: u32) -> bool {
    let bit = |k: u32| code >> k & 1 == 1;
    if a == b { bit(a) } else { bit(a) != bit(b) }
}

/// Every position about equally often, in random order.
pub(crate) fn balanced(positions: u32, settings: usize, random: &mut Random) -> Vec<u32> {
    let mut order: Vec<u32> = (0..positions).collect();
    random.shuffle(&mut order);
    let mut out: Vec<u32> = (0..settings).map(|i| order[i % order.len()]).collect();
    random.shuffle(&mut out);
    out
}

/// The least separation of two bits over all widths, in settings, and then the sum of them; bits that a step of one
/// code would turn count half.
fn separation(marks: &[u32], span: u32) -> i64 {
    let (mut least, mut sum) = (i64::MAX, 0);
    for w in 2..=10 {
        let top = (1u64 << w) - 1;
        let codes: Vec<u64> = marks
            .iter()
            .map(|&m| (u64::from(m) * top * 2 + u64::from(span)) / (2 * u64::from(span.max(1))))
            .collect();
        for gray in [false, true] {
            for a in 1..w {
                for b in 0..a {
                    let mut d = 0;
                    for &code in &codes {
                        let at = |c: u64, k: u32| (if gray { c ^ c >> 1 } else { c }) >> k & 1;
                        let differ = |c: u64| at(c, a) != at(c, b);
                        d += i64::from(differ(code)) * 2;
                        d -= i64::from(differ(code) != differ(code.saturating_sub(1)))
                            + i64::from(differ(code) != differ(code + 1));
                    }
                    // The lowest bits cannot be told under jitter in any case.
                    if b >= 2 {
                        least = least.min(d);
                    }
                    sum += d;
                }
            }
        }
    }
    if least == i64::MAX {
        sum
    } else {
        least * 1000 + sum
    }
}
