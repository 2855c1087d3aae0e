//! Packings: how the bytes of a file stand for the cells of a chip.

use std::fmt;
use std::str::FromStr;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::{ChipImage, ShapeError, SparseBytes};
use crate::blame::{Blame, Who};

/// How a raw binary file holds the cells of a chip; text forms hold the same bytes.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(try_from = "String", into = "String")]
#[schemars(with = "String")]
pub enum Packing {
    /// One cell a byte, in the low bits: bit 0 of the byte is line 0. The usual form of 8-bit chips, and of 4-bit
    /// chips whose nibble is the low half.
    #[default]
    Low,
    /// One 4-bit cell a byte, in the high half.
    HighNibble,
    /// One 4-bit cell a byte, the same nibble in both halves.
    BothNibbles,
    /// Two 4-bit cells a byte, the even cell in the low half.
    NibblesLowFirst,
    /// Two 4-bit cells a byte, the even cell in the high half.
    NibblesHighFirst,
    /// One 1-bit cell a byte, in the bit named (0 to 7).
    Bit(u8),
    /// Eight 1-bit cells a byte, the first in bit 0.
    PackedLsbFirst,
    /// Eight 1-bit cells a byte, the first in bit 7.
    PackedMsbFirst,
}

/// Names of the packings that are not `bit-N`.
const NAMES: [(Packing, &str); 7] = [
    (Packing::Low, "low"),
    (Packing::HighNibble, "high-nibble"),
    (Packing::BothNibbles, "both-nibbles"),
    (Packing::NibblesLowFirst, "nibbles-low-first"),
    (Packing::NibblesHighFirst, "nibbles-high-first"),
    (Packing::PackedLsbFirst, "packed-lsb-first"),
    (Packing::PackedMsbFirst, "packed-msb-first"),
];

impl fmt::Display for Packing {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if let Packing::Bit(bit) = self {
            return write!(f, "bit-{bit}");
        }
        let name = NAMES.iter().find(|(p, _)| p == self).map_or("", |n| n.1);
        f.pad(name)
    }
}

/// A packing that cannot be used.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum PackingError {
    /// No packing has this name.
    #[error(
        "'{0}' names no packing: low, high-nibble, both-nibbles, nibbles-low-first, nibbles-high-first, bit-0 to bit-7, packed-lsb-first, packed-msb-first"
    )]
    Name(String),
    /// The packing holds cells of another width.
    #[error("packing {packing} holds cells of {wants} bit, and the chip's cells have {width}")]
    Width {
        /// The packing asked for.
        packing: Packing,
        /// The width it is made for.
        wants: u8,
        /// The chip's width.
        width: u8,
    },
    /// The chip itself is impossible.
    #[error(transparent)]
    Shape(#[from] ShapeError),
}

impl Blame for PackingError {
    fn who(&self) -> Who {
        Who::Caller
    }

    fn hint(&self) -> Option<String> {
        matches!(self, PackingError::Width { .. }).then(|| {
            "packing low fits every width; give --width if the chip is narrower".to_owned()
        })
    }
}

impl FromStr for Packing {
    type Err = PackingError;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let wrong = || PackingError::Name(text.to_owned());
        let lower = text.to_ascii_lowercase();
        if let Some(bit) = lower.strip_prefix("bit-") {
            return match bit.parse() {
                Ok(bit @ 0..=7) => Ok(Packing::Bit(bit)),
                _ => Err(wrong()),
            };
        }
        let found = NAMES.iter().find(|(_, name)| *name == lower);
        found.map(|(packing, _)| *packing).ok_or_else(wrong)
    }
}

impl TryFrom<String> for Packing {
    type Error = PackingError;

    fn try_from(text: String) -> Result<Self, Self::Error> {
        text.parse()
    }
}

impl From<Packing> for String {
    fn from(packing: Packing) -> Self {
        packing.to_string()
    }
}

/// Cells read out of bytes, with what the bytes held besides.
#[derive(Clone, Debug, PartialEq)]
pub struct Unpacked {
    /// The chip's contents; what the bytes do not give is unknown.
    pub image: ChipImage,
    /// Bytes that lie before the chip's first or after its last.
    pub outside: u64,
    /// Bytes whose bits beyond the cell are not all 0.
    pub spare_bytes: u64,
    /// The bits beyond the cells, where all bytes hold the same ones.
    pub spare_constant: Option<u8>,
    /// Cells whose two nibbles disagree in [`Packing::BothNibbles`]; their bits that differ are unknown.
    pub disagreeing: Vec<u32>,
}

/// Bytes made of cells.
#[derive(Clone, Debug, PartialEq)]
pub struct Packed {
    /// The bytes; one whose every bit is unknown is a gap.
    pub bytes: SparseBytes,
    /// Unknown bits that had to be written as 0, because they share a byte with known ones.
    pub zeroed_bits: u64,
}

impl Packing {
    /// The width of the cells this packing is made for, or `None` where any fits.
    pub fn only_width(self) -> Option<u8> {
        match self {
            Packing::Low => None,
            Packing::HighNibble
            | Packing::BothNibbles
            | Packing::NibblesLowFirst
            | Packing::NibblesHighFirst => Some(4),
            Packing::Bit(_) | Packing::PackedLsbFirst | Packing::PackedMsbFirst => Some(1),
        }
    }

    /// How many cells one byte holds: 1, 2 or 8.
    pub fn cells_a_byte(self) -> u32 {
        match self {
            Packing::NibblesLowFirst | Packing::NibblesHighFirst => 2,
            Packing::PackedLsbFirst | Packing::PackedMsbFirst => 8,
            _ => 1,
        }
    }

    /// How many bytes hold `words` cells.
    pub fn bytes_for(self, words: u32) -> u32 {
        words.div_ceil(self.cells_a_byte())
    }

    /// Checks that cells of a width can be held.
    ///
    /// # Errors
    /// When they cannot.
    pub fn check(self, width: u8) -> Result<(), PackingError> {
        match self.only_width() {
            Some(wants) if wants != width => Err(PackingError::Width {
                packing: self,
                wants,
                width,
            }),
            _ => Ok(()),
        }
    }

    /// The lowest bit of cell `k` of a byte.
    fn shift(self, k: u32) -> u32 {
        match self {
            Packing::Low | Packing::BothNibbles => 0,
            Packing::HighNibble => 4,
            Packing::NibblesLowFirst => 4 * k,
            Packing::NibblesHighFirst => 4 * (1 - k),
            Packing::Bit(bit) => u32::from(bit.min(7)),
            Packing::PackedLsbFirst => k,
            Packing::PackedMsbFirst => 7 - k,
        }
    }

    /// The bits of a byte that hold cells.
    fn used(self, width: u8) -> u8 {
        let cell = (0xffu16 >> (8 - width.clamp(1, 8))) as u8;
        match self {
            Packing::Low => cell,
            Packing::HighNibble => 0xf0,
            Packing::Bit(bit) => 1 << bit.min(7),
            _ => 0xff,
        }
    }

    /// Reads a chip of `words` cells out of bytes, the first cell at address `base`.
    ///
    /// # Errors
    /// When the packing does not fit the width or no chip has the shape.
    pub fn unpack(
        self,
        bytes: &SparseBytes,
        base: u32,
        words: u32,
        width: u8,
    ) -> Result<Unpacked, PackingError> {
        self.check(width)?;
        let mut image = ChipImage::unknown(words, width)?;
        let length = u64::from(self.bytes_for(words));
        let spare = !self.used(width);
        let (mut all, mut any, mut inside) = (spare, 0u8, 0u64);
        let (mut outside, mut spare_bytes) = (0u64, 0u64);
        let mut disagreeing = Vec::new();
        for segment in bytes.segments() {
            let start = i64::from(segment.start) - i64::from(base);
            let skip = usize::try_from(-start)
                .unwrap_or(0)
                .min(segment.bytes.len());
            let first = start.max(0) as u64;
            let room = usize::try_from(length.saturating_sub(first)).unwrap_or(usize::MAX);
            let part = &segment.bytes[skip..];
            let part = &part[..room.min(part.len())];
            outside += (segment.bytes.len() - part.len()) as u64;
            inside += part.len() as u64;
            for &byte in part {
                all &= byte & spare;
                any |= byte & spare;
                spare_bytes += u64::from(byte & spare != 0);
            }
            self.spread(part, first as usize, &mut image, &mut disagreeing);
        }
        Ok(Unpacked {
            image,
            outside,
            spare_bytes,
            spare_constant: (inside > 0 && all == any).then_some(any),
            disagreeing,
        })
    }

    /// Puts the cells of `part`, whose first byte is byte `first` of the chip, into the image.
    fn spread(self, part: &[u8], first: usize, image: &mut ChipImage, disagreeing: &mut Vec<u32>) {
        let mask = image.mask();
        let per = self.cells_a_byte();
        for (i, &byte) in part.iter().enumerate() {
            for k in 0..per {
                let cell = (first + i) * per as usize + k as usize;
                let (Some(value), Some(known)) =
                    (image.value.get_mut(cell), image.known.get_mut(cell))
                else {
                    continue;
                };
                *value = (byte >> self.shift(k)) & mask;
                *known = mask;
                if self == Packing::BothNibbles && byte >> 4 != byte & 0x0f {
                    *known = mask & !((byte >> 4) ^ byte);
                    *value &= *known;
                    disagreeing.push(cell as u32);
                }
            }
        }
    }

    /// Writes a chip's cells as bytes, the first at address 0. A byte none of whose bits is known is left out.
    ///
    /// # Errors
    /// When the packing does not fit the width.
    pub fn pack(self, image: &ChipImage) -> Result<Packed, PackingError> {
        self.check(image.width())?;
        let per = self.cells_a_byte() as usize;
        let mask = image.mask();
        let mut bytes = SparseBytes::default();
        let mut run: Vec<u8> = Vec::new();
        let mut zeroed_bits = 0u64;
        let groups = image.values().chunks(per).zip(image.known().chunks(per));
        for (i, (values, known)) in groups.enumerate() {
            if known.iter().all(|k| *k == 0) {
                if !run.is_empty() {
                    bytes.append(i as u32 - run.len() as u32, &run);
                    run.clear();
                }
                continue;
            }
            let mut byte = 0;
            for (k, (value, known)) in values.iter().zip(known).enumerate() {
                byte |= value << self.shift(k as u32);
                zeroed_bits += u64::from((mask & !known).count_ones());
            }
            if self == Packing::BothNibbles {
                byte |= byte << 4;
            }
            run.push(byte);
        }
        if !run.is_empty() {
            let end = self.bytes_for(image.words());
            bytes.append(end - run.len() as u32, &run);
        }
        Ok(Packed { bytes, zeroed_bits })
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    fn bytes(b: &[u8]) -> SparseBytes {
        SparseBytes::from_run(0, b.to_vec())
    }

    /// Every packing on values worked out by hand from its definition.
    #[test]
    fn each_packing_by_hand() {
        // (packing, width, cells, bytes): cells asymmetric, so that no order can be mistaken for another.
        let cases: [(Packing, u8, &[u8], &[u8]); 9] = [
            (Packing::Low, 8, &[0x12, 0xf0], &[0x12, 0xf0]),
            (Packing::Low, 5, &[0x12, 0x01], &[0x12, 0x01]),
            (Packing::HighNibble, 4, &[0x1, 0xe], &[0x10, 0xe0]),
            (Packing::BothNibbles, 4, &[0x1, 0xe], &[0x11, 0xee]),
            (Packing::NibblesLowFirst, 4, &[1, 2, 3], &[0x21, 0x03]),
            (Packing::NibblesHighFirst, 4, &[1, 2, 3], &[0x12, 0x30]),
            (Packing::Bit(6), 1, &[1, 0, 1], &[0x40, 0, 0x40]),
            (
                Packing::PackedLsbFirst,
                1,
                &[1, 1, 0, 1, 0, 0, 0, 0, 1],
                &[0x0b, 0x01],
            ),
            (
                Packing::PackedMsbFirst,
                1,
                &[1, 1, 0, 1, 0, 0, 0, 0, 1],
                &[0xd0, 0x80],
            ),
        ];
        for (packing, width, cells, file) in cases {
            let image = ChipImage::from_cells(width, cells).unwrap();
            let packed = packing.pack(&image).unwrap();
            assert_eq!(packed.bytes, bytes(file), "{packing}");
            assert_eq!(packed.zeroed_bits, 0);
            let back = packing
                .unpack(&bytes(file), 0, cells.len() as u32, width)
                .unwrap();
            assert_eq!(back.image, image, "{packing}");
            assert_eq!((back.outside, back.spare_bytes), (0, 0), "{packing}");
            assert_eq!(packing.to_string().parse::<Packing>().unwrap(), packing);
        }
    }

    #[test]
    fn bits_beyond_the_cell_are_told() {
        let constant = Packing::Low.unpack(&bytes(&[0xf1, 0xf2]), 0, 2, 4).unwrap();
        assert_eq!(
            (constant.spare_bytes, constant.spare_constant),
            (2, Some(0xf0))
        );
        let varying = Packing::Low.unpack(&bytes(&[0xf1, 0x22]), 0, 2, 4).unwrap();
        assert_eq!((varying.spare_bytes, varying.spare_constant), (2, None));
    }

    #[test]
    fn nibbles_that_disagree_are_unknown_where_they_differ() {
        let read = Packing::BothNibbles
            .unpack(&bytes(&[0x55, 0x5d]), 0, 2, 4)
            .unwrap();
        assert_eq!(read.disagreeing, [1]);
        assert_eq!(read.image.known(), [0xf, 0x7]);
        assert_eq!(read.image.values(), [0x5, 0x5]);
    }

    #[test]
    fn what_lies_outside_is_counted_and_gaps_stay_unknown() {
        let mut b = SparseBytes::default();
        b.append(0x7fff, &[9, 1]);
        b.append(0x8002, &[2, 3, 4]);
        let read = Packing::Low.unpack(&b, 0x8000, 4, 8).unwrap();
        assert_eq!(read.outside, 2);
        assert_eq!(read.image.known(), [0xff, 0, 0xff, 0xff]);
        assert_eq!(read.image.values(), [1, 0, 2, 3]);
        let mut out = SparseBytes::default();
        out.append(0, &[1]);
        out.append(2, &[2, 3]);
        assert_eq!(Packing::Low.pack(&read.image).unwrap().bytes, out);
    }
}
