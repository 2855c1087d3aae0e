//! Reads simulated by the model that `settle::vote` writes down, settled, and held against the truth.

use cellkeep::image::ChipImage;
use cellkeep::reading::{ChipReading, Reading};
use cellkeep::settle::{Rules, Settlement, settle};

use crate::rng::Rng;

/// From where the noise of a chip and its share of shaky bits are drawn, evenly on a logarithmic scale: the ends of each as
/// powers of ten.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Prior {
    pub(crate) noise: (f64, f64),
    pub(crate) shaky: (f64, f64),
}

/// What is taken for usual.
pub(crate) const USUAL: Prior = Prior {
    noise: (-5.0, -2.0),
    shaky: (-4.0, -1.5),
};

/// All that `settle::vote` takes for possible.
pub(crate) const POSSIBLE: Prior = Prior {
    noise: (-8.0, -1.0),
    shaky: (-8.0, 0.0),
};

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

    /// Noise and share of shaky bits drawn by chance.
    pub(crate) fn any(words: usize, prior: Prior, rng: &mut Rng) -> Self {
        let mut draw = |(low, high): (f64, f64)| 10f64.powf(low + (high - low) * rng.unit());
        let (noise, shaky) = (draw(prior.noise), draw(prior.shaky));
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
    /// Wrong bits that an observer expects who knows the prior; where he was asked.
    pub(crate) ideal: f64,
    /// Sets for which ten further reads were foretold, what was to be wrong or open after them, and what was.
    pub(crate) ten: u32,
    pub(crate) foretold: f64,
    pub(crate) after_ten: u32,
    /// Of those, chips for which three further reads were foretold while bits were open: the sum of the chances that they leave
    /// less than one bit wrong or open, and how often none was.
    pub(crate) three: u32,
    pub(crate) enough: f64,
    pub(crate) did: u32,
    /// Chips for which further reads were asked for, those reads altogether, and what was wrong or open after them.
    pub(crate) asked: u32,
    pub(crate) further: u32,
    pub(crate) left: u32,
    /// The squares of what was left, for its standard error.
    pub(crate) left_squared: f64,
}

impl Promise {
    /// What was wrong or open a chip after the further reads asked for, with its standard error.
    pub(crate) fn mean_left(&self) -> (f64, f64) {
        let n = f64::from(self.asked.max(1));
        let mean = f64::from(self.left) / n;
        let spread = (self.left_squared / n - mean * mean).max(0.0);
        (mean, (spread / n).sqrt())
    }
}

/// Settles `sets` simulated chips read `n` times, each read again as often as settling asks for, up to `most`. Each is shown
/// together with its reads and how they were settled.
pub(crate) fn promise_of(
    (words, prior): (usize, Prior),
    n: usize,
    sets: u32,
    most: u32,
    (rng, look): (
        &mut Rng,
        impl Fn(&Chip, &[Vec<u8>], &Settlement, &mut Promise),
    ),
) -> Promise {
    let mut sum = Promise::default();
    for _ in 0..sets {
        let chip = Chip::any(words, prior, rng);
        let mut reads: Vec<Vec<u8>> = (0..n).map(|_| chip.read(rng)).collect();
        let (reading, report) = settled(&reads);
        look(&chip, &reads, &report, &mut sum);
        sum.sets += 1;
        sum.expected += report.expected_wrong;
        sum.actual += chip.wrong_and_open(&reading).0;
        if let Some(more) = report
            .further_reads_to_settle
            .filter(|m| (1..=most).contains(m))
        {
            // Where noise looked like a fault, they are to be settled by themselves.
            if report.afresh {
                reads.clear();
            }
            reads.extend((0..more).map(|_| chip.read(rng)));
            let (wrong, open) = chip.wrong_and_open(&settled(&reads).0);
            sum.asked += 1;
            sum.further += more;
            sum.left += wrong + open;
            sum.left_squared += f64::from(wrong + open).powi(2);
        }
    }
    sum
}
