//! Reads simulated by the model that `settle::vote` writes down, settled, and held against the truth.

use cellkeep::image::ChipImage;
use cellkeep::reading::{ChipReading, Reading};
use cellkeep::settle::{Rules, Settlement, settle};

use crate::rng::Rng;

/// One simulated chip, 8 bits wide, with each bit's own chance of reading wrong.
pub(crate) struct Chip {
    pub(crate) truth: Vec<u8>,
    chance: Vec<f64>,
}

impl Chip {
    pub(crate) fn new(words: usize, noise: f64, shaky: f64, rng: &mut Rng) -> Self {
        let chance = (0..words * 8)
            .map(|_| {
                if rng.chance(shaky) {
                    0.5 * rng.unit()
                } else {
                    noise
                }
            })
            .collect();
        Self {
            truth: (0..words).map(|_| rng.next() as u8).collect(),
            chance,
        }
    }

    /// Noise and share of shaky bits drawn evenly on a logarithmic scale.
    pub(crate) fn any(words: usize, rng: &mut Rng) -> Self {
        let noise = 10f64.powf(-5.0 + 3.0 * rng.unit());
        let shaky = 10f64.powf(-4.0 + 2.5 * rng.unit());
        Self::new(words, noise, shaky, rng)
    }

    pub(crate) fn read(&self, rng: &mut Rng) -> Vec<u8> {
        self.truth
            .iter()
            .enumerate()
            .map(|(c, v)| {
                (0..8).fold(*v, |v, l| {
                    v ^ u8::from(rng.chance(self.chance[c * 8 + l])) << l
                })
            })
            .collect()
    }

    /// Bits settled wrongly, and bits left open.
    pub(crate) fn wrong_and_open(&self, reading: &Reading) -> (u32, u32) {
        let image = &reading.chips[0].image;
        (0..self.truth.len()).fold((0, 0), |(wrong, open), c| {
            let known = image.known()[c];
            (
                wrong + ((image.values()[c] ^ self.truth[c]) & known).count_ones(),
                open + (!known).count_ones(),
            )
        })
    }
}

pub(crate) fn reading(cells: &[u8]) -> Reading {
    let image = ChipImage::from_cells(8, cells).expect("words x 8");
    Reading::new(vec![ChipReading::new("IC1", image)])
}

pub(crate) fn named(reads: &[Vec<u8>]) -> Vec<(String, Reading)> {
    reads
        .iter()
        .enumerate()
        .map(|(i, r)| (format!("read {}", i + 1), reading(r)))
        .collect()
}

pub(crate) fn settled(reads: &[Vec<u8>]) -> (Reading, Settlement) {
    settle(&named(reads), None, Rules::default()).expect("reads of one chip")
}

/// What was promised and what came true over many simulated chips.
#[derive(Default)]
pub(crate) struct Promise {
    pub(crate) sets: u32,
    /// Wrong bits expected and actual.
    pub(crate) expected: f64,
    pub(crate) actual: u32,
    /// Chips for which further reads were asked for, those reads altogether, and what was wrong or open after them.
    pub(crate) asked: u32,
    pub(crate) further: u32,
    pub(crate) left: u32,
}

/// Settles `sets` simulated chips read `n` times, each read again as often as settling asks for, up to `most`.
pub(crate) fn promise(words: usize, n: usize, sets: u32, most: u32, rng: &mut Rng) -> Promise {
    let mut sum = Promise::default();
    for _ in 0..sets {
        let chip = Chip::any(words, rng);
        let mut reads: Vec<Vec<u8>> = (0..n).map(|_| chip.read(rng)).collect();
        let (reading, report) = settled(&reads);
        sum.sets += 1;
        sum.expected += report.expected_wrong;
        sum.actual += chip.wrong_and_open(&reading).0;
        if let Some(more) = report
            .further_reads_to_settle
            .filter(|m| (1..=most).contains(m))
        {
            reads.extend((0..more).map(|_| chip.read(rng)));
            let (wrong, open) = chip.wrong_and_open(&settled(&reads).0);
            sum.asked += 1;
            sum.further += more;
            sum.left += wrong + open;
        }
    }
    sum
}
