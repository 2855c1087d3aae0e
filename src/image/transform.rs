//! Moving bytes about: lanes and nibbles split and joined, offset and fill. Gaps stay gaps throughout.

use super::form::{FormError, MAX_FLAT};
use super::{Segment, SparseBytes};

/// How one image is divided over several, or several make one.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Lanes {
    /// Byte `n` of the whole is in part `n` modulo the number of parts: even and odd bytes for two.
    Bytes(u8),
    /// The low nibbles are the first part, the high ones the second.
    Nibbles,
    /// Bit 0 of every byte is the first part, bit 7 the eighth; the parts hold a bit a byte.
    Bits,
}

impl Lanes {
    /// How many parts there are.
    pub fn parts(self) -> usize {
        match self {
            Lanes::Bytes(n) => usize::from(n.max(1)),
            Lanes::Nibbles => 2,
            Lanes::Bits => 8,
        }
    }

    /// What a part holds, for messages.
    pub fn part_name(self, part: usize) -> String {
        match self {
            Lanes::Bytes(2) => ["even bytes", "odd bytes"][part & 1].to_owned(),
            Lanes::Bytes(n) => format!(
                "bytes {part}, {}, {} ...",
                part + usize::from(n),
                part + 2 * usize::from(n)
            ),
            Lanes::Nibbles => ["low nibbles", "high nibbles"][part & 1].to_owned(),
            Lanes::Bits => format!("bit {part}"),
        }
    }

    /// How wide what a part holds is, in bits.
    fn width(self) -> u32 {
        match self {
            Lanes::Bytes(_) => 8,
            Lanes::Nibbles => 4,
            Lanes::Bits => 1,
        }
    }

    /// Divides an image.
    pub fn split(self, whole: &SparseBytes) -> Vec<SparseBytes> {
        let parts = self.parts();
        let mut out = vec![SparseBytes::default(); parts];
        for Segment { start, bytes } in whole.segments() {
            for (part, out) in out.iter_mut().enumerate() {
                if let Lanes::Bytes(_) = self {
                    let skip = (parts + part - *start as usize % parts) % parts;
                    let lane: Vec<u8> = bytes.iter().skip(skip).step_by(parts).copied().collect();
                    let first = (u64::from(*start) + skip as u64) / parts as u64;
                    out.append(first as u32, &lane);
                } else {
                    let (shift, mask) = (self.width() * part as u32, (1u8 << self.width()) - 1);
                    let lane: Vec<u8> = bytes.iter().map(|b| b >> shift & mask).collect();
                    out.append(*start, &lane);
                }
            }
        }
        out
    }

    /// Puts an image together from its parts, in order.
    pub fn join(self, parts: &[SparseBytes]) -> Joined {
        match self {
            Lanes::Bytes(_) => join_bytes(parts),
            Lanes::Nibbles | Lanes::Bits => self.join_bits(parts),
        }
    }

    fn join_bits(self, parts: &[SparseBytes]) -> Joined {
        let mut joined = Joined::default();
        let width = self.width();
        let mask = (1u8 << width) - 1;
        let Some((first, rest)) = parts.split_first() else {
            return joined;
        };
        let shared: u64 = parts.iter().map(SparseBytes::count).sum();
        for Segment { start, bytes } in first.segments() {
            let mut run: Vec<u8> = Vec::new();
            for (i, low) in bytes.iter().enumerate() {
                let address = start + i as u32;
                let mut byte = low & mask;
                let mut spare = low & !mask != 0;
                let mut whole = true;
                for (n, part) in rest.iter().enumerate() {
                    let Some(value) = part.get(address) else {
                        whole = false;
                        continue;
                    };
                    spare |= value & !mask != 0;
                    byte |= (value & mask) << (width * (n as u32 + 1));
                }
                joined.spare += u64::from(whole && spare);
                if whole {
                    run.push(byte);
                } else {
                    joined.bytes.append(address - run.len() as u32, &run);
                    run.clear();
                }
            }
            let end = *start as u64 + bytes.len() as u64;
            joined.bytes.append((end - run.len() as u64) as u32, &run);
        }
        joined.lacking = shared - joined.bytes.count() * parts.len() as u64;
        joined
    }
}

/// An image put together from parts.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Joined {
    /// The image.
    pub bytes: SparseBytes,
    /// Bytes of the parts that found no counterpart in the others, or whose address would be beyond the last; they
    /// are left out.
    pub lacking: u64,
    /// Bytes put together from values wider than a part holds; what is too wide was left out.
    pub spare: u64,
}

/// Interleaves bytes; one that only some parts have is still a whole byte and is kept.
fn join_bytes(parts: &[SparseBytes]) -> Joined {
    let n = parts.len() as u64;
    let mut joined = Joined::default();
    // The addresses any part has, as runs.
    let mut runs: Vec<(u64, u64)> = parts
        .iter()
        .flat_map(|p| p.segments())
        .map(|s| (u64::from(s.start), s.end()))
        .collect();
    runs.sort_unstable();
    let mut done = 0;
    for (first, end) in runs {
        for address in first.max(done)..end {
            for (k, part) in parts.iter().enumerate() {
                let Some(byte) = part.get(address as u32) else {
                    continue;
                };
                match u32::try_from(address * n + k as u64) {
                    Ok(at) => {
                        joined.bytes.append(at, &[byte]);
                    }
                    Err(_) => joined.lacking += 1,
                }
            }
        }
        done = done.max(end);
    }
    joined
}

/// Moves every byte by so many addresses.
///
/// # Errors
/// When one would come to lie before address 0 or after the last.
pub fn offset(bytes: &SparseBytes, by: i64) -> Result<SparseBytes, OffsetError> {
    let mut moved = SparseBytes::default();
    for segment in bytes.segments() {
        let start = i64::from(segment.start).saturating_add(by);
        let fits = u32::try_from(start).is_ok_and(|start| moved.append(start, &segment.bytes));
        if !fits {
            return Err(OffsetError {
                by,
                address: segment.start,
            });
        }
    }
    Ok(moved)
}

/// An offset that leads out of the addresses there are.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("moved by {by}, the bytes at {address:#x} would lie outside of addresses 0 to FFFFFFFF")]
pub struct OffsetError {
    /// The offset asked for.
    pub by: i64,
    /// An address it is too large for.
    pub address: u32,
}

impl crate::blame::Blame for OffsetError {
    fn who(&self) -> crate::blame::Who {
        crate::blame::Who::Caller
    }

    fn hint(&self) -> Option<String> {
        Some("give the offset as the file's first address, negative to move down to 0".to_owned())
    }
}

/// Fills the gaps from `first` to before `end`; returns also how many bytes were filled.
///
/// # Errors
/// When the range is larger than [`MAX_FLAT`].
pub fn fill(
    bytes: &SparseBytes,
    first: u32,
    end: u64,
    with: u8,
) -> Result<(SparseBytes, u64), FormError> {
    let flat = bytes
        .flatten(first, end, with, MAX_FLAT)
        .ok_or(FormError::TooLarge {
            what: "the filled range has",
            bytes: end.saturating_sub(u64::from(first)),
            limit: MAX_FLAT,
        })?;
    let filled = flat.len() as u64 - bytes.crop(first, end).count();
    let mut out = bytes.crop(0, u64::from(first));
    out.append(first, &flat);
    for segment in bytes
        .crop(u32::try_from(end).unwrap_or(u32::MAX), 1 << 32)
        .segments()
    {
        out.append(segment.start, &segment.bytes);
    }
    Ok((out, filled))
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    fn sparse(runs: &[(u32, &[u8])]) -> SparseBytes {
        let mut bytes = SparseBytes::default();
        for (start, run) in runs {
            assert!(bytes.append(*start, run));
        }
        bytes
    }

    /// Worked out by hand: addresses 3 to 7 and 10, asymmetric values.
    #[test]
    fn lanes_both_ways_by_hand() {
        let whole = sparse(&[(3, &[0x12, 0x34, 0x56, 0x78, 0x9a]), (10, &[0xbc])]);
        let even_odd = Lanes::Bytes(2).split(&whole);
        assert_eq!(even_odd[0], sparse(&[(2, &[0x34, 0x78]), (5, &[0xbc])]));
        assert_eq!(even_odd[1], sparse(&[(1, &[0x12, 0x56, 0x9a])]));
        let thirds = Lanes::Bytes(3).split(&whole);
        assert_eq!(thirds[0], sparse(&[(1, &[0x12, 0x78])]));
        assert_eq!(thirds[1], sparse(&[(1, &[0x34, 0x9a, 0xbc])]));
        assert_eq!(thirds[2], sparse(&[(1, &[0x56])]));
        let nibbles = Lanes::Nibbles.split(&whole);
        assert_eq!(nibbles[0], sparse(&[(3, &[2, 4, 6, 8, 0xa]), (10, &[0xc])]));
        assert_eq!(nibbles[1], sparse(&[(3, &[1, 3, 5, 7, 9]), (10, &[0xb])]));
        let bits = Lanes::Bits.split(&whole);
        assert_eq!(bits[1], sparse(&[(3, &[1, 0, 1, 0, 1]), (10, &[0])]));
        assert_eq!(bits[7], sparse(&[(3, &[0, 0, 0, 0, 1]), (10, &[1])]));
        for lanes in [
            Lanes::Bytes(2),
            Lanes::Bytes(3),
            Lanes::Nibbles,
            Lanes::Bits,
        ] {
            let joined = lanes.join(&lanes.split(&whole));
            assert_eq!(
                joined,
                Joined {
                    bytes: whole.clone(),
                    lacking: 0,
                    spare: 0
                },
                "{lanes:?}"
            );
        }
    }

    #[test]
    fn what_joining_leaves_out_is_counted() {
        let low = sparse(&[(0, &[1, 0x22, 3])]);
        let high = sparse(&[(1, &[5, 6, 7])]);
        let joined = Lanes::Nibbles.join(&[low, high]);
        assert_eq!(joined.bytes, sparse(&[(1, &[0x52, 0x63])]));
        assert_eq!((joined.lacking, joined.spare), (2, 1));
    }

    #[test]
    fn offset_and_fill() {
        let bytes = sparse(&[(0x10, &[1, 2]), (0x14, &[5])]);
        assert_eq!(
            offset(&bytes, -0x10).unwrap(),
            sparse(&[(0, &[1, 2]), (4, &[5])])
        );
        assert!(offset(&bytes, -0x11).is_err());
        assert!(offset(&bytes, 0xffff_ffec).is_err());
        let (filled, n) = fill(&bytes, 0x11, 0x15, 9).unwrap();
        assert_eq!((filled, n), (sparse(&[(0x10, &[1, 2, 9, 9, 5])]), 2));
        assert!(fill(&bytes, 0, 1 << 32, 0).is_err());
    }
}
