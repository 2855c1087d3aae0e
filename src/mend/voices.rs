//! What the other voices of a preset say of a lost value.
//!
//! The voices of a preset are dialled together or each by itself, and of those dialled together now and then a single value
//! is changed. So a voice is like the others but for single values, or another altogether. How often either is so is told preset by
//! preset ([`super::dialled`]), and presets that hold the same, as those that nobody filled do, were dialled once, if at all.

use std::collections::HashSet;

use super::dialled::{Chances, Same};
use super::gather::{Bench, Spot};
use super::weigh::Says;
use crate::codec::{AreaCodes, Codes, low_mask};
use crate::examine::{Content, Told};

/// How the voices of one area are dialled.
#[derive(Clone, Debug)]
struct Habit {
    /// Chances that a voice is another than the others of its preset altogether.
    alone: Chances,
    /// Chance that a value differs where the voice was dialled with the others.
    changed: f64,
    /// Chance that a value of two voices that were not dialled together agrees.
    by_chance: f64,
}

/// Values of two voices that agree and that differ.
type Likeness = (u64, u64);

/// The voices of a preset beside the one that it is told by, and how much the preset counts.
type Preset = (Vec<Likeness>, f64);

/// Chance that a value differs in voices dialled together before any are seen, believed as half a value that differs is
/// (judgement).
const CHANGED: f64 = 0.02;

/// Rounds in which the chances and the voices that they are drawn from are brought in line.
const ROUNDS: usize = 8;

impl Habit {
    /// From the presets' voices compared with the one that their preset is told by, and from voices of different presets.
    fn of(presets: &[Preset], strangers: &[Likeness]) -> Self {
        let (same, differ) = strangers
            .iter()
            .fold((0, 0), |all, one| (all.0 + one.0, all.1 + one.1));
        let mut habit = Self {
            alone: Chances::of(&[]),
            changed: CHANGED,
            by_chance: ((same as f64 + 0.5) / ((same + differ) as f64 + 1.0)).clamp(0.05, 0.95),
        };
        for _ in 0..ROUNDS {
            let leaning = |p: &Preset| (habit.leanings(&p.0), p.1);
            let leanings: Vec<(Vec<f64>, f64)> = presets.iter().map(leaning).collect();
            let alone = Chances::of(&leanings);
            let (mut differing, mut values) = (0.0, 0.0);
            for ((voices, counts), (leaning, _)) in presets.iter().zip(&leanings) {
                for (i, (same, differ)) in voices.iter().enumerate() {
                    let together = counts * (1.0 - alone.another_of(leaning, i));
                    differing += together * *differ as f64;
                    values += together * (same + differ) as f64;
                }
            }
            habit.alone = alone;
            habit.changed = (differing + 0.5) / (values + 0.5 / CHANGED);
        }
        habit
    }

    /// The chance that a voice is another altogether by what is left of it, if both were as likely before.
    fn leaning(&self, (same, differ): Likeness) -> f64 {
        let told = |agrees: f64| same as f64 * agrees.ln() + differ as f64 * (1.0 - agrees).ln();
        let odds = told(self.by_chance) - told(1.0 - self.changed);
        let odds = odds.clamp(-300.0, 300.0).exp();
        odds / (1.0 + odds)
    }

    fn leanings(&self, voices: &[Likeness]) -> Vec<f64> {
        voices.iter().map(|v| self.leaning(*v)).collect()
    }

    /// The chance that a lost value of a field is what the others hold, and not by chance alone, where the voice is another
    /// altogether with the chance given.
    fn reliable(another: f64, field: Field) -> f64 {
        let together = 1.0 - field.changed / (1.0 - field.by_chance);
        (1.0 - another) * together.max(0.0)
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
    unfilled: Option<Unfilled>,
}

/// Presets that look as if nobody had filled them.
struct Unfilled {
    /// Their entries.
    entries: HashSet<usize>,
    presets: usize,
    /// The chance that nobody did.
    chance: f64,
}

/// How the voices of each area are dialled.
pub(super) fn habits(content: &Content, codes: &Codes, told: &Told) -> Vec<Voices> {
    let areas = codes.areas.iter().enumerate();
    areas
        .map(|(a, codes)| Voices::of(content, (a, codes), &told.references[a]))
        .collect()
}

/// A preset of an area: its entries, and the one that the others are compared with.
struct Group<'a> {
    entries: &'a [usize],
    model: usize,
}

impl Group<'_> {
    /// The entries beside the model of which something is known, with their likeness to it.
    fn voices(&self, likeness: impl Fn(usize, usize) -> Likeness) -> Vec<(usize, Likeness)> {
        let others = self.entries.iter().filter(|e| **e != self.model);
        others
            .map(|e| (*e, likeness(*e, self.model)))
            .filter(|v| v.1 != (0, 0))
            .collect()
    }
}

impl Voices {
    fn of(content: &Content, (a, codes): (usize, &AreaCodes), references: &[usize]) -> Self {
        let shape = &content.shape.areas[a];
        let likeness = |e: usize, o: usize| content.likeness(a, codes, e, o);
        let presets = shape.presets();
        let presets: Vec<&Vec<usize>> = presets.iter().filter(|g| g.len() > 1).collect();
        let same = same_contents((a, codes), content, &presets);
        // Of a voice that is lost altogether it is not known by which other it would be told.
        let shown = |e: &&usize| shape.values.iter().any(|f| codes.get(**e, *f).1 != 0);
        let model = |entries: &[usize]| {
            entries
                .iter()
                .find(shown)
                .map_or(entries[0], |e| references[*e])
        };
        let mut seen = HashSet::new();
        let (mut groups, mut repeats) = (Vec::new(), 0);
        for (i, entries) in presets.iter().enumerate() {
            let values = |e: &usize| shape.values.iter().map(|f| codes.get(*e, *f)).collect();
            let first = seen.insert(entries.iter().map(values).collect::<Vec<Vec<_>>>());
            if same.contains(&i) {
                continue;
            }
            match first {
                true => groups.push(Group {
                    entries,
                    model: model(entries),
                }),
                false => repeats += 1,
            }
        }
        let strangers: Vec<(usize, usize)> = groups
            .windows(2)
            .map(|w| (w[1].model, w[0].model))
            .collect();
        let strange: Vec<Likeness> = strangers.iter().map(|(e, o)| likeness(*e, *o)).collect();
        let mut voices: Vec<Vec<(usize, Likeness)>> =
            groups.iter().map(|g| g.voices(likeness)).collect();
        let told = |v: &Vec<(usize, Likeness)>| v.iter().map(|v| v.1).collect::<Vec<_>>();
        let mut known: Vec<Preset> = voices.iter().map(|v| (told(v), 1.0)).collect();
        let mut habit = Habit::of(&known, &strange);
        let mut unfilled = None;
        if let [first, ..] = same[..] {
            // They were dialled once, if at all.
            let entries = presets[first];
            let group = Group {
                entries,
                model: model(entries),
            };
            let one = group.voices(likeness);
            let chance = match same.len() {
                1 => 0.0,
                n => Same {
                    presets: n,
                    of: presets.len(),
                    last: same[n - 1] + 1 == presets.len() && same[n - 1] + 1 - first == n,
                    copied: (f64::from(repeats) + 0.5)
                        / (groups.len() as f64 + f64::from(repeats) + 1.0),
                    by_hand: habit.alone.by_hand(&habit.leanings(&told(&one))),
                }
                .unfilled(),
            };
            known.push((told(&one), 1.0 - chance));
            voices.push(one);
            groups.push(group);
            habit = Habit::of(&known, &strange);
            unfilled = (chance > 0.0).then(|| Unfilled {
                entries: same
                    .iter()
                    .flat_map(|i| presets[*i].iter().copied())
                    .collect(),
                presets: same.len(),
                chance,
            });
        }
        // Pairs compared, and how likely each was dialled together.
        let mut pairs: Vec<(usize, usize, f64)> = Vec::new();
        for ((group, voices), (_, counts)) in groups.iter().zip(&voices).zip(&known) {
            let leanings = habit.leanings(&told(voices));
            let together = |i| counts * (1.0 - habit.alone.another_of(&leanings, i));
            pairs.extend(
                voices
                    .iter()
                    .enumerate()
                    .map(|(i, v)| (v.0, group.model, together(i))),
            );
        }
        let strangers: Vec<(usize, usize, f64)> =
            strangers.into_iter().map(|(e, o)| (e, o, 1.0)).collect();
        let tally = |f: usize, pairs: &[(usize, usize, f64)]| {
            let (mut differ, mut all) = (0.0, 0.0);
            for (e, o, weight) in pairs {
                let ((x, kx), (y, ky)) = (codes.get(*e, f), codes.get(*o, f));
                if kx & ky != 0 {
                    all += weight;
                    differ += if (x ^ y) & kx & ky != 0 { *weight } else { 0.0 };
                }
            }
            (differ, all)
        };
        let fields = 0..shape.fields.len();
        Self {
            fields: fields
                .map(|f| habit.field(tally(f, &pairs), tally(f, &strangers)))
                .collect(),
            habit,
            unfilled,
        }
    }
}

/// What is known of each value of some contents, as code and mask, and the presets that hold it.
type Held = (Vec<(u64, u64)>, Vec<usize>);

/// The presets that hold what most presets hold whose voices are all alike, as far as any of it is known.
fn same_contents(
    (a, codes): (usize, &AreaCodes),
    content: &Content,
    presets: &[&Vec<usize>],
) -> Vec<usize> {
    let values = &content.shape.areas[a].values;
    let mut contents: Vec<Held> = Vec::new();
    for (i, entries) in presets.iter().enumerate() {
        let shown = |e: &&usize| values.iter().any(|f| codes.get(**e, *f).1 != 0);
        if entries.iter().filter(shown).count() < 2 {
            continue;
        }
        let mut all = vec![(0, 0); values.len()];
        let each = entries
            .iter()
            .map(|e| values.iter().map(|f| codes.get(*e, *f)));
        if !each.into_iter().all(|voice| merge(&mut all, voice)) {
            continue;
        }
        let fits = |c: &mut Held| merge(&mut c.0, all.iter().copied());
        match contents.iter_mut().position(fits) {
            Some(at) => contents[at].1.push(i),
            None => contents.push((all, vec![i])),
        }
    }
    let most = contents
        .into_iter()
        .max_by_key(|c| (c.1.len(), std::cmp::Reverse(c.1[0])));
    most.map_or_else(Vec::new, |c| c.1)
}

/// Adds what is known of one voice to what is known of others; nothing is added where they differ.
fn merge(all: &mut [(u64, u64)], one: impl Iterator<Item = (u64, u64)> + Clone) -> bool {
    let fits = all
        .iter()
        .zip(one.clone())
        .all(|(x, y)| (x.0 ^ y.0) & x.1 & y.1 == 0);
    if fits {
        for (x, y) in all.iter_mut().zip(one) {
            *x = (x.0 | y.0 & y.1, x.1 | y.1);
        }
    }
    fits
}

impl Bench<'_> {
    /// What the other voices of the preset say, as one source: they were dialled together, so that their agreement
    /// with each other proves nothing.
    pub(super) fn voices_say(&self, (a, e, f): Spot) -> Option<Says> {
        let shape = &self.content.shape.areas[a];
        let area = &self.content.layout.areas[a];
        let others =
            (0..shape.entries).filter(|o| *o != e && shape.first_voice[*o] == shape.first_voice[e]);
        let others: Vec<usize> = others.collect();
        let mates: Vec<(usize, u64)> = others
            .iter()
            .filter_map(|o| Some((*o, self.codes.areas[a].code(*o, f)?)))
            .filter(|(_, code)| shape.fields[f].legal(*code))
            .collect();
        let votes = |code: u64| mates.iter().filter(|m| m.1 == code).count();
        let &(best, code) = mates
            .iter()
            .max_by_key(|m| (votes(m.1), std::cmp::Reverse(m.0)))?;
        let voices = &self.voices[a];
        let leaning = |o: usize| {
            let likeness = self.content.likeness(a, &self.codes.areas[a], o, best);
            voices.habit.leaning(likeness)
        };
        // The voice asked about comes first.
        let mut leanings = vec![leaning(e)];
        let rest: Vec<usize> = others.into_iter().filter(|o| *o != best).collect();
        leanings.extend(rest.iter().map(|o| leaning(*o)));
        let alone = &voices.habit.alone;
        // Of the others those count that go with the one they are compared with.
        let (mut agree, mut all) = (1.0, 1.0);
        for (o, held) in mates.iter().filter(|m| m.0 != best) {
            let at = rest.iter().position(|r| r == o)?;
            let together = 1.0 - alone.another_of(&leanings, at + 1);
            all += together;
            agree += if *held == code { together } else { 0.0 };
        }
        let dialled =
            Habit::reliable(alone.another_of(&leanings, 0), voices.fields[f]) * agree / all;
        let names: Vec<String> = mates
            .iter()
            .filter(|m| m.1 == code)
            .map(|m| area.entry_label(m.0))
            .collect();
        let mut who = format!("held by {}", names.join(" and "));
        let mut reliable = dialled;
        if let Some(unfilled) = voices.unfilled.as_ref().filter(|u| u.entries.contains(&e)) {
            reliable = unfilled.chance + (1.0 - unfilled.chance) * dialled;
            if unfilled.chance > 0.5 {
                who += &format!(
                    ", and {} presets hold the same in all voices",
                    unfilled.presets
                );
            }
        }
        Some(Says {
            who,
            code,
            known: low_mask(shape.fields[f].width),
            reliable: reliable.min(0.999_99),
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

    /// A preset that counts in full.
    fn preset(voices: &[Likeness]) -> Preset {
        (voices.to_vec(), 1.0)
    }

    #[test]
    fn what_is_left_of_a_voice_decides() {
        // In ten presets one voice agrees with its model in all of a hundred values, in ten it agrees in half, as strangers do. Values
        // that differ are counted in the first: (0 + 0.5) / (1,000 + 25).
        let presets = [[(100, 0)], [(50, 50)]].concat();
        let presets: Vec<Preset> = presets
            .iter()
            .cycle()
            .take(20)
            .map(|v| preset(&[*v]))
            .collect();
        let habit = Habit::of(&presets, &[(500, 500)]);
        assert!((habit.changed - 0.5 / 1025.0).abs() < 1e-6, "{habit:?}");
        // A voice of a preset with no other to go by, nothing left of it: half of them are another.
        let lost = habit.alone.another(habit.leaning((0, 0)), &[]);
        assert!((lost - 0.5).abs() < 0.01, "{lost}");
        // Ten values left of it that agree have one chance in 1,024 to do so in a voice of its own, about 1 / 1025 together.
        let left = habit.alone.another(habit.leaning((10, 0)), &[]);
        assert!((left * 1025.0 - 1.0).abs() < 0.25, "{left}");
        // Twice as many values are changed as differ, since half of these agree by chance.
        let reliable = Habit::reliable(left, habit.any());
        assert!((reliable - (1.0 - left) * (1.0 - 1.0 / 1025.0)).abs() < 1e-6);
        // And where half of them differ, it is one.
        let other = habit.alone.another(habit.leaning((5, 5)), &[]);
        assert!(other > 0.999, "{other}");
    }

    #[test]
    fn voices_dialled_alone_say_nothing_of_each_other() {
        let presets = [(52, 48), (49, 51), (50, 50), (47, 53)].map(|v| preset(&[v]));
        let habit = Habit::of(&presets, &[(500, 500)]);
        let lost = habit.alone.another(0.5, &habit.leanings(&[(51, 49)]));
        assert!(Habit::reliable(lost, habit.any()) < 0.1, "{habit:?}");
    }

    #[test]
    fn now_and_then_a_value_is_changed() {
        // A hundred voices of twenty values, one value changed in ten of them: (10 + 0.5) / (2,000 + 25), and no voice alone.
        let mut presets = vec![preset(&[(20, 0)]); 90];
        presets.extend(vec![preset(&[(19, 1)]); 10]);
        let habit = Habit::of(&presets, &[(500, 500)]);
        assert!((habit.changed - 10.5 / 2025.0).abs() < 1e-4, "{habit:?}");
        assert!(habit.alone.another(0.5, &[]) < 0.01, "{habit:?}");
        // If all ten were of one knob, it is changed in (10 + 6 * 0.00519) / (100 + 6) of the voices.
        let knob = habit.field((10.0, 100.0), (95.0, 100.0));
        assert!((knob.changed - 0.0946).abs() < 1e-3, "{knob:?}");
        // Strangers agree in it by (5 + 6 * 0.5) / 106.
        assert!((knob.by_chance - 8.0 / 106.0).abs() < 1e-3, "{knob:?}");
    }

    #[test]
    fn a_preset_counts_as_much_as_it_is_believed() {
        // What was likely never dialled teaches nothing of how it is dialled.
        let alone = vec![preset(&[(50, 50); 3]); 5];
        let with = |counts| {
            let presets = [&alone[..], &[(vec![(100, 0); 3], counts)]].concat();
            let habit = Habit::of(&presets, &[(500, 500)]);
            habit.alone.another(0.5, &habit.leanings(&[(100, 0)]))
        };
        assert!(with(1.0) + 0.1 < with(0.0), "{} {}", with(1.0), with(0.0));
    }

    #[test]
    fn contents_are_the_same_as_far_as_they_are_known() {
        let mut all = [(0b10, 0b11), (0, 0)];
        assert!(!merge(&mut all, [(0b00, 0b10), (1, 1)].into_iter()));
        assert_eq!(all, [(0b10, 0b11), (0, 0)]);
        assert!(merge(&mut all, [(0b110, 0b110), (1, 1)].into_iter()));
        assert_eq!(all, [(0b110, 0b111), (1, 1)]);
    }
}
