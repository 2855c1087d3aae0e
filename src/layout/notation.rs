//! The small notations inside texts: signals of pins, pieces of values, ranges.

/// A signal: the exclusive-or of counter bits and a constant.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct Signal {
    /// Exclusive-ored in: true for an odd number of inversions.
    pub(super) invert: bool,
    /// Name and bit of each counter bit.
    pub(super) terms: Vec<(String, u8)>,
}

/// Highest counter bit a signal may name.
pub(super) const MAX_BIT: u8 = 31;
/// Most counter bits a signal may combine.
const MAX_TERMS: usize = 32;

/// Reads "slot.2", "!voice.0", "a.4 ^ a.7", "0", "1".
pub(super) fn signal(text: &str) -> Result<Signal, String> {
    let mut out = Signal::default();
    for part in text.split('^') {
        let mut term = part.trim();
        while let Some(rest) = term.strip_prefix('!') {
            out.invert = !out.invert;
            term = rest.trim_start();
        }
        match term {
            "" => return Err("a signal is missing".to_owned()),
            "0" => {}
            "1" => out.invert = !out.invert,
            _ => {
                let (name, bit) = term.rsplit_once('.').ok_or_else(|| {
                    format!("{term:?} names no bit of a counter; write {term}.0 for its lowest bit")
                })?;
                let bit: u8 = bit.parse().ok().filter(|b| *b <= MAX_BIT).ok_or_else(|| {
                    format!("{bit:?} is no bit; counters have bits 0 to {MAX_BIT}")
                })?;
                if name.is_empty() || name.contains(char::is_whitespace) {
                    return Err(format!("{name:?} is not the name of a counter"));
                }
                out.terms.push((name.to_owned(), bit));
            }
        }
    }
    if out.terms.len() > MAX_TERMS {
        return Err(format!("a signal combines at most {MAX_TERMS} bits"));
    }
    // A bit exclusive-ored with itself is gone.
    out.terms.sort();
    let mut kept: Vec<(String, u8)> = Vec::with_capacity(out.terms.len());
    for term in std::mem::take(&mut out.terms) {
        if kept.last() == Some(&term) {
            kept.pop();
        } else {
            kept.push(term);
        }
    }
    out.terms = kept;
    Ok(out)
}

/// What a data pin carries.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum DataPin {
    /// A line of the word bus.
    Line { line: u32, inverted: bool },
    /// Nothing: not wired, or tied to a level.
    None,
}

/// Reads "q.3", "!q.0", "q" for q.0, "-" for a pin not wired, "0" and "1" for one tied off.
pub(super) fn data_pin(text: &str) -> Result<DataPin, String> {
    let mut rest = text.trim();
    if matches!(rest, "-" | "0" | "1") {
        return Ok(DataPin::None);
    }
    let mut inverted = false;
    while let Some(r) = rest.strip_prefix('!') {
        inverted = !inverted;
        rest = r.trim_start();
    }
    if rest == "q" {
        return Ok(DataPin::Line { line: 0, inverted });
    }
    rest.strip_prefix("q.")
        .and_then(number)
        .map(|line| DataPin::Line { line, inverted })
        .ok_or_else(|| {
            format!("{text:?} is no data line; a data pin carries q.0, q.1, ..., inverted with !, or - where it is not wired")
        })
}

/// A number as layouts write it, decimal or hexadecimal after 0x; far larger ones than any chip are refused.
pub(super) fn number(text: &str) -> Option<u32> {
    let text = text.trim();
    let n = match text.strip_prefix("0x").or_else(|| text.strip_prefix("0X")) {
        Some(hex) if hex.bytes().all(|b| b.is_ascii_hexdigit()) => {
            u32::from_str_radix(hex, 16).ok()
        }
        None if text.bytes().all(|b| b.is_ascii_digit()) => text.parse().ok(),
        _ => None,
    };
    n.filter(|n| *n < 1 << 28)
}

/// Reads "0..1023", both ends included.
pub(super) fn range(text: &str) -> Result<(u32, u32), String> {
    let wrong = || format!("{text:?} is no range; write the first and last, as in 0..1023");
    let (a, b) = match text.split_once("..") {
        Some((a, b)) => (number(a), number(b)),
        None => (number(text), number(text)),
    };
    let (a, b) = a.zip(b).ok_or_else(wrong)?;
    if a > b {
        return Err(format!(
            "{text:?} runs backwards; the lower number comes first"
        ));
    }
    Ok((a, b))
}

/// A piece of a value: bits of the word in one slot, the most significant first.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Piece {
    /// The slot or address, where the piece names one.
    pub(super) unit: Option<u32>,
    /// The most significant bit of the piece.
    pub(super) from: u32,
    /// The least significant; above `from` where the piece runs backwards.
    pub(super) to: u32,
}

impl Piece {
    pub(super) fn width(&self) -> u32 {
        self.from.abs_diff(self.to) + 1
    }

    /// The bits from the least significant of the piece to the most significant.
    pub(super) fn bits_up(self) -> impl Iterator<Item = u32> {
        let down = self.from >= self.to;
        (0..self.width()).map(move |i| if down { self.to + i } else { self.to - i })
    }
}

/// Highest bit a piece may name.
const MAX_WORD_BIT: u32 = 63;

fn word_bit(text: &str, whole: &str) -> Result<u32, String> {
    number(text)
        .filter(|b| *b <= MAX_WORD_BIT)
        .ok_or_else(|| format!("{text:?} in {whole:?} is no bit; bits are 0 to {MAX_WORD_BIT}"))
}

/// Reads "7..2", "3", "5.7..4", "5.7", "0x2e.7..0".
pub(super) fn piece(text: &str) -> Result<Piece, String> {
    let whole = text;
    let mut text = text.trim();
    // The first dot that is not part of ".." parts the slot from the bits.
    let mut unit = None;
    if let Some((head, tail)) = text.split_once('.')
        && !tail.starts_with('.')
    {
        unit = Some(number(head).ok_or_else(|| {
            format!("{head:?} in {whole:?} is no slot; write slot.high..low, as in 5.7..4")
        })?);
        text = tail;
    }
    let (from, to) = match text.split_once("..") {
        Some((a, b)) => (word_bit(a, whole)?, word_bit(b, whole)?),
        None => {
            let bit = word_bit(text, whole)?;
            (bit, bit)
        }
    };
    Ok(Piece { unit, from, to })
}

/// Words a check covers: whole slots, or some bits of one.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Over {
    Slots(u32, u32),
    Bits(u32, Piece),
}

/// Reads "0..28", "30", "29.6..0".
pub(super) fn over(text: &str) -> Result<Over, String> {
    let trimmed = text.trim();
    let names_bits = trimmed
        .split_once('.')
        .is_some_and(|(_, tail)| !tail.starts_with('.'));
    if names_bits {
        let p = piece(trimmed)?;
        return match p.unit {
            Some(unit) => Ok(Over::Bits(unit, p)),
            None => Err(format!("{text:?} names no slot")),
        };
    }
    let (a, b) = range(trimmed)?;
    Ok(Over::Slots(a, b))
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn signals_combine_and_cancel() {
        let s = signal("!a.4 ^ a.7 ^ 1").unwrap();
        assert!(!s.invert, "an inversion and a 1 cancel");
        assert_eq!(s.terms, [("a".to_owned(), 4), ("a".to_owned(), 7)]);
        assert_eq!(signal("a.3 ^ a.3").unwrap(), Signal::default());
        assert!(signal("1").unwrap().invert);
        for bad in ["", "a", "a.32", "a.-1", ".3", "a.3 ^", "a b.1"] {
            assert!(signal(bad).is_err(), "{bad:?}");
        }
    }

    #[test]
    fn pieces_in_both_directions() {
        let p = piece("5.7..4").unwrap();
        assert_eq!((p.unit, p.from, p.to), (Some(5), 7, 4));
        assert_eq!(p.bits_up().collect::<Vec<_>>(), [4, 5, 6, 7]);
        let p = piece("2..7").unwrap();
        assert_eq!(p.unit, None);
        assert_eq!(p.bits_up().collect::<Vec<_>>(), [7, 6, 5, 4, 3, 2]);
        assert_eq!(piece("0x2e.7").unwrap().unit, Some(0x2e));
        assert_eq!(piece("3").unwrap().width(), 1);
        for bad in ["", "7..", "..2", "5.", "a.3", "64", "5.6.7", "-1", "1...3"] {
            assert!(piece(bad).is_err(), "{bad:?}");
        }
    }

    #[test]
    fn covered_words() {
        assert_eq!(over("0..28"), Ok(Over::Slots(0, 28)));
        assert_eq!(over("30"), Ok(Over::Slots(30, 30)));
        assert!(matches!(over("29.6..0"), Ok(Over::Bits(29, _))));
        assert!(over("28..0").is_err());
    }
}
