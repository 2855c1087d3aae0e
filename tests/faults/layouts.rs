//! The layouts the bench works on: the six built-in ones, and random ones of the same five kinds.

use cellkeep::layout::model::*;

use crate::rng::Rng;

/// Ids of the built-in layouts.
pub(crate) const SHIPPED: [&str; 6] = [
    "aldermoor-four",
    "aldermoor-eight",
    "pellow-six",
    "quillon-72",
    "wrenfield-strings",
    "tessaly-nine",
];

pub(crate) fn shipped(id: &str) -> Layout {
    cellkeep::layout::load(id).unwrap_or_else(|e| panic!("{id}: {e}"))
}

fn chip(id: String, board: Option<String>, words: u32, width: u8, fill: u8) -> Chip {
    Chip {
        id,
        aliases: Vec::new(),
        board,
        position: None,
        part: None,
        words,
        width,
        packing: Packing::Low,
        retention_volts: None,
        standby: Vec::new(),
        fill: Some(fill),
        evidence: Evidence::Unstated,
    }
}

fn axis(name: &str, count: usize) -> Axis {
    Axis {
        name: name.to_owned(),
        labels: (1..=count).map(|i| i.to_string()).collect(),
    }
}

/// The fields of an entry as they are drawn up.
#[derive(Default)]
struct Fields {
    fields: Vec<Field>,
    parameters: Vec<Parameter>,
    bits: usize,
}

impl Fields {
    fn push(&mut self, owner: FieldOwner, width: u8) {
        self.fields.push(Field {
            owner,
            width,
            first: self.bits,
        });
        self.bits += usize::from(width);
    }

    fn value(&mut self, width: u8, control: Control, range: Option<(i64, i64)>, coding: Coding) {
        let at = self.fields.len();
        let number = self.parameters.len();
        self.parameters.push(Parameter {
            key: format!("p{number}"),
            label: format!("P {number}"),
            group: None,
            fields: at..at + 1,
            coding,
            scale: Scale::Number,
            range: range.map_or(0..=(1i64 << width) - 1, |(a, b)| a..=b),
            control,
            when: None,
            alias_of: None,
            blank: None,
            evidence: Evidence::Unstated,
            note: None,
        });
        self.push(FieldOwner::Parameter(number), width);
    }

    /// Knobs of about `knob` bits, switches and selectors, until `bits` are filled.
    fn fill(&mut self, rng: &mut Rng, bits: usize, knob: u8, word: usize) {
        while self.bits < bits {
            let left = bits - self.bits;
            // Values may cross words only where words are short of them.
            let room = left.min(word - self.bits % word);
            if room >= usize::from(knob) && rng.chance(0.7) {
                self.value(knob, Control::Knob, None, Coding::Unsigned);
            } else if room >= 3 && rng.chance(0.3) {
                if rng.chance(0.3) {
                    self.value(3, Control::Selector, Some((0, 2)), Coding::OneHot);
                } else {
                    self.value(3, Control::Selector, Some((0, 4)), Coding::Unsigned);
                }
            } else if room >= 2 && rng.chance(0.4) {
                self.value(2, Control::Selector, Some((0, 2)), Coding::Unsigned);
            } else if rng.chance(0.08) && self.bits > 0 {
                self.push(FieldOwner::Reserved, 1);
            } else {
                self.value(1, Control::Switch, None, Coding::Unsigned);
            }
        }
    }
}

fn area(name: &str, axes: Vec<Axis>, f: Fields, place: &dyn Fn(usize, usize) -> BitPlace) -> Area {
    let mut area = Area {
        name: name.to_owned(),
        axes,
        bits_per_entry: f.bits,
        fields: f.fields,
        places: Vec::new(),
        parameters: f.parameters,
        checks: Vec::new(),
        copies: Vec::new(),
    };
    area.places = (0..area.entries())
        .flat_map(|e| (0..area.bits_per_entry).map(move |b| (e, b)))
        .map(|(e, b)| place(e, b))
        .collect();
    area
}

fn layout(kind: &str, seed: u64, chips: Vec<Chip>, areas: Vec<Area>) -> Layout {
    Layout {
        id: format!("{kind}-{seed}"),
        name: kind.to_owned(),
        revision: "1".to_owned(),
        notes: None,
        chips,
        areas,
        absent: Vec::new(),
        hand_set: Vec::new(),
        bench: Bench::default(),
        source: Source::default(),
    }
}

/// A random permutation of address lines with random inversions.
fn scramble(rng: &mut Rng, lines: usize) -> impl Fn(u32) -> u32 + use<> {
    let mut order: Vec<usize> = (0..lines).collect();
    let mut invert = 0;
    if rng.chance(0.6) {
        rng.shuffle(&mut order);
        invert = rng.next() as u32 & ((1 << lines) - 1);
    }
    move |a| {
        order
            .iter()
            .enumerate()
            .fold(0, |c, (to, from)| c | (a >> from & 1) << to)
            ^ invert
    }
}

/// A layout of a random kind.
pub(crate) fn random(seed: u64) -> Layout {
    let mut rng = Rng::new(seed ^ 0x1a70_0715);
    match rng.below(4) {
        0 => serial(seed, &mut rng),
        1 => packed(seed, &mut rng),
        2 => nibbles(seed, &mut rng),
        _ => planes(seed, &mut rng),
    }
}

/// Discrete logic: 1-bit chips, a board a pair of voices, slots of eight clocks.
fn serial(seed: u64, rng: &mut Rng) -> Layout {
    let boards: usize = 1 << rng.below(3);
    let presets: usize = 8 << rng.below(2);
    let slots: usize = 8 << rng.below(2);
    let lines = (3 + slots.ilog2() + 1 + presets.ilog2()) as usize;
    let map = scramble(rng, lines);
    let inverted = rng.chance(0.5);
    let mut f = Fields::default();
    f.fill(rng, slots * 7, 7, 7);
    let chips = (0..boards)
        .map(|b| {
            let board = Some(format!("board {}", b + 1));
            chip(format!("CH{b}"), board, 1 << lines, 1, u8::from(inverted))
        })
        .collect();
    let voices = 2 * boards;
    let place = |e: usize, b: usize| {
        let (preset, voice) = (e / voices, e % voices);
        let step = 1 + (6 - b % 7);
        let a = step + 8 * (b / 7 + slots * (voice % 2 + 2 * preset));
        BitPlace {
            chip: (voice / 2) as u16,
            cell: map(a as u32),
            line: 0,
            inverted,
        }
    };
    let axes = vec![axis("preset", presets), axis("voice", voices)];
    let area = area("presets", axes, f, &place);
    layout("serial", seed, chips, vec![area])
}

#[allow(dead_code)] // Asked by the short form only.
/// Two presets of six switches in a chip of 64 x 1, at cells 0 to 5 and 16 to 21.
pub(crate) fn two_presets() -> Layout {
    let mut f = Fields::default();
    (0..6).for_each(|_| f.value(1, Control::Switch, None, Coding::Unsigned));
    let place = |e: usize, b: usize| BitPlace {
        chip: 0,
        cell: (16 * e + b) as u32,
        line: 0,
        inverted: false,
    };
    let area = area("presets", vec![axis("preset", 2)], f, &place);
    let chips = vec![chip("CH1".to_owned(), None, 64, 1, 0)];
    layout("two", 0, chips, vec![area])
}

fn check(key: &str, method: Method, width: u8, instances: Vec<CheckInstance>) -> Check {
    Check {
        key: key.to_owned(),
        method,
        width,
        policy: Policy::Update,
        instances,
    }
}

/// A processor board: bytes of packed values, usually with a check an entry.
fn packed(seed: u64, rng: &mut Rng) -> Layout {
    let lines = rng.between(10, 13);
    let bytes = rng.between(16, 40);
    let presets = (((1usize << lines) - 64) / bytes).min(*rng.pick(&[16, 32, 64, 100]));
    let map = scramble(rng, lines);
    let mut f = Fields::default();
    let body = bytes - 1;
    let knob = *rng.pick(&[5, 6, 7, 8]);
    f.fill(rng, body * 8, knob, 8);
    let method = match rng.below(5) {
        0 => None,
        1 => Some(Method::Xor { with: 0x5a }),
        2 => Some(Method::Crc {
            name: "CRC_8_SMBUS".to_owned(),
        }),
        _ => Some(Method::SumTwosComplement { add: 0 }),
    };
    let owner = if method.is_some() {
        FieldOwner::Check(0)
    } else {
        FieldOwner::Constant(0xa5)
    };
    f.push(owner, 8);
    let place = |e: usize, b: usize| BitPlace {
        chip: 0,
        cell: map((32 + e * bytes + b / 8) as u32),
        line: (b % 8) as u8,
        inverted: false,
    };
    let mut area = area("presets", vec![axis("preset", presets)], f, &place);
    if let Some(method) = method {
        let instances = (0..presets)
            .map(|e| CheckInstance {
                entry: Some(e),
                words: (0..body)
                    .map(|i| (0..8).map(|b| place(e, i * 8 + b)).collect())
                    .collect(),
                stored: (0..8).map(|b| place(e, body * 8 + b)).collect(),
            })
            .collect();
        area.checks.push(check("sum", method, 8, instances));
    }
    let chips = vec![chip("IC1".to_owned(), None, 1 << lines, 8, 0)];
    layout("packed", seed, chips, vec![area])
}

/// Two 4-bit chips that make a byte. Half of them are written together, with reserved slots and a sum over each entry.
fn nibbles(seed: u64, rng: &mut Rng) -> Layout {
    let lines = rng.between(8, 10);
    let bytes = rng.between(8, 20);
    let presets = (1usize << lines) / bytes;
    let maps = [scramble(rng, lines), scramble(rng, lines)];
    let mut f = Fields::default();
    let knob = *rng.pick(&[4, 6, 7]);
    let checked = Rng::new(seed ^ 0x0005_0003).chance(0.5);
    let body = if checked { bytes - 3 } else { bytes };
    f.fill(rng, body * 8, knob, 8);
    if checked {
        f.push(FieldOwner::Reserved, 8);
        f.push(FieldOwner::Reserved, 8);
        f.push(FieldOwner::Check(0), 8);
    }
    let place = |e: usize, b: usize| {
        let high = usize::from(b % 8 >= 4);
        let at = (e * bytes + b / 8) as u32;
        BitPlace {
            chip: high as u16,
            cell: if checked { at } else { maps[high](at) },
            line: (b % 4) as u8,
            inverted: false,
        }
    };
    let mut area = area("presets", vec![axis("preset", presets)], f, &place);
    if checked {
        let byte = |e: usize, i: usize| (0..8).map(|b| place(e, i * 8 + b)).collect();
        let instances = (0..presets)
            .map(|e| CheckInstance {
                entry: Some(e),
                words: (0..bytes - 1).map(|i| byte(e, i)).collect(),
                stored: byte(e, bytes - 1),
            })
            .collect();
        area.checks
            .push(check("sum", Method::Sum { add: 0 }, 8, instances));
    }
    let chips = ["LOW", "HIGH"]
        .iter()
        .map(|id| chip((*id).to_owned(), None, 1 << lines, 4, 0))
        .collect();
    layout("nibbles", seed, chips, vec![area])
}

/// Bit planes, sometimes kept twice.
fn planes(seed: u64, rng: &mut Rng) -> Layout {
    let width = rng.between(5, 8);
    let twice = rng.chance(0.5);
    let (presets, slots) = (16usize, 32usize);
    let lines = if twice { 10 } else { 9 };
    let map = scramble(rng, 9);
    let mut f = Fields::default();
    f.fill(rng, slots * width, width as u8, width);
    let place = |e: usize, b: usize| BitPlace {
        chip: (b % width) as u16,
        cell: map((e * slots + b / width) as u32),
        line: 0,
        inverted: false,
    };
    let mut area = area("presets", vec![axis("preset", presets)], f, &place);
    if twice {
        let places = area
            .places
            .iter()
            .map(|p| BitPlace {
                cell: p.cell | 512,
                ..*p
            })
            .collect();
        area.copies.push(MirrorCopy {
            name: "second set".to_owned(),
            places,
            policy: Policy::Update,
        });
    }
    let chips = (0..width)
        .map(|i| chip(format!("IC{}", 20 + i), None, 1 << lines, 1, 0))
        .collect();
    layout("planes", seed, chips, vec![area])
}
