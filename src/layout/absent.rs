//! Bits that do not exist, and controls that memory does not hold.

use std::ops::RangeInclusive;

use super::bind::Names;
use super::document::Document;
use super::model::{Area, Axis, Control, HandSet, Scale};
use super::notation::DataPin;
use super::parameters::check_scale;
use super::problem::{ABSENT, HOLDS, Log, Problem};

/// Cells outside `used`, pins that are not wired, and what `[[absent]]` says.
pub(super) fn absent(
    document: &Document,
    names: &Names<'_>,
    log: &mut Log,
) -> Vec<(u16, RangeInclusive<u32>, u8)> {
    let mut out = Vec::new();
    for (i, chip) in (0u16..).zip(&document.chips) {
        let (words, width) = (chip.model.words, chip.model.width);
        let every = mask(width);
        let (low, high) = chip.used.as_ref().map_or((0, words - 1), |u| u.value);
        let high = high.min(words - 1);
        if low > 0 {
            out.push((i, 0..=(low - 1).min(words - 1), every));
        }
        if high < words - 1 {
            out.push((i, high + 1..=words - 1, every));
        }
        let mut tied = 0;
        for (line, pin) in chip.data.iter().flatten().enumerate() {
            if pin.value == DataPin::None {
                tied |= 1u8.checked_shl(line as u32).unwrap_or(0);
            }
        }
        if tied != 0 {
            out.push((i, 0..=words - 1, tied));
        }
    }
    for a in &document.absent {
        let Some(i) = names.chip(&a.chip, "absent", log) else {
            continue;
        };
        let chip = &names.chips[i].model;
        let cells = a.cells.as_ref().map_or((0, chip.words - 1), |c| c.value);
        let lines = match &a.lines {
            None => mask(chip.width),
            Some(lines) => lines
                .value
                .iter()
                .fold(0, |m, l| m | 1u8.checked_shl(*l as u32).unwrap_or(0)),
        };
        if cells.1 >= chip.words || lines & !mask(chip.width) != 0 {
            log.push(
                Problem::new(
                    &ABSENT,
                    a.at,
                    format!("absent {}", a.chip.value),
                    format!(
                        "{} has cells 0 to {} and lines 0 to {}",
                        chip.id,
                        chip.words - 1,
                        chip.width - 1
                    ),
                )
                .also(names.chips[i].at, "the chip"),
            );
            continue;
        }
        out.push((
            u16::try_from(i).unwrap_or(u16::MAX),
            cells.0..=cells.1,
            lines,
        ));
    }
    out
}

fn mask(width: u8) -> u8 {
    (0xffu16 >> (8 - width.min(8))) as u8
}

/// Hand-set controls with their axis looked up.
pub(super) fn hand_set(document: &Document, areas: &[Area], log: &mut Log) -> Vec<HandSet> {
    let mut out = Vec::with_capacity(document.hand_set.len());
    for h in &document.hand_set {
        let subject = format!("hand-set {}", h.key);
        let per = h.per.as_ref().and_then(|name| {
            let labels = match &h.labels {
                Some(labels) => Some(labels.iter().map(|l| l.value.clone()).collect()),
                None => areas
                    .iter()
                    .flat_map(|a| &a.axes)
                    .find(|x| x.name == name.value)
                    .map(|x| x.labels.clone()),
            };
            if labels.is_none() {
                log.push(
                    Problem::new(
                        &HOLDS,
                        name.at,
                        subject.clone(),
                        format!("no area has an axis {:?}", name.value),
                    )
                    .repair("give the positions with `labels = [1, 2, ...]`"),
                );
            }
            Some(Axis {
                name: name.value.clone(),
                labels: labels?,
            })
        });
        let scale = h.scale.as_ref().map_or(
            Scale::Dial {
                low: 0.0,
                high: 10.0,
            },
            |s| s.value.clone(),
        );
        let range = match (&h.range, &scale) {
            (Some(range), _) => range.value.clone(),
            (None, Scale::Steps(steps)) => {
                let numbers = || steps.iter().map(|s| s.0);
                numbers().min().unwrap_or(0)..=numbers().max().unwrap_or(0)
            }
            (None, Scale::OnOff) => 0..=1,
            (None, Scale::Table { values, .. }) => {
                0..=i64::try_from(values.len()).unwrap_or(1).max(1) - 1
            }
            // A dial is noted to a tenth of its range.
            (None, _) => 0..=100,
        };
        if let Some(s) = &h.scale {
            let all = i64::MIN..=i64::MAX;
            let range_at = h.range.as_ref().map(|r| r.at);
            check_scale(&scale, &all, &range, range_at, s.at, &subject, log);
        }
        let control = h.control.unwrap_or(match scale {
            Scale::OnOff => Control::Switch,
            Scale::Steps(_) => Control::Selector,
            _ => Control::Knob,
        });
        out.push(HandSet {
            key: h.key.clone(),
            label: h.label.clone().unwrap_or_else(|| h.key.clone()),
            group: h.group.clone(),
            per,
            control,
            scale,
            range,
            note: h.note.clone(),
        });
    }
    out
}
