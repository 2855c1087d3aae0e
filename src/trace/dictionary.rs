//! The plan's words: how every control stands over the saves of end-stop settings.

use super::abreast::Counts;
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
    /// Saves in which every word stands as in each other, as in copies of a setting.
    alike: Vec<u128>,
}

impl Dictionary {
    pub(crate) fn new(experiment: &Experiment) -> Self {
        let plan = experiment.plan;
        let saves: Vec<usize> = (0..experiment.saves.len())
            .filter(|&s| plan.settings[experiment.saves[s].setting].purpose == Purpose::Ends)
            .take(128)
            .collect();
        let mut words = Vec::new();
        for l in 0..experiment.lanes.len() {
            // What means something only sometimes has no word over all saves.
            if !experiment.two_valued(l) || experiment.conditions[l].is_some() {
                continue;
            }
            let mut word = 0u128;
            for (i, &s) in saves.iter().enumerate() {
                if plan.settings[experiment.saves[s].setting].positions[l] > 0 {
                    word |= 1 << i;
                }
            }
            words.push(word);
        }
        Self::of(saves, words)
    }

    fn of(saves: Vec<usize>, words: Vec<u128>) -> Self {
        let bits = |i: usize| words.iter().map(move |w| w >> i & 1);
        let mut alike: Vec<(usize, u128)> = Vec::new();
        for i in 0..saves.len() {
            match alike.iter_mut().find(|(first, _)| bits(*first).eq(bits(i))) {
                Some((_, all)) => *all |= 1 << i,
                None => alike.push((i, 1 << i)),
            }
        }
        // Those that say most first.
        alike.sort_by_key(|a| std::cmp::Reverse(a.1.count_ones()));
        Self {
            by_save: by_save(&words, saves.len()),
            alike: alike.into_iter().map(|a| a.1).collect(),
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
    /// All words are counted at once: what 64 of them differ in is added up bit by bit, save after save. Most columns of a
    /// wrong map differ between copies of one setting already, and so from every word.
    pub(crate) fn distance(&self, column: u128, known: u128, below: usize) -> Option<u32> {
        let all = known.count_ones();
        let mut least = 0;
        for saves in &self.alike {
            let (known, ones) = (known & saves, column & known & saves);
            least += ones.count_ones().min((known & !ones).count_ones());
            if least as usize >= below {
                return None;
            }
        }
        let near = |(words, by_save): (&[u128], &[u64])| {
            let mask = u64::MAX >> (64 - words.len());
            let count = differing(by_save, column, known);
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

/// In how many of the known saves each of 64 words differs from a column.
fn differing(by_save: &[u64], column: u128, known: u128) -> Counts {
    let mut counts = Counts::default();
    for (eight, at) in by_save.chunks(8).zip(0..) {
        let (column, known) = ((column >> (8 * at)) as u8, (known >> (8 * at)) as u8);
        let mut rows = [0u64; 8];
        for ((row, words), i) in rows.iter_mut().zip(eight).zip(0..) {
            let all = |bits: u8| 0u64.wrapping_sub(u64::from(bits >> i & 1));
            *row = (words ^ all(column)) & all(known);
        }
        counts.add(rows);
    }
    counts
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

/// What a column that moves but reads as no control's word tells against a structure.
pub(crate) const AGAINST: f64 = 0.5;

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand: words 0011, 0101 and 1111 over four saves, the first save being the lowest bit.
    #[test]
    fn distances_by_hand() {
        let words = vec![0b0011, 0b0101, 0b1111];
        let d = Dictionary::of((0..4).collect(), words);
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
        // The last few saves are copies of the first few.
        let copied = |w: u128| w & 0xffff | (w & 0xf) << 16;
        let words: Vec<u128> = (0..150).map(|_| copied(draw())).collect();
        let d = Dictionary::of((0..20).collect(), words.clone());
        assert_eq!(d.alike.len(), 16);
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
