//! A converter bit that never moves: every knob's code has the same bit still, whatever chip it lies in. The
//! memory kept faithfully what it was given.

use std::sync::Arc;

use super::{Cause, FAULT, Names, Scene, Shared, otherwise};
use crate::evidence::one_of;
use crate::finding::{Finding, Place, Severity};
use crate::image::ChipImage;
use crate::layout::model::{BitPlace, Control, FieldOwner, Layout};

/// One bit of the panel's converter stuck in everything that was ever saved.
#[derive(Clone, Debug)]
pub struct StuckCode {
    /// Place of that bit in every stored knob.
    pub places: Vec<BitPlace>,
    /// Which bit, counted from the most significant, 0 first.
    pub from_top: u8,
    /// The level of the code bit.
    pub level: bool,
}

impl StuckCode {
    fn set(&self, chips: &mut [ChipImage], bit: Option<bool>) {
        for p in &self.places {
            if let Some(image) = chips.get_mut(usize::from(p.chip)) {
                image.set_bit(p.cell, p.line, bit.map(|b| b != p.inverted));
            }
        }
    }
}

impl Cause for StuckCode {
    fn code(&self) -> &'static str {
        "converter.stuck-bit"
    }

    fn length(&self, _chips: &[ChipImage]) -> f64 {
        // Where a plane of bits is one chip, the chip is the likelier culprit.
        FAULT + 3.0 + one_of(2 * 8)
    }

    fn forward(&self, chips: &mut [ChipImage]) {
        self.set(chips, Some(self.level));
    }

    fn undo(&self, chips: &mut [ChipImage], _plausible: bool) {
        self.set(chips, None);
    }

    fn chips(&self) -> Vec<usize> {
        Vec::new()
    }

    fn tell(&self, _names: &Names) -> Finding {
        let f = Finding::new(
            self.code(),
            Severity::Damage,
            format!(
                "bit {} from the top of every knob's code is always {}",
                self.from_top,
                u8::from(self.level)
            ),
        )
        .at(Place::default())
        .means("The fault is not in the memory: the converter that reads the panel had that bit stuck when the presets were saved.")
        .act("Mend the converter before anything is saved again.");
        otherwise(f, &["the line that carries that bit to every memory"])
    }
}

/// The places of bit `from_top` of every knob's code.
pub(crate) fn knob_bits(layout: &Layout, from_top: u8) -> (Vec<BitPlace>, usize) {
    let mut places = Vec::new();
    let mut knobs = 0;
    for area in &layout.areas {
        for (f, field) in area.fields.iter().enumerate() {
            let FieldOwner::Parameter(p) = field.owner else {
                continue;
            };
            let parameter = &area.parameters[p];
            let knob = matches!(parameter.control, Control::Knob | Control::Slider);
            if !knob || field.width < 4 || field.width <= from_top || parameter.alias_of.is_some() {
                continue;
            }
            knobs += 1;
            let bit = usize::from(field.width - 1 - from_top);
            places.extend((0..area.entries()).map(|e| area.field_places(e, f)[bit]));
        }
    }
    (places, knobs)
}

pub(super) fn propose(scene: &Scene, out: &mut Vec<Shared>) {
    let Some(layout) = scene.layout else { return };
    for from_top in 0..8 {
        let (places, knobs) = knob_bits(layout, from_top);
        if knobs < 3 {
            continue;
        }
        let (mut ones, mut n) = (0usize, 0usize);
        for p in &places {
            let bit = scene
                .seen
                .get(usize::from(p.chip))
                .and_then(|c| c.bit(p.cell, p.line));
            if let Some(b) = bit {
                n += 1;
                ones += usize::from(b != p.inverted);
            }
        }
        for (level, against) in [(false, ones), (true, n - ones)] {
            if n > 0 && against * 50 <= n {
                out.push(Arc::new(StuckCode {
                    places: places.clone(),
                    from_top,
                    level,
                }));
            }
        }
    }
}
