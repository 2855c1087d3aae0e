//! Controls that mean something only while another stands in some position.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::{Kind, Lane, Panel, PanelControl, PanelError};

/// When a control means something: another one stands in one of these positions.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct When {
    /// Key of the switch or selector that decides.
    pub key: String,
    /// Names of its positions in which this control means something; "off" and "on" where a switch has no names.
    pub is: Vec<String>,
}

impl When {
    /// As it stands in a panel file and in a layout.
    pub(crate) fn line(&self) -> String {
        let names: Vec<String> = self.is.iter().map(|name| format!("{name:?}")).collect();
        format!(
            "when = {{ key = {:?}, is = [{}] }}",
            self.key,
            names.join(", ")
        )
    }

    /// The positions named, of the control that decides: from 0, in ascending order, each once.
    fn positions(&self, by: &PanelControl) -> Vec<u32> {
        let mut positions: Vec<u32> = self.is.iter().filter_map(|n| named(by, n)).collect();
        positions.sort_unstable();
        positions.dedup();
        positions
    }
}

/// When what is dialled by itself means something.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Condition {
    /// Index into [`Panel::lanes`] of the switch or selector that decides.
    pub(crate) lane: usize,
    /// Its positions, from 0, in ascending order.
    pub(crate) positions: Vec<u32>,
}

impl Condition {
    /// True where it holds with the lanes at these positions.
    pub(crate) fn holds(&self, at: &[u32]) -> bool {
        at.get(self.lane)
            .is_some_and(|p| self.positions.contains(p))
    }

    /// True where no setting gives meaning to both of what means something then.
    pub(crate) fn exclude(one: Option<&Condition>, other: Option<&Condition>) -> bool {
        let (Some(one), Some(other)) = (one, other) else {
            return false;
        };
        one.lane == other.lane && !one.positions.iter().any(|p| other.positions.contains(p))
    }
}

/// The lane of a control that goes with another lane: of the same voice where each voice has its own.
pub(crate) fn lane_beside(lanes: &[Lane], control: usize, lane: &Lane) -> Option<usize> {
    let beside = |l: &Lane| l.control == control && l.voice.is_none_or(|v| Some(v) == lane.voice);
    lanes.iter().position(beside)
}

/// Positions of a control by name, as [`PanelControl::position`] writes them.
fn named(control: &PanelControl, name: &str) -> Option<u32> {
    (0..=control.span()).find(|p| control.position(*p) == name)
}

impl Panel {
    /// Looks for conditions that cannot be.
    pub(super) fn check_when(&self) -> Result<(), PanelError> {
        let no = |what: String| Err(PanelError::Impossible(what));
        for c in &self.controls {
            let (key, Some(when)) = (&c.key, &c.when) else {
                continue;
            };
            let Some(by) = self.controls.iter().find(|o| o.key == when.key) else {
                return no(format!(
                    "{key}: `when` names {:?}, which no control has for its key",
                    when.key
                ));
            };
            let other = match by.kind {
                _ if by.key == *key => Some("the control itself"),
                Kind::Switch | Kind::Selector if by.when.is_some() => {
                    Some("a control that itself means something only sometimes")
                }
                Kind::Switch | Kind::Selector if by.per_voice && !c.per_voice => {
                    Some("a control of each voice, and this one is of all")
                }
                Kind::Switch | Kind::Selector => None,
                _ => Some("neither a switch nor a selector"),
            };
            if let Some(what) = other {
                return no(format!("{key}: `when` names {}, {what}", by.key));
            }
            if let Some(name) = when.is.iter().find(|n| named(by, n).is_none()) {
                let all: Vec<String> = (0..=by.span()).map(|p| by.position(p)).collect();
                return no(format!(
                    "{key}: {} has no position {name:?}; it has {}",
                    by.key,
                    all.join(", ")
                ));
            }
            let positions = when.positions(by);
            if positions.is_empty() || positions.len() > by.span() as usize {
                return no(format!(
                    "{key}: `when` must name some positions of {} and not all",
                    by.key
                ));
            }
        }
        Ok(())
    }

    /// For each lane when it means something; `None` where it always does.
    pub(crate) fn conditions(&self) -> Vec<Option<Condition>> {
        let lanes = self.lanes();
        let of = |lane: &Lane| -> Option<Condition> {
            let when = self.controls[lane.control].when.as_ref()?;
            let by = self.controls.iter().position(|c| c.key == when.key)?;
            Some(Condition {
                lane: lane_beside(&lanes, by, lane)?,
                positions: when.positions(&self.controls[by]),
            })
        };
        lanes.iter().map(of).collect()
    }

    /// When a lane means something, as part of a sentence: "osc.wave is at pulse".
    pub(crate) fn condition_says(&self, condition: &Condition) -> String {
        let lane = self.lanes()[condition.lane];
        let control = &self.controls[lane.control];
        let names: Vec<String> = (condition.positions.iter())
            .map(|p| control.position(*p))
            .collect();
        format!("{} is at {}", self.lane_name(lane), names.join(" or "))
    }
}
