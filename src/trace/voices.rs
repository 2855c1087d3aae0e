//! What a control's other voices say of how one of them is coded.
//!
//! Voices of one control are built alike; common practice, no source. So the codings that fit a voice are weighed
//! with what they are worth in the others, up to the odds that a voice is made otherwise: a low bit that one voice's
//! own noise hides, and a coding that one voice's settings hardly tell from another, shows in all of them together.

use super::fields::{self, Scored};
use super::signal::Hypothesis;

/// Odds (natural logarithm) against a voice that is coded otherwise than the others.
const OTHERWISE: f64 = 6.0;

/// Adds to the score of every coding of every voice what the other voices say of it: nothing where it is the best in
/// all of them, and at most the odds against a voice of its own less. How seldom a coding is used counts once.
pub(crate) fn weigh(voices: &mut [Vec<Scored>]) {
    if voices.len() < 2 {
        return;
    }
    let worth = |s: &Scored| s.score + fields::rare(s.h.code);
    // How far behind the best of its voice a coding is.
    let behind: Vec<Vec<(Hypothesis, f64)>> = voices
        .iter()
        .map(|all| {
            let most = all.iter().map(worth).fold(f64::MIN, f64::max);
            all.iter().map(|s| (s.h, worth(s) - most)).collect()
        })
        .collect();
    let of = |voice: usize, h: Hypothesis| {
        let found = behind[voice].iter().find(|b| b.0 == h);
        found.map_or(f64::NEG_INFINITY, |b| b.1)
    };
    for (v, all) in voices.iter_mut().enumerate() {
        for s in all {
            // A voice in which nothing was found says nothing.
            let others = (0..behind.len()).filter(|o| *o != v && !behind[*o].is_empty());
            s.score += said(others.map(|o| of(o, s.h)).sum());
        }
    }
}

/// What the others say: that all are coded alike, or that this one is coded otherwise.
fn said(behind: f64) -> f64 {
    (behind.exp() + (-OTHERWISE).exp()).ln().min(0.0)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]
    use super::super::signal::{Code, Noise};
    use super::*;

    fn scored(code: Code, width: u32, score: f64) -> Scored {
        Scored {
            h: Hypothesis { code, width },
            noise: Noise::START,
            score,
            hidden: 0.0,
            matches: Vec::new(),
        }
    }

    /// By hand: one voice takes seven bits for 3 better than eight; two others take eight for 10 better. The seven then
    /// lose all that a voice of its own costs, 6, and eight bits lead by 3. In the second eight bits led by 10; there the
    /// others take 6 from seven bits, and 3 from eight.
    #[test]
    fn one_voice_follows_the_others() {
        let voice = |seven: f64, eight: f64| {
            vec![
                scored(Code::Binary, 7, seven),
                scored(Code::Binary, 8, eight),
            ]
        };
        let mut voices = vec![voice(103.0, 100.0), voice(90.0, 100.0), voice(80.0, 90.0)];
        weigh(&mut voices);
        let lead = |v: &[Scored]| v[1].score - v[0].score;
        assert!((lead(&voices[0]) - 3.0).abs() < 0.01);
        assert!((lead(&voices[1]) - 13.0).abs() < 0.1);
    }

    /// That a coding is rare is no news from every voice: 1 for, twice, makes up for half of the 4 it is rarer by in
    /// the third; and a voice that shows nothing, or is alone, changes nothing.
    #[test]
    fn what_is_rare_is_rare_once() {
        let rare = fields::rare(Code::Ones);
        let voice = |ones: f64| {
            vec![
                scored(Code::Binary, 4, 20.0),
                scored(Code::Ones, 4, 20.0 - rare + ones),
            ]
        };
        let mut voices = vec![voice(0.0), voice(1.0), voice(1.0), Vec::new()];
        weigh(&mut voices);
        let lead = voices[0][0].score - voices[0][1].score;
        assert!((lead - (rare - 2.0)).abs() < 0.05, "{lead}");
        let mut alone = [voice(0.0)];
        weigh(&mut alone);
        assert_eq!(alone[0][0].score, 20.0);
    }
}
