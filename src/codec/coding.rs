//! How a code stands for a number, and which code stands for a number.

use super::low_mask;
use crate::layout::model::Coding;

/// The number a code of `width` bits stands for; `None` where the code stands for none.
///
/// Text codes stand for their own value; which character that is, the character set says.
pub fn number(coding: &Coding, width: u8, code: u64) -> Option<i64> {
    let code = code & low_mask(width);
    let negative = width > 0 && code >> (width - 1) & 1 == 1;
    let plain = i64::try_from(code).ok();
    match coding {
        Coding::Unsigned | Coding::Text(_) => plain,
        Coding::TwosComplement if negative => Some((code | !low_mask(width)) as i64),
        Coding::OnesComplement if negative => {
            i64::try_from(!code & low_mask(width)).ok().map(|n| -n)
        }
        Coding::TwosComplement | Coding::OnesComplement => plain,
        Coding::SignMagnitude => {
            let magnitude = i64::try_from(code & low_mask(width.saturating_sub(1))).ok()?;
            Some(if negative { -magnitude } else { magnitude })
        }
        Coding::OffsetBinary => {
            let half = 1i128 << width.saturating_sub(1);
            i64::try_from(i128::from(code) - half).ok()
        }
        Coding::Bcd => digits(width, code, false),
        Coding::BcdReversed => digits(width, code, true),
        Coding::Gray => {
            let mut binary = code;
            let mut shift = 1;
            while shift < 64 {
                binary ^= binary >> shift;
                shift *= 2;
            }
            i64::try_from(binary).ok()
        }
        Coding::OneHot => (code.count_ones() == 1).then(|| i64::from(code.trailing_zeros())),
    }
}

/// The code of `width` bits that stands for a number; `None` where none does.
///
/// Where two codes stand for one number (minus zero), the one without the sign is given.
pub fn code_of(coding: &Coding, width: u8, number: i64) -> Option<u64> {
    let all = low_mask(width);
    let (low, high) = bounds(coding, width);
    if number < low || number > high {
        return None;
    }
    let magnitude = number.unsigned_abs();
    Some(match coding {
        Coding::Unsigned | Coding::Text(_) => magnitude,
        Coding::TwosComplement => number as u64 & all,
        Coding::OnesComplement if number < 0 => !magnitude & all,
        Coding::OnesComplement => magnitude,
        Coding::SignMagnitude => {
            let sign = u64::from(number < 0);
            magnitude | sign << width.saturating_sub(1)
        }
        Coding::OffsetBinary => {
            let half = 1i128 << width.saturating_sub(1);
            u64::try_from(i128::from(number) + half).ok()?
        }
        Coding::Bcd => from_digits(width, magnitude, false),
        Coding::BcdReversed => from_digits(width, magnitude, true),
        Coding::Gray => magnitude ^ (magnitude >> 1),
        Coding::OneHot => 1u64.checked_shl(u32::try_from(magnitude).ok()?)?,
    })
}

/// The lowest and highest number that codes of `width` bits stand for; of a width that the coding cannot have, which no layout
/// has, both 0.
pub fn bounds(coding: &Coding, width: u8) -> (i64, i64) {
    let numbers = coding.numbers(u32::from(width));
    numbers.map_or((0, 0), std::ops::RangeInclusive::into_inner)
}

/// Decimal digits in nibbles, from the low end; `reversed` takes the low nibble as the most significant.
fn digits(width: u8, code: u64, reversed: bool) -> Option<i64> {
    let count = width.div_ceil(4);
    let mut number: i64 = 0;
    for i in 0..count {
        let nibble = if reversed { i } else { count - 1 - i };
        let digit = code >> (4 * nibble) & 15;
        if digit > 9 {
            return None;
        }
        number = number.checked_mul(10)?.checked_add(digit as i64)?;
    }
    Some(number)
}

fn from_digits(width: u8, number: u64, reversed: bool) -> u64 {
    let count = width.div_ceil(4);
    let mut rest = number;
    let mut code = 0;
    for i in 0..count {
        let nibble = if reversed { count - 1 - i } else { i };
        code |= (rest % 10) << (4 * nibble);
        rest /= 10;
    }
    code
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    /// Every row worked out by hand on asymmetric values.
    #[test]
    fn codes_stand_for_the_numbers_of_the_textbook() {
        let rows: &[(Coding, u8, u64, Option<i64>)] = &[
            (Coding::Unsigned, 6, 0b100110, Some(38)),
            (Coding::TwosComplement, 6, 0b100110, Some(-26)), // 38 - 64
            (Coding::OnesComplement, 6, 0b100110, Some(-25)), // -(0b011001)
            (Coding::SignMagnitude, 6, 0b100110, Some(-6)),   // magnitude 0b00110
            (Coding::OffsetBinary, 6, 0b100110, Some(6)),     // 38 - 32
            (Coding::Bcd, 8, 0x72, Some(72)),
            (Coding::Bcd, 8, 0x7a, None),
            (Coding::Bcd, 6, 0x39, Some(39)), // tens have two bits
            (Coding::BcdReversed, 8, 0x72, Some(27)),
            (Coding::BcdReversed, 12, 0x481, Some(184)),
            (Coding::Gray, 4, 0b1101, Some(9)), // 1, 1^1=0, 0^0=0, 0^1=1
            (Coding::OneHot, 5, 0b01000, Some(3)),
            (Coding::OneHot, 5, 0b01010, None),
            (Coding::OneHot, 5, 0, None),
        ];
        for (coding, width, code, want) in rows {
            assert_eq!(number(coding, *width, *code), *want, "{coding:?} {code:#b}");
            if let Some(n) = want {
                assert_eq!(code_of(coding, *width, *n), Some(*code), "{coding:?} {n}");
            }
        }
    }

    #[test]
    fn every_number_within_bounds_has_a_code_that_stands_for_it() {
        let all = [
            Coding::Unsigned,
            Coding::TwosComplement,
            Coding::OnesComplement,
            Coding::SignMagnitude,
            Coding::OffsetBinary,
            Coding::Bcd,
            Coding::Gray,
            Coding::OneHot,
        ];
        for coding in all {
            for width in 1..=10 {
                let (low, high) = bounds(&coding, width);
                for n in low..=high {
                    let Some(code) = code_of(&coding, width, n) else {
                        // A BCD number may have a digit its few bits cannot hold.
                        assert_eq!(coding, Coding::Bcd);
                        continue;
                    };
                    assert_eq!(
                        number(&coding, width, code),
                        Some(n),
                        "{coding:?} {width} {n}"
                    );
                }
                assert_eq!(code_of(&coding, width, high + 1), None);
                assert_eq!(code_of(&coding, width, low - 1), None);
            }
        }
    }
}
