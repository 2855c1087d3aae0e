//! A reading: one read of every memory chip of one instrument.

use crate::image::ChipImage;

/// One chip of a reading.
#[derive(Clone, Debug, PartialEq)]
pub struct ChipReading {
    /// The chip's id in the layout, or the file's stem where there is no layout.
    pub id: String,
    /// Its contents.
    pub image: ChipImage,
}

/// One read of every memory chip of one instrument, in the order of the layout where there is one.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Reading {
    /// The chips.
    pub chips: Vec<ChipReading>,
}
