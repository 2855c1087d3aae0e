//! Computing the CRCs that a layout can name; the catalogue itself is [`crate::layout::crcs`].

use std::sync::OnceLock;

use crc::Crc;

use crate::layout::crcs::{self, CATALOGUE};

/// An algorithm with its table.
pub(super) enum Engine {
    W8(Box<Crc<u8>>),
    W16(Box<Crc<u16>>),
    W32(Box<Crc<u32>>),
    W64(Box<Crc<u64>>),
}

impl Engine {
    pub(super) fn checksum(&self, bytes: &[u8]) -> u64 {
        match self {
            Engine::W8(crc) => u64::from(crc.checksum(bytes)),
            Engine::W16(crc) => u64::from(crc.checksum(bytes)),
            Engine::W32(crc) => u64::from(crc.checksum(bytes)),
            Engine::W64(crc) => crc.checksum(bytes),
        }
    }
}

impl std::fmt::Debug for Engine {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Engine")
    }
}

/// The algorithm of a catalogue name; its table is built when it is first asked for.
pub(super) fn engine(name: &str) -> Option<&'static Engine> {
    static ENGINES: [OnceLock<Engine>; CATALOGUE.len()] =
        [const { OnceLock::new() }; CATALOGUE.len()];
    let at = CATALOGUE.iter().position(|(n, _)| *n == name)?;
    let (_, crc) = CATALOGUE.get(at)?;
    Some(ENGINES.get(at)?.get_or_init(|| match *crc {
        crcs::Crc::W8(a) => Engine::W8(Box::new(Crc::<u8>::new(a))),
        crcs::Crc::W16(a) => Engine::W16(Box::new(Crc::<u16>::new(a))),
        crcs::Crc::W32(a) => Engine::W32(Box::new(Crc::<u32>::new(a))),
        crcs::Crc::W64(a) => Engine::W64(Box::new(Crc::<u64>::new(a))),
    }))
}

/// Computes the CRC of the catalogue name over bytes; `None` where the catalogue has no such name.
pub fn compute(name: &str, bytes: &[u8]) -> Option<u64> {
    Some(engine(name)?.checksum(bytes))
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
