//! The temperatures an instrument lives through in a year.

use super::error::StandbyError;
use super::units::{Celsius, HOURS_A_YEAR};

/// The temperatures of a year: hours at each.
#[derive(Clone, Debug, PartialEq)]
pub struct Profile(Vec<(f64, Celsius)>);

impl Profile {
    /// The same temperature all year.
    ///
    /// # Errors
    /// When it lies outside -40 to 100 °C.
    pub fn constant(celsius: Celsius) -> Result<Self, StandbyError> {
        check_temperature("the temperature", celsius)?;
        Ok(Self(vec![(HOURS_A_YEAR, celsius)]))
    }

    /// Reads "600h@40,rest@22".
    ///
    /// # Errors
    /// When it is not of that form, or the hours are not a year's.
    pub fn parse(text: &str) -> Result<Self, StandbyError> {
        let fail = |why: String| StandbyError::Profile {
            text: text.to_owned(),
            why,
        };
        let mut parts: Vec<(Option<f64>, Celsius)> = Vec::new();
        for part in text.split(',') {
            let (hours, celsius) = part
                .split_once('@')
                .ok_or_else(|| fail(format!("has a part without @: \"{part}\"")))?;
            let celsius: Celsius = celsius.parse()?;
            check_temperature("a temperature of the profile", celsius)?;
            let hours = hours.trim();
            if hours.eq_ignore_ascii_case("rest") {
                if parts.iter().any(|p| p.0.is_none()) {
                    return Err(fail("has more than one rest".to_owned()));
                }
                parts.push((None, celsius));
                continue;
            }
            let number = hours.trim_end_matches(['h', 'H']).trim();
            let hours: f64 = number
                .parse()
                .ok()
                .filter(|h: &f64| *h > 0.0 && h.is_finite())
                .ok_or_else(|| fail(format!("has \"{hours}\" for hours")))?;
            parts.push((Some(hours), celsius));
        }
        let said: f64 = parts.iter().filter_map(|p| p.0).sum();
        let rest = HOURS_A_YEAR - said;
        let open = parts.iter().any(|p| p.0.is_none());
        if (open && rest <= 0.0) || (!open && !(-24.5..=0.5).contains(&rest)) {
            return Err(fail(format!("comes to {said} hours, not to a year's 8760")));
        }
        Ok(Self(
            parts
                .into_iter()
                .map(|(hours, t)| (hours.unwrap_or(rest), t))
                .collect(),
        ))
    }

    /// Share of the year and temperature, each.
    pub fn shares(&self) -> impl Iterator<Item = (f64, Celsius)> + '_ {
        let total: f64 = self.0.iter().map(|p| p.0).sum();
        self.0.iter().map(move |(hours, t)| (hours / total, *t))
    }

    /// The mean over the year.
    pub fn mean(&self) -> Celsius {
        Celsius(self.shares().map(|(share, t)| share * t.0).sum())
    }

    /// The hottest temperature.
    pub fn hottest(&self) -> Celsius {
        self.0.iter().fold(Celsius(f64::MIN), |a, p| a.max(p.1))
    }

    /// The coldest temperature.
    pub fn coldest(&self) -> Celsius {
        self.0.iter().fold(Celsius(f64::MAX), |a, p| a.min(p.1))
    }

    /// The mean of a function of temperature over the year.
    pub fn average(&self, f: impl Fn(Celsius) -> f64) -> f64 {
        self.shares().map(|(share, t)| share * f(t)).sum()
    }
}

pub(super) fn check_temperature(what: &'static str, value: Celsius) -> Result<(), StandbyError> {
    if (-40.0..=100.0).contains(&value.0) {
        Ok(())
    } else {
        Err(StandbyError::Temperature { what, value })
    }
}
