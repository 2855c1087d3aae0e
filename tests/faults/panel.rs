//! Faults that are not in the memory: presets saved through a faulty converter, another bank loaded over the owner's,
//! and single promises broken. The memory keeps faithfully what it is given.

use cellkeep::codec::Memory;
use cellkeep::layout::model::*;

use crate::banks::Maker;
use crate::rng::Rng;

/// Faults of the panel, by the code the program should answer with; `.always` marks one that was there from the outset.
pub(crate) const PANEL: [&str; 9] = [
    "converter.stuck-bit",
    "converter.stuck-bit.always",
    "converter.missing-code",
    "converter.drift",
    "converter.noise",
    "converter.multiplexer",
    "bank.replaced",
    "code.impossible",
    "check.mismatch",
];

/// Those that show against an earlier reading.
pub(crate) const SAVED: [&str; 6] = [
    "converter.stuck-bit",
    "converter.missing-code",
    "converter.drift",
    "converter.noise",
    "converter.multiplexer",
    "bank.replaced",
];

/// Those that show in one reading alone.
pub(crate) const ALONE: [&str; 3] = [
    "converter.stuck-bit.always",
    "code.impossible",
    "check.mismatch",
];

/// The code the program should answer with.
pub(crate) fn answer(fault: &str) -> &str {
    fault.strip_suffix(".always").unwrap_or(fault)
}

/// A knob of an area that stores the converter's own code: every code is legal.
pub(crate) struct Knob {
    pub(crate) field: usize,
    width: u8,
}

pub(crate) fn knobs(maker: &Maker, area: usize) -> Vec<Knob> {
    let a = &maker.layout.areas[area];
    maker
        .values(area)
        .into_iter()
        .filter_map(|field| {
            let FieldOwner::Parameter(p) = a.fields[field].owner else {
                return None;
            };
            let (parameter, width) = (&a.parameters[p], a.fields[field].width);
            let knob = matches!(parameter.control, Control::Knob | Control::Slider);
            let direct = maker.legal(area, field).len() == 1 << width;
            (knob && direct && (4..=10).contains(&width) && parameter.alias_of.is_none())
                .then_some(Knob { field, width })
        })
        .collect()
}

/// The area with the most stored knobs that repeats over something.
fn panel_area(maker: &Maker) -> Option<usize> {
    (0..maker.layout.areas.len())
        .filter(|a| !maker.layout.areas[*a].axes.is_empty())
        .max_by_key(|a| knobs(maker, *a).len() * maker.layout.areas[*a].entries())
        .filter(|a| knobs(maker, *a).len() >= 3)
}

/// The entries of each preset: its voices are saved together, the panel being one.
pub(crate) fn presets(area: &Area) -> Vec<Vec<usize>> {
    let voice = area.axes.iter().position(|x| x.name == "voice");
    let mut out: Vec<Vec<usize>> = Vec::new();
    let mut at: Vec<Option<usize>> = vec![None; area.entries()];
    for e in 0..area.entries() {
        let mut indices = area.indices(e);
        if let Some(v) = voice {
            indices[v] = 0;
        }
        let first = area.entry(&indices).expect("an entry of the area");
        match at[first] {
            Some(group) => out[group].push(e),
            None => {
                at[first] = Some(out.len());
                out.push(vec![e]);
            }
        }
    }
    out
}

/// How the panel's converter turns a true value into a code, for one knob of one save.
enum Converter {
    /// Bit (counted from the top) always at a level.
    Stuck(u8, bool),
    /// A bit (counted from the top) that weighs this share of its place too little: the codes just below it are
    /// never given (successive approximation: Kester, "The Data Conversion Handbook", Analog Devices 2005).
    Light(u8, f64),
    /// The reference is off by this factor.
    Drift(f64),
    /// Up to so many codes off.
    Noise(i64),
    /// Select lines of the multiplexer that do not move: knob numbers with these bits cleared are read.
    Multiplexer(usize),
}

/// Saves presets through a fault. Nothing where the fault does not apply to the layout; the entry where there is one.
pub(crate) fn save(
    fault: &str,
    maker: &Maker,
    memory: &mut Memory,
    rng: &mut Rng,
) -> Option<Option<(usize, usize)>> {
    match fault {
        "bank.replaced" => {
            // The factory's presets: dialled by someone else.
            let other = Maker::new(maker.layout, rng).bank(rng);
            for area in maker.layout.areas.iter().filter(|a| !a.axes.is_empty()) {
                for p in &area.places {
                    if let Some(bit) = other.bit(*p) {
                        memory.set_bit(*p, bit);
                    }
                }
            }
            maker.settle_promises(memory);
            return Some(None);
        }
        "code.impossible" => return impossible(maker, memory, rng).map(Some),
        "check.mismatch" => return mismatch(maker, memory, rng).map(Some),
        _ => {}
    }
    let a = panel_area(maker)?;
    let area = &maker.layout.areas[a];
    let knobs = knobs(maker, a);
    let converter = Converter::draw(answer(fault), &knobs, rng)?;
    let mut groups = presets(area);
    if fault.ends_with(".always") {
        // One converter reads every control that is stored anywhere.
        for other in 0..maker.layout.areas.len() {
            for group in presets(&maker.layout.areas[other]) {
                converter.save(maker, memory, other, &group, rng);
            }
        }
    } else {
        rng.shuffle(&mut groups);
        let all = groups.len();
        let least = match converter {
            // Codes are missed only where many were stored.
            Converter::Light(..) => all / 2,
            _ => all.min(4),
        };
        groups.truncate(rng.between(least, (all * 3 / 4).max(least)).max(1));
        for group in groups {
            converter.save(maker, memory, a, &group, rng);
        }
    }
    maker.settle_promises(memory);
    Some(None)
}

impl Converter {
    /// A fault of the converter that reads these knobs.
    fn draw(fault: &str, knobs: &[Knob], rng: &mut Rng) -> Option<Self> {
        let narrow = knobs.iter().map(|k| k.width).min()?;
        Some(match fault {
            "converter.stuck-bit" => {
                Converter::Stuck(rng.below(usize::from(narrow).min(4)) as u8, rng.chance(0.5))
            }
            "converter.missing-code" => {
                Converter::Light(rng.below(2) as u8, 0.15 + 0.35 * rng.unit())
            }
            "converter.drift" => {
                let off = 0.05 + 0.15 * rng.unit();
                Converter::Drift(if rng.chance(0.5) {
                    1.0 + off
                } else {
                    1.0 - off
                })
            }
            "converter.noise" => Converter::Noise(rng.between(1, 4) as i64),
            "converter.multiplexer" => {
                // One select line still, or all of them.
                let lines = (knobs.len() - 1).ilog2() as usize + 1;
                Converter::Multiplexer(if rng.chance(0.3) {
                    (1 << lines) - 1
                } else {
                    1 << rng.below(lines)
                })
            }
            other => panic!("no such fault: {other}"),
        })
    }

    /// Saves one preset, all its voices alike: knobs are read where they stand, as they were saved before or set anew.
    fn save(&self, maker: &Maker, memory: &mut Memory, a: usize, group: &[usize], rng: &mut Rng) {
        let area = &maker.layout.areas[a];
        let knobs = knobs(maker, a);
        let unmoved = matches!(self, Converter::Drift(_) | Converter::Noise(_));
        let patch = maker.patch(a, rng);
        for &e in group {
            if !unmoved {
                maker.write(memory, a, e, &patch);
            }
            let stands: Vec<u64> = knobs
                .iter()
                .map(|k| memory.gather(area.field_places(e, k.field)).0)
                .collect();
            let mut state = rng.clone();
            for (i, k) in knobs.iter().enumerate() {
                let v = stands[i] as i64;
                let top = 1i64 << k.width;
                let code = match *self {
                    Converter::Stuck(bit, level) => {
                        let mask = 1i64 << (k.width - 1 - bit);
                        if level { v | mask } else { v & !mask }
                    }
                    Converter::Light(bit, light) => successive(v, k.width, bit, light),
                    Converter::Drift(factor) => ((v as f64 * factor).round() as i64).min(top - 1),
                    Converter::Noise(most) => {
                        (v + state.between(0, 2 * most as usize) as i64 - most).clamp(0, top - 1)
                    }
                    Converter::Multiplexer(still) => {
                        let from = i & !still;
                        let wide = i64::from(knobs[from].width) - i64::from(k.width);
                        let v = stands[from] as i64;
                        if wide >= 0 { v >> wide } else { v << -wide }
                    }
                };
                memory.scatter(area.field_places(e, k.field), code as u64);
            }
        }
        rng.next();
    }
}

/// Successive approximation of a value, with one bit of the converter (counted from the top) weighing too little.
fn successive(v: i64, width: u8, light: u8, share: f64) -> i64 {
    let mut rest = v as f64 + 0.5;
    let mut code = 0;
    for bit in (0..width).rev() {
        let mut weight = f64::from(1u32 << bit);
        if width - 1 - bit == light {
            weight *= 1.0 - share;
        }
        if rest >= weight {
            rest -= weight;
            code |= 1 << bit;
        }
    }
    code
}

/// One value becomes a code that cannot be set.
fn impossible(maker: &Maker, memory: &mut Memory, rng: &mut Rng) -> Option<(usize, usize)> {
    let mut spots = Vec::new();
    for (a, area) in maker.layout.areas.iter().enumerate() {
        for f in maker.values(a) {
            let FieldOwner::Parameter(p) = area.fields[f].owner else {
                continue;
            };
            let legal = maker.legal(a, f).len();
            let width = area.fields[f].width;
            if width <= 12 && legal < 1 << width && area.parameters[p].when.is_none() {
                spots.push((a, f));
            }
        }
    }
    if spots.is_empty() {
        return None;
    }
    let (a, f) = *rng.pick(&spots);
    let area = &maker.layout.areas[a];
    let (e, legal) = (rng.below(area.entries()), maker.legal(a, f));
    let wrong: Vec<u64> = (0..1u64 << area.fields[f].width)
        .filter(|c| !legal.contains(c))
        .collect();
    memory.scatter(area.field_places(e, f), *rng.pick(&wrong));
    maker.settle_promises(memory);
    Some((a, e))
}

/// One bit under a check of one entry is wrong.
fn mismatch(maker: &Maker, memory: &mut Memory, rng: &mut Rng) -> Option<(usize, usize)> {
    let mut spots = Vec::new();
    for (a, area) in maker.layout.areas.iter().enumerate() {
        for (c, check) in area.checks.iter().enumerate() {
            let verified = check.policy != Policy::Keep;
            spots.extend(
                (0..check.instances.len())
                    .filter(|i| verified && check.instances[*i].entry.is_some())
                    .map(|i| (a, c, i)),
            );
        }
    }
    if spots.is_empty() {
        return None;
    }
    let (a, c, i) = *rng.pick(&spots);
    let instance = &maker.layout.areas[a].checks[c].instances[i];
    let place = *rng.pick(instance.words.bits());
    let bit = memory.bit(place)?;
    memory.set_bit(place, !bit);
    Some((a, instance.entry?))
}
