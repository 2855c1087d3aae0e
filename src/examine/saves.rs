//! Presets saved since an earlier reading through a faulty converter: the memory kept what it was given, so the fault
//! shows only in the codes of knobs that moved.
//!
//! Each moved knob is told as anything its owner dials, by the habits that the earlier reading shows. A fault of the
//! converter tells it in fewer bits where it holds, and pays for the knobs where it does not; the one that saves most
//! beyond its own prior is named. Successive approximation and its missing codes are described in W. Kester (ed.),
//! "The Data Conversion Handbook", Analog Devices 2005 (from memory).

use std::collections::{BTreeMap, BTreeSet, HashMap};

use super::given::{Before, NUDGE, values};
use super::many::{Edited, How};
use super::shape::Kind;
use crate::codec::{Codes, low_mask};
use crate::evidence::one_of;
use crate::finding::{Finding, Severity};

/// One knob whose code changed.
#[derive(Clone, Copy)]
pub(super) struct Moved {
    area: usize,
    entry: usize,
    field: usize,
    old: u64,
    new: u64,
    width: u8,
    /// The entry was emptied, or holds what another held or holds: never read from the panel.
    copied: bool,
    /// Which of the things done alike in many entries moved it.
    alike: Option<usize>,
}

/// Bits to say that the converter is at fault, before saying how (common practice, no source).
const CONVERTER: f64 = 8.0;
/// Fewest changed knobs that allow a verdict on the converter.
const FEWEST: usize = 6;
/// Share of the knobs that a fault of the converter accounts for; the others were set otherwise.
const HOLDS: f64 = 0.95;
/// Times that a knob is found at one code in moved presets before it was rather set alike in all of them.
const ALIKE: usize = 3;
/// Bits by which a fault must be the better explanation before it is named.
const CLEAR: f64 = 6.0;

/// The knobs that moved in edited entries, as far as every bit of them is among the sure codes: what is filled in for a lost
/// bit moved nowhere. Voices saved together are told once: the panel is one.
pub(super) fn moved(before: &Before, codes: &Codes, sure: &Codes, edits: &Edited) -> Vec<Moved> {
    let mut out = Vec::new();
    for (a, entries) in edits.entries.iter().enumerate() {
        let shape = &before.content.shape.areas[a];
        let (now, then) = (&codes.areas[a], &before.codes.areas[a]);
        let mut told: Vec<(usize, usize, u64)> = Vec::new();
        let mut copied: HashMap<Vec<u64>, usize> = HashMap::new();
        for &e in entries {
            let row: Vec<(u64, u64)> = shape.values.iter().map(|f| now.get(e, *f)).collect();
            let held = values(before.content, a, now, e);
            let preset = shape.first_voice[e];
            let copy =
                before.held_before(a, &held) || *copied.entry(held).or_insert(preset) != preset;
            let copied = copy || shape.emptied(&row);
            for &f in &shape.values {
                let field = &shape.fields[f];
                if sure.areas[a].code(e, f).is_none() {
                    continue;
                }
                let (Some(new), Some(old)) = (now.code(e, f), then.code(e, f)) else {
                    continue;
                };
                let save = (shape.first_voice[e], f, new);
                if new == old
                    || !field.knob
                    || !matches!(field.kind, Kind::Value(_))
                    || told.contains(&save)
                {
                    continue;
                }
                told.push(save);
                out.push(Moved {
                    area: a,
                    entry: e,
                    field: f,
                    old,
                    new,
                    width: field.width,
                    copied,
                    alike: edits.alike.iter().position(|alike| {
                        let moves = match alike.how {
                            How::Set(field, _) | How::Shifted(field, _) => field == f,
                            How::Emptied | How::Filled => false,
                        };
                        moves && alike.area == a && alike.entries.binary_search(&e).is_ok()
                    }),
                });
            }
        }
    }
    out
}

/// The chance of each code of a knob by the habits of the earlier reading.
type Habits = HashMap<(usize, usize), Vec<f64>>;

fn habits(before: &Before, moved: &[Moved]) -> Habits {
    let mut out = Habits::new();
    for m in moved {
        out.entry((m.area, m.field)).or_insert_with(|| {
            let field = &before.content.shape.areas[m.area].fields[m.field];
            let mut table = vec![0.0; 1 << m.width.min(12)];
            if let Some(model) = &before.told.models[m.area][m.field] {
                for (code, chance) in model.chances(field) {
                    table[code as usize] = chance;
                }
            }
            // A twentieth for anything at all, so that nothing is beyond belief; then made to add up to one.
            let n = table.len() as f64;
            let sum: f64 = table.iter().sum::<f64>().max(1e-300);
            table
                .iter_mut()
                .for_each(|p| *p = 0.95 * *p / sum + 0.05 / n);
            table
        });
    }
    out
}

fn chance(habits: &Habits, m: &Moved, code: u64) -> f64 {
    habits
        .get(&(m.area, m.field))
        .and_then(|t| t.get(code as usize))
        .copied()
        .unwrap_or(1e-6)
}

/// A converter fault weighed: bits saved beyond its prior, knobs it accounts for, and how to tell it.
struct Weighed {
    saved: f64,
    explained: usize,
    code: &'static str,
    says: String,
    act: &'static str,
    other: &'static str,
}

/// Bits saved over all knobs, with the number accounted for: `gain` gives the bits a knob saves where the fault
/// accounts for it.
fn weigh(moved: &[Moved], gain: impl Fn(&Moved) -> Option<f64>) -> (f64, usize) {
    let mut explained = 0;
    let saved = moved
        .iter()
        .map(|m| match gain(m) {
            Some(bits) => {
                explained += 1;
                HOLDS.log2() + bits
            }
            None => (1.0 - HOLDS).log2(),
        })
        .sum();
    (saved, explained)
}

/// The converter fault that explains how the knobs moved, if one does. Where another bank was loaded, only a fault that
/// tells new codes from old ones says anything: another bank has other habits.
pub(super) fn finding(
    before: &Before,
    codes: &Codes,
    moved: &[Moved],
    another_bank: bool,
) -> Option<Finding> {
    // What was done alike to a control in many presets was done once.
    let mut done = BTreeSet::new();
    let once = moved
        .iter()
        .filter(|m| m.alike.is_none_or(|i| done.insert(i)));
    let moved = &once.copied().collect::<Vec<_>>()[..];
    if moved.len() < FEWEST {
        return None;
    }
    let habits = habits(before, moved);
    // A knob at an end of its travel, or put to rest, gives one code whatever the converter does to the others.
    let at_rest = |m: &Moved| {
        let empty = before.content.shape.areas[m.area].fields[m.field].empty;
        m.new == 0 || m.new == low_mask(m.width) || m.new == empty
    };
    let turned: Vec<Moved> = moved
        .iter()
        .filter(|m| !m.copied && !at_rest(m))
        .copied()
        .collect();
    // A code that a knob is set to in many presets was decided once: it tells no more than one save.
    let mut told = BTreeSet::new();
    let decided = turned
        .iter()
        .filter(|m| told.insert((m.area, m.field, m.new)));
    let decided: Vec<Moved> = decided.copied().collect();
    let mut options = vec![noise(moved, &habits)];
    if turned.len() >= FEWEST {
        options.extend(drift(&turned, &habits));
        options.extend(offset(&turned, &habits));
    }
    if !another_bank {
        // By how often each code is given, the ends of the travel included; set alike over and over it is no habit.
        let mut times = BTreeMap::new();
        let given = moved.iter().filter(|m| {
            let n = times.entry((m.area, m.field, m.new)).or_insert(0);
            *n += 1;
            !m.copied && *n <= ALIKE
        });
        let given: Vec<Moved> = given.copied().collect();
        if given.len() >= FEWEST {
            // Both with and without what was set alike: neither alone is how knobs are turned.
            let both = missing(moved, &habits)
                .into_iter()
                .zip(missing(&given, &habits));
            options.extend(both.map(|(all, few)| if all.saved < few.saved { all } else { few }));
        }
    }
    if !another_bank && decided.len() >= FEWEST {
        options.extend(stuck(&decided, &habits));
        options.extend(multiplexer(codes, before, &decided));
    }
    options
        .into_iter()
        .filter(|w| w.saved > CLEAR)
        .max_by(|a, b| a.saved.total_cmp(&b.saved))
        .map(|w| {
            let mut f = Finding::new(w.code, Severity::Caution, w.says)
                .means("The memory kept what it was given: the fault is in the converter that reads the panel, not in the memory.")
                .act(w.act);
            f.evidence = vec![format!(
                "explains {} of {} moved knobs and saves {:.0} bits",
                w.explained,
                moved.len(),
                w.saved
            )];
            f.otherwise = vec![w.other.to_owned()];
            f.sure = Some(1.0 / (1.0 + (-w.saved).exp2()));
            f
        })
}

fn noise(moved: &[Moved], habits: &Habits) -> Weighed {
    let (saved, explained) = weigh(moved, |m| {
        (m.new.abs_diff(m.old) <= NUDGE)
            .then(|| -chance(habits, m, m.new).log2() - one_of(2 * NUDGE as usize))
    });
    Weighed {
        saved: saved - CONVERTER,
        explained,
        code: "converter.noise",
        says: format!(
            "{explained} of {} moved knobs differ by no more than {NUDGE} codes: the presets were saved again unmoved",
            moved.len()
        ),
        act: "Clean the potentiometers and check the converter's reference and ground for noise before saving again.",
        other: "the owner turned the knobs a little",
    }
}

/// Weighs a converter that makes of each old code another, give or take one: bits saved beyond saying so, and knobs
/// accounted for.
fn shifted(moved: &[Moved], habits: &Habits, expected: impl Fn(&Moved) -> u64) -> (f64, usize) {
    let (saved, explained) = weigh(moved, |m| {
        let expected = expected(m).min((1u64 << m.width) - 1);
        (m.new.abs_diff(expected) <= 1).then(|| -chance(habits, m, m.new).log2() - one_of(3))
    });
    (saved - CONVERTER - 8.0, explained)
}

fn drift(moved: &[Moved], habits: &Habits) -> Option<Weighed> {
    let ratio = ratio(moved)?;
    let (saved, explained) = shifted(moved, habits, |m| (m.old as f64 * ratio).round() as u64);
    Some(Weighed {
        saved,
        explained,
        code: "converter.drift",
        says: format!(
            "new values are {ratio:.3} times the old ones, for {explained} of {} moved knobs",
            moved.len()
        ),
        act: "Measure the converter's reference and supply, and set them right before anything is saved again.",
        other: "the panel's supply differs from the converter's reference",
    })
}

/// Every knob off by the same number of codes: the converter's zero has moved.
fn offset(moved: &[Moved], habits: &Habits) -> Option<Weighed> {
    let mut steps: Vec<i64> = moved
        .iter()
        .map(|m| m.new.cast_signed() - m.old.cast_signed())
        .collect();
    steps.sort_unstable();
    let step = *steps.get(steps.len() / 2)?;
    if step == 0 {
        return None;
    }
    let (saved, explained) = shifted(moved, habits, |m| m.old.saturating_add_signed(step));
    Some(Weighed {
        saved,
        explained,
        code: "converter.drift",
        says: format!(
            "new values lie {} {} the old ones, for {explained} of {} moved knobs",
            step.unsigned_abs(),
            if step > 0 { "above" } else { "below" },
            moved.len()
        ),
        act: "Measure the converter's zero and its reference, and set them right before anything is saved again.",
        other: "the panel's ground lies above or below the converter's",
    })
}

/// The median ratio of new to old codes, where it is clearly not 1.
fn ratio(moved: &[Moved]) -> Option<f64> {
    let mut ratios: Vec<f64> = moved
        .iter()
        .filter(|m| m.old >= 8)
        .map(|m| m.new as f64 / m.old as f64)
        .collect();
    if ratios.len() < FEWEST {
        return None;
    }
    ratios.sort_by(f64::total_cmp);
    let median = ratios[ratios.len() / 2];
    ((median - 1.0).abs() > 0.01 && median > 0.2 && median < 5.0).then_some(median)
}

/// Bits saved where every knob keeps to a part of its codes: each by how seldom its habits alone would.
fn confined(
    moved: &[Moved],
    habits: &Habits,
    within: &dyn Fn(&Moved, u64) -> bool,
) -> (f64, usize) {
    let mut share: HashMap<(usize, usize), f64> = HashMap::new();
    for m in moved {
        share.entry((m.area, m.field)).or_insert_with(|| {
            let codes = 0..1u64 << m.width.min(12);
            codes
                .filter(|c| within(m, *c))
                .map(|c| chance(habits, m, c))
                .sum()
        });
    }
    weigh(moved, |m| {
        within(m, m.new).then(|| -share[&(m.area, m.field)].max(1e-9).log2())
    })
}

fn stuck(moved: &[Moved], habits: &Habits) -> Vec<Weighed> {
    let widest = moved.iter().map(|m| m.width).max().unwrap_or(1);
    let mut out = Vec::new();
    for bit in 0..widest {
        for level in [0, 1] {
            let within =
                |m: &Moved, code: u64| m.width <= bit || code >> (m.width - 1 - bit) & 1 == level;
            let (saved, explained) = confined(moved, habits, &within);
            out.push(Weighed {
                saved: saved - CONVERTER - one_of(2 * usize::from(widest)),
                explained,
                code: "converter.stuck-bit",
                says: format!(
                    "bit {bit} from the top is {level} in newly saved knobs, {explained} of {}, though not before",
                    moved.len()
                ),
                act: "Mend the converter before anything is saved again; the old presets are intact.",
                other: "the line that carries that bit from the converter",
            });
        }
    }
    out
}

/// Bits of a converter, from the top, whose weight may be too small.
const LIGHT: u8 = 3;
/// By what shares of it, in 32ths.
const SHARES: std::ops::RangeInclusive<u32> = 3..=18;

/// What a converter by successive approximation gives, with one bit (from the top) that weighs too little: the codes
/// just below that bit's place are never given, and the topmost too often.
fn approximated(value: u64, width: u8, light: u8, share: f64) -> u64 {
    let mut rest = value as f64 + 0.5;
    (0..width).fold(0, |code, from_top| {
        let place = f64::from(width - 1 - from_top).exp2();
        let weight = if from_top == light {
            place * (1.0 - share)
        } else {
            place
        };
        if rest >= weight {
            rest -= weight;
            code << 1 | 1
        } else {
            code << 1
        }
    })
}

/// The chances of a knob's codes as such a converter gives them, its share known to a 32th.
fn lightened(own: &[f64], width: u8, light: u8, share: u32) -> Vec<f64> {
    let n = own.len() as f64;
    let mut out = vec![0.05 / n; own.len()];
    for third in [-1.0, 0.0, 1.0] {
        let share = (f64::from(share) + third / 3.0) / 32.0;
        for (value, p) in own.iter().enumerate() {
            if let Some(q) = out.get_mut(approximated(value as u64, width, light, share) as usize) {
                *q += 0.95 * p / 3.0;
            }
        }
    }
    out
}

/// Codes just below the place of a bit that weighs too little are never given.
fn missing(moved: &[Moved], habits: &Habits) -> Vec<Weighed> {
    let mut out = Vec::new();
    for bit in 0..LIGHT {
        for share in SHARES {
            let given: HashMap<(usize, usize), Vec<f64>> = moved
                .iter()
                .filter(|m| m.width >= bit + 3)
                .map(|m| (m.area, m.field, m.width))
                .collect::<BTreeSet<_>>()
                .into_iter()
                .filter_map(|(a, f, width)| {
                    let own = habits.get(&(a, f))?;
                    Some(((a, f), lightened(own, width, bit, share)))
                })
                .collect();
            let mut explained = 0;
            let saved: f64 = moved
                .iter()
                .filter_map(|m| {
                    let table = given.get(&(m.area, m.field))?;
                    let gain = (table.get(m.new as usize)? / chance(habits, m, m.new)).log2();
                    explained += usize::from(gain > -1.0);
                    Some(gain)
                })
                .sum();
            out.push(Weighed {
                saved: saved - CONVERTER - one_of(usize::from(LIGHT) * SHARES.count()),
                explained,
                code: "converter.missing-code",
                says: format!(
                    "newly saved knobs avoid the codes just below the place of bit {bit} from the top and crowd above it; {explained} of {} fit",
                    moved.len()
                ),
                act: "Check the converter's ladder or its reference at that bit before anything is saved again; the old presets are intact.",
                other: "the owner turned everything up",
            });
        }
    }
    out
}

/// Share of the knobs that a faulty multiplexer concerns (common practice, no source).
const AFFECTED: f64 = 0.25;

/// Knobs that hold what another knob of the same save holds, in every save.
fn multiplexer(codes: &Codes, before: &Before, moved: &[Moved]) -> Option<Weighed> {
    let mut saves: BTreeMap<(usize, usize), Vec<&Moved>> = BTreeMap::new();
    for m in moved {
        saves.entry((m.area, m.field)).or_default().push(m);
    }
    let (mut saved, mut explained, mut knobs) = (0.0, 0, 0);
    for ((a, f), list) in &saves {
        let shape = &before.content.shape.areas[*a];
        let widths = |g: &usize| shape.fields[*g].width;
        let earlier = shape.values.iter().filter(|g| **g < *f);
        let sources: Vec<usize> = earlier.copied().filter(|g| shape.fields[*g].knob).collect();
        let best = sources
            .iter()
            .map(|g| {
                // Some controls are mostly set alike: what counts is how seldom these two were before.
                let (mut together, mut all) = (0.5, 1.0);
                let then = &before.codes.areas[*a];
                for e in (0..shape.entries).filter(|e| shape.first_voice[*e] == *e) {
                    if let (Some(x), Some(y)) = (then.code(e, *g), then.code(e, *f)) {
                        all += 1.0;
                        together += f64::from(u8::from(alike(x, widths(g), y, widths(f))));
                    }
                }
                let often: f64 = together / all;
                let holds = HOLDS.max(often);
                let (mut bits, mut same) = (-one_of(sources.len()), 0);
                for m in list {
                    let now = codes.areas[*a].code(m.entry, *g);
                    if now.is_some_and(|code| alike(code, widths(g), m.new, m.width)) {
                        bits += (holds / often).log2();
                        same += 1;
                    } else {
                        bits += ((1.0 - holds) / (1.0 - often)).log2();
                    }
                }
                (bits, same)
            })
            .max_by(|x, y| x.0.total_cmp(&y.0));
        match best.filter(|b| b.0 + AFFECTED.log2() > (1.0 - AFFECTED).log2()) {
            Some((bits, same)) => {
                saved += bits + AFFECTED.log2();
                explained += same;
                knobs += 1;
            }
            None => saved += (1.0 - AFFECTED).log2(),
        }
    }
    let n = moved.len();
    (knobs > 0).then(|| Weighed {
        saved: saved - CONVERTER - 3.0,
        explained,
        code: "converter.multiplexer",
        says: format!(
            "{explained} of {n} moved knobs hold the value of another knob saved with them, {knobs} controls in all"
        ),
        act: "Check the multiplexer in front of the converter and its select lines before saving again.",
        other: "one potentiometer's wiper feeds several inputs",
    })
}

/// Whether two codes are one converter's result, the narrower one its upper bits, give or take one.
fn alike(a: u64, a_width: u8, b: u64, b_width: u8) -> bool {
    let width = a_width.min(b_width);
    (a >> (a_width - width)).abs_diff(b >> (b_width - width)) <= 1
}
