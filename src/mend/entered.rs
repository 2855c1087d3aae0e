//! A plan as a person may have left it: what of it is wanted, and whether that can be done.

use std::collections::{HashMap, HashSet};

use super::damage::Damaged;
use super::gather::bits;
use super::{BitsProposal, Loss, MendError, MendPlan, Proposal, cells};
use crate::codec::{Memory, low_mask, setting};
use crate::layout::model::{BitPlace, Coding, Layout};
use crate::reading::{BY_HAND, Origin, Reading};

/// Bits to set, with where they come from.
pub(super) struct Change<'a> {
    /// The places, least significant bit first.
    pub places: Vec<BitPlace>,
    /// A bit a place, as code bits.
    pub bits: Vec<bool>,
    pub origin: Origin,
    pub by_hand: bool,
    /// What it is about, for refusals.
    pub label: Label<'a>,
}

/// The number of a proposal in its list, and its place in words.
#[derive(Clone, Copy)]
pub(super) enum Label<'a> {
    Value(usize, &'a Proposal),
    Bits(usize, &'a BitsProposal),
}

impl Label<'_> {
    /// What it is about, to tell one thing from another.
    fn what(&self) -> (String, String, String, usize) {
        match self {
            Label::Value(_, p) => (
                p.area.clone(),
                p.entry.clone(),
                p.parameter.clone(),
                p.character.unwrap_or(0),
            ),
            Label::Bits(_, b) => (
                b.chip.clone(),
                format!("{:?}", b.lines),
                b.first.to_string(),
                usize::MAX,
            ),
        }
    }

    /// What it is about, in words.
    pub(super) fn words(&self) -> String {
        match self {
            Label::Value(_, p) => match p.character {
                Some(c) => format!("{}, {}: {}, character {c}", p.area, p.entry, p.parameter),
                None => format!("{}, {}: {}", p.area, p.entry, p.parameter),
            },
            Label::Bits(_, b) => format!("bits of {} from cell {:#06x}", b.chip, b.first),
        }
    }

    pub(super) fn refused(&self, says: impl Into<String>) -> MendError {
        let (Label::Value(i, _) | Label::Bits(i, _)) = self;
        MendError::Proposal {
            number: i + 1,
            place: self.words(),
            says: says.into(),
        }
    }
}

impl Change<'_> {
    /// Refuses a value that the reading does not hold as the plan says: the proposal was moved to another place, or mistyped.
    pub(super) fn read_alike(&self, reading: &Memory) -> Result<(), MendError> {
        let Label::Value(_, p) = self.label else {
            return Ok(());
        };
        let (code, known) = reading.gather(&self.places);
        let holds = bits(code, known, self.places.len() as u8);
        let refused = |said: &str| {
            Err(self.label.refused(format!(
                "the plan has {said} there, but the reading holds {holds}, code {code}: check the entry and the parameter, or write what is read"
            )))
        };
        if !p.now.is_empty() {
            let mut pairs = p.now.chars().zip(holds.chars());
            let other = |(x, y): (char, char)| x != '?' && y != '?' && x != y;
            if p.now.len() != holds.len() || pairs.any(other) {
                return refused(&format!("now = \"{}\"", p.now));
            }
            return Ok(());
        }
        // What was added by hand says as `proposed` what is read.
        let whole = known == low_mask(self.places.len() as u8);
        if self.by_hand && whole && p.proposed != code {
            return refused(&format!("proposed = {}", p.proposed));
        }
        Ok(())
    }
}

/// Refuses a plan that is not for this reading and layout.
pub(super) fn belongs(
    layout: &Layout,
    reading: &Reading,
    plan: &MendPlan,
) -> Result<(), MendError> {
    if plan.layout != layout.id || !layout.source.is(&plan.layout_sha256) {
        return Err(MendError::OtherLayout {
            named: plan.layout.clone(),
            used: layout.id.clone(),
        });
    }
    for said in &plan.chips {
        let chip = reading.chip(&said.chip);
        if chip.is_none_or(|c| c.sha256() != said.sha256) {
            return Err(MendError::OtherReading {
                chip: said.chip.clone(),
            });
        }
    }
    let said = |id: &str| plan.chips.iter().any(|c| c.chip.eq_ignore_ascii_case(id));
    match reading.chips.iter().find(|c| !said(&c.id)) {
        Some(chip) => Err(MendError::NoDigest {
            chip: chip.id.clone(),
        }),
        None => Ok(()),
    }
}

/// The changes a plan asks for, each checked: those accepted, and what is proposed at least as probable as `at_least`. A
/// value entered by hand has to be accepted. Second, the proposals left out, as the losses they are then.
pub(super) fn changes<'a>(
    layout: &Layout,
    plan: &'a MendPlan,
    at_least: Option<f64>,
    damaged: &Damaged,
    doubted: &Damaged,
) -> Result<(Vec<Change<'a>>, Vec<Loss>), MendError> {
    let mut out: Vec<Change> = Vec::new();
    let mut left = Vec::new();
    for (i, p) in plan.proposals.iter().enumerate() {
        let label = Label::Value(i, p);
        chance(label, p.probability)?;
        let place = value_places(layout, p).map_err(|says| label.refused(says))?;
        let found = place.iter().any(|bit| damaged.has(bit));
        if !found && !place.iter().any(|bit| doubted.has(bit)) {
            return Err(label.refused(
                "nothing is damaged there, and no check over it fails; `cellkeep set` changes what is sound",
            ));
        }
        // Where only a check shows the damage, nothing was proposed.
        let by_hand = !found || p.code != p.proposed;
        if !wanted(p.accept, p.probability, at_least, by_hand) {
            left.push(Loss {
                area: p.area.clone(),
                entry: p.entry.clone(),
                parameter: match p.character {
                    Some(c) => format!("{}, character {c}", p.parameter),
                    None => p.parameter.clone(),
                },
                lost: not_accepted(&p.setting, p.probability),
            });
            continue;
        }
        checked_setting(layout, p).map_err(|says| label.refused(says))?;
        out.push(Change {
            bits: (0..place.len()).map(|k| p.code >> k & 1 == 1).collect(),
            places: place.to_vec(),
            origin: match by_hand {
                true if !found => {
                    entered("a check over it failed, and nothing was proposed".into())
                }
                true => entered(format!("code {} was proposed", p.proposed)),
                false => mended(plan, p.probability, &p.evidence),
            },
            by_hand,
            label,
        });
    }
    for (i, b) in plan.bits.iter().enumerate() {
        let label = Label::Bits(i, b);
        chance(label, b.probability)?;
        let by_hand = b.value != b.proposed;
        let (places, bits) = bits_places(layout, b, damaged).map_err(|says| label.refused(says))?;
        if !wanted(b.accept, b.probability, at_least, by_hand) {
            left.push(Loss {
                area: String::new(),
                entry: format!("chip {}", b.chip),
                parameter: cells(b.first, b.last),
                lost: not_accepted(&b.value, b.probability),
            });
            continue;
        }
        out.push(Change {
            places,
            bits,
            origin: match by_hand {
                true => entered(format!("{} was proposed", b.proposed)),
                false => mended(plan, b.probability, &b.evidence),
            },
            by_hand,
            label,
        });
    }
    refuse_twice(layout, &out)?;
    Ok((out, left))
}

fn wanted(accept: bool, probability: f64, at_least: Option<f64>, by_hand: bool) -> bool {
    accept || !by_hand && at_least.is_some_and(|least| probability >= least)
}

fn not_accepted(proposed: &str, probability: f64) -> String {
    format!(
        "{proposed} was proposed, {:.2} % sure, and not accepted",
        100.0 * probability
    )
}

fn entered(what: String) -> Origin {
    Origin {
        verb: BY_HAND.to_owned(),
        why: format!("entered by hand in the plan; {what}"),
        from: None,
    }
}

fn mended(plan: &MendPlan, probability: f64, evidence: &[String]) -> Origin {
    Origin {
        verb: "mended".to_owned(),
        why: format!("{:.2} % sure: {}", 100.0 * probability, evidence.join("; ")),
        from: plan.earlier.clone(),
    }
}

fn chance(label: Label, probability: f64) -> Result<(), MendError> {
    match (0.0..=1.0).contains(&probability) {
        true => Ok(()),
        false => Err(label.refused(format!(
            "its probability {probability} is none: it lies between 0 and 1"
        ))),
    }
}

/// The places of a proposal's code, least significant bit first.
fn value_places<'a>(layout: &'a Layout, p: &Proposal) -> Result<&'a [BitPlace], String> {
    let area = layout.area(&p.area).ok_or("the layout has no such area")?;
    let entry = (0..area.entries())
        .find(|e| area.entry_label(*e) == p.entry)
        .ok_or("the area has no such entry")?;
    let parameter = area
        .parameter(&p.parameter)
        .ok_or("the area has no such parameter")?;
    let parameter = &area.parameters[parameter];
    let count = parameter.fields.len();
    let field = match p.character {
        None if count > 1 => {
            return Err(format!(
                "it is a text of {count} characters, and the plan does not say which one: its line `character` is gone"
            ));
        }
        None => parameter.fields.start,
        Some(c) if (1..=count).contains(&c) && count > 1 => parameter.fields.start + c - 1,
        Some(_) => return Err("the text has no such character".to_owned()),
    };
    let width = area.fields[field].width;
    if p.code & !low_mask(width) != 0 {
        return Err(format!("code {} has more than {width} bits", p.code));
    }
    Ok(area.field_places(entry, field))
}

/// Refuses a code entered by hand that cannot be set, and a setting that was edited where the code counts.
fn checked_setting(layout: &Layout, p: &Proposal) -> Result<(), String> {
    let Some((area, parameter)) = layout.area(&p.area).and_then(|area| {
        let at = area.parameter(&p.parameter)?;
        Some((area, &area.parameters[at]))
    }) else {
        return Ok(()); // told by `value_places`
    };
    let width = area.fields[parameter.fields.start].width;
    let shows = |code| setting::show(parameter, width, code);
    if p.code != p.proposed && !setting::legal(parameter, width, p.code) {
        return Err(format!("it cannot be set to that: {}", shows(p.code)));
    }
    if p.setting.is_empty() || p.setting == shows(p.proposed) || p.setting == shows(p.code) {
        return Ok(());
    }
    let text = matches!(parameter.coding, Coding::Text(_));
    let meant = match setting::parse(parameter, width, &p.setting) {
        Ok(code) if !text => format!("write code = {code} for it"),
        _ => "write the code for it".to_owned(),
    };
    Err(format!(
        "its setting was changed to {}, but the code counts, and {} stands for {}; {meant}",
        p.setting,
        p.code,
        shows(p.code)
    ))
}

/// The places of bits outside of parameters, with their contents.
fn bits_places(
    layout: &Layout,
    b: &BitsProposal,
    damaged: &Damaged,
) -> Result<(Vec<BitPlace>, Vec<bool>), String> {
    let chip = layout.chip(&b.chip).ok_or("the layout has no such chip")?;
    let (words, width) = (layout.chips[chip].words, layout.chips[chip].width);
    if b.first > b.last || b.last >= words || b.lines.iter().any(|l| *l >= width) {
        return Err("the chip has no such cells or lines".to_owned());
    }
    let cells: Option<Vec<u8>> = b
        .value
        .split_whitespace()
        .map(|v| u8::from_str_radix(v, 16).ok())
        .collect();
    let count = (b.last - b.first) as usize + 1;
    let cells = cells.filter(|c| c.len() == count).ok_or_else(|| {
        format!("its value is to be {count} cells of two hexadecimal digits, with a space between")
    })?;
    let mask = b.lines.iter().fold(0, |m, l| m | 1u8 << l);
    if cells.iter().any(|v| v & !mask != 0) {
        return Err("its value has bits on other data lines".to_owned());
    }
    let (mut places, mut bits) = (Vec::new(), Vec::new());
    for (cell, value) in (b.first..=b.last).zip(cells) {
        for &line in &b.lines {
            let place = BitPlace {
                chip: chip as u16,
                cell,
                line,
                inverted: false,
            };
            if !damaged.has(&place) {
                return Err(format!("D{line} of cell {cell:#06x} is not damaged"));
            }
            places.push(place);
            bits.push(value >> line & 1 == 1);
        }
    }
    Ok((places, bits))
}

/// Refuses one thing twice, and two changes of one bit that do not agree. Parameters may share bits.
fn refuse_twice(layout: &Layout, changes: &[Change]) -> Result<(), MendError> {
    let mut set = HashMap::new();
    let mut whole = HashSet::new();
    for change in changes {
        if !whole.insert(change.label.what()) {
            return Err(change.label.refused("it stands twice in the plan"));
        }
        for (place, bit) in change.places.iter().zip(&change.bits) {
            let bit = *bit != place.inverted;
            if *set
                .entry((place.chip, place.cell, place.line))
                .or_insert(bit)
                != bit
            {
                let chip = &layout.chips[usize::from(place.chip)].id;
                return Err(change.label.refused(format!(
                    "another proposal sets its bit D{} of {chip} cell {:#06x} otherwise",
                    place.line, place.cell
                )));
            }
        }
    }
    Ok(())
}
