//! Scattered flips too many to be found one by one: where a reading stands alone, the layout's promises break at the
//! rate that a share of flipped bits breaks them, and that is all it shows.

use std::sync::Arc;

use super::{Cause, FAULT, Names, RARE, Scene, Shared, otherwise};
use crate::evidence::one_of;
use crate::finding::{Finding, Severity};
use crate::image::ChipImage;

/// The code of flips that follow no line.
pub(crate) const SCATTERED: &str = "decay.scattered";

/// Adds to a finding what scattered flips mean, and what to do first.
pub(crate) fn sagged(f: Finding) -> Finding {
    f.means("Cells fell to their preferred state as the supply sagged; the longer it lasts, the more will go.")
        .act("Read again and settle before concluding; then measure the battery under load and the voltage at the chip's supply pin.")
}

/// Negative powers of two weighed as the share of flipped bits, from the largest.
const HALVINGS: std::ops::RangeInclusive<i32> = 2..=9;

/// A share of all bits flipped, which ones unknown.
#[derive(Clone)]
pub struct Decay {
    /// The share as a negative power of two.
    halvings: i32,
}

impl std::fmt::Debug for Decay {
    /// Whatever its share, it is one cause: two of them are neither rivals nor companions.
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Decay")
    }
}

impl Decay {
    fn share(&self) -> f64 {
        0.5f64.powi(self.halvings)
    }
}

impl Cause for Decay {
    fn code(&self) -> &'static str {
        SCATTERED
    }

    fn length(&self, _chips: &[ChipImage]) -> f64 {
        FAULT + one_of(HALVINGS.count()) + RARE * self.share()
    }

    /// Which bits flipped is not known, so that what is seen is all there is to go by.
    fn forward(&self, _chips: &mut [ChipImage]) {}

    fn undo(&self, _chips: &mut [ChipImage], _plausible: bool) {}

    fn flipped(&self) -> f64 {
        self.share()
    }

    fn chips(&self) -> Vec<usize> {
        Vec::new()
    }

    fn neighbours(&self) -> Vec<Shared> {
        let near = [self.halvings - 1, self.halvings + 1];
        let near = near.into_iter().filter(|h| HALVINGS.contains(h));
        near.map(|halvings| Arc::new(Self { halvings }) as Shared)
            .collect()
    }

    fn tell(&self, _names: &Names) -> Finding {
        let mut f = sagged(Finding::new(
            self.code(),
            Severity::Damage,
            format!(
                "about {:.1} % of all bits flipped, scattered; one reading alone does not show which",
                100.0 * self.share()
            ),
        ));
        let further = " Look for an earlier reading: only that can tell which bits are wrong.";
        if let Some(act) = &mut f.act {
            act.push_str(further);
        }
        otherwise(
            f,
            &[
                "a noisy read: reading again shows other cells",
                "the layout of another instrument or another version of it",
            ],
        )
    }
}

/// Every fourfold share; the neighbours of the best are weighed later.
pub(super) fn propose(scene: &Scene, out: &mut Vec<Shared>) {
    if scene.expected.is_none() && scene.layout.is_some() && scene.strained {
        let shares = HALVINGS.step_by(2);
        out.extend(shares.map(|halvings| Arc::new(Decay { halvings }) as Shared));
    }
}
