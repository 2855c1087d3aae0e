//! Naming entries: `preset=12`, `preset=12-15,voice=3`.

use std::fmt;
use std::str::FromStr;

use super::EditError;
use crate::layout::model::{Area, Axis, Layout};

/// Which entries are meant. An axis that is not named means all of it; no area named means every area that has all
/// the named axes, so that `preset=12` is everything the instrument recalls by that number.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Selector {
    /// The area, where one is named.
    pub area: Option<String>,
    /// Axes with what is wanted of each: a label, or `first-last`.
    pub at: Vec<(String, String)>,
}

impl FromStr for Selector {
    type Err = EditError;

    fn from_str(text: &str) -> Result<Self, EditError> {
        let mut at = Vec::new();
        for part in text.split(',').map(str::trim).filter(|p| !p.is_empty()) {
            match part.split_once('=') {
                Some((axis, label)) if !axis.trim().is_empty() && !label.trim().is_empty() => {
                    let axis = axis.trim().to_owned();
                    if at.iter().any(|(named, _)| *named == axis) {
                        return Err(EditError::AxisTwice { axis });
                    }
                    at.push((axis, label.trim().to_owned()));
                }
                _ => {
                    return Err(EditError::NoPlace {
                        text: text.to_owned(),
                    });
                }
            }
        }
        Ok(Self { area: None, at })
    }
}

impl fmt::Display for Selector {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let parts: Vec<String> = self
            .at
            .iter()
            .map(|(axis, label)| format!("{axis}={label}"))
            .collect();
        match &self.area {
            Some(area) => write!(f, "{area}:{}", parts.join(",")),
            None => f.write_str(&parts.join(",")),
        }
    }
}

impl Selector {
    /// The same entries of one area only.
    #[must_use]
    pub fn in_area(mut self, area: Option<&str>) -> Self {
        self.area = area.map(str::to_owned);
        self
    }

    /// Each area with the entries meant, in their order.
    ///
    /// # Errors
    /// When the area, an axis or a label does not exist.
    pub fn resolve(&self, layout: &Layout) -> Result<Vec<(usize, Vec<usize>)>, EditError> {
        if let Some(name) = &self.area
            && layout.area(name).is_none()
        {
            return Err(EditError::NoArea {
                name: name.clone(),
                areas: layout.areas.iter().map(|a| a.name.clone()).collect(),
            });
        }
        let mut found = Vec::new();
        for (a, area) in layout.areas.iter().enumerate() {
            if self.area.as_ref().is_some_and(|name| *name != area.name) {
                continue;
            }
            let has_all = self
                .at
                .iter()
                .all(|(axis, _)| area.axes.iter().any(|x| x.name == *axis));
            if has_all {
                found.push((a, self.entries(area)?));
            }
        }
        if found.is_empty() {
            return Err(EditError::NoAxis {
                axes: self.at.iter().map(|x| x.0.clone()).collect(),
                areas: layout.areas.iter().map(describe).collect(),
            });
        }
        Ok(found)
    }

    fn entries(&self, area: &Area) -> Result<Vec<usize>, EditError> {
        let mut wanted: Vec<std::ops::RangeInclusive<usize>> = Vec::new();
        for axis in &area.axes {
            let named = self.at.iter().find(|(name, _)| *name == axis.name);
            wanted.push(match named {
                None => 0..=axis.count().saturating_sub(1),
                Some((_, label)) => positions(axis, label)?,
            });
        }
        Ok((0..area.entries())
            .filter(|&e| {
                area.indices(e)
                    .iter()
                    .zip(&wanted)
                    .all(|(i, range)| range.contains(i))
            })
            .collect())
    }
}

/// The positions of a label, or of `first-last` where no label is spelt so.
fn positions(axis: &Axis, label: &str) -> Result<std::ops::RangeInclusive<usize>, EditError> {
    let find = |label: &str| {
        axis.labels
            .iter()
            .position(|l| l.eq_ignore_ascii_case(label))
    };
    if let Some(i) = find(label) {
        return Ok(i..=i);
    }
    let range = label.split_once('-').and_then(|(first, last)| {
        let (first, last) = (find(first.trim())?, find(last.trim())?);
        (first <= last).then_some(first..=last)
    });
    range.ok_or_else(|| EditError::NoLabel {
        axis: axis.name.clone(),
        label: label.to_owned(),
        first: axis.labels.first().cloned().unwrap_or_default(),
        last: axis.labels.last().cloned().unwrap_or_default(),
    })
}

fn describe(area: &Area) -> String {
    let axes: Vec<&str> = area.axes.iter().map(|x| x.name.as_str()).collect();
    if axes.is_empty() {
        format!("{} (no axes)", area.name)
    } else {
        format!("{} (over {})", area.name, axes.join(", "))
    }
}
