//! Sheets of made-up instruments, small and large, for the checks.

#![allow(dead_code)]

use cellkeep::layout::model::{Control, Scale};
use cellkeep::sheet::view::{Face, Group, Item, Mark, Page, Stand, Subject, Value};

/// A control of a made-up panel.
pub(crate) struct Made {
    pub(crate) label: &'static str,
    pub(crate) control: Control,
    pub(crate) scale: Scale,
    pub(crate) highest: i64,
}

fn knob(label: &'static str, bits: u32) -> Made {
    Made {
        label,
        control: Control::Knob,
        scale: Scale::Dial {
            low: 0.0,
            high: 10.0,
        },
        highest: (1 << bits) - 1,
    }
}

fn scaled(label: &'static str, bits: u32, scale: Scale) -> Made {
    Made {
        label,
        control: Control::Knob,
        scale,
        highest: (1 << bits) - 1,
    }
}

fn switch(label: &'static str) -> Made {
    Made {
        label,
        control: Control::Switch,
        scale: Scale::OnOff,
        highest: 1,
    }
}

fn steps(label: &'static str, names: &[&str]) -> Made {
    Made {
        label,
        control: Control::Selector,
        scale: Scale::Steps(
            names
                .iter()
                .enumerate()
                .map(|(i, n)| (i as i64, (*n).to_owned()))
                .collect(),
        ),
        highest: names.len() as i64 - 1,
    }
}

/// A panel of 20 controls in five groups.
pub(crate) fn small_panel() -> Vec<(&'static str, Vec<Made>)> {
    let log = |low, high, unit: &str| Scale::Log {
        low,
        high,
        unit: unit.to_owned(),
    };
    vec![
        (
            "Oscillator",
            vec![
                steps("Range", &["16'", "8'", "4'"]),
                steps("Shape", &["triangle", "saw", "pulse"]),
                knob("Pulse width", 6),
                scaled(
                    "Fine tune",
                    6,
                    Scale::Dial {
                        low: -5.0,
                        high: 5.0,
                    },
                ),
                switch("Sync"),
            ],
        ),
        (
            "Filter",
            vec![
                scaled("Cutoff", 6, log(20.0, 16000.0, "Hz")),
                knob("Resonance", 6),
                knob("Contour amount", 6),
                knob("Key follow", 4),
            ],
        ),
        (
            "Contour",
            vec![
                scaled("Attack", 6, log(0.002, 6.0, "s")),
                scaled("Decay", 6, log(0.005, 12.0, "s")),
                knob("Sustain", 6),
                scaled("Release", 6, log(0.005, 12.0, "s")),
            ],
        ),
        (
            "Modulation",
            vec![
                knob("Rate", 6),
                knob("Depth to pitch", 6),
                knob("Depth to filter", 6),
                steps(
                    "Wave",
                    &[
                        "sine",
                        "triangle",
                        "ramp up",
                        "ramp down",
                        "square",
                        "random steps",
                        "noise",
                    ],
                ),
            ],
        ),
        (
            "Output",
            vec![
                Made {
                    label: "Level",
                    control: Control::Slider,
                    scale: Scale::Dial {
                        low: 0.0,
                        high: 10.0,
                    },
                    highest: 63,
                },
                Made {
                    label: "Balance",
                    control: Control::Slider,
                    scale: Scale::Dial {
                        low: -5.0,
                        high: 5.0,
                    },
                    highest: 63,
                },
                Made {
                    label: "Transpose",
                    control: Control::Number,
                    scale: Scale::Number,
                    highest: 24,
                },
            ],
        ),
    ]
}

/// What a control reads at a number, for the samples.
fn reading(made: &Made, number: i64) -> String {
    let part = number as f64 / made.highest as f64;
    match &made.scale {
        Scale::Dial { low, high } => format!("{:.1}", low + (high - low) * part),
        Scale::Log { low, high, unit } => {
            let value = low * (high / low).powf(part);
            if value >= 100.0 {
                format!("{value:.0} {unit}")
            } else {
                format!("{value:.2} {unit}")
            }
        }
        Scale::Steps(names) => names[number as usize].1.clone(),
        Scale::OnOff => if number == 0 { "off" } else { "on" }.to_owned(),
        _ => number.to_string(),
    }
}

/// A deterministic number for a control of a preset.
pub(crate) fn number(made: &Made, preset: usize, index: usize, voice: usize) -> i64 {
    let mut x = (preset as u64 + 1) * 0x9e37_79b9 + (index as u64 + 3) * 0x85eb_ca6b;
    x = (x ^ (voice as u64 * 0xc2b2_ae35)).wrapping_mul(0xff51_afd7_ed55_8ccd);
    ((x >> 33) % (made.highest as u64 + 1)) as i64
}

fn value(made: &Made, of: &str, number: i64) -> Value {
    Value {
        of: of.to_owned(),
        stand: Stand {
            number: Some(number),
            setting: reading(made, number),
            code: number.to_string(),
        },
        was: None,
        marks: Vec::new(),
    }
}

/// A page of a panel; `voices` differing voices for the controls whose index divides by `differ`.
pub(crate) fn page(
    panel: &[(&'static str, Vec<Made>)],
    preset: usize,
    voices: usize,
    differ: usize,
) -> Page {
    let mut index = 0;
    let groups = panel
        .iter()
        .map(|(heading, made)| Group {
            heading: (*heading).to_owned(),
            items: made
                .iter()
                .map(|m| {
                    index += 1;
                    let values = if voices > 1 && index % differ == 0 {
                        (0..voices)
                            .map(|v| {
                                value(m, &format!("voice {}", v + 1), number(m, preset, index, v))
                            })
                            .collect()
                    } else {
                        vec![value(m, "", number(m, preset, index, 0))]
                    };
                    Item {
                        label: m.label.to_owned(),
                        face: Face::new(m.control, &m.scale, 0, m.highest),
                        values,
                    }
                })
                .collect(),
        })
        .collect();
    Page {
        title: format!("Preset {}", preset + 1),
        name: String::new(),
        groups,
        strips: Vec::new(),
        remarks: Vec::new(),
    }
}

/// Hand-set controls, one noted and one blank.
pub(crate) fn hand_group() -> Group {
    let tune = scaled(
        "Master tune",
        7,
        Scale::Dial {
            low: -5.0,
            high: 5.0,
        },
    );
    let glide = knob("Glide", 7);
    let face = |m: &Made| Face::new(m.control, &m.scale, 0, m.highest);
    let mut noted = value(&tune, "", 70);
    noted.stand.code = String::new();
    noted.marks = vec![Mark::ByHand];
    Group {
        heading: "Set by hand".to_owned(),
        items: vec![
            Item {
                label: "Master tune".to_owned(),
                face: face(&tune),
                values: vec![noted],
            },
            Item {
                label: "Glide".to_owned(),
                face: face(&glide),
                values: vec![Value {
                    marks: vec![Mark::ByHand],
                    ..Value::default()
                }],
            },
        ],
    }
}

/// Gives one value of a page each mark, in order of the page.
pub(crate) fn mark(page: &mut Page) {
    let marks = [
        Mark::Unknown,
        Mark::Suspect,
        Mark::Illegal,
        Mark::Mended,
        Mark::Entered,
        Mark::Edited,
        Mark::Settled,
        Mark::Idle,
    ];
    let mut all = page.groups.iter_mut().flat_map(|g| &mut g.items).skip(2);
    for mark in marks {
        let value = &mut all.next().unwrap().values[0];
        value.marks.push(mark);
        if mark == Mark::Unknown {
            value.stand.number = None;
            value.stand.setting = String::new();
            value.stand.code = String::new();
        }
    }
}

/// A panel of about 200 controls: the small one ten times.
pub(crate) fn large_panel() -> Vec<(&'static str, Vec<Made>)> {
    let mut panel = Vec::new();
    for _ in 0..10 {
        panel.extend(small_panel());
    }
    panel
}

pub(crate) fn subject(instrument: &str) -> Subject {
    Subject {
        instrument: instrument.to_owned(),
        facts: vec![
            ("Reading".to_owned(), "3f9a12c4".to_owned()),
            ("Date".to_owned(), "2026-03-02".to_owned()),
        ],
    }
}
