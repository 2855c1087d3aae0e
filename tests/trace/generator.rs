//! Random instruments: a layout of any organisation an instrument could have, from a seed.

use cellkeep::layout::model::*;
use cellkeep::trace::rng::Random;

/// How presets, voices and slots reach the address pins.
#[derive(Clone, Debug)]
enum Addressing {
    /// Counters on address lines: for every pin the signals that are exclusive-ored onto it, and its inversion.
    Wired {
        pins: Vec<(Vec<Signal>, bool)>,
        gray: bool,
    },
    /// `at + preset * stride + voice * voice_stride + unit * unit_step`, then pins swapped or inverted.
    Stepped {
        at: usize,
        stride: usize,
        voice_stride: usize,
        unit_step: usize,
        pins: Vec<u8>,
        invert: u32,
        down: bool,
    },
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum Signal {
    Preset(usize),
    Voice(usize),
    Slot(usize),
}

/// A generated instrument with the family it belongs to.
pub(crate) struct Instrument {
    pub(crate) layout: Layout,
    pub(crate) family: &'static str,
    pub(crate) says: String,
}

struct Control {
    kind: u8,
    width: usize,
    coding: Coding,
    scale: Scale,
    range: (i64, i64),
    control: cellkeep::layout::model::Control,
    inverted: bool,
}

fn ceil_log2(n: usize) -> usize {
    n.next_power_of_two().trailing_zeros() as usize
}

fn some_control(r: &mut Random) -> Control {
    use cellkeep::layout::model::Control as C;
    let pick = r.below(100);
    let knob = |width, coding, inverted| Control {
        kind: 0,
        width,
        range: bounds(&coding, width),
        coding,
        scale: Scale::Dial {
            low: 0.0,
            high: 10.0,
        },
        control: C::Knob,
        inverted,
    };
    match pick {
        0..=49 => knob(
            *[4, 5, 6, 6, 7, 7, 7, 8, 8, 10].get(r.below(10)).unwrap(),
            Coding::Unsigned,
            r.chance(0.06),
        ),
        50..=52 => knob(r.between(3, 8), Coding::Gray, false),
        53..=55 => knob(r.between(4, 8), Coding::TwosComplement, false),
        56..=57 => knob(r.between(4, 8), Coding::SignMagnitude, false),
        58 => knob(r.between(4, 8), Coding::OnesComplement, false),
        59..=60 => knob(r.between(4, 8), Coding::OffsetBinary, false),
        61..=78 => Control {
            kind: 1,
            width: 1,
            coding: Coding::Unsigned,
            scale: Scale::OnOff,
            range: (0, 1),
            control: C::Switch,
            inverted: r.chance(0.1),
        },
        79..=88 => {
            let n = r.between(3, 8);
            let (coding, width, numbers): (Coding, usize, Vec<i64>) = match r.below(8) {
                0 => (Coding::OneHot, n, (0..n as i64).collect()),
                1 => (Coding::Gray, ceil_log2(n), (0..n as i64).collect()),
                2 => {
                    let w = ceil_log2(n) + 1;
                    let mut all: Vec<i64> = (0..1 << w).collect();
                    r.shuffle(&mut all);
                    let mut some = all[..n].to_vec();
                    some.sort_unstable();
                    (Coding::Unsigned, w, some)
                }
                _ => (Coding::Unsigned, ceil_log2(n), (0..n as i64).collect()),
            };
            Control {
                kind: 2,
                width,
                coding,
                range: (
                    *numbers.iter().min().unwrap(),
                    *numbers.iter().max().unwrap(),
                ),
                scale: Scale::Steps(
                    numbers
                        .iter()
                        .map(|n| (*n, format!("position {n}")))
                        .collect(),
                ),
                control: C::Selector,
                inverted: false,
            }
        }
        _ => {
            let (coding, width, range) = match r.below(6) {
                0 => (Coding::Bcd, 8, (0, 99)),
                1 => (Coding::TwosComplement, 6, (-24, 24)),
                2 => (Coding::SignMagnitude, 5, (-12, 12)),
                3 => (Coding::OnesComplement, 5, (-12, 12)),
                4 => (Coding::Unsigned, 7, (0, 99)),
                _ => (Coding::Unsigned, 5, (0, 24)),
            };
            Control {
                kind: 3,
                width,
                coding,
                scale: Scale::Number,
                range,
                control: C::Number,
                inverted: false,
            }
        }
    }
}

fn bounds(coding: &Coding, width: usize) -> (i64, i64) {
    cellkeep::codec::coding::bounds(coding, width as u8)
}

/// First seeds of instruments in which switches and selectors decide what others mean: for tuning, and for evaluation. All
/// other seeds have none, as before there were any.
pub(crate) const DECIDED: [u64; 2] = [500_000, 1_500_000];

/// True where controls of the instrument of a seed mean something only while another stands in some position.
fn decided(seed: u64) -> bool {
    DECIDED
        .iter()
        .any(|first| (*first..first + 500_000).contains(&seed))
}

/// Lets a switch or selector decide what bits mean: some controls mean something only in some of its positions, and in
/// others their bits are a further control's, which is added to them. For each control what decides of it.
fn decide(
    r: &mut Random,
    controls: &mut Vec<Control>,
    slots: &mut Vec<Vec<(usize, usize)>>,
) -> Option<Vec<Option<When>>> {
    let decides = |i: &usize| controls[*i].kind == 1 || controls[*i].kind == 2;
    let some: Vec<usize> = (0..controls.len()).filter(decides).collect();
    if some.is_empty() {
        return None;
    }
    let by = some[r.below(some.len())];
    let numbers: Vec<i64> = match &controls[by].scale {
        Scale::Steps(steps) => steps.iter().map(|s| s.0).collect(),
        _ => vec![0, 1],
    };
    let mut out: Vec<Option<When>> = vec![None; controls.len()];
    let wide = |i: &usize| *i != by && controls[*i].width > 1;
    let mut free: Vec<usize> = (0..controls.len()).filter(wide).collect();
    r.shuffle(&mut free);
    free.truncate(r.between(1, 3));
    for first in free {
        let mut numbers = numbers.clone();
        r.shuffle(&mut numbers);
        let split = r.between(1, numbers.len() - 1);
        let when = |is: &[i64]| {
            let mut is = is.to_vec();
            is.sort_unstable();
            Some(When { parameter: by, is })
        };
        out[first] = when(&numbers[..split]);
        // In the other positions the bits are another's, in all or some of them, or nobody's.
        let other = (0..20).map(|_| some_control(r));
        let other: Vec<Control> = other.filter(|c| c.width <= controls[first].width).collect();
        if let Some(second) = other.into_iter().next().filter(|_| r.chance(0.85)) {
            let rest = &numbers[split..];
            let count = r.between(1, rest.len());
            out.push(when(&rest[..count]));
            slots.push(slots[first][..second.width].to_vec());
            controls.push(second);
        }
    }
    Some(out)
}

/// The instrument of a seed.
pub(crate) fn instrument(seed: u64) -> Instrument {
    let mut r = Random::new(seed);
    loop {
        if let Some(found) = attempt(&mut r, seed) {
            return found;
        }
    }
}

fn attempt(r: &mut Random, seed: u64) -> Option<Instrument> {
    let family = match r.below(100) {
        0..=24 => "bit-serial, 1-bit chips",
        25..=34 => "bit planes, 1-bit chips",
        35..=54 => "nibbles, 4-bit chips",
        _ => "bytes, 8-bit chips",
    };
    let voices = *[1, 1, 1, 1, 2, 4, 4, 6, 8].get(r.below(9))?;
    let presets: usize = match family {
        "bytes, 8-bit chips" => *[16, 32, 40, 50, 64, 64, 72].get(r.below(7))?,
        _ => *[8, 16, 16, 32, 64].get(r.below(5))?,
    };
    let most = if voices > 1 { 24 } else { 60 };
    let mut controls: Vec<Control> = (0..r.between(8, most)).map(|_| some_control(r)).collect();
    // Lines of the word bus, and the chips that make it up.
    let (lines, chip_width, boards) = match family {
        "bit-serial, 1-bit chips" => (
            1,
            1,
            if voices > 1 {
                *[1, 2, voices].get(r.below(3))?
            } else {
                1
            },
        ),
        "bit planes, 1-bit chips" => (r.between(6, 8), 1, 1),
        "nibbles, 4-bit chips" => (*[4, 8].get(r.below(2))?, 4, 1),
        _ => (8, 8, 1),
    };
    if voices % boards != 0 {
        return None;
    }
    let per_board = voices / boards;
    // Places of the code bits among units and lines.
    let (units, mut slots) = pack(r, family, &controls, lines)?;
    let mut when = match decided(seed) {
        true => decide(r, &mut controls, &mut slots)?,
        false => vec![None; controls.len()],
    };
    let bits: usize = controls.iter().map(|c| c.width).sum();
    let stepped = match family {
        "bytes, 8-bit chips" => r.chance(0.85),
        "nibbles, 4-bit chips" => r.chance(0.4),
        "bit-serial, 1-bit chips" => r.chance(0.2),
        _ => false,
    };
    let check = stepped && voices == 1 && lines == 8 && chip_width == 8 && r.chance(0.6);
    let check_units = if check { r.between(1, 2) } else { 0 };
    let entry_units = units + check_units;
    let parameter_major = stepped && !check && r.chance(0.25);
    let mut order: Vec<usize> = (0..presets).collect();
    let mut says = String::new();
    let (addressing, words) = if stepped {
        let (stride, voice_stride, unit_step) = if parameter_major {
            (per_board, 1, presets * per_board)
        } else {
            let gap = r.below(4);
            (entry_units * per_board + gap, entry_units, 1)
        };
        let used = if parameter_major {
            entry_units * presets * per_board
        } else {
            stride * presets
        };
        let at = if r.chance(0.5) { r.below(64) } else { 0 };
        let words = (used + at).next_power_of_two().max(256);
        if words * chip_width / 8 > 32768 || words > 32768 {
            return None;
        }
        let a = ceil_log2(words);
        let mut pins: Vec<u8> = (0..a as u8).collect();
        let mut invert = 0;
        if words <= 4096 && r.chance(0.15) {
            let (i, j) = (r.below(a), r.below(a));
            pins.swap(i, j);
            if r.chance(0.3) {
                invert = 1 << r.below(a);
            }
            says.push_str("address lines swapped; ");
        }
        let down = r.chance(0.1);
        (
            Addressing::Stepped {
                at,
                stride,
                voice_stride,
                unit_step,
                pins,
                invert,
                down,
            },
            words,
        )
    } else {
        let (m, v, s) = (
            ceil_log2(presets),
            ceil_log2(per_board),
            ceil_log2(entry_units),
        );
        let a = (m + v + s).max(8);
        if a > 15 {
            return None;
        }
        let mut signals: Vec<Vec<Signal>> = (0..m)
            .map(Signal::Preset)
            .chain((0..v).map(Signal::Voice))
            .chain((0..a - m - v).map(Signal::Slot))
            .map(|s| vec![s])
            .collect();
        if r.chance(0.6) {
            r.shuffle(&mut signals);
            says.push_str("address lines permuted; ");
        }
        let gray = r.chance(0.12);
        if !gray && r.chance(0.12) {
            let (i, j) = (r.below(a), r.below(a));
            if i != j {
                let extra = signals[j][0];
                signals[i].push(extra);
                says.push_str("an exclusive-or of two address lines; ");
            }
        } else if gray {
            says.push_str("a Gray counter; ");
        }
        if !gray && r.chance(0.15) {
            // The order of presets is a table.
            r.shuffle(&mut order);
            says.push_str("preset order from a table; ");
        }
        let some = r.chance(0.4);
        let pins = signals
            .into_iter()
            .map(|s| (s, some && r.chance(0.4)))
            .collect();
        (Addressing::Wired { pins, gray }, 1 << a)
    };
    if stepped && r.chance(0.04) {
        r.shuffle(&mut order);
        says.push_str("preset order from a table; ");
    }
    // Data pins, chip by chip.
    let per_word = lines / chip_width;
    let mut data: Vec<(u16, u8, bool)> = Vec::new();
    let permuted = r.chance(0.3);
    for c in 0..per_word {
        let mut pins: Vec<u8> = (0..chip_width as u8).collect();
        if permuted {
            r.shuffle(&mut pins);
        }
        let invert = r.chance(0.25);
        for p in pins {
            data.push((c as u16, p, invert || (permuted && r.chance(0.1))));
        }
    }
    let chip_count = per_word * boards;
    let place = |preset: usize, voice: usize, unit: usize, line: usize| -> BitPlace {
        let (board, voice) = (voice / per_board, voice % per_board);
        let preset = order[preset];
        let cell = match &addressing {
            Addressing::Wired { pins, gray } => {
                let preset = if *gray { preset ^ preset >> 1 } else { preset };
                pins.iter()
                    .enumerate()
                    .fold(0u32, |cell, (pin, (signals, inverted))| {
                        let bit = signals.iter().fold(*inverted, |b, s| {
                            b ^ (match s {
                                Signal::Preset(k) => preset >> k,
                                Signal::Voice(k) => voice >> k,
                                Signal::Slot(k) => unit >> k,
                            } & 1
                                == 1)
                        });
                        cell | u32::from(bit) << pin
                    })
            }
            Addressing::Stepped {
                at,
                stride,
                voice_stride,
                unit_step,
                pins,
                invert,
                down,
            } => {
                let preset = if *down { presets - 1 - preset } else { preset };
                let a = (at + preset * stride + voice * voice_stride + unit * unit_step) as u32;
                pins.iter()
                    .enumerate()
                    .fold(*invert, |c, (bit, pin)| c ^ (a >> bit & 1) << pin)
            }
        };
        let (chip, pin, inverted) = data[line];
        BitPlace {
            chip: board as u16 * per_word as u16 + chip,
            cell,
            line: pin,
            inverted,
        }
    };
    let mut fields = Vec::new();
    let mut parameters = Vec::new();
    let mut first = 0;
    for (i, c) in controls.iter().enumerate() {
        fields.push(Field {
            owner: FieldOwner::Parameter(i),
            width: c.width as u8,
            first,
        });
        first += c.width;
        parameters.push(Parameter {
            key: format!("control.c{}", i + 1),
            label: format!("Control {}", i + 1),
            group: None,
            fields: i..i + 1,
            coding: c.coding.clone(),
            scale: c.scale.clone(),
            range: c.range.0..=c.range.1,
            control: c.control,
            when: when[i].take(),
            alias_of: None,
            blank: None,
            evidence: Evidence::Unstated,
            note: None,
        });
    }
    let mut checks = Vec::new();
    let mut check_bits = 0;
    if check {
        let width = 8 * check_units;
        fields.push(Field {
            owner: FieldOwner::Check(0),
            width: width as u8,
            first,
        });
        check_bits = width;
        let method = match (check_units, r.below(5)) {
            (_, 0) => Method::Sum { add: 0 },
            (_, 1) => Method::SumTwosComplement { add: 0 },
            (1, 2) => Method::Xor {
                with: r.below(256) as u64,
            },
            (1, _) => Method::Crc {
                name: "CRC_8_SMBUS".into(),
            },
            (_, 2) => Method::Crc {
                name: "CRC_16_XMODEM".into(),
            },
            _ => Method::Crc {
                name: "CRC_16_ARC".into(),
            },
        };
        let instances = (0..presets)
            .map(|p| CheckInstance {
                entry: Some(p),
                words: (0..units)
                    .map(|u| (0..8).map(|l| place(p, 0, u, l)).collect())
                    .collect(),
                stored: (0..width)
                    .map(|k| place(p, 0, units + k / 8, k % 8))
                    .collect(),
            })
            .collect();
        checks.push(Check {
            key: "check".into(),
            method,
            width: width as u8,
            policy: Policy::Update,
            instances,
        });
    }
    let bits_per_entry = bits + check_bits;
    let mut places = Vec::new();
    for p in 0..presets {
        for v in 0..voices {
            for (c, where_) in controls.iter().zip(&slots) {
                for &(unit, line) in where_ {
                    let mut x = place(p, v, unit, line);
                    x.inverted ^= c.inverted;
                    places.push(x);
                }
            }
            for k in 0..check_bits {
                places.push(place(p, v, units + k / 8, k % 8));
            }
        }
    }
    let axis = |name: &str, n: usize| Axis {
        name: name.into(),
        labels: (1..=n).map(|i| i.to_string()).collect(),
    };
    let mut axes = vec![axis("preset", presets)];
    if voices > 1 {
        axes.push(axis("voice", voices));
    }
    says.push_str(&format!(
        "{presets} presets, {voices} voices on {boards} boards, {} controls, {chip_count} chips of {words} x {chip_width}{}{}",
        controls.len(),
        if parameter_major { ", parameter-major" } else { "" },
        if check { ", a check" } else { "" },
    ));
    let _ = controls.iter().map(|c| c.kind).max();
    Some(Instrument {
        layout: Layout {
            id: format!("random-{seed}"),
            name: format!("Random {seed}"),
            revision: "1".into(),
            notes: None,
            chips: (0..chip_count)
                .map(|c| Chip {
                    id: format!("U{}", c + 1),
                    aliases: vec![],
                    board: None,
                    position: None,
                    part: None,
                    words: words as u32,
                    width: chip_width as u8,
                    packing: Packing::Low,
                    retention_volts: None,
                    standby: vec![],
                    fill: Some(0),
                    evidence: Evidence::Unstated,
                })
                .collect(),
            areas: vec![Area {
                name: "presets".into(),
                axes,
                fields,
                bits_per_entry,
                places,
                parameters,
                checks,
                copies: vec![],
            }],
            absent: vec![],
            hand_set: vec![],
            bench: Bench::default(),
            source: Source {
                origin: "generated".into(),
                text: String::new(),
                extends: vec![],
                sha256: String::new(),
            },
        },
        family,
        says,
    })
}

/// For every control the (unit, line) of its bits, least significant first; and how many units an entry has.
#[allow(clippy::type_complexity)]
fn pack(
    r: &mut Random,
    family: &str,
    controls: &[Control],
    lines: usize,
) -> Option<(usize, Vec<Vec<(usize, usize)>>)> {
    let mut out = Vec::new();
    let widest = controls.iter().map(|c| c.width).max()?;
    if family == "bit-serial, 1-bit chips" {
        // A slot of as many clocks as the widest word and some, filled from a start offset, either end first.
        let msb = r.chance(0.5);
        let start = r.below(2);
        let period = if r.chance(0.6) {
            (widest + start).next_power_of_two()
        } else {
            widest + start + r.below(2)
        };
        let mut slot = 0;
        let mut switches: Option<(usize, usize)> = None;
        for c in controls {
            let at = |k: usize, slot: usize| {
                let t = start + if msb { c.width - 1 - k } else { k };
                (slot * period + t, 0)
            };
            if c.width == 1 {
                // Switches share a slot.
                let (s, used) = match switches {
                    Some((s, used)) if used < widest => (s, used),
                    _ => {
                        slot += 1;
                        (slot - 1, 0)
                    }
                };
                out.push(vec![(s * period + start + used, 0)]);
                switches = Some((s, used + 1));
            } else {
                out.push((0..c.width).map(|k| at(k, slot)).collect());
                slot += 1;
            }
        }
        return Some((slot * period, out));
    }
    if family == "bit planes, 1-bit chips" {
        // One value a slot, bit i on line i; wider values take a second slot.
        let mut slot = 0;
        for c in controls {
            out.push(
                (0..c.width)
                    .map(|k| (slot + k / lines, k % lines))
                    .collect(),
            );
            slot += c.width.div_ceil(lines);
        }
        return Some((slot, out));
    }
    // Packed: bits in a row from the top or the bottom, some fields scattered.
    let dense = r.chance(0.7);
    let mut at = 0usize;
    let mut order: Vec<usize> = (0..controls.len()).collect();
    if dense {
        r.shuffle(&mut order);
    }
    let mut result = vec![Vec::new(); controls.len()];
    for i in order {
        let w = controls[i].width;
        if !dense && at % lines + w > lines {
            at = at.div_ceil(lines) * lines;
        }
        result[i] = (0..w)
            .map(|k| ((at + k) / lines, (at + k) % lines))
            .collect();
        at += w;
        if !dense && r.chance(0.5) {
            at = at.div_ceil(lines) * lines;
        }
    }
    if r.chance(0.3) {
        // Two fields exchange a bit: scattered.
        for _ in 0..2 {
            let (i, j) = (r.below(controls.len()), r.below(controls.len()));
            if i != j {
                let (a, b) = (r.below(result[i].len()), r.below(result[j].len()));
                let x = result[i][a];
                result[i][a] = result[j][b];
                result[j][b] = x;
            }
        }
    }
    Some((at.div_ceil(lines), result))
}
