//! Readings and plan side by side: what every bit held for every save.

use super::panel::{Condition, Kind, Lane, Panel};
use super::plan::{Plan, Purpose, Save, Setting};
use crate::reading::Reading;

/// One chip over all readings.
#[derive(Clone, Debug)]
pub(crate) struct Cells {
    pub(crate) id: String,
    pub(crate) words: u32,
    pub(crate) width: u8,
    /// One value a cell, a vector a reading.
    pub(crate) values: Vec<Vec<u8>>,
    /// Which bits are known, likewise.
    pub(crate) known: Vec<Vec<u8>>,
}

impl Cells {
    /// A bit of a reading: 0, 1, or 2 where unknown.
    pub(crate) fn bit(&self, reading: usize, cell: u32, line: u8) -> u8 {
        let at = cell as usize;
        match self.known[reading][at] >> line & 1 {
            1 => self.values[reading][at] >> line & 1,
            _ => 2,
        }
    }

    /// True where all cells of a reading hold one value, or nothing of them is known.
    pub(crate) fn blank(&self, reading: usize) -> bool {
        let (values, known) = (&self.values[reading], &self.known[reading]);
        let first = values.first().copied().unwrap_or(0);
        values.iter().all(|b| *b == first) || known.iter().all(|b| *b == 0)
    }

    /// The readings in which it is blank, where it is not in all.
    pub(crate) fn blank_once(&self) -> Vec<usize> {
        let all = 0..self.values.len();
        let blank: Vec<usize> = all.filter(|r| self.blank(*r)).collect();
        match blank.len() < self.values.len() {
            true => blank,
            false => Vec::new(),
        }
    }

    /// True where readings differ, or there is one only: something may have been saved in it.
    pub(crate) fn written(&self) -> bool {
        let mut pairs = self.values.iter().zip(self.values.iter().skip(1));
        self.values.len() < 2 || pairs.any(|(a, b)| a != b)
    }
}

/// Readings that do not belong to the plan, or to each other.
#[derive(Debug, thiserror::Error, PartialEq, Eq)]
pub enum TraceError {
    /// More or fewer readings than the plan asks for.
    #[error("the plan asks for {expected} readings, {found} given")]
    Readings {
        /// Readings given.
        found: usize,
        /// Readings the plan asks for.
        expected: usize,
        /// What the first one that is missing holds, as the sheet says it; empty where none is.
        missing: String,
    },
    /// One reading was given in place of two.
    #[error("readings {first} and {second} are the same in every cell")]
    Same {
        /// The reading, from 1.
        first: usize,
        /// The reading that is the same, from 1.
        second: usize,
    },
    /// Every chip of a reading holds one value throughout.
    #[error("reading {reading} is blank: every chip holds one value throughout")]
    Blank {
        /// The reading, from 1.
        reading: usize,
    },
    /// Chips of one reading are missing in another, or have another shape.
    #[error("reading {reading}: chip {chip} {what}")]
    Chips {
        /// The reading, from 1.
        reading: usize,
        /// The chip.
        chip: String,
        /// What is wrong with it.
        what: String,
    },
    /// Nothing in the readings follows the plan.
    #[error("{0}")]
    NothingFound(String),
    /// The readings fit in another order: indices into those given.
    #[error("the readings are not in the order of the plan: they fit as {}", in_order(.0))]
    Order(Vec<usize>),
    /// Only some readings follow the plan: which do not, from 0.
    #[error("{} not hold what the plan says, while the rest follow it", readings(.0))]
    Strange(Vec<usize>),
    /// Layout and plan are of two instruments.
    #[error("{0}")]
    Other(String),
    /// The plan itself is impossible.
    #[error("the plan cannot be used: {0}")]
    Plan(String),
}

impl crate::blame::Blame for TraceError {
    fn who(&self) -> crate::blame::Who {
        match self {
            TraceError::Readings { .. } | TraceError::Same { .. } | TraceError::Order(_) => {
                crate::blame::Who::Caller
            }
            _ => crate::blame::Who::File,
        }
    }

    fn hint(&self) -> Option<String> {
        let text = match self {
            TraceError::Readings { missing, .. } if !missing.is_empty() => {
                return Some(format!(
                    "{missing}; read the chips after each part of the sheet and give the readings in that order"
                ));
            }
            TraceError::Readings { .. } => {
                "give one reading after the other, in the order of the sheet"
            }
            TraceError::Same { .. } => {
                "the sheet saves other presets before each reading: save what it lists for the second, read the chips \
                 again, and give each reading once"
            }
            TraceError::Blank { .. } => {
                "check the reader's clip and the supply, and that the chips are the ones that hold presets; then read \
                 again"
            }
            TraceError::Chips { .. } => {
                "give readings of the instrument that the plan was made for, each with every chip"
            }
            TraceError::NothingFound(_) => {
                "check that plan and readings are of one instrument, that the presets were saved after dialling and that \
                 the chips were read afterwards; then read again, or dial the plan anew"
            }
            TraceError::Strange(_) => {
                "see that it is of the same instrument and was read after the saves that the sheet lists for it; save those \
                 again, read the chips, and give the new reading in its place"
            }
            TraceError::Order(_) => {
                "give them in this order, and mark each on its folder when it is read"
            }
            TraceError::Other(_) => {
                "give the plan that the readings were taken after; `cellkeep trace plan --layout` makes one for a layout"
            }
            TraceError::Plan(_) => "make the plan anew with `cellkeep trace plan`",
        };
        Some(text.to_owned())
    }
}

/// Readings by their number, with the verb: "reading 2 does".
fn readings(which: &[usize]) -> String {
    let numbers: Vec<String> = which.iter().map(|r| (r + 1).to_string()).collect();
    match &numbers[..] {
        [one] => format!("reading {one} does"),
        _ => format!("readings {} do", numbers.join(", ")),
    }
}

/// Readings by their place in what was given, from 1.
fn in_order(order: &[usize]) -> String {
    let of = |r: &usize| match r + 1 {
        1 => "the 1st".to_owned(),
        2 => "the 2nd".to_owned(),
        3 => "the 3rd".to_owned(),
        n => format!("the {n}th"),
    };
    order.iter().map(of).collect::<Vec<_>>().join(", ")
}

/// What was dialled before a reading: presets and their positions.
fn dialled(plan: &Plan, reading: usize) -> Vec<(usize, &[u32])> {
    let saves = plan.saves.iter().filter(|s| s.reading == reading);
    let mut all: Vec<(usize, &[u32])> = saves
        .map(|s| (s.preset, &plan.settings[s.setting].positions[..]))
        .collect();
    all.sort_unstable();
    all
}

/// What the reading after these holds, in the words of the sheet.
pub(super) fn missing(plan: &Plan, given: usize) -> String {
    let saves = plan.saves.iter().filter(|s| s.reading == given).count();
    let axis = &plan.panel.axis;
    match saves {
        0 => String::new(),
        _ if plan.shifted() == Some(given) => format!(
            "reading {} is missing: it holds every setting of the one before, one {axis} further back, {saves} saves in \
             all, and nothing is dialled anew for it",
            given + 1
        ),
        _ => format!(
            "reading {} is missing: save the {saves} {axis}s that the sheet lists for it",
            given + 1
        ),
    }
}

/// Everything the solver looks at.
#[derive(Clone)]
pub(crate) struct Experiment<'a> {
    pub(crate) plan: &'a Plan,
    /// Which preset holds which setting: as the plan says, but for presets that were plainly exchanged.
    pub(crate) saves: Vec<Save>,
    pub(crate) lanes: Vec<Lane>,
    pub(crate) chips: Vec<Cells>,
    /// For each lane when it means something; `None` where it always does.
    pub(crate) conditions: Vec<Option<Condition>>,
    /// For each lane which of the classes of settings it means something in.
    class: Vec<usize>,
    /// The classes: whether each setting is in it. All settings are in the first.
    classes: Vec<Vec<bool>>,
}

impl<'a> Experiment<'a> {
    pub(crate) fn new(plan: &'a Plan, readings: &[Reading]) -> Result<Self, TraceError> {
        plan.check().map_err(TraceError::Plan)?;
        if readings.len() != plan.readings() {
            return Err(TraceError::Readings {
                found: readings.len(),
                expected: plan.readings(),
                missing: missing(plan, readings.len()),
            });
        }
        let Some(first) = readings.first() else {
            return Err(TraceError::Plan("it saves nothing".to_owned()));
        };
        let mut chips: Vec<Cells> = first
            .chips
            .iter()
            .map(|c| Cells {
                id: c.id.clone(),
                words: c.image.words(),
                width: c.image.width(),
                values: Vec::new(),
                known: Vec::new(),
            })
            .collect();
        if chips.is_empty() {
            return Err(TraceError::NothingFound(
                "the reading has no chips".to_owned(),
            ));
        }
        for (r, reading) in readings.iter().enumerate() {
            for cells in &mut chips {
                let wrong = |what: &str| TraceError::Chips {
                    reading: r + 1,
                    chip: cells.id.clone(),
                    what: what.to_owned(),
                };
                let chip = reading
                    .chips
                    .iter()
                    .find(|c| c.id.eq_ignore_ascii_case(&cells.id))
                    .ok_or_else(|| wrong("is missing"))?;
                if chip.image.words() != cells.words || chip.image.width() != cells.width {
                    return Err(wrong("has another shape than in reading 1"));
                }
                cells.values.push(chip.image.values().to_vec());
                cells.known.push(chip.image.known().to_vec());
            }
            if let Some(extra) = reading
                .chips
                .iter()
                .find(|c| !first.chips.iter().any(|f| f.id.eq_ignore_ascii_case(&c.id)))
            {
                return Err(TraceError::Chips {
                    reading: r + 1,
                    chip: extra.id.clone(),
                    what: "is not in reading 1".to_owned(),
                });
            }
        }
        for shape in &plan.panel.chips {
            match chips.iter().find(|c| c.id.eq_ignore_ascii_case(&shape.id)) {
                Some(c) if c.words == shape.words && c.width == shape.width => {}
                Some(c) => {
                    return Err(TraceError::Chips {
                        reading: 1,
                        chip: shape.id.clone(),
                        what: format!(
                            "is {} x {}, the plan says {} x {}",
                            c.words, c.width, shape.words, shape.width
                        ),
                    });
                }
                None => {
                    return Err(TraceError::Chips {
                        reading: 1,
                        chip: shape.id.clone(),
                        what: "is missing".to_owned(),
                    });
                }
            }
        }
        for reading in 0..readings.len() {
            if chips.iter().all(|c| c.blank(reading)) {
                return Err(TraceError::Blank {
                    reading: reading + 1,
                });
            }
            let same = |other: &usize| {
                chips.iter().all(|c| c.values[*other] == c.values[reading])
                    && dialled(plan, *other) != dialled(plan, reading)
            };
            if let Some(first) = (0..reading).find(same) {
                return Err(TraceError::Same {
                    first: first + 1,
                    second: reading + 1,
                });
            }
        }
        let mut out = Self {
            plan,
            saves: plan.saves.clone(),
            lanes: plan.panel.lanes(),
            chips,
            conditions: plan.panel.conditions(),
            class: Vec::new(),
            classes: Vec::new(),
        };
        out.classify();
        Ok(out)
    }

    /// Takes a lane to mean something only under a condition.
    pub(crate) fn suppose(&mut self, lane: usize, condition: Condition) {
        self.conditions[lane] = Some(condition);
        self.classify();
    }

    /// Sees in which settings each lane means something.
    fn classify(&mut self) {
        let settings = &self.plan.settings;
        self.class.clear();
        self.classes = vec![vec![true; settings.len()]];
        for condition in &self.conditions {
            let means = |s: &Setting| condition.as_ref().is_none_or(|c| c.holds(&s.positions));
            let class: Vec<bool> = settings.iter().map(means).collect();
            let known = self.classes.iter().position(|c| *c == class);
            self.class.push(known.unwrap_or(self.classes.len()));
            if known.is_none() {
                self.classes.push(class);
            }
        }
    }

    /// True where a lane means something in a setting: elsewhere its bits may hold anything.
    pub(crate) fn means(&self, lane: usize, setting: usize) -> bool {
        self.classes[self.class[lane]][setting]
    }

    /// The class of settings in which a lane means something.
    pub(crate) fn class(&self, lane: usize) -> usize {
        self.class[lane]
    }

    /// The settings of each class.
    pub(crate) fn classes(&self) -> &[Vec<bool>] {
        &self.classes
    }

    /// True where no setting gives meaning to two lanes: then one bit may be of both.
    pub(crate) fn excludes(&self, a: usize, b: usize) -> bool {
        Condition::exclude(self.conditions[a].as_ref(), self.conditions[b].as_ref())
    }

    /// True where end-stop settings show a lane at one end or the other: not names, nor selectors, whose positions
    /// all come in turn.
    pub(crate) fn two_valued(&self, lane: usize) -> bool {
        let control = &self.panel().controls[self.lanes[lane].control];
        let at_end = |p: u32| p == 0 || p == control.span();
        let mut ends = self
            .plan
            .settings
            .iter()
            .filter(|s| s.purpose == Purpose::Ends);
        match control.kind {
            Kind::Text => false,
            Kind::Selector => ends.all(|s| at_end(s.positions[lane])),
            _ => true,
        }
    }

    pub(crate) fn panel(&self) -> &Panel {
        &self.plan.panel
    }
}
