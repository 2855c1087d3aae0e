//! One odd read among several: the wrong chip, a slipped clip, another instrument.

use crate::finding::{Finding, Severity};
use crate::image::ChipImage;
use crate::reading::Reading;

/// Bits on which two images differ, and bits both know.
fn distance(a: &ChipImage, b: &ChipImage) -> (u64, u64) {
    let (mut differ, mut judged) = (0, 0);
    for i in 0..a.values().len().min(b.values().len()) {
        let known = a.known()[i] & b.known()[i];
        judged += u64::from(known.count_ones());
        differ += u64::from(((a.values()[i] ^ b.values()[i]) & known).count_ones());
    }
    (differ, judged)
}

/// For each read, why it is set aside, if it is. `chips` is by chip, then by read.
///
/// A read is odd when the others describe each other well and it does not: telling its differences from them
/// takes more bits than telling them under the others' own rate by far, and they are more than one bit in
/// fifty. With only two reads nobody can say which one is odd.
pub(super) fn set_aside(chips: &[Vec<&ChipImage>]) -> Vec<Option<String>> {
    let reads = chips.first().map_or(0, Vec::len);
    let mut out = vec![None; reads];
    if reads < 3 {
        return out;
    }
    let pair = |a: usize, b: usize| {
        chips.iter().fold((0u64, 0u64), |(d, n), c| {
            let (x, y) = distance(c[a], c[b]);
            (d + x, n + y)
        })
    };
    let rate = |pairs: &mut dyn Iterator<Item = (usize, usize)>| {
        let (mut d, mut n) = (0, 0);
        for (a, b) in pairs {
            let (x, y) = pair(a, b);
            d += x;
            n += y;
        }
        (d as f64 + 0.5) / (n as f64 + 1.0)
    };
    for (odd, place) in out.iter_mut().enumerate() {
        let others: Vec<usize> = (0..reads).filter(|r| *r != odd).collect();
        let own = rate(&mut others.iter().map(|o| (odd, *o)));
        let theirs = rate(
            &mut others
                .iter()
                .enumerate()
                .flat_map(|(i, a)| others[i + 1..].iter().map(move |b| (*a, *b))),
        );
        if own > 0.02 && own > 8.0 * theirs {
            *place = Some(why(chips, odd, others[0], own));
        }
    }
    // More than one odd read in three is no odd one out: nothing is set aside, and locating must speak.
    if out.iter().flatten().count() * 2 >= reads {
        out.fill(None);
    }
    out
}

/// What the odd read looks like beside a good one.
fn why(chips: &[Vec<&ChipImage>], odd: usize, good: usize, rate: f64) -> String {
    let percent = rate * 100.0;
    for step in [1usize, usize::MAX] {
        let shifted: (u64, u64) = chips.iter().fold((0, 0), |(d, n), c| {
            let (a, b) = (c[odd], c[good]);
            let words = a.values().len();
            let (mut differ, mut judged) = (0, 0);
            for i in 1..words.saturating_sub(1) {
                let j = i.wrapping_add(step);
                let known = a.known()[i] & b.known()[j];
                judged += u64::from(known.count_ones());
                differ += u64::from(((a.values()[i] ^ b.values()[j]) & known).count_ones());
            }
            (d + differ, n + judged)
        });
        if shifted.1 > 0 && (shifted.0 as f64) < 0.25 * rate * shifted.1 as f64 {
            return format!(
                "it differs from the others in {percent:.1} % of its bits, but agrees when shifted by one cell"
            );
        }
    }
    if rate > 0.25 {
        format!(
            "it differs from the others in {percent:.1} % of its bits: another chip or instrument"
        )
    } else {
        format!("it differs from the others in {percent:.1} % of its bits, and they agree")
    }
}

/// The findings about reads set aside.
pub(super) fn findings(reads: &[(String, Reading)], aside: &[Option<String>]) -> Vec<Finding> {
    reads
        .iter()
        .zip(aside)
        .filter_map(|((name, _), why)| {
            let why = why.as_ref()?;
            Some(
                Finding::new(
                    "settle.odd-read",
                    Severity::Caution,
                    format!("{name} is set aside: {why}"),
                )
                .act("Check which chip was clipped and how it sat; read it again if it should count."),
            )
        })
        .collect()
}
