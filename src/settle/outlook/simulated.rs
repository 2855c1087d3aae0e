//! The outlook held against simulated votes: the model alone, without reads, faults or locating, so that many chips are soon done.
//!
//! `CELLKEEP_SETS=600 cargo test --release --lib simulated_votes -- --nocapture` prints the table of `DEVELOPERS.md`.

#![allow(clippy::expect_used)]
use super::*;

/// Bits of a chip: 1K x 8.
const BITS: usize = 8192;
const DOUBT: f64 = 0.01;

/// Ends of what noise and share of shaky bits are drawn from, evenly, as powers of ten.
type Prior = [(f64, f64); 2];
/// All that the model takes for possible.
const POSSIBLE: Prior = [(-8.0, -1.0), (-8.0, 0.0)];
/// Chips that all have a shaky bit or a few.
const USUAL: Prior = [(-5.0, -2.0), (-4.0, -1.5)];

/// Splitmix64 (Steele, Lea and Flood 2014).
struct Rng(u64);

impl Rng {
    fn unit(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
    }
}

/// One chip: for each bit the chance that a read of it is wrong, and how many were.
struct Chip {
    chance: Vec<f64>,
    wrong: Vec<u32>,
    reads: u32,
}

impl Chip {
    fn any(prior: Prior, rng: &mut Rng) -> Self {
        let [noise, share] = prior.map(|(low, high)| 10f64.powf(low + (high - low) * rng.unit()));
        let chance = (0..BITS).map(|_| match rng.unit() < share {
            true => 0.5 * rng.unit(),
            false => noise,
        });
        Self {
            chance: chance.collect(),
            wrong: vec![0; BITS],
            reads: 0,
        }
    }

    fn read(&mut self, more: u32, rng: &mut Rng) {
        for (wrong, chance) in self.wrong.iter_mut().zip(&self.chance) {
            *wrong += (0..more).filter(|_| rng.unit() < *chance).count() as u32;
        }
        self.reads += more;
    }

    fn votes(&self) -> Vec<(Vote, u64)> {
        let mut votes = std::collections::BTreeMap::new();
        for wrong in &self.wrong {
            *votes.entry(Vote::of(self.reads, *wrong)).or_insert(0) += 1;
        }
        votes.into_iter().collect()
    }

    /// Bits settled wrongly and bits left open.
    fn settled(&self) -> (f64, f64) {
        let noise = Noise::learn(&self.votes());
        let mut doubts = HashMap::new();
        let mut of = std::collections::BTreeMap::new();
        for wrong in &self.wrong {
            *of.entry((self.reads, *wrong)).or_insert(0.0) += 1.0;
        }
        left(&of, DOUBT, |vote| {
            *doubts.entry(vote).or_insert_with(|| noise.wrong(vote))
        })
    }
}

/// What was promised of some chips, and what came true.
#[derive(Default)]
struct Promise {
    asked: f64,
    further: f64,
    promised: f64,
    left: f64,
    squared: f64,
    open: f64,
    enough: f64,
    spread: f64,
    did: f64,
}

impl Promise {
    /// Reads some chips again as often as the outlook asks for; of those with open bits, a copy three times more.
    fn add(&mut self, prior: Prior, (reads, sets): (u32, u32), rng: &mut Rng) {
        for _ in 0..sets {
            let mut chip = Chip::any(prior, rng);
            chip.read(reads, rng);
            let votes = chip.votes();
            let chips = [ChipVotes::new(Noise::learn(&votes), votes)];
            let mut outlook = Outlook::of(&chips, DOUBT);
            if chip.settled().1 > 0.0 {
                let three = outlook.after(3).enough;
                let mut again = Chip {
                    chance: chip.chance.clone(),
                    wrong: chip.wrong.clone(),
                    reads,
                };
                again.read(3, rng);
                self.open += 1.0;
                self.enough += three;
                self.spread += three * (1.0 - three);
                self.did += f64::from(u8::from(again.settled() == (0.0, 0.0)));
            }
            let Some((more, after)) = outlook.reads(0, |o| o.wrong + o.open < 1.0) else {
                continue;
            };
            if more > 0 {
                chip.read(more, rng);
                let (wrong, open) = chip.settled();
                self.asked += 1.0;
                self.further += f64::from(more);
                self.promised += after.wrong + after.open;
                self.left += wrong + open;
                self.squared += (wrong + open).powi(2);
            }
        }
    }

    /// What was left a chip after the reads asked for, with its standard error.
    fn mean_left(&self) -> (f64, f64) {
        let mean = self.left / self.asked;
        let spread = self.squared / self.asked - mean * mean;
        (mean, (spread.max(0.0) / self.asked).sqrt())
    }

    fn print(&self, reads: u32) {
        let (left, error) = self.mean_left();
        println!(
            "{reads:<5} {:>6} {:>8.1} {:>9.2} {left:>5.2} {error:>6.2} {:>6} {:>6.1} {:>5}",
            self.asked,
            self.further / self.asked,
            self.promised / self.asked,
            self.open,
            self.enough,
            self.did
        );
    }
}

/// Drawn from all that the model takes for possible, less than one bit is left on average after the reads asked for, and three
/// further reads leave none as often as foretold: both within three standard deviations, the second beside a tenth of the chips since
/// less than one bit is foretold and not none.
#[test]
fn simulated_votes_bear_the_outlook_out() {
    let sets = std::env::var("CELLKEEP_SETS").ok();
    let sets: Option<u32> = sets.map(|n| n.parse().expect("a number of chips"));
    let mut rng = Rng(71);
    let mut all = Promise::default();
    let rows = if sets.is_some() {
        &[2, 3, 4, 5, 7, 9][..]
    } else {
        &[3, 4]
    };
    let head = "reads  asked  further  promised  left  error   open  three   did";
    println!("{head}");
    for reads in rows {
        let mut row = Promise::default();
        row.add(POSSIBLE, (*reads, sets.unwrap_or(60)), &mut rng);
        row.print(*reads);
        all.asked += row.asked;
        all.left += row.left;
        all.squared += row.squared;
        all.open += row.open;
        all.enough += row.enough;
        all.spread += row.spread;
        all.did += row.did;
    }
    let (left, error) = all.mean_left();
    assert!(all.asked > 5.0 && left > 0.0, "{left} of {}", all.asked);
    assert!(left < 1.0 + 3.0 * error, "{left} give or take {error}");
    let stray = 3.0 * all.spread.sqrt() + 0.1 * all.open;
    assert!(
        (all.did - all.enough).abs() < stray,
        "{} {}",
        all.did,
        all.enough
    );
    if let Some(sets) = sets {
        println!("{head}, chips with shaky bits");
        for reads in rows {
            let mut row = Promise::default();
            row.add(USUAL, (*reads, sets), &mut rng);
            row.print(*reads);
        }
    }
}
