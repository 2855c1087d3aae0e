//! Description lengths: how many bits it takes to tell something, the one currency in which causes are compared.
//!
//! A cause that explains what is seen in fewer bits than its rival is the likelier one, and the difference *is*
//! the logarithm of the odds: ten bits are odds of a thousand to one. Everything that infers (settling,
//! examining, mending) adds up lengths from here, so that a new cause needs no retuning of the others.

use std::sync::LazyLock;

/// log2 of n!, by Stirling's series above a small table; the error stays below 1e-9 bits.
fn log2_factorial(n: u64) -> f64 {
    static SMALL: LazyLock<[f64; 32]> = LazyLock::new(|| {
        let mut sum = 0.0;
        std::array::from_fn(|n| {
            sum += (n.max(1) as f64).log2();
            sum
        })
    });
    if let Some(v) = SMALL.get(n as usize) {
        return *v;
    }
    let x = n as f64 + 1.0;
    let ln = (x - 0.5) * x.ln() - x + 0.5 * (2.0 * std::f64::consts::PI).ln() + 1.0 / (12.0 * x)
        - 1.0 / (360.0 * x.powi(3));
    ln / std::f64::consts::LN_2
}

/// log2 of the number of ways to choose `k` of `n`; 0 where `k` exceeds `n`.
pub fn log2_choose(n: u64, k: u64) -> f64 {
    if k > n {
        return 0.0;
    }
    log2_factorial(n) - log2_factorial(k) - log2_factorial(n - k)
}

/// Bits to tell which `k` of `n` are marked, the number `k` included: the length under a rate that is itself
/// unknown and equally likely anywhere.
pub fn marked(n: u64, k: u64) -> f64 {
    log2_choose(n, k) + ((n + 1) as f64).log2()
}

/// Bits to tell which `k` of `n` are marked at a known rate, kept within `1e-9..=1-1e-9`.
pub fn at_rate(n: u64, k: u64, rate: f64) -> f64 {
    let p = rate.clamp(1e-9, 1.0 - 1e-9);
    -(k as f64) * p.log2() - (n.saturating_sub(k)) as f64 * (1.0 - p).log2()
}

/// Bits to tell one of `n` equally likely things; 0 for none or one.
pub fn one_of(n: usize) -> f64 {
    (n.max(1) as f64).log2()
}

/// The share each length gets of the belief, when one of them must be true: `2^-length`, normalised.
pub fn shares(lengths: &[f64]) -> Vec<f64> {
    let least = lengths.iter().copied().fold(f64::INFINITY, f64::min);
    if !least.is_finite() {
        return vec![0.0; lengths.len()];
    }
    let weights: Vec<f64> = lengths.iter().map(|l| (least - l).exp2()).collect();
    let total: f64 = weights.iter().sum();
    weights.iter().map(|w| w / total).collect()
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn choosing_agrees_with_counting() {
        // C(5,2) = 10, C(52,5) = 2,598,960: the number of poker hands, a textbook value.
        assert!((log2_choose(5, 2) - 10f64.log2()).abs() < 1e-9);
        assert!((log2_choose(52, 5) - 2_598_960f64.log2()).abs() < 1e-9);
        assert!((log2_choose(64, 1) - 6.0).abs() < 1e-9);
    }

    #[test]
    fn lengths_of_marks_are_probabilities() {
        // Summed over every way to mark 10 places, the probabilities come to one.
        let total: f64 = (0..=10u64)
            .map(|k| (log2_choose(10, k) - marked(10, k)).exp2())
            .sum();
        assert!((total - 1.0).abs() < 1e-9);
    }

    #[test]
    fn ten_bits_are_a_thousand_to_one() {
        let s = shares(&[0.0, 10.0]);
        assert!((s[0] / s[1] - 1024.0).abs() < 1e-6);
    }
}
