//! Counting codes: which end stop each control stands at in each setting.
//!
//! Locating *n* lines by experiment takes about log2 *n* patterns when every line gets its own word: the counting
//! sequence of board interconnect test (W. H. Kautz, "Testing for Faults in Wiring Networks", IEEE Trans. Computers
//! C-23, 1974, for shorts: ceil(log2(n+2)) patterns, no word all-zero or all-one). Here words also keep a distance,
//! so that a slip of the hand or a noisy converter does not turn one control into another; and, since a bit may be
//! stored inverted, from each other's complements too.

use super::rng::Random;

/// The least number of two-valued patterns that give `n` lines words of their own, none all-zero or all-one.
pub fn counting_floor(n: usize) -> u32 {
    (n + 2).next_power_of_two().trailing_zeros()
}

/// Words for `n` lanes, each `patterns` bits of which bit 0 is 0 and bit 1 is 1 (the all-low and the all-high
/// setting); any two differ in `distance` places, and each from the complement of every other. `None` where the
/// search finds no such set.
pub fn words(n: usize, patterns: u32, distance: u32, seed: u64) -> Option<Vec<u64>> {
    if !(2..=40).contains(&patterns) {
        return None;
    }
    let all = (1u64 << patterns) - 1;
    let mut random = Random::new(seed);
    let fits = |w: u64, chosen: &[u64]| {
        // Neither stuck low nor stuck high in the settings after the first two.
        let rest = w >> 2;
        let free = patterns - 2;
        let ones = rest.count_ones();
        (free < 4 || (ones > 0 && ones < free))
            // Nor nearly: a bit that stands still between the ends must not look like a control's.
            && (distance < 3 || (w.count_ones() >= distance && patterns - w.count_ones() >= distance))
            && chosen.iter().all(|c| {
                let d = (w ^ c).count_ones();
                d >= distance && patterns - d >= distance
            })
    };
    for _ in 0..4 {
        let mut chosen: Vec<u64> = Vec::with_capacity(n);
        // Random words first (well spread), then every word in turn.
        for _ in 0..n * 64 {
            if chosen.len() == n {
                break;
            }
            let w = (random.bits() & all & !0b11) | 0b10;
            if fits(w, &chosen) {
                chosen.push(w);
            }
        }
        if chosen.len() < n && patterns <= 16 {
            for rest in 0..1u64 << (patterns - 2) {
                if chosen.len() == n {
                    break;
                }
                let w = rest << 2 | 0b10;
                if fits(w, &chosen) {
                    chosen.push(w);
                }
            }
        }
        if chosen.len() == n {
            return Some(chosen);
        }
    }
    None
}

/// The shortest words the search finds for `n` lanes at a distance.
pub fn shortest(n: usize, distance: u32, seed: u64) -> (u32, Vec<u64>) {
    let mut patterns = counting_floor(n).max(2) + distance.saturating_sub(1);
    loop {
        if let Some(found) = words(n, patterns, distance, seed) {
            return (patterns, found);
        }
        patterns += 1;
        if patterns > 40 {
            // 40 patterns carry far more lanes than a panel can have; kept finite all the same.
            return (40, (0..n as u64).map(|i| i << 2 | 0b10).collect());
        }
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]
    use super::*;

    /// Kautz 1974: ceil(log2(n + 2)) patterns for n nets. By hand: 2 nets 2, 6 nets 3, 7 nets 4, 14 nets 4, 62 nets 6.
    #[test]
    fn counting_sequence_lengths() {
        for (n, patterns) in [
            (1, 2),
            (2, 2),
            (3, 3),
            (6, 3),
            (7, 4),
            (14, 4),
            (15, 5),
            (62, 6),
            (63, 7),
        ] {
            assert_eq!(counting_floor(n), patterns, "{n} lines");
        }
    }

    #[test]
    fn words_keep_their_distance() {
        for (n, d) in [(8, 3), (30, 4), (60, 4), (200, 4)] {
            let (patterns, w) = shortest(n, d, 1);
            assert_eq!(w.len(), n);
            assert!(patterns >= counting_floor(n));
            for (i, a) in w.iter().enumerate() {
                assert_eq!(a & 3, 2);
                for b in &w[..i] {
                    let x = (a ^ b).count_ones();
                    assert!(x >= d && patterns - x >= d);
                }
            }
            println!("{n} lanes, distance {d}: {patterns} patterns");
        }
    }
}
