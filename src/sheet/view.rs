//! What a sheet shows, ready for drawing: every figure and every word has been worked out before it gets here.

use crate::layout::model::{Control, Scale};

/// What a control looks like before anything is set on it.
#[derive(Clone, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Face {
    /// How it is drawn.
    pub kind: FaceKind,
    /// Lowest number the scale reaches.
    pub lowest: i64,
    /// Highest number the scale reaches; above `lowest`, or the control has one position.
    pub highest: i64,
}

/// The kinds of face.
#[derive(Clone, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum FaceKind {
    /// A rotary knob with a continuous scale.
    Dial {
        /// Divisions of the scale between its ends.
        divisions: u8,
        /// What the low end reads.
        low: String,
        /// What the high end reads.
        high: String,
    },
    /// A slider with a continuous scale, low at the bottom.
    Slider {
        /// Divisions of the scale between its ends.
        divisions: u8,
        /// What the low end reads.
        low: String,
        /// What the high end reads.
        high: String,
    },
    /// Named positions, each with its number: a switch or a stepped selector.
    Positions {
        /// The positions in order of number.
        names: Vec<(i64, String)>,
        /// True where it is a switch rather than a rotary selector.
        switch: bool,
    },
    /// A figure or a name in a window.
    Window,
}

/// Divisions drawn where the scale has no whole numbers to mark.
const DIVISIONS: u8 = 10;
/// Most divisions drawn for a scale of whole numbers.
const MOST_DIVISIONS: f64 = 20.0;

impl Face {
    /// The face of a control with a scale and its lowest and highest number.
    pub fn new(control: Control, scale: &Scale, lowest: i64, highest: i64) -> Self {
        let on_off = || vec![(0, "off".to_owned()), (1, "on".to_owned())];
        let kind = match (control, scale) {
            (Control::Number | Control::Text, _) => FaceKind::Window,
            (_, Scale::Steps(names)) => {
                let mut names = names.clone();
                names.sort_by_key(|(number, _)| *number);
                FaceKind::Positions {
                    names,
                    switch: control == Control::Switch,
                }
            }
            (_, Scale::OnOff) => FaceKind::Positions {
                names: on_off(),
                switch: true,
            },
            (Control::Switch | Control::Selector, _) if highest - lowest < 12 => {
                FaceKind::Positions {
                    names: (lowest..=highest).map(|n| (n, n.to_string())).collect(),
                    switch: control == Control::Switch,
                }
            }
            (Control::Slider, _) => {
                let (divisions, low, high) = ends(scale, lowest, highest);
                FaceKind::Slider {
                    divisions,
                    low,
                    high,
                }
            }
            _ => {
                let (divisions, low, high) = ends(scale, lowest, highest);
                FaceKind::Dial {
                    divisions,
                    low,
                    high,
                }
            }
        };
        Self {
            kind,
            lowest,
            highest,
        }
    }

    /// Whether it has a scale rather than positions or a window.
    pub(super) fn is_continuous(&self) -> bool {
        matches!(self.kind, FaceKind::Dial { .. } | FaceKind::Slider { .. })
    }

    /// How far along its travel a number stands, from 0 to 1; numbers outside stop at the end.
    pub fn travel(&self, number: i64) -> f64 {
        let span = self.highest.saturating_sub(self.lowest);
        if span <= 0 {
            return 0.0;
        }
        (number.saturating_sub(self.lowest) as f64 / span as f64).clamp(0.0, 1.0)
    }
}

/// Divisions and end readings of a continuous scale.
fn ends(scale: &Scale, lowest: i64, highest: i64) -> (u8, String, String) {
    let whole = |low: f64, high: f64| {
        let span = (high - low).abs();
        if span.fract() == 0.0 && (1.0..=MOST_DIVISIONS).contains(&span) {
            span as u8
        } else {
            DIVISIONS
        }
    };
    match scale {
        Scale::Dial { low, high } => (whole(*low, *high), figure(*low), figure(*high)),
        Scale::Linear { low, high, unit } => (
            whole(*low, *high),
            quantity(*low, unit),
            quantity(*high, unit),
        ),
        Scale::Log { low, high, unit } => (DIVISIONS, quantity(*low, unit), quantity(*high, unit)),
        Scale::Table { values, unit } => {
            let end = |v: Option<&f64>| v.map_or_else(String::new, |v| quantity(*v, unit));
            (DIVISIONS, end(values.first()), end(values.last()))
        }
        _ => (
            whole(lowest as f64, highest as f64),
            lowest.to_string(),
            highest.to_string(),
        ),
    }
}

/// Longest unit written at the ends of a scale.
const LONGEST_UNIT: usize = 3;

/// A figure without needless zeros, at most three decimals.
fn figure(value: f64) -> String {
    let text = format!("{value:.3}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    text.replace('-', "\u{2212}")
}

/// A figure with its unit, thousands and thousandths written short: 20 kHz, 5 ms.
fn quantity(value: f64, unit: &str) -> String {
    let prefixes = matches!(unit, "Hz" | "s" | "V" | "A" | "F");
    let (scaled, prefix) = match value.abs() {
        v if prefixes && v >= 1e3 => (value / 1e3, "k"),
        v if prefixes && (1e-3..1.0).contains(&v) => (value * 1e3, "m"),
        v if prefixes && v < 1e-3 && v > 0.0 => (value * 1e6, "\u{b5}"),
        _ => (value, ""),
    };
    match unit {
        "" => figure(scaled),
        "%" => format!("{}%", figure(scaled)),
        // The setting says the unit; at the ends of a small scale a long one has no room.
        _ if unit.chars().count() > LONGEST_UNIT => figure(scaled),
        _ => format!("{}\u{a0}{prefix}{unit}", figure(scaled)),
    }
}

/// What makes a value worth a second look.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Mark {
    /// Its bits, or some of them, are not known.
    Unknown,
    /// A finding casts doubt on it.
    Suspect,
    /// No control can stand there.
    Illegal,
    /// Proposed from evidence and accepted, after damage.
    Mended,
    /// Entered by a person in place of what was damaged.
    Entered,
    /// Changed on purpose since it was read.
    Edited,
    /// Chosen among reads that disagreed.
    Settled,
    /// Noted by hand; memory does not hold it.
    ByHand,
    /// Moved by no more than saving an unmoved control again can do.
    Small,
    /// Means nothing while its selector stands where it does.
    Idle,
}

impl Mark {
    /// The word beside its shape.
    pub fn word(self) -> &'static str {
        match self {
            Mark::Unknown => "unknown",
            Mark::Suspect => "suspect",
            Mark::Illegal => "illegal",
            Mark::Mended => "mended",
            Mark::Entered => "entered",
            Mark::Edited => "edited",
            Mark::Settled => "settled",
            Mark::ByHand => "by hand",
            Mark::Small => "small step",
            Mark::Idle => "not in use",
        }
    }

    /// What it tells the person at the instrument.
    pub fn meaning(self) -> &'static str {
        match self {
            Mark::Unknown => "the memory could not be read here; set it by ear",
            Mark::Suspect => "a finding casts doubt on it; compare by ear",
            Mark::Illegal => "no position of the control gives this code",
            Mark::Mended => "proposed from evidence after damage, and accepted",
            Mark::Entered => {
                "entered by a person after damage; a check that holds over it may have been made to"
            }
            Mark::Edited => "changed on purpose since the reading",
            Mark::Settled => "chosen among reads that disagreed",
            Mark::ByHand => "the memory does not hold it; set it as noted",
            Mark::Small => "may be the converter, not a hand",
            Mark::Idle => "has no effect with the other settings as they are",
        }
    }
}

/// Where a control stands.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Stand {
    /// The number the pointer stands at; `None` draws no pointer.
    pub number: Option<i64>,
    /// What a person reads, empty where nothing is known or noted.
    pub setting: String,
    /// The stored code, in binary with question marks where it is known in part; empty where memory holds none.
    pub code: String,
}

/// One control, or several voices' where they agree, as it stands.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Value {
    /// Whose it is where entries differ: "voices 1, 2"; empty where all agree.
    pub of: String,
    /// Where it stands.
    pub stand: Stand,
    /// Where it stood before, in a comparison.
    pub was: Option<Stand>,
    /// What to mark.
    pub marks: Vec<Mark>,
}

/// A control of the panel with its values.
#[derive(Clone, Debug, PartialEq)]
pub struct Item {
    /// What the panel says.
    pub label: String,
    /// What it looks like.
    pub face: Face,
    /// One value where all agree, else one for each group that differs, in order.
    pub values: Vec<Value>,
}

/// Controls under one heading of the panel.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Group {
    /// The heading, empty for none.
    pub heading: String,
    /// The controls in panel order.
    pub items: Vec<Item>,
}

/// Controls that an ordered axis repeats: steps of a sequence, voices of a tuning.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Strip {
    /// The heading, empty for none.
    pub heading: String,
    /// What the columns are: "step".
    pub axis: String,
    /// One label a column.
    pub labels: Vec<String>,
    /// One row a control, with a value a column.
    pub rows: Vec<Item>,
}

/// Everything to dial for one preset, or for one area without presets.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Page {
    /// What it is: "Preset 12".
    pub title: String,
    /// Its name in the instrument, where it has one.
    pub name: String,
    /// The controls.
    pub groups: Vec<Group>,
    /// What an axis repeats in order.
    pub strips: Vec<Strip>,
    /// Remarks in plain words: findings about this preset, a failed check.
    pub remarks: Vec<String>,
}

impl Page {
    /// All its controls.
    pub(super) fn items(&self) -> impl Iterator<Item = &Item> {
        let grouped = self.groups.iter().flat_map(|g| &g.items);
        grouped.chain(self.strips.iter().flat_map(|s| &s.rows))
    }
}

/// What the sheets of one instrument have in common.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Subject {
    /// The instrument.
    pub instrument: String,
    /// Facts for the page's head, as label and value: "Reading" "3f9a12c4", "Date" "2026-03-02".
    pub facts: Vec<(String, String)>,
}
