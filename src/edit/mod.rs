//! Editing a reading by its labels: set, copy, swap, blank.
//!
//! An [`Editor`] works on codes; [`Editor::finish`] encodes them onto the reading they came from, brings checks and
//! copies in line by their policy, and gives a new reading with a record of every bit it changed and why. The
//! reading that was edited is not touched.

mod record;
mod select;
mod unvouched;

pub use record::{EditRecord, Edited, EditedParameter, EditedWord};
pub use select::Selector;

use std::collections::{BTreeSet, HashMap};

use crate::bank::Decoded;
use crate::blame::{Blame, Who};
use crate::codec::setting::{self, SettingError};
use crate::codec::{Codec, CodecError, Codes, coding};
use crate::layout::model::{Area, Coding, Layout, Parameter, Scale};
use crate::reading::Origin;

/// An edit that cannot be made.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum EditError {
    /// No area of that name.
    #[error("the layout has no area {name:?}; it has {}", .areas.join(", "))]
    NoArea {
        /// The name asked for.
        name: String,
        /// The names there are.
        areas: Vec<String>,
    },
    /// No area has the axes that were named.
    #[error("no area repeats over {}; the areas are {}", .axes.join(" and "), .areas.join("; "))]
    NoAxis {
        /// The axes asked for.
        axes: Vec<String>,
        /// Each area with its axes.
        areas: Vec<String>,
    },
    /// The axis has no such label.
    #[error("{axis} has no {label:?}; it runs from {first} to {last}")]
    NoLabel {
        /// The axis.
        axis: String,
        /// The label asked for.
        label: String,
        /// The first label.
        first: String,
        /// The last label.
        last: String,
    },
    /// Something that does not read as a place.
    #[error("{text:?} is no place; write for example preset=12 or preset=12,voice=3")]
    NoPlace {
        /// What was written.
        text: String,
    },
    /// An axis is named twice in one place.
    #[error("{axis} is named twice; a place has it once, as a label or as first-last")]
    AxisTwice {
        /// The axis.
        axis: String,
    },
    /// No parameter of that key.
    #[error("no parameter {key:?} there{}", near.as_ref().map(|n| format!("; did you mean {n}?")).unwrap_or_default())]
    NoParameter {
        /// The key asked for.
        key: String,
        /// The closest key there is.
        near: Option<String>,
    },
    /// Several areas have it.
    #[error("{key} is in several areas: {}", .areas.join(", "))]
    SeveralAreas {
        /// The key asked for.
        key: String,
        /// The areas.
        areas: Vec<String>,
    },
    /// The setting is none of the parameter's.
    #[error(transparent)]
    Setting(#[from] SettingError),
    /// The parameter has no meaning in that entry.
    #[error("{key} has no meaning in {entry}: {selector} is {position}")]
    DoesNotApply {
        /// The parameter's key.
        key: String,
        /// The entry.
        entry: String,
        /// The selecting parameter.
        selector: String,
        /// Where it stands.
        position: String,
    },
    /// From and to do not match in number.
    #[error("{from} entries cannot be copied onto {to}")]
    Count {
        /// Entries to copy from.
        from: usize,
        /// Entries to copy to.
        to: usize,
    },
    /// Two places to be exchanged have an entry in common.
    #[error("{entry} is in both places, and cannot go to two others at once")]
    Overlap {
        /// The entry.
        entry: String,
    },
    /// A value of the source that the target cannot hold.
    #[error("{entry}: {key} is {value} in the source, and the target cannot hold that")]
    CannotHold {
        /// The target entry.
        entry: String,
        /// The parameter.
        key: String,
        /// The source's setting.
        value: String,
    },
    /// A value that is not known whole.
    #[error(
        "{entry}: {key} is not known in the source; mend it first, or copy the parameters that are"
    )]
    Unknown {
        /// The source entry.
        entry: String,
        /// The parameter.
        key: String,
    },
    /// The codec refused.
    #[error(transparent)]
    Codec(#[from] CodecError),
}

impl Blame for EditError {
    fn who(&self) -> Who {
        Who::Caller
    }

    fn hint(&self) -> Option<String> {
        Some(match self {
            EditError::Setting(e) => return e.hint(),
            EditError::SeveralAreas { .. } => "name one with --area".into(),
            EditError::DoesNotApply { selector, .. } => format!("set {selector} first"),
            EditError::AxisTwice { .. } => {
                "write a range such as preset=1-2, or give the command once for each".into()
            }
            EditError::Overlap { .. } => "name two places that have nothing in common".into(),
            EditError::NoParameter { .. } => "`cellkeep layout map` lists the parameters".into(),
            EditError::Count { .. } => {
                "name as many places to copy from as to copy to, or just one".into()
            }
            _ => return None,
        })
    }
}

/// A reading being edited.
#[derive(Debug)]
pub struct Editor<'d, 'a> {
    decoded: &'d Decoded<'a>,
    codes: Codes,
    /// What the edits left out, for the record.
    remarks: Vec<String>,
}

impl<'d, 'a> Editor<'d, 'a> {
    /// Begins to edit a decoded reading.
    pub fn new(decoded: &'d Decoded<'a>) -> Self {
        Self {
            decoded,
            codes: decoded.codes.clone(),
            remarks: Vec::new(),
        }
    }

    /// Sets a parameter in every selected entry, by setting or by `#code`. Returns how many values changed.
    ///
    /// # Errors
    /// When the place, the key or the setting does not exist; nothing has been set then.
    pub fn set(&mut self, at: &Selector, key: &str, text: &str) -> Result<usize, EditError> {
        let layout = self.decoded.layout;
        let places = at.resolve(layout)?;
        let with_key: Vec<&(usize, Vec<usize>)> = places
            .iter()
            .filter(|(a, _)| layout.areas[*a].parameter(key).is_some())
            .collect();
        let (a, entries) = match with_key.as_slice() {
            [one] => (one.0, &one.1),
            [] => {
                let keys = places
                    .iter()
                    .flat_map(|(a, _)| &layout.areas[*a].parameters);
                return Err(EditError::NoParameter {
                    key: key.to_owned(),
                    near: nearest_key(key, keys),
                });
            }
            several => {
                return Err(EditError::SeveralAreas {
                    key: key.to_owned(),
                    areas: several
                        .iter()
                        .map(|(a, _)| layout.areas[*a].name.clone())
                        .collect(),
                });
            }
        };
        let area = &layout.areas[a];
        let Some(p) = area.parameter(key) else {
            return Ok(0);
        };
        let parameter = &area.parameters[p];
        let codes = parse(area, parameter, text)?;
        for &entry in entries {
            self.must_apply(a, entry, p)?;
        }
        let mut changed = 0;
        for &entry in entries {
            changed += usize::from(self.write(a, entry, parameter, &codes));
        }
        Ok(changed)
    }

    /// Copies entries, from a donor or within the reading. One source entry, or one preset with all its voices, may go to
    /// many places; else the numbers must match. Parameters are matched by key, so the donor's layout need only be related: what the
    /// target lacks is noted in the record. Returns how many values changed.
    ///
    /// # Errors
    /// When a place does not exist, the numbers do not match, or the target cannot hold a value.
    pub fn copy(
        &mut self,
        from: &Selector,
        to: &Selector,
        donor: Option<&Decoded<'_>>,
    ) -> Result<usize, EditError> {
        let source = self.source(donor);
        let sources = from.resolve(source.0)?;
        let targets = to.resolve(self.decoded.layout)?;
        let mut writes = Vec::new();
        let mut matched = false;
        for (sa, s_entries) in &sources {
            let s_area = &source.0.areas[*sa];
            let Some((ta, t_entries)) = targets
                .iter()
                .find(|(ta, _)| self.decoded.layout.areas[*ta].name == s_area.name)
            else {
                continue;
            };
            matched = true;
            let t_area = &self.decoded.layout.areas[*ta];
            let pairs =
                paired((s_area, s_entries), (t_area, t_entries)).ok_or(EditError::Count {
                    from: s_entries.len(),
                    to: t_entries.len(),
                })?;
            for (s, t) in pairs {
                self.plan_copy(&source, (*sa, s), (*ta, t), &mut writes)?;
            }
        }
        if !matched {
            let areas = source.0.areas.iter().map(|a| a.name.clone()).collect();
            return Err(EditError::NoArea {
                name: from.to_string(),
                areas,
            });
        }
        Ok(self.write_all(&writes))
    }

    /// Exchanges the contents of two places. Returns how many values changed.
    ///
    /// # Errors
    /// As [`Editor::copy`], and when the places have an entry in common.
    pub fn swap(&mut self, one: &Selector, other: &Selector) -> Result<usize, EditError> {
        let layout = self.decoded.layout;
        let (ones, others) = (one.resolve(layout)?, other.resolve(layout)?);
        let source = self.source(None);
        let mut writes = Vec::new();
        for ((a, from), (b, to)) in ones.iter().zip(&others) {
            if a != b || from.len() != to.len() {
                return Err(EditError::Count {
                    from: from.len(),
                    to: to.len(),
                });
            }
            // What stands in both would have to go to two places, and one would be lost.
            if let Some(&both) = from.iter().find(|e| to.contains(e)) {
                return Err(EditError::Overlap {
                    entry: layout.areas[*a].entry_label(both),
                });
            }
            for (&x, &y) in from.iter().zip(to) {
                self.plan_copy(&source, (*a, x), (*a, y), &mut writes)?;
                self.plan_copy(&source, (*a, y), (*a, x), &mut writes)?;
            }
        }
        Ok(self.write_all(&writes))
    }

    /// Empties entries: each parameter gets the layout's blank code, or else its lowest legal setting (a text its blanks);
    /// of those that share bits, the one that means something in an emptied entry. Returns how many values changed.
    ///
    /// # Errors
    /// When a place does not exist.
    pub fn blank(&mut self, at: &Selector) -> Result<usize, EditError> {
        let mut changed = 0;
        for (a, entries) in at.resolve(self.decoded.layout)? {
            let area = &self.decoded.layout.areas[a];
            let emptied = setting::emptied(area);
            for entry in entries {
                for parameter in area.parameters.iter().filter(|p| p.alias_of.is_none()) {
                    let codes: Option<Vec<u64>> =
                        emptied[parameter.fields.clone()].iter().copied().collect();
                    // What means nothing in an emptied entry has no say in bits it shares with what does.
                    if let Some(codes) = codes {
                        changed += usize::from(self.write(a, entry, parameter, &codes));
                    }
                }
            }
        }
        Ok(changed)
    }

    /// Replaces all codes, such as those of an edited bank.
    pub fn replace_codes(&mut self, codes: Codes) {
        self.codes = codes;
    }

    /// Encodes the edits onto the reading: a new reading, and the record of every bit changed.
    ///
    /// `verb` and `why` go into the provenance of each changed bit, `from` says where values came from.
    ///
    /// # Errors
    /// When the codec refuses, which edits made here cannot cause.
    pub fn finish(self, verb: &str, why: &str, from: Option<&str>) -> Result<Edited, EditError> {
        let mut memory = self.decoded.memory.clone();
        Codec::new(self.decoded.layout).encode(&self.codes, &mut memory)?;
        let origin = Origin {
            verb: verb.to_owned(),
            why: why.to_owned(),
            from: from.map(str::to_owned),
        };
        Ok(record::finish(self.decoded, memory, &origin, self.remarks))
    }

    fn must_apply(&self, a: usize, entry: usize, p: usize) -> Result<(), EditError> {
        let area = &self.decoded.layout.areas[a];
        if crate::bank::applies(area, &self.codes, a, entry, p) {
            return Ok(());
        }
        let parameter = &area.parameters[p];
        let selector = parameter.when.as_ref().map_or(p, |w| w.parameter);
        Err(EditError::DoesNotApply {
            key: parameter.key.clone(),
            entry: area.entry_label(entry),
            selector: area.parameters[selector].key.clone(),
            position: crate::bank::shown(area, &self.codes, a, entry, selector),
        })
    }

    /// Where values come from: a donor, or the reading as edited so far.
    fn source<'s>(&self, donor: Option<&'s Decoded<'_>>) -> Source<'s>
    where
        'a: 's,
    {
        match donor {
            Some(donor) => Source(donor.layout, donor.codes.clone()),
            None => Source(self.decoded.layout, self.codes.clone()),
        }
    }

    fn plan_copy(
        &mut self,
        source: &Source<'_>,
        (sa, s): (usize, usize),
        (ta, t): (usize, usize),
        writes: &mut Vec<(usize, usize, usize, Vec<u64>)>,
    ) -> Result<(), EditError> {
        let s_area = &source.0.areas[sa];
        let t_area = &self.decoded.layout.areas[ta];
        // In the same layout everything goes along, also what has no meaning at the selector's position: the
        // instrument's own copy would take it too.
        let alike = source.0.source.sha256 == self.decoded.layout.source.sha256;
        for (sp, parameter) in s_area.parameters.iter().enumerate() {
            if parameter.alias_of.is_some()
                || !alike && !crate::bank::applies(s_area, &source.1, sa, s, sp)
            {
                continue;
            }
            let Some(tp) = t_area.parameter(&parameter.key) else {
                let remark = format!(
                    "{} of {} has no counterpart here and was left out",
                    parameter.key, source.0.id
                );
                if !self.remarks.contains(&remark) {
                    self.remarks.push(remark);
                }
                continue;
            };
            let target = &t_area.parameters[tp];
            let mut codes = Vec::new();
            for field in parameter.fields.clone() {
                codes.push(source.1.areas[sa].code(s, field).ok_or_else(|| {
                    EditError::Unknown {
                        entry: s_area.entry_label(s),
                        key: parameter.key.clone(),
                    }
                })?);
            }
            let fitted = fit(s_area, parameter, t_area, target, &codes).ok_or_else(|| {
                EditError::CannotHold {
                    entry: t_area.entry_label(t),
                    key: parameter.key.clone(),
                    value: crate::bank::shown_codes(s_area, parameter, &codes),
                }
            })?;
            writes.push((ta, t, tp, fitted));
        }
        Ok(())
    }

    fn write_all(&mut self, writes: &[(usize, usize, usize, Vec<u64>)]) -> usize {
        let mut changed = 0;
        for (a, entry, p, codes) in writes {
            let parameter = &self.decoded.layout.areas[*a].parameters[*p];
            changed += usize::from(self.write(*a, *entry, parameter, codes));
        }
        changed
    }

    /// Writes a parameter's codes; true where one differs from what was there.
    fn write(&mut self, a: usize, entry: usize, parameter: &Parameter, codes: &[u64]) -> bool {
        let mut changed = false;
        for (field, &code) in parameter.fields.clone().zip(codes) {
            changed |= self.codes.areas[a].code(entry, field) != Some(code);
            self.codes.areas[a].set(entry, field, code);
        }
        changed
    }
}

/// Which entry goes to which: one to all, one each in their order, or axis by axis, where one position of an axis goes to
/// all that are named and as many go to as many. `None` where nothing of this can be.
fn paired(from: (&Area, &[usize]), to: (&Area, &[usize])) -> Option<Vec<(usize, usize)>> {
    let ((s_area, s_entries), (t_area, t_entries)) = (from, to);
    if s_entries.is_empty() {
        return None;
    }
    if s_entries.len() == 1 || s_entries.len() == t_entries.len() {
        let pairs = s_entries.iter().copied().cycle();
        return Some(pairs.zip(t_entries.iter().copied()).collect());
    }
    let positions = |area: &Area, entries: &[usize], axis: usize| -> Vec<usize> {
        let all: BTreeSet<usize> = entries.iter().map(|&e| area.indices(e)[axis]).collect();
        all.into_iter().collect()
    };
    // For each axis of the source, the target's axis of that name, and where each of its positions comes from.
    let mut axes = Vec::new();
    for (x, axis) in s_area.axes.iter().enumerate() {
        let y = t_area.axes.iter().position(|t| t.name == axis.name)?;
        let (s, t) = (
            positions(s_area, s_entries, x),
            positions(t_area, t_entries, y),
        );
        if s.len() != 1 && s.len() != t.len() {
            return None;
        }
        axes.push((y, s, t));
    }
    let by_indices: HashMap<Vec<usize>, usize> =
        s_entries.iter().map(|&e| (s_area.indices(e), e)).collect();
    let pair = |&t: &usize| {
        let indices = t_area.indices(t);
        let source: Vec<usize> = axes
            .iter()
            .map(|(y, s, t)| match s.as_slice() {
                [one] => Some(*one),
                several => several.get(t.binary_search(&indices[*y]).ok()?).copied(),
            })
            .collect::<Option<_>>()?;
        Some((*by_indices.get(&source)?, t))
    };
    t_entries.iter().map(pair).collect()
}

/// A layout with codes of it.
struct Source<'s>(&'s Layout, Codes);

fn parse(area: &Area, p: &Parameter, text: &str) -> Result<Vec<u64>, EditError> {
    Ok(match &p.coding {
        Coding::Text(set) => {
            let width = area.fields[p.fields.start].width;
            setting::parse_text(&p.key, set, width, p.fields.len(), text)?
        }
        _ => vec![setting::parse(p, area.fields[p.fields.start].width, text)?],
    })
}

/// The target's codes for a source's: the same codes where they mean the same, by number where numbers do, and otherwise
/// by what a person reads, where both scales tell it in the same way.
fn fit(
    s_area: &Area,
    s: &Parameter,
    t_area: &Area,
    t: &Parameter,
    codes: &[u64],
) -> Option<Vec<u64>> {
    let width = |area: &Area, p: &Parameter| area.fields[p.fields.start].width;
    let (sw, tw) = (width(s_area, s), width(t_area, t));
    let text = matches!(s.coding, Coding::Text(_));
    // Quantities spread over the range, so that a number means the same only within the same range.
    let spread = !matches!(
        s.scale,
        Scale::Number | Scale::Steps(_) | Scale::OnOff | Scale::Note { .. }
    );
    let numbers_alike = s.scale == t.scale && (!spread || s.range == t.range);
    let coded_alike = s.fields.len() == t.fields.len() && sw == tw && s.coding == t.coding;
    if coded_alike && (text || numbers_alike && s.range == t.range) {
        return Some(codes.to_vec());
    }
    match (&s.coding, &t.coding) {
        (Coding::Text(from), Coding::Text(to)) => {
            let text = setting::show_text(from, codes);
            setting::parse_text(&t.key, to, tw, t.fields.len(), text.trim_end()).ok()
        }
        (Coding::Text(_), _) | (_, Coding::Text(_)) => None,
        (from, to) => {
            let code = *codes.first()?;
            let number = coding::number(from, sw, code)?;
            let found = match numbers_alike {
                true => Some(number)
                    .filter(|n| t.range.contains(n))
                    .and_then(|n| coding::code_of(to, tw, n))?,
                false if told_alike(&s.scale, &t.scale) && setting::legal(s, sw, code) => {
                    setting::parse(t, tw, &setting::show(s, sw, code)).ok()?
                }
                false => return None,
            };
            Some(vec![found])
        }
    }
}

/// Whether a reading on one scale says the same on the other: both name positions or notes, or have one unit.
fn told_alike(s: &Scale, t: &Scale) -> bool {
    let unit = |scale: &Scale| match scale {
        Scale::Linear { unit, .. } | Scale::Log { unit, .. } | Scale::Table { unit, .. } => {
            Some(unit.clone())
        }
        _ => None,
    };
    match (unit(s), unit(t)) {
        (Some(s), Some(t)) => s == t,
        (None, None) => std::mem::discriminant(s) == std::mem::discriminant(t),
        _ => false,
    }
}

/// The key closest in spelling, if any is close.
fn nearest_key<'p>(key: &str, parameters: impl Iterator<Item = &'p Parameter>) -> Option<String> {
    let ratio = |p: &Parameter| similar::TextDiff::from_chars(key, p.key.as_str()).ratio();
    parameters
        .map(|p| (ratio(p), p))
        .filter(|(r, _)| *r > 0.6)
        .max_by(|x, y| x.0.total_cmp(&y.0))
        .map(|(_, p)| p.key.clone())
}
