//! Computing the CRCs that a layout can name; the catalogue itself is [`crate::layout::crcs`].

use crc::Crc;

use crate::layout::crcs::{self, CATALOGUE};

/// Computes the CRC of the catalogue name over bytes; `None` where the catalogue has no such name.
pub fn compute(name: &str, bytes: &[u8]) -> Option<u64> {
    Some(match crcs::crc(name)? {
        crcs::Crc::W8(a) => u64::from(Crc::<u8>::new(a).checksum(bytes)),
        crcs::Crc::W16(a) => u64::from(Crc::<u16>::new(a).checksum(bytes)),
        crcs::Crc::W32(a) => u64::from(Crc::<u32>::new(a).checksum(bytes)),
        crcs::Crc::W64(a) => Crc::<u64>::new(a).checksum(bytes),
    })
}

/// Every name of the catalogue with its width in bits, in alphabetical order.
pub fn names() -> Vec<(&'static str, u8)> {
    let mut names: Vec<(&str, u8)> = CATALOGUE.iter().map(|(n, c)| (*n, c.width())).collect();
    names.sort_unstable();
    names
}

/// The check value that the catalogue publishes for a name: its CRC over the nine characters "123456789".
pub fn check_value(name: &str) -> Option<u64> {
    Some(match crcs::crc(name)? {
        crcs::Crc::W8(a) => u64::from(a.check),
        crcs::Crc::W16(a) => u64::from(a.check),
        crcs::Crc::W32(a) => u64::from(a.check),
        crcs::Crc::W64(a) => a.check,
    })
}
