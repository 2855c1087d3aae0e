//! Where each code bit of an area lives, written short for the page's own look-up.

use std::fmt::Write;

use crate::layout::model::{Area, Layout};

/// Number of each chip's first bit when all chips are laid end to end.
fn offsets(layout: &Layout) -> Vec<u64> {
    let mut next = 0;
    layout
        .chips
        .iter()
        .map(|c| {
            let first = next;
            next += u64::from(c.words) * u64::from(c.width);
            first
        })
        .collect()
}

/// The places of an area's bits, in order, as runs "first,step,count" of bit numbers in base 36.
pub(super) fn runs(layout: &Layout, area: &Area) -> String {
    let offsets = offsets(layout);
    let numbers = area.places.iter().map(|p| {
        let chip = usize::from(p.chip);
        let width = layout.chips.get(chip).map_or(1, |c| c.width);
        let first = offsets.get(chip).copied().unwrap_or(0);
        (first + u64::from(p.cell) * u64::from(width) + u64::from(p.line)) as i64
    });
    let mut out = String::new();
    let mut run: Option<(i64, i64, u64)> = None;
    for number in numbers {
        run = Some(match run {
            Some((first, _, 1)) => (first, number - first, 2),
            Some((first, step, count)) if first + step * count as i64 == number => {
                (first, step, count + 1)
            }
            Some((first, step, count)) => {
                put(&mut out, first, step, count);
                (number, 0, 1)
            }
            None => (number, 0, 1),
        });
    }
    if let Some((first, step, count)) = run {
        put(&mut out, first, step, count);
    }
    out
}

fn put(out: &mut String, first: i64, step: i64, count: u64) {
    if !out.is_empty() {
        out.push(' ');
    }
    // Writing to a string cannot fail.
    let _ = write!(
        out,
        "{},{},{}",
        base36(first),
        base36(step),
        base36(count as i64)
    );
}

fn base36(value: i64) -> String {
    let mut rest = value.unsigned_abs();
    let mut digits = Vec::new();
    loop {
        digits.push(char::from_digit((rest % 36) as u32, 36).unwrap_or('0'));
        rest /= 36;
        if rest == 0 {
            break;
        }
    }
    if value < 0 {
        digits.push('-');
    }
    digits.into_iter().rev().collect()
}
