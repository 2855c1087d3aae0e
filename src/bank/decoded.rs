//! A reading with the layout it is read by, decoded.

use crate::codec::checks::{self, CheckResult};
use crate::codec::{Codec, CodecError, Codes, Memory};
use crate::layout::model::Layout;
use crate::reading::Reading;

/// A reading aligned with a layout, and its codes: what every verb below works on.
#[derive(Debug)]
pub struct Decoded<'a> {
    /// The layout.
    pub layout: &'a Layout,
    /// The reading, its chips in the layout's order and geometry.
    pub reading: Reading,
    /// Its contents as the codec sees them.
    pub memory: Memory,
    /// Its codes.
    pub codes: Codes,
    /// What its checks came to.
    pub checks: Vec<CheckResult>,
}

impl<'a> Decoded<'a> {
    /// Aligns a reading with a layout and decodes it.
    ///
    /// # Errors
    /// Never for a reading aligned here; the codec's check is passed on.
    pub fn new(layout: &'a Layout, reading: &Reading) -> Result<Self, CodecError> {
        let reading = reading.aligned(layout);
        let memory = Memory::of(layout, &reading)?;
        let codes = Codec::new(layout).decode(&memory);
        let checks = checks::verify(layout, &memory);
        Ok(Self {
            checks,
            layout,
            reading,
            memory,
            codes,
        })
    }
}
