//! An invented board: six presets of four bytes in a 32 x 8 chip, the top eight cells not there.
//!
//! byte 0: level, 8 bits, dial 0 to 10 · byte 1: bits 6..4 wave (saw, pulse, noise), bits 3..0 width, only for pulse;
//! bit 7 is claimed by nobody · byte 2: tune, two's complement, cents · byte 3: sum of bytes 0 to 2.

use cellkeep::bank::Decoded;
use cellkeep::image::ChipImage;
use cellkeep::layout::{self, model::Layout};
use cellkeep::reading::{ChipReading, Reading};

pub(crate) const TEXT: &str = r#"
cellkeep = 1
id = "small-board"
name = "Small board"
revision = "1"

[[chip]]
id = "U1"
words = 32
width = 8
used = "0..23"

[[area]]
name = "presets"
axes = { preset = { count = 6, stride = 4, first = 1 } }

[[area.parameter]]
key = "level"
bits = "0.7..0"
scale = { dial = [0, 10] }
blank = 0

[[area.parameter]]
key = "wave"
bits = "1.6..4"
scale = { steps = ["saw", "pulse", "noise"] }
control = "selector"
blank = 0

[[area.parameter]]
key = "width"
bits = "1.3..0"
when = { key = "wave", is = [1] }
blank = 0

[[area.parameter]]
key = "tune"
bits = "2.7..0"
code = "twos-complement"
scale = { linear = [-128, 127], unit = "cents" }
blank = 0

[[area.check]]
key = "sum"
method = "sum"
over = ["0..2"]
bits = ["3.7..0"]
policy = "update"
"#;

pub(crate) fn layout() -> Layout {
    layout::from_text("a test", TEXT).unwrap_or_else(|e| panic!("{e}"))
}

/// The presets of the tests: level, byte 1, tune; the sums are worked out by hand below.
pub(crate) const PRESETS: [[u8; 4]; 6] = [
    [0x40, 0x00, 0x05, 0x45], // saw, +5 cents
    [0x80, 0x17, 0xfb, 0x92], // pulse, width 7, -5 cents: 0x80 + 0x17 + 0xfb = 0x192
    [0xff, 0x20, 0x00, 0x1f], // noise: 0xff + 0x20 = 0x11f
    [0x10, 0x92, 0x01, 0xa3], // pulse, width 2, the unclaimed bit set
    [0x40, 0x00, 0x05, 0x45], // the first again
    [0x00, 0x00, 0x00, 0x00], // blank
];

pub(crate) fn reading(presets: &[[u8; 4]; 6]) -> Reading {
    let mut cells: Vec<u8> = presets.iter().flatten().copied().collect();
    cells.resize(32, 0xa5);
    let image = ChipImage::from_cells(8, &cells).unwrap();
    Reading::new(vec![ChipReading::new("U1", image)])
}

pub(crate) fn decoded<'a>(layout: &'a Layout, presets: &[[u8; 4]; 6]) -> Decoded<'a> {
    Decoded::new(layout, &reading(presets)).unwrap()
}

/// The cells of a reading as presets.
pub(crate) fn presets(reading: &Reading) -> [[u8; 4]; 6] {
    let cells = reading.chips[0].image.values();
    std::array::from_fn(|i| std::array::from_fn(|k| cells[i * 4 + k]))
}
