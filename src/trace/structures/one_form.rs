//! Presets that lie alike on two chips, told as steps behind address pins of the one and as address lines of the other.
//!
//! Steps of a power of two behind swapped or inverted pins lead to the same cells as address lines of the presets' own.
//! Which of the two a chip is found by depends on what noise leaves of it. Chips that are told in two ways would share no
//! area, and a control with bits in both could not be written whole.

use super::super::explain::{self, Explained};
use super::super::space::PresetMap;
use super::Finder;

impl Finder<'_> {
    /// Tells chips by the address lines that another shows where these lead to the same cells and explain as much.
    pub(super) fn one_form(&self, all: &mut [Explained]) {
        for i in 0..all.len() {
            let e = &all[i];
            let like = |o: &&Explained| {
                o.space.len() == e.space.len()
                    && as_lines(&e.map).is_some_and(|x| leads(&o.map, &x))
            };
            let Some(map) = all.iter().find(like).map(|o| o.map.clone()) else {
                continue;
            };
            let Some(again) = self.told_by(e, &map).filter(|a| a.hits >= e.hits) else {
                continue;
            };
            all[i] = again;
        }
    }

    /// Chips told by another map than before, as much in doubt as they were.
    pub(super) fn told_by(&self, e: &Explained, map: &PresetMap) -> Option<Explained> {
        let (experiment, shift) = (self.experiment, self.shift.as_ref());
        let contents = (e.space).contents(&experiment.chips, experiment.plan.readings());
        let mut again =
            explain::explain(experiment, self.dictionary, &e.space, &contents, map, shift)?;
        if let Some(shift) = shift {
            again.carried = shift.carried(&e.space, &contents, map, &again.bases);
        }
        (again.doubt, again.sure) = (e.doubt.clone(), e.sure);
        Some(again)
    }
}

/// True for address lines that turn the same cells for every preset.
fn leads(map: &PresetMap, offsets: &[u32]) -> bool {
    map.xor && map.offset == offsets
}

/// What each preset turns of the cell's address where steps carry into no bit of the entry's own; `None` for other steps
/// and for lines.
fn as_lines(map: &PresetMap) -> Option<Vec<u32>> {
    let steps = !map.xor && map.stride.is_power_of_two();
    let turned = |o: &u32| map.pins.physical(*o) ^ map.pins.physical(0);
    steps.then(|| map.offset.iter().map(turned).collect())
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]
    use super::super::super::pins::Pins;
    use super::*;

    /// By hand: four presets two addresses apart, address bits 0 to 3 on pins 2, 0, 3, 1, pin 0 inverted. Bit 1 of the
    /// address turns pin 0 and bit 2 turns pin 3; the inverted pin is inverted for every preset.
    #[test]
    fn steps_as_lines_by_hand() {
        let mut map = PresetMap::stepped(2, &[0, 1, 2, 3], "");
        map.pins = Pins {
            pins: vec![2, 0, 3, 1],
            invert: 1,
        };
        let lines = as_lines(&map).unwrap();
        assert_eq!(lines, [0, 1, 8, 9]);
        assert!(leads(&PresetMap::wired(&[1, 8], 4, ""), &lines));
        assert!(!leads(&PresetMap::wired(&[8, 1], 4, ""), &lines));
        // The same steps counted, not turned, are no lines of a preset's own.
        assert!(!leads(&map, &lines));
        // Three addresses apart presets carry from one bit into another.
        assert_eq!(as_lines(&PresetMap::stepped(3, &[0, 1, 2, 3], "")), None);
    }
}
