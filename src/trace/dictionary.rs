//! The plan's words: how every control stands over the saves of end-stop settings.

use super::cells::Experiment;
use super::plan::Purpose;

/// The words of every lane over the saves of end-stop settings.
pub(crate) struct Dictionary {
    /// The saves, as indices into [`Plan::saves`]; at most 128.
    pub(crate) saves: Vec<usize>,
    /// One word a lane that has end stops; bit `i` is 1 where the lane stands high in `saves[i]`.
    pub(crate) words: Vec<u128>,
    /// The same a save, 64 words a block: bit `j` of each. The saves of one block lie together.
    by_save: Vec<u64>,
}

impl Dictionary {
    pub(crate) fn new(experiment: &Experiment) -> Self {
        let plan = experiment.plan;
        let saves: Vec<usize> = (0..plan.saves.len())
            .filter(|&s| plan.settings[plan.saves[s].setting].purpose == Purpose::Ends)
            .take(128)
            .collect();
        let mut words = Vec::new();
        for l in 0..experiment.lanes.len() {
            if !experiment.two_valued(l) {
                continue;
            }
            let mut word = 0u128;
            for (i, &s) in saves.iter().enumerate() {
                if plan.settings[plan.saves[s].setting].positions[l] > 0 {
                    word |= 1 << i;
                }
            }
            words.push(word);
        }
        Self {
            by_save: by_save(&words, saves.len()),
            saves,
            words,
        }
    }

    pub(crate) fn mask(&self) -> u128 {
        match self.saves.len() {
            n if n >= 128 => u128::MAX,
            n => (1 << n) - 1,
        }
    }

    /// In how many saves a column differs from its nearest word, complement allowed, where that is fewer than `below`.
    ///
    /// All words are counted at once: what 64 of them differ in is added up bit by bit, save after save.
    pub(crate) fn distance(&self, column: u128, known: u128, below: usize) -> Option<u32> {
        let all = known.count_ones();
        let near = |(words, by_save): (&[u128], &[u64])| {
            let mask = u64::MAX >> (64 - words.len());
            let count = Counts::of(by_save, column, known);
            let of = |n: u32| (count.equal(n) | count.equal(all - n)) & mask;
            (0..below as u32).find(|n| *n * 2 <= all && of(*n) != 0)
        };
        let saves = self.saves.len().max(1);
        let blocks = self.words.chunks(64).zip(self.by_save.chunks(saves));
        blocks.filter_map(near).min()
    }

    /// How telling a column at a distance from its nearest word is: the logarithm of the odds that it is that word
    /// with slips rather than an unrelated column. Further than the list goes, it tells against.
    pub(crate) fn telling(&self) -> Vec<f64> {
        let n = self.saves.len() as f64;
        let mut chance = 2.0 * self.words.len() as f64 / 2f64.powf(n);
        let mut out = Vec::new();
        for (d, expected) in [0.75, 0.12, 0.05, 0.02, 0.01].into_iter().enumerate() {
            let odds = f64::ln(expected / chance.max(1e-12));
            if odds < 1.5 {
                break;
            }
            out.push(odds.min(12.0));
            chance *= (n - d as f64) / (d as f64 + 1.0);
        }
        out
    }
}

/// Words turned: a row a save, a bit a word; 64 words after the other.
fn by_save(words: &[u128], saves: usize) -> Vec<u64> {
    let bits = |some: &[u128], i: usize| {
        let bit = |(j, w): (usize, &u128)| ((w >> i & 1) as u64) << j;
        some.iter().enumerate().map(bit).sum()
    };
    (words.chunks(64))
        .flat_map(|some| (0..saves).map(move |i| bits(some, i)))
        .collect()
}

/// 64 counts at once: bit `j` of `planes[p]` is bit `p` of count `j`.
struct Counts {
    planes: [u64; 8],
}

impl Counts {
    /// In how many of the known saves each of 64 words differs from a column: eight saves at a time by full adders.
    fn of(by_save: &[u64], column: u128, known: u128) -> Self {
        let add = |a: u64, b: u64, c: u64| (a & b | (a ^ b) & c, a ^ b ^ c);
        let mut planes = [0u64; 8];
        for (eight, at) in by_save.chunks(8).zip(0..) {
            let (column, known) = ((column >> (8 * at)) as u8, (known >> (8 * at)) as u8);
            let mut rows = [0u64; 8];
            for ((row, words), i) in rows.iter_mut().zip(eight).zip(0..) {
                let all = |bits: u8| 0u64.wrapping_sub(u64::from(bits >> i & 1));
                *row = (words ^ all(column)) & all(known);
            }
            let (two_1, one) = add(planes[0], rows[0], rows[1]);
            let (two_2, one) = add(one, rows[2], rows[3]);
            let (four_1, two) = add(planes[1], two_1, two_2);
            let (two_1, one) = add(one, rows[4], rows[5]);
            let (two_2, one) = add(one, rows[6], rows[7]);
            let (four_2, two) = add(two, two_1, two_2);
            let (mut carry, four) = add(planes[2], four_1, four_2);
            planes[..3].copy_from_slice(&[one, two, four]);
            for plane in &mut planes[3..] {
                (*plane, carry) = (*plane ^ carry, *plane & carry);
            }
        }
        Self { planes }
    }

    /// Which counts are so high.
    fn equal(&self, n: u32) -> u64 {
        let planes = self.planes.iter().zip(0..);
        planes.fold(u64::MAX, |o, (plane, p)| match n >> p & 1 {
            1 => o & plane,
            _ => o & !plane,
        })
    }
}

/// What a column that moves but reads as no control's word tells against a structure.
pub(crate) const AGAINST: f64 = 0.5;

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand: words 0011, 0101 and 1111 over four saves, the first save being the lowest bit.
    #[test]
    fn distances_by_hand() {
        let words = vec![0b0011, 0b0101, 0b1111];
        let d = Dictionary {
            saves: (0..4).collect(),
            by_save: by_save(&words, 4),
            words,
        };
        assert_eq!(d.distance(0b0011, 0b1111, 5), Some(0));
        // The complement of the second.
        assert_eq!(d.distance(0b1010, 0b1111, 5), Some(0));
        assert_eq!(d.distance(0b0010, 0b1111, 5), Some(1));
        assert_eq!(d.distance(0b0010, 0b1111, 1), None);
        // Two away from the first and the second, and one from none.
        assert_eq!(d.distance(0b0110, 0b1111, 5), Some(2));
        // What is not known does not count.
        assert_eq!(d.distance(0b0110, 0b0110, 5), Some(0));
        assert_eq!(d.distance(0b0110, 0b0100, 5), Some(0));
    }

    /// Word by word, over more words than a block holds and more saves than a row of adders takes.
    #[test]
    fn distances_as_counted_one_by_one() {
        let mut random = super::super::rng::Random::new(7);
        let mut draw = || u128::from(random.bits()) << 64 | u128::from(random.bits());
        let words: Vec<u128> = (0..150).map(|_| draw() & ((1 << 20) - 1)).collect();
        let d = Dictionary {
            saves: (0..20).collect(),
            by_save: by_save(&words, 20),
            words: words.clone(),
        };
        for _ in 0..200 {
            let mask = (1 << 20) - 1;
            let (column, known) = (draw() & mask, (draw() | draw()) & mask);
            let apart = |w: &u128| {
                let n = ((w ^ column) & known).count_ones();
                n.min(known.count_ones() - n)
            };
            let least = words.iter().map(apart).min().filter(|n| *n < 6);
            assert_eq!(d.distance(column & known, known, 6), least);
        }
    }
}
