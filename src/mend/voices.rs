//! What the other voices of a preset say of a lost value.
//!
//! The voices of a preset are dialled together or each by itself, and of those dialled together now and then a single value
//! is changed. So a voice is like the others but for single values, or another altogether, and the bank shows how often
//! either is so. Experience is counted in voices, not in values, and presets that hold the same, as those that nobody filled
//! do, were dialled once.

use std::collections::HashSet;

use super::gather::{Bench, Spot};
use super::weigh::Says;
use crate::codec::{AreaCodes, Codes, low_mask};
use crate::examine::{Content, Told};

/// How the voices of one area are dialled.
#[derive(Clone, Copy, Debug)]
struct Habit {
    /// Chance that a voice is another than the others altogether.
    alone: f64,
    /// Chance that a value differs where the voice was dialled with the others.
    changed: f64,
    /// Chance that a value of two voices that were not dialled together agrees.
    by_chance: f64,
}

/// Values of two voices that agree and that differ.
type Likeness = (u64, u64);

/// Rounds in which the chances and the voices that they are drawn from are brought in line.
const ROUNDS: usize = 8;

impl Habit {
    /// Before anything is seen: owners mostly dial all voices together or none.
    const UNKNOWN: Self = Self {
        alone: 0.5,
        changed: 0.02,
        by_chance: 0.5,
    };

    /// From voices compared with the one that their preset is told by, and from voices of different presets.
    fn of(voices: &[Likeness], strangers: &[Likeness]) -> Self {
        // Half a voice, or a value, each way: nothing is certain after few of them.
        let rate = |of: f64, all: f64| (of + 0.5) / (all + 1.0);
        let sum = |list: &[Likeness]| {
            list.iter()
                .fold((0, 0), |all, one| (all.0 + one.0, all.1 + one.1))
        };
        let (same, differ) = sum(strangers);
        let mut habit = Self {
            by_chance: rate(same as f64, (same + differ) as f64).clamp(0.05, 0.95),
            ..Self::UNKNOWN
        };
        for _ in 0..ROUNDS {
            let (mut alone, mut differing, mut values) = (0.0, 0.0, 0.0);
            for voice in voices {
                let chance = habit.is_alone(*voice);
                alone += chance;
                differing += (1.0 - chance) * voice.1 as f64;
                values += (1.0 - chance) * (voice.0 + voice.1) as f64;
            }
            habit.alone = rate(alone, voices.len() as f64);
            habit.changed = rate(differing, values);
        }
        habit
    }

    /// The chance that a voice is another altogether, by what is left of it.
    fn is_alone(&self, (same, differ): Likeness) -> f64 {
        let told = |agrees: f64| same as f64 * agrees.ln() + differ as f64 * (1.0 - agrees).ln();
        let odds = told(self.by_chance) - told(1.0 - self.changed);
        let odds = self.alone / (1.0 - self.alone) * odds.clamp(-300.0, 300.0).exp();
        odds / (1.0 + odds)
    }

    /// The chance that a lost value of a field is what the others hold, and not by chance alone.
    fn reliable(&self, left: Likeness, field: Field) -> f64 {
        let together = 1.0 - field.changed / (1.0 - field.by_chance);
        (1.0 - self.is_alone(left)) * together.max(0.0)
    }

    /// The same of one field: some are more often changed than others, as a knob that detunes voices is. `together` is how often
    /// it was seen to differ, and in how many voices dialled together; `strangers` the same of voices of different presets.
    fn field(&self, together: (f64, f64), strangers: (f64, f64)) -> Field {
        let rate =
            |(differ, all): (f64, f64), of_all: f64| (differ + OTHERS * of_all) / (all + OTHERS);
        Field {
            changed: rate(together, self.changed),
            by_chance: (1.0 - rate(strangers, 1.0 - self.by_chance)).clamp(0.0, 0.95),
        }
    }
}

/// How the voices of an area agree in one field.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Field {
    /// Chance that it differs where the voice was dialled with the others.
    changed: f64,
    /// Chance that it agrees in voices that were not dialled together.
    by_chance: f64,
}

/// How many voices the experience with the other fields is worth.
const OTHERS: f64 = 6.0;

/// How the voices of one area are dialled, and what that means for each field.
pub(super) struct Voices {
    habit: Habit,
    fields: Vec<Field>,
}

/// How the voices of each area are dialled.
pub(super) fn habits(content: &Content, codes: &Codes, told: &Told) -> Vec<Voices> {
    let areas = codes.areas.iter().enumerate();
    areas
        .map(|(a, codes)| habit(content, (a, codes), &told.references[a]))
        .collect()
}

fn habit(content: &Content, (a, codes): (usize, &AreaCodes), references: &[usize]) -> Voices {
    let shape = &content.shape.areas[a];
    let (mut voices, mut strangers) = (Vec::new(), Vec::new());
    let mut seen = HashSet::new();
    let mut last = None;
    for group in shape.presets().iter().filter(|g| g.len() > 1) {
        let values = |e: &usize| shape.values.iter().map(|f| codes.get(*e, *f)).collect();
        if !seen.insert(group.iter().map(values).collect::<Vec<Vec<_>>>()) {
            continue;
        }
        let model = references[group[0]];
        voices.extend(group.iter().filter(|e| **e != model).map(|e| (*e, model)));
        strangers.extend(last.replace(model).map(|last| (model, last)));
    }
    let likeness = |(e, o): &(usize, usize)| content.likeness(a, codes, *e, *o);
    voices.retain(|v| likeness(v) != (0, 0));
    let likes = |list: &[(usize, usize)]| list.iter().map(likeness).collect::<Vec<_>>();
    let alike = likes(&voices);
    let habit = Habit::of(&alike, &likes(&strangers));
    let together: Vec<f64> = alike.iter().map(|v| 1.0 - habit.is_alone(*v)).collect();
    let fields = 0..shape.fields.len();
    let fields = fields.map(|f| {
        let tally = |pairs: &[(usize, usize)], weight: &dyn Fn(usize) -> f64| {
            let (mut differ, mut all) = (0.0, 0.0);
            for (i, (e, o)) in pairs.iter().enumerate() {
                let ((x, kx), (y, ky)) = (codes.get(*e, f), codes.get(*o, f));
                if kx & ky != 0 {
                    all += weight(i);
                    differ += if (x ^ y) & kx & ky != 0 {
                        weight(i)
                    } else {
                        0.0
                    };
                }
            }
            (differ, all)
        };
        habit.field(
            tally(&voices, &|i| together[i]),
            tally(&strangers, &|_| 1.0),
        )
    });
    Voices {
        fields: fields.collect(),
        habit,
    }
}

impl Bench<'_> {
    /// What the other voices of the preset say, as one source: they were dialled together, so that their agreement
    /// with each other proves nothing.
    pub(super) fn voices_say(&self, (a, e, f): Spot) -> Option<Says> {
        let shape = &self.content.shape.areas[a];
        let area = &self.content.layout.areas[a];
        let mates: Vec<(usize, u64)> = (0..shape.entries)
            .filter(|o| *o != e && shape.first_voice[*o] == shape.first_voice[e])
            .filter_map(|o| Some((o, self.codes.areas[a].code(o, f)?)))
            .filter(|(_, code)| shape.fields[f].legal(*code))
            .collect();
        let votes = |code: u64| mates.iter().filter(|m| m.1 == code).count();
        let &(best, code) = mates
            .iter()
            .max_by_key(|m| (votes(m.1), std::cmp::Reverse(m.0)))?;
        let share = votes(code) as f64 / mates.len() as f64;
        let left = self.content.likeness(a, &self.codes.areas[a], e, best);
        let names: Vec<String> = mates
            .iter()
            .filter(|m| m.1 == code)
            .map(|m| area.entry_label(m.0))
            .collect();
        Some(Says {
            who: format!("held by {}", names.join(" and ")),
            code,
            known: low_mask(shape.fields[f].width),
            reliable: self.voices[a]
                .habit
                .reliable(left, self.voices[a].fields[f])
                * share,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    impl Habit {
        /// Of a field like all others.
        fn any(&self) -> Field {
            Field {
                changed: self.changed,
                by_chance: self.by_chance,
            }
        }
    }

    #[test]
    fn experience_is_counted_in_voices() {
        // Three voices that agree in all of a hundred values, strangers in half of theirs: a fourth is another with
        // (0 + 0.5) / (3 + 1). Values differ with 0.5 / 301, twice as many are changed, since half of these agree by chance: where
        // nothing is left of it, its values are what the others hold with 0.875 * (1 - 1 / 301).
        let habit = Habit::of(&[(100, 0); 3], &[(500, 500)]);
        assert!((habit.alone - 0.125).abs() < 1e-6, "{habit:?}");
        let lost = habit.reliable((0, 0), habit.any());
        assert!((lost - 0.875 * (1.0 - 1.0 / 301.0)).abs() < 1e-4, "{lost}");
        // Ten values left of it that agree have one chance in 1,024 to do so in a voice of its own.
        assert!(habit.reliable((10, 0), habit.any()) > 0.996);
        // And where half of them differ, it is one.
        assert!(habit.reliable((5, 5), habit.any()) < 0.01);
    }

    #[test]
    fn voices_dialled_alone_say_nothing_of_each_other() {
        let habit = Habit::of(&[(52, 48), (49, 51), (50, 50), (47, 53)], &[(500, 500)]);
        assert!(habit.reliable((0, 0), habit.any()) < 0.05, "{habit:?}");
    }

    #[test]
    fn now_and_then_a_value_is_changed() {
        // A hundred voices of twenty values, one value changed in ten of them: (10 + 0.5) / (2,000 + 1), and no voice alone.
        let mut voices = vec![(20, 0); 90];
        voices.extend([(19, 1); 10]);
        let habit = Habit::of(&voices, &[(500, 500)]);
        assert!((habit.changed - 10.5 / 2001.0).abs() < 1e-4, "{habit:?}");
        assert!(habit.alone < 0.006, "{habit:?}");
        // If all ten were of one knob, it is changed in (10 + 6 * 0.00525) / (100 + 6) of the voices.
        let knob = habit.field((10.0, 100.0), (95.0, 100.0));
        assert!((knob.changed - 0.0946).abs() < 1e-3, "{knob:?}");
        // Strangers agree in it by (5 + 6 * 0.5) / 106.
        assert!((knob.by_chance - 8.0 / 106.0).abs() < 1e-3, "{knob:?}");
    }
}
