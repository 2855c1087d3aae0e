//! The settings of a plan in which every control always means something: end stops by words, then marks between them.

use super::super::marks::{balanced, character, sweep_marks};
use super::super::panel::{Kind, Panel};
use super::super::rng::Random;
use super::super::words;
use super::{Effort, Purpose, Setting};

/// The settings at the ends and between them, in that order, and how many of them are at the ends.
pub(super) fn settings(
    panel: &Panel,
    effort: Effort,
    seed: u64,
    random: &mut Random,
) -> (Vec<Setting>, usize) {
    let lanes = panel.lanes();
    let (ends, mut words) = words::shortest(lanes.len().max(2), effort.distance, seed);
    // Half of the words turned round, which leaves their distances: every setting has about as many controls up
    // as down, so that no setting stands out by that alone.
    let mut up: Vec<bool> = (0..words.len()).map(|l| l % 2 == 1).collect();
    random.shuffle(&mut up);
    for (word, _) in words.iter_mut().zip(up).filter(|(_, up)| *up) {
        *word ^= (1 << ends) - 1;
    }
    let sweeps = effort.sweeps_of(panel);
    let marks: Vec<Vec<u32>> = lanes
        .iter()
        .map(|&lane| sweep_marks(panel, lane, sweeps, random))
        .collect();
    let mut settings = Vec::new();
    for e in 0..ends {
        let positions = lanes.iter().zip(&words).map(|(&lane, word)| {
            let c = &panel.controls[lane.control];
            match c.kind {
                Kind::Text => return character(random),
                // Each position as often as can be: its codes may follow no rule.
                Kind::Selector if c.span() > 1 => return 0,
                _ => {}
            }
            if word >> e & 1 == 1 { c.span() } else { 0 }
        });
        settings.push(Setting {
            purpose: Purpose::Ends,
            positions: positions.collect(),
        });
    }
    for s in 0..sweeps {
        settings.push(Setting {
            purpose: Purpose::Sweep,
            positions: marks.iter().map(|m| m[s]).collect(),
        });
    }
    for (l, lane) in lanes.iter().enumerate() {
        let c = &panel.controls[lane.control];
        if c.kind == Kind::Selector && c.span() > 1 {
            let positions = balanced(c.span() + 1, settings.len(), random);
            for (setting, position) in settings.iter_mut().zip(positions) {
                setting.positions[l] = position;
            }
        }
    }
    (settings, ends as usize)
}
