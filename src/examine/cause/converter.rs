//! A converter bit that never moves: every knob's code has the same bit still, whatever chip it lies in. The
//! memory kept faithfully what it was given.

use std::sync::Arc;

use super::{Cause, FAULT, Names, Scene, Shared, otherwise};
use crate::codec::setting::legal;
use crate::evidence::one_of;
use crate::finding::{Finding, Place, Severity};
use crate::image::ChipImage;
use crate::layout::model::{Area, BitPlace, Control, Field, FieldOwner, Layout};

/// One bit of the panel's converter stuck in everything that was ever saved.
#[derive(Clone)]
pub struct StuckCode {
    /// Place of that bit in every stored knob.
    pub places: Vec<BitPlace>,
    /// Which bit, counted from the most significant, 0 first.
    pub from_top: u8,
    /// The level of the code bit.
    pub level: bool,
}

impl std::fmt::Debug for StuckCode {
    /// The bit and its level say which it is; its places follow from the layout.
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "StuckCode({}, {})", self.from_top, self.level)
    }
}

impl StuckCode {
    fn set(&self, chips: &mut [ChipImage]) {
        for p in &self.places {
            if let Some(image) = chips.get_mut(usize::from(p.chip)) {
                image.set_bit(p.cell, p.line, Some(self.level != p.inverted));
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
        self.set(chips);
    }

    fn undo(&self, chips: &mut [ChipImage], _plausible: bool) {
        self.set(chips);
    }

    fn still(&self) -> Option<u8> {
        Some(self.from_top)
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

/// Every knob whose codes come straight from the converter, as its area and field. A value whose range is narrower than
/// its bits was computed, so it is not the converter's own code.
fn knobs(layout: &Layout) -> Vec<(&Area, &Field)> {
    let mut out = Vec::new();
    for area in &layout.areas {
        for field in &area.fields {
            let FieldOwner::Parameter(p) = field.owner else {
                continue;
            };
            let parameter = &area.parameters[p];
            let knob = matches!(parameter.control, Control::Knob | Control::Slider)
                && (4..=12).contains(&field.width)
                && parameter.alias_of.is_none()
                && parameter.when.is_none();
            if knob && (0..1u64 << field.width).all(|code| legal(parameter, field.width, code)) {
                out.push((area, field));
            }
        }
    }
    out
}

/// The places of bit `from_top` of every code of a knob, mirrored copies included.
fn bit_places<'l>(
    area: &'l Area,
    field: &Field,
    from_top: u8,
) -> impl Iterator<Item = BitPlace> + 'l {
    let bit = field.first + usize::from(field.width - 1 - from_top);
    let copies = area.copies.iter().map(|c| &c.places);
    let lists = std::iter::once(&area.places).chain(copies);
    lists.flat_map(move |list| {
        let of_entry = (0..area.entries()).map(move |e| e * area.bits_per_entry + bit);
        of_entry.filter_map(|at| list.get(at).copied())
    })
}

pub(super) fn propose(scene: &Scene, out: &mut Vec<Shared>) {
    let Some(layout) = scene.layout else { return };
    let knobs = knobs(layout);
    for from_top in 0..8 {
        let wide: Vec<_> = knobs.iter().filter(|k| k.1.width > from_top).collect();
        if wide.len() < 3 {
            continue;
        }
        let places = || wide.iter().flat_map(|(a, f)| bit_places(a, f, from_top));
        let all = places().count();
        let few = |against: usize, n: usize| against * 50 <= n;
        let (mut ones, mut n) = (0usize, 0usize);
        for p in places() {
            let chip = scene.seen.get(usize::from(p.chip));
            if let Some(b) = chip.and_then(|c| c.bit(p.cell, p.line)) {
                n += 1;
                ones += usize::from(b != p.inverted);
                if !few(ones, all) && !few(n - ones, all) {
                    break;
                }
            }
        }
        for (level, against) in [(false, ones), (true, n - ones)] {
            if n > 0 && few(against, n) {
                out.push(Arc::new(StuckCode {
                    places: places().collect(),
                    from_top,
                    level,
                }));
            }
        }
    }
}
