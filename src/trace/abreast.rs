//! Sixty-four abreast: a bit of 64 neighbouring addresses in one word, so that one look serves for all of them.
//!
//! What a memory holds is packed in the order in which addresses are counted. A map that adds an offset then takes 64
//! bits from another place on; one that turns address lines takes another word and exchanges its bits. Counts are kept
//! bit by bit, so that 64 go up at once.

use super::space::PresetMap;

/// How many go together.
pub(crate) const ABREAST: usize = 64;

/// A bit a cell, packed.
pub(crate) struct Bits(Vec<u64>);

impl Bits {
    pub(crate) fn of(bits: impl Iterator<Item = bool>) -> Self {
        let mut out = Vec::new();
        for (i, bit) in bits.enumerate() {
            if i % ABREAST == 0 {
                out.push(0);
            }
            out[i / ABREAST] |= u64::from(bit) << (i % ABREAST);
        }
        Self(out)
    }

    /// So many bits of every cell, one cell after the other.
    pub(crate) fn of_cells(cells: impl ExactSizeIterator<Item = u64>, width: usize) -> Self {
        let mut out = vec![0; (cells.len() * width).div_ceil(ABREAST) + 1];
        for (cell, at) in cells.zip((0..).step_by(width)) {
            let (word, by) = (at / ABREAST, at % ABREAST);
            out[word] |= cell << by;
            if by + width > ABREAST {
                out[word + 1] |= cell >> (ABREAST - by);
            }
        }
        Self(out)
    }

    fn word(&self, at: usize) -> u64 {
        self.0.get(at).copied().unwrap_or(0)
    }

    /// Those of 64 cells from one on; 0 beyond the end.
    pub(crate) fn from(&self, cell: usize) -> u64 {
        let (at, by) = (cell / ABREAST, cell % ABREAST);
        match by {
            0 => self.word(at),
            _ => self.word(at) >> by | self.word(at + 1) << (ABREAST - by),
        }
    }

    /// The same where the first of them may lie before the beginning; 0 there too.
    pub(crate) fn around(&self, cell: i64) -> u64 {
        match usize::try_from(cell) {
            Ok(cell) => self.from(cell),
            Err(_) => cell
                .checked_neg()
                .and_then(|by| self.word(0).checked_shl(u32::try_from(by).ok()?))
                .unwrap_or(0),
        }
    }
}

/// The data lines of a memory, packed one by one.
pub(crate) struct Planes(Vec<Bits>);

impl Planes {
    /// Of what `cell` says each address holds.
    pub(crate) fn of(len: usize, width: u8, cell: impl Fn(usize) -> u8) -> Self {
        let mut lines = vec![Vec::with_capacity(len.div_ceil(ABREAST)); usize::from(width)];
        for first in (0..len).step_by(ABREAST) {
            let mut words = [0u64; 8];
            for at in (first..len.min(first + ABREAST)).step_by(8) {
                let mut bytes = [0u8; 8];
                for (byte, x) in bytes.iter_mut().zip(at..len) {
                    *byte = cell(x);
                }
                for (word, byte) in words.iter_mut().zip(turned(bytes)) {
                    *word |= u64::from(byte) << (at - first);
                }
            }
            for (line, word) in lines.iter_mut().zip(words) {
                line.push(word);
            }
        }
        Self(lines.into_iter().map(Bits).collect())
    }

    pub(crate) fn line(&self, line: usize) -> &Bits {
        &self.0[line]
    }
}

/// How 64 bases in a row, from a multiple of 64 on, reach the cells of presets.
#[derive(Clone, Copy)]
pub(crate) struct Reach<'a>(pub(crate) &'a PresetMap);

impl Reach<'_> {
    /// What the cells of a preset hold, a bit a base; 0 outside of the memory.
    pub(crate) fn held(self, bits: &Bits, first: usize, preset: usize) -> u64 {
        let offset = self.0.offset[preset] as usize;
        match self.0.xor {
            true => exchanged(bits.word((first ^ offset) / ABREAST), offset % ABREAST),
            false => bits.from(first + offset),
        }
    }
}

/// The bits of a word, each put where the exclusive-or of its number says.
fn exchanged(mut word: u64, by: usize) -> u64 {
    const LOW: [u64; 6] = [
        0x5555_5555_5555_5555,
        0x3333_3333_3333_3333,
        0x0f0f_0f0f_0f0f_0f0f,
        0x00ff_00ff_00ff_00ff,
        0x0000_ffff_0000_ffff,
        0x0000_0000_ffff_ffff,
    ];
    for (j, low) in LOW.into_iter().enumerate() {
        if by >> j & 1 == 1 {
            word = (word & low) << (1 << j) | word >> (1 << j) & low;
        }
    }
    word
}

/// Eight bytes turned: bit `j` of byte `i` becomes bit `i` of byte `j`.
pub(crate) fn turned(bytes: [u8; 8]) -> [u8; 8] {
    let mut all = u64::from_le_bytes(bytes);
    for (by, mask) in [
        (7, 0x00aa_00aa_00aa_00aa),
        (14, 0x0000_cccc_0000_cccc),
        (28, 0x0000_0000_f0f0_f0f0),
    ] {
        let swapped = (all ^ all >> by) & mask;
        all ^= swapped ^ swapped << by;
    }
    all.to_le_bytes()
}

/// Sixty-four words turned: bit `j` of word `i` becomes bit `i` of word `j`.
fn turned_words(words: &mut [u64; ABREAST]) {
    let mut by = ABREAST / 2;
    let mut mask = u64::MAX >> by;
    while by > 0 {
        for i in (0..ABREAST).filter(|i| i & by == 0) {
            let swapped = (words[i] >> by ^ words[i + by]) & mask;
            words[i] ^= swapped << by;
            words[i + by] ^= swapped;
        }
        by /= 2;
        mask ^= mask << by;
    }
}

/// Rows of 64 bits, at most 128, turned into 64 columns: bit `i` of each is that of row `i`.
pub(crate) fn columns(rows: &[u64]) -> [u128; ABREAST] {
    let mut out = [0u128; ABREAST];
    for (some, at) in rows.chunks(ABREAST).zip([0, ABREAST]) {
        let mut words = [0u64; ABREAST];
        words[..some.len()].copy_from_slice(some);
        turned_words(&mut words);
        for (out, word) in out.iter_mut().zip(words) {
            *out |= u128::from(word) << at;
        }
    }
    out
}

/// 64 counts at once: bit `j` of `planes[p]` is bit `p` of count `j`.
#[derive(Clone, Copy, Default)]
pub(crate) struct Counts {
    planes: [u64; 13],
}

impl Counts {
    /// Counts up wherever a row has a bit: eight rows at a time by full adders.
    pub(crate) fn add(&mut self, rows: [u64; 8]) {
        let add = |a: u64, b: u64, c: u64| (a & b | (a ^ b) & c, a ^ b ^ c);
        let planes = &mut self.planes;
        let (two_1, one) = add(planes[0], rows[0], rows[1]);
        let (two_2, one) = add(one, rows[2], rows[3]);
        let (four_1, two) = add(planes[1], two_1, two_2);
        let (two_1, one) = add(one, rows[4], rows[5]);
        let (two_2, one) = add(one, rows[6], rows[7]);
        let (four_2, two) = add(two, two_1, two_2);
        let (mut carry, four) = add(planes[2], four_1, four_2);
        planes[..3].copy_from_slice(&[one, two, four]);
        for plane in &mut planes[3..] {
            if carry == 0 {
                break;
            }
            (*plane, carry) = (*plane ^ carry, *plane & carry);
        }
    }

    /// Which counts are so high.
    pub(crate) fn equal(&self, n: u32) -> u64 {
        let planes = self.planes.iter().zip(0..);
        planes.fold(u64::MAX, |o, (plane, p)| match n >> p & 1 {
            1 => o & plane,
            _ => o & !plane,
        })
    }

    /// Which are not nought.
    pub(crate) fn any(&self) -> u64 {
        self.planes.iter().fold(0, |o, p| o | p)
    }

    /// Each by itself.
    pub(crate) fn each(&self) -> [u32; ABREAST] {
        let mut out = [0; ABREAST];
        for (planes, at) in self.planes.chunks(8).zip([0, 8]) {
            if planes.iter().all(|p| *p == 0) {
                continue;
            }
            for (eight, by) in out.chunks_mut(8).zip((0..).step_by(8)) {
                let mut bytes = [0u8; 8];
                for (byte, plane) in bytes.iter_mut().zip(planes) {
                    *byte = (plane >> by) as u8;
                }
                for (count, byte) in eight.iter_mut().zip(turned(bytes)) {
                    *count |= u32::from(byte) << at;
                }
            }
        }
        out
    }
}

#[cfg(test)]
mod tests {
    use super::super::rng::Random;
    use super::*;

    /// By hand: byte 0 is 0b11, byte 3 is 0x80; so line 0 holds bit 0 alone, as line 1, and line 7 bit 3.
    #[test]
    fn bytes_turn() {
        assert_eq!(
            turned([3, 0, 0, 0x80, 0, 0, 0, 0]),
            [1, 1, 0, 0, 0, 0, 0, 8]
        );
    }

    /// By hand: cells of three bits, 5, 2 and 7 and so on, are 0b111_010_101 and so on; the 22nd lies across two words.
    #[test]
    fn cells_lie_one_after_the_other() {
        let cells: Vec<u64> = (0..40).map(|i| [5, 2, 7][i % 3]).collect();
        let bits = Bits::of_cells(cells.iter().copied(), 3);
        assert_eq!(bits.from(0) & 0x1ff, 0b111_010_101);
        for (i, cell) in cells.iter().enumerate() {
            assert_eq!(bits.from(3 * i) & 7, *cell, "{i}");
        }
        assert_eq!(bits.from(120), 0);
        // Three before the beginning, all of a word before it, and none.
        assert_eq!(bits.around(-3) & 0xfff, 0b111_010_101_000);
        assert_eq!((bits.around(-64), bits.around(-1000)), (0, 0));
        assert_eq!(bits.around(6), bits.from(6));
    }

    #[test]
    fn rows_turn_into_columns() {
        let mut random = Random::new(3);
        let rows: Vec<u64> = (0..100).map(|_| random.bits()).collect();
        let columns = columns(&rows);
        for (i, row) in rows.iter().enumerate() {
            for (j, column) in columns.iter().enumerate() {
                assert_eq!(row >> j & 1, (column >> i & 1) as u64, "{i} {j}");
            }
        }
        assert!(columns.iter().all(|c| c >> 100 == 0));
    }

    /// Each base by itself, added and turned, in a memory that is no multiple of 64 cells.
    #[test]
    fn bases_reach_as_one_by_one() {
        let mut random = Random::new(5);
        for (len, xor) in [(1024usize, true), (256, true), (32, true), (300, false)] {
            let cells: Vec<u8> = (0..len).map(|_| random.bits() as u8).collect();
            let planes = Planes::of(len, 8, |x| cells[x]);
            let most = if xor { len } else { len / 2 };
            let map = PresetMap {
                xor,
                offset: (0..8).map(|_| random.below(most) as u32).collect(),
                ..PresetMap::wired(&[], 1, "")
            };
            for first in (0..len).step_by(ABREAST) {
                for preset in 0..8 {
                    for line in 0..8 {
                        let held = Reach(&map).held(planes.line(line), first, preset);
                        for base in first..len.min(first + ABREAST) {
                            let cell = map.cell(base as u32, preset, len as u32);
                            let want = cell.map_or(0, |c| cells[c as usize] >> line & 1);
                            assert_eq!((held >> (base - first)) as u8 & 1, want);
                        }
                    }
                }
            }
        }
    }

    #[test]
    fn counts_as_one_by_one() {
        let mut random = Random::new(11);
        let (mut counts, mut want) = (Counts::default(), [0u32; ABREAST]);
        for round in 0..80 {
            let rows: [u64; 8] =
                std::array::from_fn(|_| random.bits() | random.bits() >> (round % 9));
            counts.add(rows);
            for (j, want) in want.iter_mut().enumerate() {
                *want += rows.iter().map(|r| (r >> j & 1) as u32).sum::<u32>();
            }
        }
        assert_eq!(counts.each(), want);
        assert_eq!(counts.any(), u64::MAX);
        for n in [0, want[0], want[63]] {
            let equal = (0..ABREAST).filter(|j| want[*j] == n);
            assert_eq!(counts.equal(n), equal.fold(0, |o, j| o | 1 << j));
        }
    }
}
