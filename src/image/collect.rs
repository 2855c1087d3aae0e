//! Bytes as they come out of a file of records, in any order, into ascending runs without overlaps.

use super::SparseBytes;
use super::lines::at_line;
use crate::finding::{Finding, Severity};

/// Bytes of records that followed each other in the file and in memory.
struct Chunk {
    start: u32,
    bytes: Vec<u8>,
    first_line: usize,
}

impl Chunk {
    fn end(&self) -> u64 {
        u64::from(self.start) + self.bytes.len() as u64
    }
}

/// What overlaps are worth listing one by one.
const LISTED: usize = 50;

/// An address that was named more than once.
#[derive(Clone, Copy, PartialEq, Eq)]
struct Twice {
    /// Whether different bytes were given.
    differs: bool,
    /// First lines of the two parts of the file.
    lines: (usize, usize),
}

/// Chunks laid over each other.
struct Merged {
    chunk: Chunk,
    /// One entry a byte as soon as one was named twice.
    twice: Vec<Option<Twice>>,
}

/// Gathers the bytes of records.
pub(super) struct Collector {
    chunks: Vec<Chunk>,
    /// How many bytes the file can have, for the first chunk: most files have one.
    room: usize,
}

impl Collector {
    /// A collector for a text, which has at least two digits a byte.
    pub(super) fn of(text: &[u8]) -> Self {
        Self {
            chunks: Vec::new(),
            room: text.len() / 2,
        }
    }

    /// Adds the bytes of a record. Returns `false`, adding nothing, where they would pass the last address.
    pub(super) fn add(&mut self, address: u32, bytes: &[u8], line: usize) -> bool {
        if u64::from(address) + bytes.len() as u64 > 1 << 32 {
            return false;
        }
        if let Some(last) = self
            .chunks
            .last_mut()
            .filter(|c| c.end() == u64::from(address))
        {
            last.bytes.extend_from_slice(bytes);
        } else if !bytes.is_empty() {
            let mut own = Vec::with_capacity(std::mem::take(&mut self.room));
            own.extend_from_slice(bytes);
            self.chunks.push(Chunk {
                start: address,
                bytes: own,
                first_line: line,
            });
        }
        true
    }

    /// How many bytes were added.
    pub(super) fn count(&self) -> u64 {
        self.chunks.iter().map(|c| c.bytes.len() as u64).sum()
    }

    /// The bytes in ascending order. Where records overlap and agree, that is noted; where they differ nobody can
    /// say which is right, and the bytes are left out.
    pub(super) fn finish(mut self, findings: &mut Vec<Finding>) -> SparseBytes {
        let descent = self.chunks.windows(2).find(|w| w[1].start < w[0].start);
        if let Some([_, later]) = descent {
            let says =
                "the records are not in ascending order of their addresses; they were sorted";
            findings.push(at_line(
                "file.order",
                Severity::Note,
                later.first_line,
                says.to_owned(),
            ));
        }
        self.chunks.sort_by_key(|c| c.start);
        let mut merged: Vec<Merged> = Vec::new();
        for chunk in self.chunks {
            match merged
                .last_mut()
                .filter(|m| m.chunk.end() >= u64::from(chunk.start))
            {
                Some(last) => last.lay_over(chunk),
                None => merged.push(Merged {
                    chunk,
                    twice: Vec::new(),
                }),
            }
        }
        let mut bytes = SparseBytes::default();
        let mut told = 0;
        for one in merged {
            one.sort_out(&mut bytes, findings, &mut told);
        }
        if told > LISTED {
            let says = format!("{} more overlaps are not listed", told - LISTED);
            findings.push(Finding::new("file.overlap-more", Severity::Damage, says));
        }
        bytes
    }
}

impl Merged {
    /// Joins a chunk that begins within or right after this one; the earlier one's bytes stand for now.
    fn lay_over(&mut self, chunk: Chunk) {
        let old = &mut self.chunk;
        let at = (chunk.start - old.start) as usize;
        let shared = (old.bytes.len() - at).min(chunk.bytes.len());
        if shared > 0 {
            let lines = (old.first_line, chunk.first_line);
            self.twice.resize(old.bytes.len(), None);
            let pairs = old.bytes[at..].iter().zip(&chunk.bytes);
            for (mark, (old, new)) in self.twice[at..].iter_mut().zip(pairs) {
                let differs = old != new;
                if mark.is_none_or(|m| differs && !m.differs) {
                    *mark = Some(Twice { differs, lines });
                }
            }
        }
        old.bytes.extend_from_slice(&chunk.bytes[shared..]);
    }

    /// Hands over the bytes nobody contradicts, and tells of the others.
    fn sort_out(self, bytes: &mut SparseBytes, findings: &mut Vec<Finding>, told: &mut usize) {
        let Self { chunk, mut twice } = self;
        if twice.is_empty() {
            bytes.append_owned(chunk.start, chunk.bytes);
            return;
        }
        twice.resize(chunk.bytes.len(), None);
        let mut at = 0;
        for run in twice.chunk_by(|a, b| a == b) {
            let start = chunk.start + at as u32;
            let part = &chunk.bytes[at..at + run.len()];
            at += run.len();
            if let Some(Some(mark)) = run.first() {
                *told += 1;
                if *told <= LISTED {
                    findings.push(mark.told(start, run.len()));
                }
            }
            if !matches!(run.first(), Some(Some(mark)) if mark.differs) {
                bytes.append(start, part);
            }
        }
    }
}

impl Twice {
    fn told(self, first: u32, length: usize) -> Finding {
        let range = match length {
            1 => format!("address {first:#x}"),
            n => format!(
                "addresses {first:#x} to {:#x}",
                u64::from(first) + n as u64 - 1
            ),
        };
        let (one, other) = self.lines;
        let parts = format!("{range}: the records from line {one} and from line {other} on give");
        if self.differs {
            let says = format!("{parts} different bytes; they are unknown");
            at_line("file.overlap-differs", Severity::Damage, other, says)
                .act("read the chip again, or correct the file")
        } else {
            at_line(
                "file.overlap",
                Severity::Note,
                other,
                format!("{parts} the same bytes"),
            )
        }
    }
}
