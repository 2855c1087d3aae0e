//! Text on its way out, handed on a piece at a time: a large image is never held as text.

use std::io::{self, Write};

/// How much is put together before it is handed on.
const PIECE: usize = 1 << 16;

/// Text being written.
pub(super) struct Page<'o> {
    /// What is not handed on yet; writers append to it.
    pub(super) text: Vec<u8>,
    out: &'o mut dyn Write,
}

impl<'o> Page<'o> {
    pub(super) fn new(out: &'o mut dyn Write) -> Self {
        Self {
            text: Vec::with_capacity(PIECE + (PIECE >> 3)),
            out,
        }
    }

    /// Ends a line; a full piece is handed on.
    pub(super) fn end(&mut self, line_end: &[u8]) -> io::Result<()> {
        self.text.extend_from_slice(line_end);
        match self.text.len() < PIECE {
            true => Ok(()),
            false => self.finish(),
        }
    }

    /// Hands on what is left.
    pub(super) fn finish(&mut self) -> io::Result<()> {
        self.out.write_all(&self.text)?;
        self.text.clear();
        Ok(())
    }
}
