//! What happened between two visits: the owner played, tried things, and saved some of them.

use cellkeep::codec::{Codes, Memory};
use cellkeep::image::ChipImage;

use super::bank::{Instrument, copy_entries, scratch};
use super::patch::Character;
use super::rng::Rng;

impl Instrument {
    /// The bank some years later.
    pub(crate) fn years_later(&self, earlier: &Memory) -> Memory {
        let mut memory = earlier.clone();
        let mut codes = self.decode(&memory);
        let mut rng = self.rng("years later");
        let presets = self.layout.areas.iter().position(|a| a.name == "presets");
        match presets {
            Some(a) => self.presets_later(a, &mut codes, &mut rng),
            None => self.sequence_later(&mut codes, &mut rng),
        }
        self.encode(&codes, &mut memory);
        self.scratch_later(&memory, &mut rng)
    }

    fn presets_later(&self, a: usize, codes: &mut Codes, rng: &mut Rng) {
        let count = self.layout.areas[a].axes[0].count();
        let used = count - (count / 10).max(1);
        let voices = self.layout.areas[a].entries() / count;

        // A few sounds got a touch: one to three controls, in all voices alike.
        for _ in 0..(count / 10).max(2) {
            let preset = rng.below(used);
            let area = &self.layout.areas[a];
            let knobs: Vec<usize> = (0..area.parameters.len())
                .filter(|p| {
                    let parameter = &area.parameters[*p];
                    parameter.when.is_none()
                        && parameter.fields.len() == 1
                        && parameter.range.end() - parameter.range.start() > 20
                        && parameter.key != "next.preset"
                })
                .collect();
            for _ in 0..1 + rng.below(3) {
                let p = *rng.pick(&knobs);
                let range = area.parameters[p].range.clone();
                let span = range.end() - range.start();
                let jump = span / 8 + rng.below((span / 4) as usize) as i64;
                let jump = if rng.chance(0.5) { jump } else { -jump };
                for voice in 0..voices {
                    let entry = preset * voices + voice;
                    if let Some(n) = self.get(a, p, codes, entry) {
                        let to = if range.contains(&(n + jump)) {
                            n + jump
                        } else {
                            n - jump
                        };
                        self.put(a, p, codes, entry, to.clamp(*range.start(), *range.end()));
                    }
                }
            }
        }
        // One was recalled and saved again with the panel live: every knob a code or so off.
        let again = rng.below(used);
        for voice in 0..voices {
            self.dial_again(a, codes, again * voices + voice, 1, rng);
        }
        // One is new.
        let new = rng.below(used);
        let sound = Character::draw(rng);
        self.sound(&sound, a, codes, new * voices, voices, rng);
        // Two changed places, and one was copied to where there was room.
        let (one, other) = (rng.below(used / 2), used / 2 + rng.below(used / 2));
        let (from, room) = (rng.below(used), count - 1);
        for (b, area) in self.layout.areas.iter().enumerate() {
            if area.axes.first().is_none_or(|axis| axis.name != "preset") {
                continue;
            }
            let each = area.entries() / count;
            let before = codes.clone();
            copy_entries(area, b, codes, other * each, one * each, each);
            for i in 0..each {
                for field in 0..area.fields.len() {
                    let (code, _) = before.areas[b].get(one * each + i, field);
                    codes.areas[b].set(other * each + i, field, code);
                }
            }
            copy_entries(area, b, codes, from * each, room * each, each);
        }
    }

    fn sequence_later(&self, codes: &mut Codes, rng: &mut Rng) {
        let find = |area: &str, key: &str| {
            let a = self
                .layout
                .areas
                .iter()
                .position(|x| x.name == area)
                .expect("an area");
            (a, self.layout.areas[a].parameter(key).expect("a parameter"))
        };
        let (a, note) = find("sequence", "note");
        let first = 8 * rng.below(8);
        for step in first..first + 8 {
            if let Some(n) = self.get(a, note, codes, step).filter(|n| *n > 0) {
                self.put(a, note, codes, step, (n + 2).clamp(0, 60));
            }
        }
        let (a, tempo) = find("settings", "tempo");
        if let Some(n) = self.get(a, tempo, codes, 0) {
            self.put(a, tempo, codes, 0, n + 4);
        }
        let (a, repeats) = find("chain", "repeats");
        self.put(a, repeats, codes, 2, 6);
    }

    /// A processor's scratch never looks twice the same.
    fn scratch_later(&self, memory: &Memory, rng: &mut Rng) -> Memory {
        let mut images = memory.images().expect("a chip's shape");
        for (chip, first, last) in scratch(&self.layout.id) {
            for cell in first..=last {
                if rng.chance(0.6) {
                    images[chip].set_cell(cell, rng.below(256) as u8, 0xff);
                }
            }
        }
        let refs: Vec<&ChipImage> = images.iter().collect();
        Memory::of_images(&self.layout, &refs).expect("the layout's own shape")
    }
}
