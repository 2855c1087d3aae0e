//! What sounds a musician keeps: a patch has a character, and every control follows from it.

use cellkeep::codec::coding;
use cellkeep::layout::model::{Area, Coding, Parameter, Scale};

use super::rng::Rng;

/// The character of a sound, every part from 0 to 1.
#[derive(Clone, Debug)]
pub(crate) struct Character {
    pub(crate) family: &'static str,
    bright: f64,
    emphasis: f64,
    sweep: f64,
    attack: f64,
    decay: f64,
    sustain: f64,
    release: f64,
    noise: f64,
    motion: f64,
    glide: f64,
    height: f64,
    second: f64,
}

/// Families of sounds: brightness, emphasis, filter sweep, attack, decay, sustain, release, noise, motion, glide,
/// height, second oscillator. By ear and taste; nothing here is measured.
const FAMILIES: &[(&str, [f64; 12])] = &[
    (
        "brass",
        [
            0.42, 0.20, 0.60, 0.30, 0.55, 0.75, 0.25, 0.00, 0.10, 0.00, 0.50, 0.80,
        ],
    ),
    (
        "strings",
        [
            0.55, 0.08, 0.15, 0.60, 0.60, 0.85, 0.55, 0.00, 0.20, 0.00, 0.55, 0.90,
        ],
    ),
    (
        "bass",
        [
            0.28, 0.35, 0.55, 0.00, 0.40, 0.30, 0.12, 0.00, 0.00, 0.10, 0.05, 0.60,
        ],
    ),
    (
        "lead",
        [
            0.62, 0.45, 0.40, 0.04, 0.50, 0.80, 0.20, 0.00, 0.35, 0.35, 0.70, 0.70,
        ],
    ),
    (
        "pluck",
        [
            0.40, 0.35, 0.75, 0.00, 0.32, 0.00, 0.30, 0.00, 0.00, 0.00, 0.55, 0.50,
        ],
    ),
    (
        "pad",
        [
            0.38, 0.20, 0.25, 0.70, 0.70, 0.80, 0.72, 0.05, 0.30, 0.00, 0.40, 1.00,
        ],
    ),
    (
        "bell",
        [
            0.72, 0.10, 0.30, 0.00, 0.72, 0.00, 0.78, 0.00, 0.08, 0.00, 0.95, 0.75,
        ],
    ),
    (
        "organ",
        [
            0.68, 0.05, 0.00, 0.02, 0.30, 1.00, 0.05, 0.00, 0.18, 0.00, 0.55, 0.85,
        ],
    ),
    (
        "keys",
        [
            0.50, 0.15, 0.45, 0.00, 0.60, 0.20, 0.35, 0.00, 0.10, 0.00, 0.50, 0.55,
        ],
    ),
    (
        "effect",
        [
            0.50, 0.90, 0.50, 0.60, 0.90, 0.50, 0.92, 0.80, 0.90, 0.50, 0.50, 0.60,
        ],
    ),
];

impl Character {
    /// A sound of a family drawn at random, no two quite alike.
    pub(crate) fn draw(rng: &mut Rng) -> Self {
        let weights = [3, 3, 3, 3, 2, 3, 1, 1, 2, 1];
        let mut at = rng.below(weights.iter().sum());
        let mut index = 0;
        while at >= weights[index] {
            at -= weights[index];
            index += 1;
        }
        let (family, base) = FAMILIES[index];
        let mut v = base;
        for x in &mut v {
            *x = (*x + rng.about(0.13)).clamp(0.0, 1.0);
        }
        Self {
            family,
            bright: v[0],
            emphasis: v[1],
            sweep: v[2],
            attack: v[3],
            decay: v[4],
            sustain: v[5],
            release: v[6],
            noise: v[7],
            motion: v[8],
            glide: v[9],
            height: v[10],
            second: v[11],
        }
    }

    /// Where a control stands for this sound, from 0 to 1 of its range.
    fn stands(&self, parameter: &Parameter, rng: &mut Rng) -> f64 {
        let key = parameter.key.as_str();
        let (head, last) = key.rsplit_once('.').unwrap_or(("", key));
        let both_ways = *parameter.range.start() < 0;
        let near_centre = |rng: &mut Rng, width: f64| 0.5 + rng.about(width);
        match last {
            "cutoff" => self.bright,
            "resonance" | "emphasis" => self.emphasis,
            "attack" => self.attack * if head.contains("filter") { 0.8 } else { 1.0 },
            "decay" => self.decay,
            "sustain" => self.sustain,
            "release" => self.release,
            "envelope" if both_ways => 0.5 + self.sweep * 0.45,
            "envelope" => self.sweep,
            "follow" => 0.3 + 0.5 * self.height,
            "interval" | "fine" | "coarse" | "detune" | "tone" | "low" | "high" | "balance"
            | "tune" => {
                if rng.chance(0.35) {
                    0.5
                } else {
                    near_centre(rng, 0.12)
                }
            }
            "pitch" => 0.25 + 0.5 * self.height,
            "footage" | "octave" => self.height,
            "transpose" | "pan" => {
                if rng.chance(0.8) {
                    0.5
                } else {
                    rng.part()
                }
            }
            "level" if head.contains("noise") => self.noise * 0.6,
            "noise" => self.noise * 0.6,
            "level" if head.ends_with('2') || head.ends_with('3') => self.second,
            "b" => self.second,
            "level" | "a" | "volume" => 0.75 + rng.about(0.2),
            "width" => 0.2 + rng.part() * 0.6,
            "depth" => self.motion * 0.6,
            "rate" | "shimmer" => 0.45 + rng.about(0.3),
            "delay" => {
                if self.motion > 0.25 {
                    self.attack
                } else {
                    0.0
                }
            }
            "time" => self.glide,
            "mix" => 0.3 + self.motion * 0.5,
            "spread" => 0.4 + rng.about(0.3),
            "velocity" => 0.55 + rng.about(0.3),
            "amount" => {
                if rng.chance(0.6) {
                    0.5
                } else {
                    near_centre(rng, 0.4)
                }
            }
            _ => rng.part(),
        }
    }

    /// The number a control shows for this sound; always legal.
    pub(crate) fn number(&self, parameter: &Parameter, rng: &mut Rng) -> i64 {
        match &parameter.scale {
            Scale::OnOff => {
                let likely = match parameter.key.as_str() {
                    k if k.ends_with("release") => self.release > 0.2,
                    k if k.starts_with("glide") => self.glide > 0.2,
                    k if k.contains("saw") || k.contains("upper") || k.ends_with("follow") => true,
                    _ => false,
                };
                i64::from(rng.chance(if likely { 0.85 } else { 0.15 }))
            }
            Scale::Steps(steps) => {
                if let Some(named) = steps.iter().find(|s| s.1 == self.family) {
                    return named.0;
                }
                let at = match parameter.key.rsplit('.').next() {
                    Some("footage" | "octave") => self.stands(parameter, rng) * steps.len() as f64,
                    _ => rng.part() * rng.part() * steps.len() as f64, // the first position is the usual one
                };
                steps[(at as usize).min(steps.len() - 1)].0
            }
            _ => {
                let (low, high) = (*parameter.range.start(), *parameter.range.end());
                let mut part = self.stands(parameter, rng).clamp(0.0, 1.0);
                // Hands like the ends and the middle.
                if rng.chance(0.10) {
                    part = if part < 0.12 {
                        0.0
                    } else if part > 0.9 {
                        1.0
                    } else if (part - 0.5).abs() < 0.06 {
                        0.5
                    } else {
                        part
                    };
                }
                low + (part * (high - low) as f64).round() as i64
            }
        }
    }
}

/// The code of a number; numbers here are always within the parameter's range.
pub(crate) fn code(parameter: &Parameter, width: u8, number: i64) -> u64 {
    coding::code_of(&parameter.coding, width, number)
        .unwrap_or_else(|| panic!("{} has no code for {number}", parameter.key))
}

/// The number an initialised entry shows: the least, or nothing where the range has a middle.
pub(crate) fn at_rest(parameter: &Parameter) -> i64 {
    match &parameter.scale {
        Scale::Steps(steps) => steps[0].0,
        _ => 0i64.clamp(*parameter.range.start(), *parameter.range.end()),
    }
}

/// Whether a parameter means something beside the numbers already set.
pub(crate) fn applies(area: &Area, parameter: &Parameter, numbers: &[Option<i64>]) -> bool {
    match &parameter.when {
        None => true,
        Some(when) => {
            let selector = &area.parameters[when.parameter];
            applies(area, selector, numbers)
                && numbers[when.parameter].is_some_and(|n| when.is.contains(&n))
        }
    }
}

/// The codes of a text, padded with blanks.
pub(crate) fn text_codes(parameter: &Parameter, text: &str) -> Vec<u64> {
    let Coding::Text(set) = &parameter.coding else {
        panic!("{} is no text", parameter.key)
    };
    let code = |c: char| {
        set.iter()
            .position(|s| *s == Some(c))
            .unwrap_or_else(|| panic!("{c:?} is not in the set of {}", parameter.key))
            as u64
    };
    text.chars()
        .chain(std::iter::repeat(' '))
        .take(parameter.fields.len())
        .map(code)
        .collect()
}

/// A name for a sound, invented from plain words.
pub(crate) fn name(family: &str, rng: &mut Rng) -> String {
    const FIRST: &[&str] = &[
        "Slow", "Amber", "Cold", "Grey", "Tin", "Wide", "Soft", "Late", "North", "Rust", "Blue",
        "Short", "Glass", "Dry", "Low", "Plain", "Sunday", "Paper", "Chalk", "Far",
    ];
    let second: &[&str] = match family {
        "brass" => &["Horns", "Brass", "Band"],
        "strings" => &["Bows", "String", "Choir"],
        "bass" => &["Bass", "Sub", "Pedal"],
        "lead" => &["Lead", "Whistle", "Reed"],
        "pluck" => &["Pluck", "Harp", "Pick"],
        "pad" => &["Pad", "Fog", "Field"],
        "bell" => &["Bell", "Chime", "Gong"],
        "organ" => &["Organ", "Pipes", "Reeds"],
        "keys" => &["Keys", "Piano", "Clav"],
        _ => &["Storm", "Engine", "Alarm"],
    };
    let mut name = format!("{} {}", rng.pick(FIRST), rng.pick(second));
    if rng.chance(0.2) {
        name.push_str(&format!(" {}", 2 + rng.below(3)));
    }
    name.truncate(12);
    name
}
