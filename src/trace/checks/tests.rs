//! The search on entries made by hand: every kind of check is found for what it is, and random bytes for nothing.
//! What checks come to is worked out here bit by bit, apart from the codec; the CRCs' parameters are those of Greg
//! Cook's Catalogue of parametrised CRC algorithms.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use super::*;
use crate::trace::rng::Random;

/// A bank of entries with `data` bytes of controls, then two bytes that are nobody's.
struct Bank {
    rows: Vec<Vec<u8>>,
    lines: u32,
    data: usize,
}

impl Bank {
    fn new(entries: usize, data: usize, lines: u32, seed: u64) -> Self {
        let mut random = Random::new(seed);
        let mask = ((1u32 << lines) - 1) as u8;
        let row = |r: &mut Random| (0..data + 2).map(|_| r.bits() as u8 & mask).collect();
        Self {
            rows: (0..entries).map(|_| row(&mut random)).collect(),
            lines,
            data,
        }
    }

    /// Stores what `check` makes of the data in the bytes behind it.
    fn store(mut self, check: impl Fn(&[u8]) -> Vec<u8>) -> Self {
        for row in &mut self.rows {
            for (i, byte) in check(&row[..self.data]).into_iter().enumerate() {
                row[self.data + i] = byte;
            }
        }
        self
    }

    /// Its entries as words in which these lines of each slot belong to controls.
    fn words(&self, claimed: Vec<u64>) -> Words {
        let values: Vec<Vec<u64>> = (0..self.data + 2)
            .map(|u| self.rows.iter().map(|r| u64::from(r[u])).collect())
            .collect();
        Words {
            lines: self.lines,
            units: (0..self.data as u32 + 2).collect(),
            entries: (0..self.rows.len()).map(|p| (0, p)).collect(),
            claimed,
            moving: values
                .iter()
                .map(|row| row.iter().fold(0, |m, v| m | (v ^ row[0])))
                .collect(),
            values,
            counted: true,
        }
    }

    /// Searches with the lines as they come, and with those orders.
    fn search(&self, orders: &[[u32; 8]], inverted: bool) -> (Vec<FoundCheck>, Group) {
        let all = (1u64 << self.lines) - 1;
        let claimed = |u| if u < self.data { all } else { 0 };
        let words = self.words((0..self.data + 2).map(claimed).collect());
        let turn = |bus: Vec<u32>, inverted: bool| Turn {
            inverted: vec![inverted; bus.len()],
            bus,
        };
        let mut turns = vec![turn((0..self.lines).collect(), false)];
        turns.extend(orders.iter().map(|o| turn(o.to_vec(), inverted)));
        let mut group = plain(self.lines);
        let (checks, _) = search_words(&words, turns, &mut group, 0);
        (checks, group)
    }

    fn only(&self) -> FoundCheck {
        let (checks, _) = self.search(&[], false);
        assert_eq!(checks.len(), 1, "{checks:#?}");
        checks[0].clone()
    }
}

/// A group of one chip whose lines are as they come.
fn plain(lines: u32) -> Group {
    Group {
        name: "presets".into(),
        structures: vec![0],
        lines: vec![0],
        total: lines,
        at: 0,
        bus: (0..lines).collect(),
        inverted: vec![false; lines as usize],
    }
}

fn sum(data: &[u8]) -> u32 {
    data.iter().map(|b| u32::from(*b)).sum()
}

/// A CRC bit by bit: width, polynomial, start, both reflections together, final exclusive-or.
fn crc(data: &[u8], width: u32, poly: u32, init: u32, reflected: bool, out: u32) -> u32 {
    let mut register = init;
    for byte in data {
        for i in 0..8 {
            let bit = if reflected {
                byte >> i
            } else {
                byte >> (7 - i)
            } & 1;
            let top = register >> (width - 1) & 1;
            register = register << 1 & ((1u64 << width) - 1) as u32;
            if top != u32::from(bit) {
                register ^= poly;
            }
        }
    }
    if reflected {
        register = register.reverse_bits() >> (32 - width);
    }
    register ^ out
}

const ENTRIES: usize = 27;

#[test]
fn sums_and_exclusive_or() {
    use Method as M;
    type Stores = fn(&[u8]) -> Vec<u8>;
    let rows: [(Stores, Kind); 8] = [
        (|d| vec![sum(d) as u8], Kind::Named(M::Sum { add: 0 })),
        (
            |d| vec![(sum(d) + 0x5a) as u8],
            Kind::Named(M::Sum { add: 0x5a }),
        ),
        (
            |d| vec![(256 - sum(d) % 256) as u8],
            Kind::Named(M::SumTwosComplement { add: 0 }),
        ),
        (
            |d| vec![255 - (sum(d) % 256) as u8],
            Kind::Named(M::SumOnesComplement),
        ),
        (
            |d| vec![d.iter().fold(0x3c, |x, b| x ^ b)],
            Kind::Named(M::Xor { with: 0x3c }),
        ),
        (
            |d| vec![d.iter().map(|b| b / 16 + b % 16).fold(0, u8::wrapping_add)],
            Kind::Halves(M::Sum { add: 0 }),
        ),
        (
            |d| {
                vec![d.iter().fold(0u32, |s, b| {
                    let s = s + u32::from(*b);
                    s % 256 + s / 256
                }) as u8]
            },
            Kind::CarryAround { complement: false },
        ),
        (
            |d| {
                vec![
                    255 - d.iter().fold(0u32, |s, b| {
                        let s = s + u32::from(*b);
                        s % 256 + s / 256
                    }) as u8,
                ]
            },
            Kind::CarryAround { complement: true },
        ),
    ];
    for (store, kind) in rows {
        let found = Bank::new(ENTRIES, 18, 8, 5).store(store).only();
        assert_eq!(found.kind, kind);
        assert_eq!(runs(&found.over), ["0..17"], "{kind:?}");
        assert_eq!(found.stored.len(), 8);
        assert_eq!(found.stored[0], (18, 0));
        assert!(found.certain() && found.evidence > 100.0, "{found:?}");
    }
}

#[test]
fn sums_of_two_bytes_in_either_order() {
    for (high_first, slots) in [(true, [19, 18]), (false, [18, 19])] {
        let found = Bank::new(ENTRIES, 18, 8, 6)
            .store(|d| {
                let s = sum(d) as u16;
                if high_first {
                    s.to_be_bytes()
                } else {
                    s.to_le_bytes()
                }
                .to_vec()
            })
            .only();
        assert_eq!(found.kind, Kind::Named(Method::Sum { add: 0 }));
        assert_eq!([found.stored[0].0, found.stored[8].0], slots);
    }
}

#[test]
fn half_bytes_in_four_bit_memory() {
    let found = Bank::new(ENTRIES, 18, 4, 7)
        .store(|d| vec![sum(d) as u8 % 16])
        .only();
    assert_eq!(found.kind, Kind::Named(Method::Sum { add: 0 }));
    assert_eq!(found.stored.len(), 4);
    let found = Bank::new(ENTRIES, 18, 4, 8)
        .store(|d| vec![sum(d) as u8 / 16 % 16, sum(d) as u8 % 16])
        .only();
    assert_eq!(found.kind, Kind::Named(Method::Sum { add: 0 }));
    assert_eq!([found.stored[0].0, found.stored[4].0], [19, 18]);
}

/// Name, width, polynomial, start, reflected, final exclusive-or: from the catalogue named above, each proved first
/// by its published check value over "123456789".
const CRCS: [(&str, u32, u32, u32, bool, u32, u32); 8] = [
    ("CRC_8_SMBUS", 8, 0x07, 0x00, false, 0x00, 0xf4),
    ("CRC_8_I_432_1", 8, 0x07, 0x00, false, 0x55, 0xa1),
    ("CRC_8_MAXIM_DOW", 8, 0x31, 0x00, true, 0x00, 0xa1),
    ("CRC_16_ARC", 16, 0x8005, 0x0000, true, 0x0000, 0xbb3d),
    ("CRC_16_XMODEM", 16, 0x1021, 0x0000, false, 0x0000, 0x31c3),
    ("CRC_16_IBM_3740", 16, 0x1021, 0xffff, false, 0x0000, 0x29b1),
    ("CRC_16_KERMIT", 16, 0x1021, 0x0000, true, 0x0000, 0x2189),
    ("CRC_16_MODBUS", 16, 0x8005, 0xffff, true, 0x0000, 0x4b37),
];

#[test]
fn catalogued_crcs() {
    for (name, width, poly, init, reflected, out, check) in CRCS {
        let of = |d: &[u8]| crc(d, width, poly, init, reflected, out);
        assert_eq!(of(b"123456789"), check, "{name}");
        for low_first in [false, true] {
            let found = Bank::new(ENTRIES, 18, 8, u64::from(poly))
                .store(|d| {
                    let mut bytes = of(d).to_le_bytes()[..width as usize / 8].to_vec();
                    if !low_first {
                        bytes.reverse();
                    }
                    bytes
                })
                .only();
            assert_eq!(found.kind, Kind::Named(Method::Crc { name: name.into() }));
            assert_eq!(runs(&found.over), ["0..17"], "{name}");
            let low = if low_first || width == 8 { 18 } else { 19 };
            assert_eq!(found.stored[0], (low, 0), "{name}");
        }
    }
}

/// A generator that no catalogue has: what can be said is said, the start value is not.
#[test]
fn a_crc_without_a_name() {
    let found = Bank::new(ENTRIES, 18, 8, 11)
        .store(|d| vec![crc(d, 8, 0x4b, 0x17, false, 0) as u8])
        .only();
    let kind = Kind::Generator {
        generator: 0x14b,
        reflected: false,
    };
    assert_eq!(found.kind, kind);
}

/// Lines that are swapped and inverted before the memory: the order in which the check holds is taken over.
#[test]
fn behind_swapped_and_inverted_lines() {
    let bus = [3, 0, 7, 1, 6, 2, 5, 4];
    for seed in 20..23 {
        let mut bank = Bank::new(ENTRIES, 18, 8, seed).store(|d| match seed {
            20 => vec![sum(d) as u8],
            21 => vec![(256 - sum(d) % 256) as u8],
            _ => vec![crc(d, 8, 0x07, 0, false, 0) as u8],
        });
        for byte in bank.rows.iter_mut().flatten() {
            *byte = (0..8).fold(0, |b, position| {
                b | (!*byte >> bus[position] & 1) << position
            });
        }
        let (checks, group) = bank.search(&[bus], true);
        assert_eq!(checks.len(), 1);
        assert!(matches!(checks[0].kind, Kind::Named(_)), "{checks:?}");
        assert!(checks[0].certain(), "{checks:?}");
        assert_eq!(group.bus, bus);
        assert_eq!(group.inverted, [true; 8]);
    }
}

#[test]
fn parity_of_an_entry() {
    for odd in [false, true] {
        let mut bank = Bank::new(40, 6, 4, 30);
        for row in &mut bank.rows {
            // The last word of the data is a nibble whose top bit is the parity; nobody's slots stand still.
            row[6] = 0;
            row[7] = 0;
            let ones: u32 = row[..6].iter().map(|b| b.count_ones()).sum();
            if (ones % 2 == 1) != odd {
                row[5] ^= 8;
            }
        }
        let words = bank.words(vec![15, 15, 15, 15, 15, 7, 0, 0]);
        let group = plain(4);
        let found = dependent::parities(&words, &group, 0, &HashSet::new());
        assert_eq!(found.len(), 1, "{found:?}");
        assert_eq!(found[0].kind, Kind::Named(Method::Parity { odd }));
        assert_eq!(found[0].stored, [(5, 3)]);
        // Slots 6 and 7 never move, so whether they are covered stays open.
        assert_eq!(runs(&found[0].over), ["0..5"]);
        assert_eq!(found[0].also.len(), 2);
    }
}

/// A hundred entries that are exclusive-ors of ten differ in ten ways only: some range of sixty slots then has an even
/// number of ones everywhere by chance (1,770 ranges, one in 1,024 each, for every slot that could keep it).
#[test]
fn no_parity_is_seen_in_entries_that_depend_on_each_other() {
    for seed in 40..44 {
        let mut bank = Bank::new(100, 60, 1, seed);
        let mut random = Random::new(seed);
        for e in 10..100 {
            let of = random.bits();
            let sum = |i: usize| {
                (0..10)
                    .filter(|r| of >> r & 1 == 1)
                    .fold(0, |x, r| x ^ bank.rows[r][i])
            };
            bank.rows[e] = (0..62).map(sum).collect();
        }
        let words = bank.words((0..62).map(|u| u % 2).collect());
        let found = dependent::parities(&words, &plain(1), 0, &HashSet::new());
        assert!(found.is_empty(), "{found:?}");
    }
}

/// A bit that is the exclusive-or of three bits of controls, or its complement, among enough entries.
#[test]
fn a_bit_that_follows_from_three_others() {
    let mut bank = Bank::new(90, 4, 8, 31);
    for row in &mut bank.rows {
        let bit = !(row[0] >> 2 ^ row[1] >> 7 ^ row[3]) & 1;
        row[4] = bit << 5;
        row[5] = 0;
    }
    let words = bank.words(vec![255, 255, 255, 255, 0, 0]);
    let group = plain(8);
    let found = dependent::affine(&words, &group, 0, &HashSet::new());
    assert_eq!(found.len(), 1, "{found:?}");
    assert_eq!(found[0].bit, (4, 5));
    assert_eq!(found[0].of, [(0, 2), (1, 7), (3, 0)]);
    assert!(found[0].turned);
}

/// One damaged entry in forty does not hide a check; it is named. Two in twenty do.
#[test]
fn damaged_entries_are_named() {
    let spoil = |entries: usize, which: &[usize]| {
        let mut bank = Bank::new(entries, 18, 8, 40).store(|d| vec![sum(d) as u8]);
        for e in which {
            bank.rows[*e][4] ^= 0x10;
        }
        bank.search(&[], false).0
    };
    let found = spoil(40, &[0]);
    assert_eq!(found.len(), 1);
    assert_eq!(found[0].failing, [(0, 0)]);
    assert!(!found[0].certain());
    assert!(spoil(20, &[3, 11]).is_empty());
}

/// Random bytes follow from nothing, with few entries or many.
#[test]
fn random_bytes_are_not_explained() {
    for seed in 0..12 {
        let bank = Bank::new(8 + 8 * (seed as usize % 4), 12, 8, 1000 + seed);
        let bus = [1, 0, 3, 2, 5, 4, 7, 6];
        let (checks, _) = bank.search(&[bus], true);
        assert!(checks.is_empty(), "seed {seed}: {checks:?}");
    }
}

/// Two entries alone would fit a sum with a fitted constant: too little evidence, so nothing is said.
#[test]
fn few_different_entries_prove_nothing() {
    let mut bank = Bank::new(20, 18, 8, 50).store(|d| vec![sum(d) as u8]);
    for e in 0..20 {
        bank.rows[e] = bank.rows[e % 2].clone();
    }
    assert!(bank.search(&[], false).0.is_empty());
}
