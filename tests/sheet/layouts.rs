//! Layouts of made-up instruments, built in memory, with contents from a fixed random sequence.

#![allow(dead_code)]

use cellkeep::image::ChipImage;
use cellkeep::layout::model::*;
use cellkeep::reading::{ChipReading, Reading};

use crate::builder::{Made, small_panel};

/// A fixed sequence of bytes (the 64-bit mix of `splitmix64`).
pub(crate) fn bytes(seed: u64, count: usize) -> Vec<u8> {
    let mut state = seed;
    (0..count)
        .map(|_| {
            state = state.wrapping_add(0x9e37_79b9_7f4a_7c15);
            let mut z = state;
            z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
            z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
            (z >> 56) as u8
        })
        .collect()
}

pub(crate) fn chip(id: &str, words: u32, width: u8, part: &str) -> Chip {
    Chip {
        id: id.to_owned(),
        aliases: Vec::new(),
        board: Some("memory board".to_owned()),
        position: None,
        part: Some(part.to_owned()),
        words,
        width,
        packing: Packing::Low,
        retention_volts: None,
        standby: Vec::new(),
        fill: None,
        evidence: Evidence::Guessed,
    }
}

pub(crate) fn axis(name: &str, count: usize) -> Axis {
    Axis {
        name: name.to_owned(),
        labels: (1..=count).map(|i| i.to_string()).collect(),
    }
}

fn parameter(made: &Made, group: &str, field: usize) -> Parameter {
    Parameter {
        key: format!(
            "{}.{}",
            group.to_lowercase().replace(' ', "-"),
            made.label.to_lowercase().replace(' ', "-")
        ),
        label: made.label.to_owned(),
        group: Some(group.to_owned()),
        fields: field..field + 1,
        coding: Coding::Unsigned,
        scale: made.scale.clone(),
        range: 0..=made.highest,
        control: made.control,
        when: None,
        alias_of: None,
        blank: None,
        evidence: Evidence::Guessed,
        note: None,
    }
}

/// An area of a panel: fields one after another, a check of 8 bits, entries one after another.
pub(crate) fn area(
    panel: &[(&'static str, Vec<Made>)],
    name: &str,
    axes: Vec<Axis>,
    place: impl Fn(usize, usize) -> BitPlace,
) -> Area {
    let mut fields = Vec::new();
    let mut parameters = Vec::new();
    let mut first = 0;
    for (group, made) in panel {
        for m in made {
            let width = (64 - (m.highest as u64).leading_zeros()).max(1) as u8;
            parameters.push(parameter(m, group, fields.len()));
            fields.push(Field {
                owner: FieldOwner::Parameter(parameters.len() - 1),
                width,
                first,
            });
            first += usize::from(width);
        }
    }
    for owner in [FieldOwner::Check(0), FieldOwner::Reserved] {
        fields.push(Field {
            owner,
            width: 8,
            first,
        });
        first += 8;
    }
    let entries: usize = axes.iter().map(Axis::count).product();
    let places = (0..entries * first)
        .map(|i| place(i / first, i % first))
        .collect();
    Area {
        name: name.to_owned(),
        axes,
        fields,
        bits_per_entry: first,
        places,
        parameters,
        checks: vec![Check {
            key: "sum".to_owned(),
            method: Method::Sum { add: 0 },
            width: 8,
            policy: Policy::Verify,
            instances: Vec::new(),
        }],
        copies: Vec::new(),
    }
}

pub(crate) fn layout(id: &str, name: &str, chips: Vec<Chip>, areas: Vec<Area>) -> Layout {
    Layout {
        id: id.to_owned(),
        name: name.to_owned(),
        revision: "1".to_owned(),
        notes: None,
        chips,
        areas,
        absent: Vec::new(),
        hand_set: Vec::new(),
        bench: Bench::default(),
        source: Source {
            origin: "a test".to_owned(),
            text: String::new(),
            extends: Vec::new(),
            sha256: String::new(),
        },
    }
}

/// Four voices, bit-serial, in two 4096 x 1 chips of 16 presets.
pub(crate) fn serial() -> Layout {
    let panel = small_panel();
    let place = |entry: usize, bit: usize| {
        let (preset, voice) = (entry / 4, entry % 4);
        BitPlace {
            chip: (voice / 2) as u16,
            cell: (preset * 256 + (voice % 2) * 128 + bit) as u32,
            line: 0,
            inverted: true,
        }
    };
    let axes = vec![axis("preset", 16), axis("voice", 4)];
    let mut made = layout(
        "serial",
        "Aldermoor Four",
        vec![chip("CH12", 4096, 1, "6504"), chip("CH34", 4096, 1, "6504")],
        vec![area(&panel, "presets", axes, place)],
    );
    made.hand_set = vec![
        hand("glide", "Glide", None),
        hand("level", "Voice level", Some(axis("voice", 4))),
    ];
    made
}

pub(crate) fn hand(key: &str, label: &str, per: Option<Axis>) -> HandSet {
    HandSet {
        key: key.to_owned(),
        label: label.to_owned(),
        group: Some("Output".to_owned()),
        per,
        control: Control::Knob,
        scale: Scale::Dial {
            low: 0.0,
            high: 10.0,
        },
        range: 0..=100,
        note: None,
    }
}

/// Sixty-four presets packed into a 2048 x 8 chip.
pub(crate) fn packed() -> Layout {
    let panel = small_panel();
    let place = |entry: usize, bit: usize| BitPlace {
        chip: 0,
        cell: (0x20 + entry * 16 + bit / 8) as u32,
        line: (bit % 8) as u8,
        inverted: false,
    };
    let mut made = layout(
        "packed",
        "Pellow Six",
        vec![chip("U7", 2048, 8, "6116")],
        vec![area(&panel, "presets", vec![axis("preset", 64)], place)],
    );
    made.absent = vec![(0, 0x700..=0x7ff, 0xff)];
    made
}

/// A reading of random contents.
pub(crate) fn reading(layout: &Layout, seed: u64) -> Reading {
    let chips = layout
        .chips
        .iter()
        .enumerate()
        .map(|(i, c)| {
            let cells = bytes(seed + i as u64, c.words as usize);
            let image = ChipImage::from_cells(c.width, &cells).unwrap();
            ChipReading::new(c.id.clone(), image)
        })
        .collect();
    Reading::new(chips)
}
