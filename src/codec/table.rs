//! Scattered bits many at a time: a table indexed by each input byte gives its share of the whole output.
//!
//! Moving bits about is linear over exclusive-or, so the output is the exclusive-or of one row an input byte.

/// Moves each bit of a record of bytes to its place in a record of 64-bit words.
#[derive(Debug)]
pub(super) struct BitTable {
    /// Output words.
    words: usize,
    /// `rows[(input * 256 + value) * words ..][..words]`.
    rows: Vec<u64>,
    /// Which bytes of the input hold anything, a block of 256 rows each.
    bytes: Vec<u32>,
    /// Output when every input bit is 0.
    at_zero: Vec<u64>,
}

/// One bit's way: from this bit of the input to this bit of the output, complemented or not.
#[derive(Clone, Copy, Debug)]
pub(super) struct Move {
    pub(super) from: u32,
    pub(super) to: u32,
    pub(super) inverted: bool,
}

/// Words of the table for this many input bytes and output words.
pub(super) fn cost(bytes: usize, words: usize) -> usize {
    bytes * 256 * words
}

impl BitTable {
    pub(super) fn new(moves: &[Move], words: usize) -> Self {
        let mut bytes: Vec<u32> = moves.iter().map(|m| m.from / 8).collect();
        bytes.sort_unstable();
        bytes.dedup();
        let mut rows = vec![0u64; cost(bytes.len(), words)];
        let mut at_zero = vec![0u64; words];
        for m in moves {
            let word = m.to as usize / 64;
            let share = 1u64 << (m.to % 64);
            if m.inverted {
                at_zero[word] |= share;
            }
            let block = bytes.partition_point(|b| *b < m.from / 8);
            for value in (0..256usize).filter(|v| v >> (m.from % 8) & 1 == 1) {
                rows[(block * 256 + value) * words + word] |= share;
            }
        }
        Self {
            words,
            rows,
            bytes,
            at_zero,
        }
    }

    /// The output of a record, inversion applied or not.
    pub(super) fn apply<const N: usize>(&self, record: &[u8], invert: bool) -> [u64; N] {
        debug_assert_eq!(N, self.words);
        let mut out = [0u64; N];
        if invert && let Some(bits) = self.at_zero.first_chunk::<N>() {
            out = *bits;
        }
        for (&byte, block) in self.bytes.iter().zip(self.rows.chunks_exact(256 * N)) {
            let at = usize::from(record[byte as usize]) * N;
            if let Some(row) = block[at..].first_chunk::<N>() {
                for (o, r) in out.iter_mut().zip(row) {
                    *o ^= r;
                }
            }
        }
        out
    }
}
