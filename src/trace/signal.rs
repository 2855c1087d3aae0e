//! What a bit of a control should hold in every setting, for each way the control could be coded.

pub(crate) use super::codes::{
    Code, Hypothesis, code, hypotheses, offset_hypotheses, shown, step_at, step_of,
};
use super::codes::{code_at, step, steps};
use super::panel::Lane;
use super::plan::Plan;

/// How noisy dialling and converting are.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Noise {
    /// Chance that a dial's code is one too low, and one too high.
    pub(crate) step: f64,
    /// Chance that a bit is not what the plan says for any other reason.
    pub(crate) slip: f64,
    /// Odds (natural logarithm) against a dial that is much noisier, or much less noisy.
    pub(crate) apart: f64,
}

/// A code one too low, right and one too high are as likely as each other: no dial is noisier.
pub(crate) const EVEN: f64 = 1.0 / 3.0;

impl Noise {
    pub(crate) const START: Noise = Noise {
        step: 0.12,
        slip: 0.015,
        apart: 0.0,
    };
}

/// For each bit of a hypothesis and each setting, the chance that the bit is 1.
pub(crate) fn chances(
    h: Hypothesis,
    plan: &Plan,
    lane_index: usize,
    lane: Lane,
    noise: Noise,
) -> Vec<Vec<f64>> {
    let c = &plan.panel.controls[lane.control];
    let top = steps(h, c);
    let mut out = vec![vec![0.0; plan.settings.len()]; h.width as usize];
    for (d, setting) in plan.settings.iter().enumerate() {
        let middle = step(h, c, setting.positions[lane_index]);
        let weights: &[(i64, f64)] = if c.exact() {
            &[(0, 1.0)]
        } else {
            &[
                (0, 1.0 - 2.0 * noise.step),
                (-1, noise.step),
                (1, noise.step),
            ]
        };
        for &(by, weight) in weights {
            let bits = code_at(
                h,
                c,
                (middle + by).clamp(0, if c.exact() { i64::MAX } else { top }),
            );
            for (k, row) in out.iter_mut().enumerate() {
                row[d] += weight * (bits >> k & 1) as f64;
            }
        }
    }
    for row in &mut out {
        for p in row.iter_mut() {
            *p = noise.slip + (1.0 - 2.0 * noise.slip) * *p;
        }
    }
    out
}
