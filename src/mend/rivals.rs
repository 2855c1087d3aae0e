//! The chance that the cause named is another.
//!
//! What is damaged follows from the cause, and the cause is only the likeliest one. Where another explanation is worth a
//! thought, everything is weighed by it as well, and a value is as sure as both together make it: what one takes for lost
//! may by the other be sound as it was read.

use super::gather::{Bench, Heard, Spot};
use super::weigh::Belief;
use super::{MendError, Sources};
use crate::examine::{Content, Examined, Rival};
use crate::layout::model::BitPlace;
use crate::reading::Reading;

/// Chance from which it is told that another explanation would have it otherwise.
const TOLD: f64 = 0.005;

/// Another explanation with everything weighed by it.
pub(super) struct Another<'a> {
    sure: f64,
    causes: &'a [String],
    bench: Bench<'a>,
    heard: Heard,
}

impl<'a> Another<'a> {
    /// The chance of the best explanation, and the others.
    ///
    /// # Errors
    /// When a source does not fit the layout.
    pub(super) fn of(
        content: &'a Content<'a>,
        reading: &Reading,
        examined: &'a Examined,
        sources: &Sources,
    ) -> Result<(f64, Vec<Self>), MendError> {
        let one = |rival: &'a Rival| -> Result<Self, MendError> {
            let bench = Bench::new(content, reading, &rival.contents, sources)?;
            let heard = bench.hear(&bench.firm);
            Ok(Self {
                sure: rival.sure,
                causes: &rival.causes,
                bench,
                heard,
            })
        };
        let others: Vec<Self> = examined.rivals.iter().map(one).collect::<Result<_, _>>()?;
        let rest: f64 = others.iter().map(|o| o.sure).sum();
        Ok((1.0 - rest, others))
    }

    /// What is believed of a field by this explanation; nothing where it cannot be told.
    fn belief(&self, spot: Spot) -> Vec<(u64, f64)> {
        match self.heard.beliefs.get(&spot) {
            Some(belief) => belief.codes.clone(),
            None => self
                .bench
                .code(spot)
                .map(|code| (code, 1.0))
                .into_iter()
                .collect(),
        }
    }

    /// What a bit is by this explanation, where it is not damaged.
    fn bit(&self, place: BitPlace) -> Option<bool> {
        match self.bench.damaged.has(&place) {
            true => None,
            false => self.bench.undone.bit(place),
        }
    }

    fn says(&self, otherwise: &str) -> String {
        let causes = match self.causes {
            [] => "a sound reading".to_owned(),
            causes => causes.join(" and "),
        };
        format!(
            "against it: by {causes}, {:.1} % sure, it would be {otherwise}",
            100.0 * self.sure
        )
    }
}

/// What is believed of a field by all explanations together, with what the likeliest other one says against it.
pub(super) fn mixed(
    (sure, own): (f64, &Belief),
    others: &[Another],
    spot: Spot,
) -> (Belief, Option<String>) {
    if others.is_empty() {
        return (own.clone(), None);
    }
    let weighed = |codes: &[(u64, f64)], sure: f64| -> Vec<(u64, f64)> {
        codes
            .iter()
            .map(|(code, chance)| (*code, chance * sure))
            .collect()
    };
    let mut all = weighed(&own.codes, sure);
    for other in others {
        for (code, chance) in weighed(&other.belief(spot), other.sure) {
            match all.iter_mut().find(|c| c.0 == code) {
                Some(known) => known.1 += chance,
                None => all.push((code, chance)),
            }
        }
    }
    let belief = Belief::sorted(all);
    let best = belief.best().map(|b| b.0);
    let against = others.iter().filter(|o| o.sure >= TOLD).find_map(|other| {
        let code = other.belief(spot).first()?.0;
        (Some(code) != best).then(|| other.says(&format!("code {code}")))
    });
    (belief, against)
}

/// The chance that a bit outside of parameters is what it is taken for, by all explanations together: by each of the others
/// it is what was read, or damaged too.
pub(super) fn mixed_bit(
    (place, bit, chance): (BitPlace, bool, f64),
    (sure, others): (f64, &[Another]),
) -> f64 {
    let other = |o: &Another| {
        o.sure
            * match o.bit(place) {
                Some(read) => f64::from(u8::from(read == bit)),
                None => chance,
            }
    };
    sure * chance + others.iter().map(other).sum::<f64>()
}
