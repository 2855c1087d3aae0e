//! What tables must say before they are used: sources for every figure, curves that fall, figures above zero.

use super::{StandbyError, Tables};

/// Whether a figure is a number above zero.
fn above_zero(value: f64) -> bool {
    value > 0.0
}

impl Tables {
    pub(super) fn check(&self, origin: &str) -> Result<(), StandbyError> {
        let fail = |says: String| StandbyError::Table {
            origin: origin.to_owned(),
            says,
        };
        for (place, from) in self.all_sources() {
            if from.is_empty() {
                return Err(fail(format!("{place} names no source")));
            }
            if let Some(key) = from.iter().find(|k| !self.source.contains_key(*k)) {
                return Err(fail(format!(
                    "{place} names the source \"{key}\", which is not listed"
                )));
            }
        }
        for (key, chemistry) in &self.chemistry {
            let points = &chemistry.curve.points;
            let ordered = points
                .windows(2)
                .all(|p| p[0].0 < p[1].0 && p[0].1 > p[1].1);
            let whole = points.first().is_some_and(|p| p.0 == 0.0)
                && points.last().is_some_and(|p| p.0 == 1.0);
            if !ordered || !whole || !points.iter().all(|p| above_zero(p.1)) {
                return Err(fail(format!(
                    "the curve of {key} must go from 0 to 1 with falling volts"
                )));
            }
            if chemistry.rechargeable != chemistry.charge.is_some() {
                return Err(fail(format!(
                    "{key} must have charging figures if, and only if, it is rechargeable"
                )));
            }
            if !above_zero(chemistry.storage.halves_every) {
                return Err(fail(format!("halves_every of {key} must be above 0")));
            }
            for (what, value) in [
                ("typical loss", chemistry.loss.typical),
                ("worst loss", chemistry.loss.worst),
            ] {
                if !(0.0..1.0).contains(&value) {
                    return Err(fail(format!(
                        "the {what} of {key} must be from 0 to under 1"
                    )));
                }
            }
        }
        for (key, size) in &self.size {
            if !self.chemistry.contains_key(&size.chemistry) {
                return Err(fail(format!(
                    "{key} is of the chemistry \"{}\", which is not listed",
                    size.chemistry
                )));
            }
            if size.cells == 0 || !above_zero(size.capacity.worst) {
                return Err(fail(format!(
                    "{key} must have cells and a capacity above 0"
                )));
            }
        }
        for (key, memory) in &self.memory {
            let positive = memory.standby.iter().all(|s| s.microamps > 0.0);
            if memory.standby.is_empty() || !positive || !above_zero(memory.retention.volts) {
                return Err(fail(format!(
                    "{key} must have a retention voltage and standby currents above 0"
                )));
            }
        }
        Ok(())
    }

    /// Every group of figures with the sources it names.
    pub fn all_sources(&self) -> Vec<(String, &[String])> {
        let mut all: Vec<(String, &[String])> = Vec::new();
        for (key, c) in &self.chemistry {
            all.push((format!("{key} curve"), &c.curve.from));
            all.push((format!("{key} loss"), &c.loss.from));
            all.push((format!("{key} storage"), &c.storage.from));
            all.push((format!("{key} celsius"), &c.celsius.from));
            all.extend(c.charge.iter().map(|x| (format!("{key} charge"), &*x.from)));
            all.extend(
                c.charge_budget
                    .iter()
                    .map(|x| (format!("{key} charge_budget"), &*x.from)),
            );
        }
        for (key, s) in &self.size {
            all.push((format!("{key} capacity"), &s.capacity.from));
            for (what, one) in [("continuous", &s.continuous), ("reverse", &s.reverse)] {
                all.extend(one.iter().map(|x| (format!("{key} {what}"), &*x.from)));
            }
        }
        for (key, b) in &self.blocking {
            all.push((format!("{key} drop"), &b.drop.from));
            all.extend(b.leak.iter().map(|x| (format!("{key} leak"), &*x.from)));
        }
        for (key, c) in &self.capacitor {
            all.push((format!("{key} leak_per_farad"), &c.leak_per_farad.from));
            all.push((format!("{key} tolerance"), &c.tolerance.from));
            all.push((format!("{key} years"), &c.years.from));
        }
        for (key, m) in &self.memory {
            all.push((format!("{key} retention"), &m.retention.from));
            all.extend(
                m.standby
                    .iter()
                    .map(|x| (format!("{key} standby"), &*x.from)),
            );
        }
        all
    }
}
