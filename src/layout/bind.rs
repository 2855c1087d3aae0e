//! Looks up what drives each chip's pins, for one area or one copy of it.

use super::document::Chip;
use super::document::{Area, Axis};
use super::fields::{Placed, nearest};
use super::problem::{HOLDS, IN_OUT, Log, NAME, PIN_COUNT, PIN_REPEAT, Problem, SIGNAL, WORD};
use super::wiring::{self, Bound, WiredChip, Words};

/// Everything the areas of a layout share while they are resolved.
pub(super) struct Names<'d> {
    pub(super) chips: &'d [Chip],
    /// Which of them have pins that make no sense.
    pub(super) broken: Vec<bool>,
    /// Every axis of every area: a counter an area does not have rests at 0, but a misspelt one is an error.
    pub(super) axes: Vec<&'d str>,
    pub(super) areas: Vec<&'d str>,
}

/// Number of address pins of a chip.
pub(super) fn address_pins(words: u32) -> u32 {
    32 - (words.max(1) - 1).leading_zeros()
}

impl Names<'_> {
    /// Index of a chip; the problem says which are there.
    pub(super) fn chip(
        &self,
        name: &Placed<String>,
        subject: &str,
        log: &mut Log,
    ) -> Option<usize> {
        let found = self.chips.iter().position(|c| c.model.id == name.value);
        if found.is_none() {
            let ids = self.chips.iter().map(|c| c.model.id.as_str());
            let mut problem = Problem::new(
                &super::problem::BAD_VALUE,
                name.at,
                subject,
                format!("no chip is named {:?}", name.value),
            );
            problem.repair = nearest(&name.value, ids).map(|id| format!("did you mean {id:?}?"));
            log.push(problem);
        }
        found
    }

    /// True where any of these chips has pins that make no sense.
    pub(super) fn any_broken(&self, chips: &[usize]) -> bool {
        chips.iter().any(|&i| self.broken.get(i) == Some(&true))
    }

    /// The chips an area lives in: those it names, or all that no copy of it claims and that do not hold
    /// other areas only.
    pub(super) fn chips_of(&self, area: &Area, log: &mut Log) -> Vec<usize> {
        let subject = format!("area {}", area.name.value);
        let holds_it = |chip: &Chip| {
            chip.holds
                .iter()
                .filter(|(axis, _)| axis.value == "area")
                .all(|(_, names)| names.iter().any(|n| n.value == area.name.value))
        };
        match &area.chips {
            Some(names) => {
                let mut out = Vec::with_capacity(names.len());
                for name in names {
                    let Some(i) = self.chip(name, &subject, log) else {
                        continue;
                    };
                    if !holds_it(&self.chips[i]) {
                        log.push(
                            Problem::new(
                                &HOLDS,
                                name.at,
                                subject.clone(),
                                format!("{} is said to hold other areas", name.value),
                            )
                            .also(self.chips[i].at, "its `holds` does not list this area"),
                        );
                    }
                    if !out.contains(&i) {
                        out.push(i);
                    }
                }
                out
            }
            None => {
                let copied = |id: &str| {
                    area.copies
                        .iter()
                        .filter_map(|c| c.chips.as_ref())
                        .flatten()
                        .any(|name| name.value == id)
                };
                (0..self.chips.len())
                    .filter(|&i| holds_it(&self.chips[i]) && !copied(&self.chips[i].model.id))
                    .collect()
            }
        }
    }

    /// How words lie on the bus of these chips.
    pub(super) fn words(&self, area: &Area, chips: &[usize], log: &mut Log) -> Words {
        let carried = chips.iter().map(|&i| lines_carried(&self.chips[i])).max();
        let lines = area
            .lines
            .as_ref()
            // Without chips nothing is known of the bus, and no bit can be said to be outside it.
            .map_or(carried.unwrap_or(64).clamp(1, 64), |l| l.value);
        let word = area.word.as_ref().map_or(lines, |w| w.value);
        let steps = word.div_ceil(lines);
        let needed = area.start.saturating_add(steps);
        let period = area.period.as_ref().map_or(needed, |p| p.value);
        if let Some(given) = area.period.as_ref().filter(|_| period < needed) {
            let mut problem = Problem::new(
                &WORD,
                given.at,
                format!("area {}", area.name.value),
                format!("a slot takes {needed} steps: the word of {word} bits on {lines} lines, from step {} on", area.start),
            )
            .repair("raise `period`, or correct `word`, `lines` or `start`");
            if let Some(word) = &area.word {
                problem = problem.also(word.at, "the word");
            }
            log.push(problem);
        }
        if let Some(axis) = area.axes.iter().find(|x| x.name == "step" && needed > 1) {
            log.push(
                Problem::new(
                    &NAME,
                    axis.at,
                    format!("area {}", area.name.value),
                    format!("an axis cannot be called step where a slot's word takes {needed} steps"),
                )
                .repair("call the axis something else, so that step.0, step.1, ... mean the steps of the word"),
            );
        }
        Words {
            lines,
            word,
            lsb_first: area.lsb_first,
            start: area.start,
            period,
        }
    }

    /// The chips with their pins bound to an area's counters.
    pub(super) fn bind(
        &self,
        area: &Area,
        chips: &[usize],
        words: &Words,
        log: &mut Log,
    ) -> Vec<WiredChip> {
        chips
            .iter()
            .filter_map(|&i| self.bind_chip(area, i, words, log))
            .collect()
    }

    fn bind_chip(
        &self,
        area: &Area,
        index: usize,
        words: &Words,
        log: &mut Log,
    ) -> Option<WiredChip> {
        let chip = &self.chips[index];
        let counter = |name: &str| -> Option<Option<usize>> {
            // An axis may be called step where a word takes one: the counter of that name then rests.
            if let Some(axis) = area.axes.iter().position(|x| x.name == name) {
                return Some(Some(3 + axis));
            }
            match name {
                "a" => Some(Some(0)),
                "step" => Some(Some(1)),
                "slot" => Some(Some(2)),
                _ => self.axes.contains(&name).then_some(None),
            }
        };
        let bind = |signals: &[Placed<super::notation::Signal>]| -> Option<Vec<Bound>> {
            let mut out = Vec::with_capacity(signals.len());
            for s in signals {
                // Misspelt names are reported once for the chip, by `check_chip`.
                out.push(Bound::new(&s.value, counter).ok()?);
            }
            Some(out)
        };
        let address = match &chip.address {
            Some(signals) => bind(signals)?,
            None => {
                let plain: Vec<_> = (0..address_pins(chip.model.words))
                    .filter_map(|i| {
                        let signal = super::notation::Signal {
                            invert: false,
                            terms: vec![("a".to_owned(), u8::try_from(i).ok()?)],
                        };
                        Some(Placed::new(signal, chip.at))
                    })
                    .collect();
                bind(&plain)?
            }
        };
        let enable = bind(&chip.enable)?;
        let pins = wiring::pins(chip.data.as_deref(), chip.model.width, words.lines).ok()?;
        let mut counters = Vec::with_capacity(area.axes.len());
        for axis in &area.axes {
            let here = chip
                .holds
                .iter()
                .find(|(name, _)| name.value == axis.name)
                .map(|(_, labels)| held(axis, labels, chip, log));
            counters.push(wiring::counters(axis, here.as_deref()));
        }
        let cells = chip
            .used
            .as_ref()
            .map_or((0, chip.model.words - 1), |u| u.value);
        Some(WiredChip::new(
            u16::try_from(index).ok()?,
            address,
            enable,
            pins,
            counters,
            cells,
        ))
    }

    /// What can be said about a chip's pins without any area.
    pub(super) fn check_chip(&self, chip: &Chip, log: &mut Log) {
        let subject = format!("chip {}", chip.model.id);
        let needed = address_pins(chip.model.words) as usize;
        if let Some(address) = &chip.address
            && address.len() != needed
        {
            log.push(
                Problem::new(
                    &PIN_COUNT,
                    chip.address_at,
                    subject.clone(),
                    format!(
                        "{} address pins are described, and {} words need {needed}",
                        address.len(),
                        chip.model.words
                    ),
                )
                .repair("list what drives A0, A1, ... in order; 0 or 1 for a pin tied to a level"),
            );
        }
        for signal in chip.address.iter().flatten().chain(&chip.enable) {
            for (name, _) in &signal.value.terms {
                let known = matches!(name.as_str(), "a" | "step" | "slot")
                    || self.axes.contains(&name.as_str());
                if known {
                    continue;
                }
                let names = ["a", "step", "slot"]
                    .into_iter()
                    .chain(self.axes.iter().copied());
                let repair = match nearest(name, names) {
                    Some(near) => format!("did you mean {near:?}?"),
                    None => "counters are a, step, slot and the axes of the areas".to_owned(),
                };
                log.push(
                    Problem::new(
                        &SIGNAL,
                        signal.at,
                        subject.clone(),
                        format!("no counter is named {name:?}"),
                    )
                    .repair(repair),
                );
            }
        }
        if let Err((line, pin)) = wiring::pins(chip.data.as_deref(), chip.model.width, 64) {
            let at = chip
                .data
                .as_ref()
                .and_then(|d| d.get(pin))
                .map_or(chip.data_at, |p| p.at);
            log.push(
                Problem::new(
                    &PIN_REPEAT,
                    at,
                    subject.clone(),
                    format!("two data pins carry q.{line}; this one is D{pin}"),
                )
                .repair("every data pin carries its own line of the bus"),
            );
        }
        if let (Some(heard), Some(written)) = (&chip.data, &chip.data_in)
            && let Some((pin, (_, w))) = (0..)
                .zip(heard.iter().zip(written))
                .find(|(_, (h, w))| h.value != w.value)
        {
            log.push(
                    Problem::new(&IN_OUT, w.at, subject.clone(), format!("D{pin} is written from another line than it is read to"))
                        .also(heard[pin].at, "read to this line")
                        .repair("look at the schematic again; where it is so, the lines that are read decide, and this can be waived"),
                );
        }
        for (axis, labels) in &chip.holds {
            let known = axis.value == "area" || self.axes.contains(&axis.value.as_str());
            if !known {
                log.push(
                    Problem::new(
                        &HOLDS,
                        axis.at,
                        subject.clone(),
                        format!("no area has an axis {:?}", axis.value),
                    )
                    .repair(
                        match nearest(&axis.value, self.axes.iter().copied()) {
                            Some(near) => format!("did you mean {near:?}?"),
                            None => "`holds` names axes of the areas, or `area`".to_owned(),
                        },
                    ),
                );
            }
            if axis.value == "area" {
                for name in labels
                    .iter()
                    .filter(|n| !self.areas.contains(&n.value.as_str()))
                {
                    log.push(Problem::new(
                        &HOLDS,
                        name.at,
                        subject.clone(),
                        format!("no area is named {:?}", name.value),
                    ));
                }
            }
        }
    }
}

/// Lines of the bus that a chip's data pins reach.
fn lines_carried(chip: &Chip) -> u32 {
    match &chip.data {
        None => u32::from(chip.model.width),
        Some(data) => data
            .iter()
            .filter_map(|p| match p.value {
                super::notation::DataPin::Line { line, .. } => Some(line + 1),
                super::notation::DataPin::None => None,
            })
            .max()
            .unwrap_or(1),
    }
}

/// Positions of an axis that a chip holds, in the order of its counter.
fn held(axis: &Axis, labels: &[Placed<String>], chip: &Chip, log: &mut Log) -> Vec<usize> {
    let subject = format!("chip {}", chip.model.id);
    if let Some(order) = &axis.order {
        log.push(
            Problem::new(
                &HOLDS,
                order.at,
                subject.clone(),
                format!(
                    "the axis {} has an `order` and is also split over chips",
                    axis.name
                ),
            )
            .also(chip.at, "this chip holds a part of it")
            .repair(
                "drop `order`, and list in `holds` the labels in the order of each chip's counter",
            ),
        );
    }
    let index: std::collections::HashMap<&str, usize> = axis
        .labels
        .iter()
        .enumerate()
        .map(|(i, l)| (l.as_str(), i))
        .collect();
    let mut out: Vec<usize> = Vec::with_capacity(labels.len());
    let mut seen = std::collections::HashSet::new();
    for label in labels {
        match index.get(label.value.as_str()) {
            Some(&i) if seen.insert(i) => out.push(i),
            Some(_) => log.push(Problem::new(
                &HOLDS,
                label.at,
                subject.clone(),
                format!("{} {} is listed twice", axis.name, label.value),
            )),
            None => log.push(
                Problem::new(
                    &HOLDS,
                    label.at,
                    subject.clone(),
                    format!(
                        "the axis {} has no position labelled {:?}",
                        axis.name, label.value
                    ),
                )
                .also(axis.at, "the axis"),
            ),
        }
    }
    out
}
