//! Polynomials over GF(2): what generator two messages with their CRCs have in common.
//!
//! A message followed by its CRC, minus another such of the same length, is a multiple of the generator whatever the
//! start value and the final exclusive-or (W. W. Peterson and D. T. Brown, "Cyclic Codes for Error Detection", Proc.
//! IRE 49, 1961: a code word is a multiple of its generator). So the greatest common divisor of a few differences is
//! the generator, or a multiple of it.

/// A polynomial; coefficient `i` is bit `i % 64` of word `i / 64`. No leading zero words.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Polynomial(Vec<u64>);

impl Polynomial {
    /// From coefficients, the highest power first.
    pub(super) fn from_bits(bits: impl DoubleEndedIterator<Item = bool>) -> Self {
        let mut words = Vec::new();
        for (i, bit) in bits.rev().enumerate() {
            if i % 64 == 0 {
                words.push(0);
            }
            if bit && let Some(word) = words.last_mut() {
                *word |= 1 << (i % 64);
            }
        }
        let mut out = Self(words);
        out.trim();
        out
    }

    /// From coefficients, eight to a byte, the highest power first.
    pub(super) fn from_bytes(bytes: impl DoubleEndedIterator<Item = u8>) -> Self {
        let mut words: Vec<u64> = Vec::new();
        for (byte, i) in bytes.rev().zip(0..) {
            if i % 8 == 0 {
                words.push(0);
            }
            if let Some(word) = words.last_mut() {
                *word |= u64::from(byte) << (8 * (i % 8));
            }
        }
        let mut out = Self(words);
        out.trim();
        out
    }

    fn trim(&mut self) {
        while self.0.last() == Some(&0) {
            self.0.pop();
        }
    }

    pub(super) fn is_zero(&self) -> bool {
        self.0.is_empty()
    }

    /// The highest power; 0 for zero, too.
    pub(super) fn degree(&self) -> usize {
        self.0.last().map_or(0, |top| {
            (self.0.len() - 1) * 64 + 63 - top.leading_zeros() as usize
        })
    }

    /// The coefficients of the lowest 64 powers.
    pub(super) fn low(&self) -> u64 {
        self.0.first().copied().unwrap_or(0)
    }

    /// Adds another, shifted up.
    fn add_shifted(&mut self, other: &Self, shift: usize) {
        let (words, bits) = (shift / 64, shift % 64);
        let need = other.0.len() + words + 1;
        if self.0.len() < need {
            self.0.resize(need, 0);
        }
        for (i, w) in other.0.iter().enumerate() {
            self.0[i + words] ^= w << bits;
            if bits > 0 {
                self.0[i + words + 1] ^= w >> (64 - bits);
            }
        }
        self.trim();
    }

    /// The greatest common divisor, without factors of x: no generator has one.
    pub(super) fn gcd(mut self, mut other: Self) -> Self {
        while !other.is_zero() {
            while !self.is_zero() && self.degree() >= other.degree() {
                let shift = self.degree() - other.degree();
                self.add_shifted(&other, shift);
            }
            std::mem::swap(&mut self, &mut other);
        }
        self.without_x()
    }

    fn without_x(self) -> Self {
        let bit = |i: usize| self.0[i / 64] >> (i % 64) & 1 == 1;
        let degree = self.degree();
        if self.is_zero() || bit(0) {
            return self;
        }
        let from = (0..=degree).find(|i| bit(*i)).unwrap_or(0);
        Self::from_bits((from..=degree).rev().map(bit))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn poly(text: &str) -> Polynomial {
        Polynomial::from_bits(text.bytes().map(|b| b == b'1'))
    }

    /// By hand: (x + 1)(x^2 + x + 1) = x^3 + 1 and (x + 1)(x^3 + x + 1) = x^4 + x^3 + x^2 + 1 share x + 1; a factor
    /// of x is left out.
    #[test]
    fn common_divisors_by_hand() {
        assert_eq!(poly("1001").gcd(poly("11101")), poly("11"));
        assert_eq!(poly("10010").gcd(poly("111010")), poly("11"));
        assert_eq!(poly("0001001").degree(), 3);
        assert!(poly("000").is_zero());
    }

    /// The catalogue's CRC-16/XMODEM: poly 0x1021, init 0, so every message with its CRC is a multiple of 0x11021.
    /// Check value over "123456789" 0x31C3, as published.
    #[test]
    fn the_generator_divides_a_message_with_its_crc() {
        let bytes: Vec<u8> = b"123456789".iter().copied().chain([0x31, 0xc3]).collect();
        let bits = |bytes: &[u8]| Polynomial::from_bytes(bytes.iter().copied());
        let generator = bits(&[0x01, 0x10, 0x21]);
        assert_eq!(generator.degree(), 16);
        assert_eq!(bits(&bytes).gcd(generator.clone()), generator);
    }
}
