//! The plan: which settings to dial, where to save them, and what each is for.
//!
//! One bank holds many presets, so one reading is many experiments. End-stop settings give every control a word of
//! its own over the settings (`words`(super::words)); sweep settings put each dial at marks that order its bits
//! and tell one code from another; a repeat measures jitter. Presets left over hold copies of earlier settings in
//! another order, which costs a button press each and shows how presets are addressed.

mod dependent;
mod dialled;
mod open;
mod saves;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::panel::{Kind, Lane, Panel};
use super::rng::Random;
use super::words;
use crate::document::Document;

/// What a setting is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Purpose {
    /// Every dial and switch at one of its ends: says which bits belong to which control.
    Ends,
    /// Dials between their ends: orders the bits and shows the code.
    Sweep,
    /// An earlier setting dialled anew: measures jitter.
    Repeat,
}

/// One setting of the whole panel.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Setting {
    /// What it is for.
    pub purpose: Purpose,
    /// Position of every lane, in the order of [`Panel::lanes`]: tenths of a mark for dials (0 to 100), the
    /// position from 0 for switches and selectors, the number above the lowest for displays, the character's
    /// ASCII code for names.
    pub positions: Vec<u32>,
}

/// One press of the save button.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Save {
    /// The reading it is for, from 0.
    pub reading: usize,
    /// The preset, from 0.
    pub preset: usize,
    /// The setting, from 0.
    pub setting: usize,
}

/// A plan of settings to dial and save.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Plan {
    /// The panel it was made for.
    pub panel: Panel,
    /// The least number of settings in which any two controls' words differ.
    pub distance: u32,
    /// The settings.
    pub settings: Vec<Setting>,
    /// Where each is saved, in the order to do it.
    pub saves: Vec<Save>,
}

impl Document for Plan {
    const KIND: &'static str = "trace-plan";
    const VERSION: u32 = 1;
}

/// What a plan costs, beside what it could cost at least and what one change at a time would cost.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Cost {
    /// Settings to dial.
    pub settings: usize,
    /// Presses of the save button.
    pub saves: usize,
    /// Readings of the chips.
    pub readings: usize,
    /// Fewest two-valued settings in which every bit could have a word of its own (Kautz 1974), if each dial has 7
    /// bits.
    pub floor: usize,
    /// Settings when one bit of one control is changed at a time from a common start.
    pub one_at_a_time: usize,
}

/// What a preset of the shifted reading takes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Recall {
    /// What this preset, from 0, holds at that moment.
    Preset(usize),
    /// This setting, from 0, dialled again.
    Dial(usize),
}

/// A plan that cannot be made.
#[derive(Debug, thiserror::Error, PartialEq, Eq)]
pub enum PlanError {
    /// Fewer settings asked for than tell the controls apart.
    #[error("{asked} settings cannot tell {lanes} controls apart: at least {least} are needed")]
    TooFew {
        /// Settings asked for.
        asked: usize,
        /// Things dialled by themselves.
        lanes: usize,
        /// Least number that works.
        least: usize,
    },
}

impl crate::blame::Blame for PlanError {
    fn who(&self) -> crate::blame::Who {
        crate::blame::Who::Caller
    }

    fn hint(&self) -> Option<String> {
        Some("ask for more settings, or leave out controls that matter least".to_owned())
    }
}

/// How far a plan goes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Effort {
    /// The least number of settings in which two controls' words differ.
    pub distance: u32,
    /// Sweep settings.
    pub sweeps: usize,
    /// Repeats.
    pub repeats: usize,
}

impl Effort {
    /// Survives a slip of the hand and a noisy converter, and orders dials of up to ten bits.
    pub const FULL: Effort = Effort {
        distance: 4,
        sweeps: 12,
        repeats: 1,
    };

    /// What can be done within a number of settings, best first.
    const STEPS: [Effort; 6] = [
        Effort::FULL,
        Effort {
            distance: 4,
            sweeps: 7,
            repeats: 1,
        },
        Effort {
            distance: 3,
            sweeps: 6,
            repeats: 1,
        },
        Effort {
            distance: 2,
            sweeps: 5,
            repeats: 0,
        },
        Effort {
            distance: 1,
            sweeps: 4,
            repeats: 0,
        },
        Effort {
            distance: 1,
            sweeps: 2,
            repeats: 0,
        },
    ];

    /// Settings between the ends in the plan of a panel: more where a selector has many positions, and as many times more as
    /// one decides of what others mean.
    pub(crate) fn sweeps_of(self, panel: &Panel) -> usize {
        let selectors = panel.controls.iter().filter(|c| c.kind == Kind::Selector);
        let longest = selectors.map(|c| c.positions.len()).max().unwrap_or(0);
        self.sweeps.max(longest.saturating_sub(2).min(24)) * dependent::turns(panel)
    }
}

impl Plan {
    /// A plan for a panel within a number of settings, or the full one.
    ///
    /// # Errors
    /// When the number is too small to tell the controls apart.
    pub fn new(panel: &Panel, most: Option<usize>) -> Result<Plan, PlanError> {
        let Some(most) = most else {
            return Ok(Self::with(panel, Effort::FULL));
        };
        let mut least = usize::MAX;
        for effort in Effort::STEPS {
            let plan = Self::with(panel, effort);
            if plan.settings.len() <= most {
                return Ok(plan);
            }
            least = least.min(plan.settings.len());
        }
        Err(PlanError::TooFew {
            asked: most,
            lanes: panel.lanes().len(),
            least,
        })
    }

    /// A plan of a given effort.
    pub fn with(panel: &Panel, effort: Effort) -> Plan {
        let lanes = panel.lanes();
        let seed = 0x7472_6163_6500 + lanes.len() as u64;
        let mut random = Random::new(seed);
        let always = panel.controls.iter().all(|c| c.when.is_none());
        let (mut settings, ends) = match always {
            true => dialled::settings(panel, effort, seed, &mut random),
            false => dependent::settings(panel, effort, &mut random),
        };
        let sweeps = settings.len() - ends;
        for r in 0..effort.repeats {
            let again = ends + r % sweeps.max(1);
            if let Some(positions) = settings.get(again).map(|s| s.positions.clone()) {
                settings.push(Setting {
                    purpose: Purpose::Repeat,
                    positions,
                });
            }
        }
        let alike = |s: &Setting| settings.iter().position(|o| o.positions == s.positions);
        let alike: Vec<usize> = settings.iter().filter_map(alike).collect();
        let saves = saves::saves(&alike, panel.presets);
        Plan {
            panel: panel.clone(),
            distance: effort.distance,
            settings,
            saves,
        }
    }

    /// Number of readings of the chips the plan asks for.
    pub fn readings(&self) -> usize {
        self.saves.iter().map(|s| s.reading + 1).max().unwrap_or(0)
    }

    /// The reading, from 0, that holds every setting of the one before it one preset further back.
    pub fn shifted(&self) -> Option<usize> {
        let presets = self.panel.presets;
        let held = |reading: usize| -> Option<Vec<usize>> {
            let mut out = vec![None; presets];
            for s in self.saves.iter().filter(|s| s.reading == reading) {
                *out.get_mut(s.preset)? = Some(s.setting);
            }
            out.into_iter().collect()
        };
        if presets < 2 {
            return None;
        }
        (1..self.readings()).find(|&second| {
            let next = |(a, b): (Vec<usize>, Vec<usize>)| {
                (0..presets).all(|p| b[p] == a[(p + 1) % presets])
            };
            held(second - 1).zip(held(second)).is_some_and(next)
        })
    }

    /// How the shifted reading is saved without dialling: for each preset in turn the one to recall, or the setting to
    /// dial where no preset holds it any more. `None` where no reading is shifted.
    pub fn recalls(&self) -> Option<Vec<Recall>> {
        let reading = self.shifted()?;
        let presets = self.panel.presets;
        let held = |reading: usize, preset: usize| {
            let save = self
                .saves
                .iter()
                .find(|s| (s.reading, s.preset) == (reading, preset));
            save.map(|s| s.setting)
        };
        let first = held(reading - 1, 0)?;
        // The last takes what the first held, which the first has given away: a copy of it may lie elsewhere.
        let copy = (1..presets).find(|p| held(reading - 1, *p) == Some(first));
        let last = copy.map_or(Recall::Dial(first), |p| Recall::Preset(p - 1));
        let next = (1..presets).map(Recall::Preset);
        Some(next.chain([last]).collect())
    }

    /// True where a control, by its number among [`Panel::lanes`], means something in a setting, from 0: else it is not
    /// dialled.
    pub fn means(&self, lane: usize, setting: usize) -> bool {
        let condition = self.panel.conditions().into_iter().nth(lane).flatten();
        let positions = self.settings.get(setting).map(|s| &s.positions);
        condition.is_none_or(|c| positions.is_some_and(|at| c.holds(at)))
    }

    /// What it costs.
    pub fn cost(&self) -> Cost {
        let bits: usize = self
            .panel
            .lanes()
            .iter()
            .map(|l| self.likely_bits(*l))
            .sum();
        Cost {
            settings: self.settings.len(),
            saves: self.saves.len(),
            readings: self.readings(),
            floor: words::counting_floor(bits) as usize,
            one_at_a_time: bits + 1,
        }
    }

    fn likely_bits(&self, lane: Lane) -> usize {
        let c = &self.panel.controls[lane.control];
        match c.kind {
            Kind::Knob | Kind::Slider | Kind::Text => 7,
            _ => (32 - c.span().leading_zeros()).max(1) as usize,
        }
    }

    /// How many sweep settings there are.
    pub fn sweeps(&self) -> usize {
        let sweep = |s: &&Setting| s.purpose == Purpose::Sweep;
        self.settings.iter().filter(sweep).count()
    }

    /// Looks for statements that cannot be in a plan that was read from a file.
    ///
    /// # Errors
    /// What is wrong, as a sentence.
    pub fn check(&self) -> Result<(), String> {
        self.panel.check().map_err(|e| e.to_string())?;
        self.check_settings()?;
        self.check_saves()
    }

    /// Every control stands somewhere in every setting, where it can stand.
    fn check_settings(&self) -> Result<(), String> {
        let lanes = self.panel.lanes();
        if self.settings.is_empty() {
            return Err("it has no settings".to_owned());
        }
        for (d, setting) in self.settings.iter().enumerate() {
            let positions = &setting.positions;
            if positions.len() != lanes.len() {
                return Err(format!(
                    "setting {} gives {} positions, the panel has {} things to dial",
                    d + 1,
                    positions.len(),
                    lanes.len()
                ));
            }
            for (lane, position) in lanes.iter().zip(positions) {
                let control = &self.panel.controls[lane.control];
                if *position > control.span() {
                    return Err(format!(
                        "setting {} has {} at position {position}, which is not there: {}",
                        d + 1,
                        self.panel.lane_name(*lane),
                        control.places()
                    ));
                }
            }
        }
        Ok(())
    }

    /// Every save names what is there, and every reading holds something, each preset once.
    fn check_saves(&self) -> Result<(), String> {
        /// Most readings of one plan; far above any.
        const READINGS: usize = 100;
        if self.saves.is_empty() {
            return Err("nothing is saved".to_owned());
        }
        let (axis, presets) = (&self.panel.axis, self.panel.presets);
        let mut seen = std::collections::HashSet::new();
        for (i, s) in self.saves.iter().enumerate() {
            let n = i + 1;
            if s.preset >= presets {
                return Err(format!(
                    "save {n} names {axis} {}, the panel has {presets}",
                    s.preset.saturating_add(1)
                ));
            }
            if s.setting >= self.settings.len() {
                return Err(format!(
                    "save {n} names setting {}, there are {}",
                    s.setting.saturating_add(1),
                    self.settings.len()
                ));
            }
            if s.reading >= READINGS {
                return Err(format!(
                    "save {n} names reading {}, a plan has {READINGS} at most",
                    s.reading.saturating_add(1)
                ));
            }
            if !seen.insert((s.reading, s.preset)) {
                return Err(format!(
                    "{axis} {} is saved twice for reading {}: a reading holds the last alone",
                    s.preset + 1,
                    s.reading + 1
                ));
            }
        }
        let empty = |r: &usize| !self.saves.iter().any(|s| s.reading == *r);
        match (0..self.readings()).find(empty) {
            Some(r) => Err(format!("nothing is saved for reading {}", r + 1)),
            None => Ok(()),
        }
    }
}

#[cfg(test)]
mod tests;
