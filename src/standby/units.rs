//! Quantities with their units: a volt cannot be taken for an ohm, and "4k7" is understood.
//!
//! Each quantity holds its SI base unit, except charge (ampere-hours) and long times (years of 8760 hours), which
//! are what data sheets use. Printing picks the prefix a bench meter would show.

use std::fmt;
use std::ops::{Add, Div, Mul, Sub};
use std::str::FromStr;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Hours in the year that data sheets reckon with (AN1012: "T is 8760 hrs/yr").
pub const HOURS_A_YEAR: f64 = 8760.0;

/// Text that is not the quantity that was asked for.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("\"{text}\" is not {wanted}: {why}")]
pub struct QuantityError {
    /// What was written.
    pub text: String,
    /// What was asked for, with an example: "a current such as \"1.5 uA\"".
    pub wanted: &'static str,
    /// What is wrong with it.
    pub why: &'static str,
}

/// What every quantity can do: tell its bare value and the unit it is in.
pub trait Quantity: Copy + fmt::Display {
    /// The unit as JSON documents write it.
    const UNIT: &'static str;
    /// The value in that unit.
    fn value(self) -> f64;
}

macro_rules! quantity {
    ($(#[$doc:meta])* $name:ident, $unit:literal, $wanted:literal, $symbols:expr, $bare:literal) => {
        $(#[$doc])*
        #[derive(
            Clone, Copy, Debug, Default, PartialEq, PartialOrd, Serialize, Deserialize, JsonSchema,
        )]
        #[serde(transparent)]
        pub struct $name(pub f64);

        impl Quantity for $name {
            const UNIT: &'static str = $unit;
            fn value(self) -> f64 {
                self.0
            }
        }

        impl $name {
            /// The smaller of two.
            #[must_use]
            pub fn min(self, other: Self) -> Self {
                Self(self.0.min(other.0))
            }

            /// The larger of two.
            #[must_use]
            pub fn max(self, other: Self) -> Self {
                Self(self.0.max(other.0))
            }
        }

        impl Add for $name {
            type Output = Self;
            fn add(self, other: Self) -> Self {
                Self(self.0 + other.0)
            }
        }

        impl Sub for $name {
            type Output = Self;
            fn sub(self, other: Self) -> Self {
                Self(self.0 - other.0)
            }
        }

        impl Mul<f64> for $name {
            type Output = Self;
            fn mul(self, factor: f64) -> Self {
                Self(self.0 * factor)
            }
        }

        impl Div<f64> for $name {
            type Output = Self;
            fn div(self, factor: f64) -> Self {
                Self(self.0 / factor)
            }
        }

        impl Div for $name {
            type Output = f64;
            fn div(self, other: Self) -> f64 {
                self.0 / other.0
            }
        }

        impl std::iter::Sum for $name {
            fn sum<I: Iterator<Item = Self>>(items: I) -> Self {
                Self(items.map(|q| q.0).sum())
            }
        }

        impl FromStr for $name {
            type Err = QuantityError;
            fn from_str(text: &str) -> Result<Self, QuantityError> {
                parse(text, &$symbols, $bare)
                    .map(Self)
                    .map_err(|why| QuantityError { text: text.to_owned(), wanted: $wanted, why })
            }
        }
    };
}

quantity!(
    /// An electric potential, in volts.
    Volts, "V", "a voltage such as \"2.4 V\"", ["V", "volt", "volts"], true
);
quantity!(
    /// A current, in amperes.
    Amps, "A", "a current such as \"1.5 uA\"", ["A", "amp", "amps"], false
);
quantity!(
    /// A resistance, in ohms.
    Ohms, "ohm", "a resistance such as \"4k7\" or \"10 kohm\"", ["Ω", "Ω", "ohm", "ohms", "R"], true
);
quantity!(
    /// A capacitance, in farads.
    Farads, "F", "a capacitance such as \"0.1 F\" or \"47 uF\"", ["F", "farad", "farads"], false
);
quantity!(
    /// A charge, in ampere-hours, as cells are rated.
    AmpHours, "Ah", "a capacity such as \"100 mAh\"", ["Ah"], false
);
quantity!(
    /// A temperature, in degrees Celsius.
    Celsius, "degC", "a temperature such as \"25 C\"", ["°C", "C", "degC"], true
);
quantity!(
    /// A short time, in seconds.
    Seconds, "s", "a time such as \"30 s\"", ["s", "sec"], false
);
quantity!(
    /// A long time, in years of 8760 hours.
    Years, "year", "a time such as \"5 years\"", ["y", "year", "years"], false
);

impl Mul<Ohms> for Amps {
    type Output = Volts;
    fn mul(self, other: Ohms) -> Volts {
        Volts(self.0 * other.0)
    }
}

impl Div<Ohms> for Volts {
    type Output = Amps;
    fn div(self, other: Ohms) -> Amps {
        Amps(self.0 / other.0)
    }
}

impl Div<Amps> for Volts {
    type Output = Ohms;
    fn div(self, other: Amps) -> Ohms {
        Ohms(self.0 / other.0)
    }
}

impl Div<Amps> for AmpHours {
    type Output = Years;
    fn div(self, other: Amps) -> Years {
        Years(self.0 / other.0 / HOURS_A_YEAR)
    }
}

impl Mul<Years> for Amps {
    type Output = AmpHours;
    fn mul(self, other: Years) -> AmpHours {
        AmpHours(self.0 * other.0 * HOURS_A_YEAR)
    }
}

/// Splits a number from its unit: prefix and symbol, a bare prefix, "4k7", or nothing where `bare` allows it.
fn parse(text: &str, symbols: &[&str], bare: bool) -> Result<f64, &'static str> {
    let text = text.trim();
    // A comma is a decimal one to some and parts thousands to others; "1,5" and "0,047" are plain, "1,000" is not.
    if let Some((before, after)) = text.split_once(',') {
        let digits = after.bytes().take_while(u8::is_ascii_digit).count();
        let thousands = digits == 3 && !before.trim_start_matches(['-', '+', '0']).is_empty();
        if thousands || after.contains(',') {
            return Err("the comma may part thousands or decimals; write 1000 or 1.0");
        }
    }
    let text = text.replace(',', ".");
    let end = text
        .char_indices()
        .find(|&(i, c)| {
            let sign = i == 0 && (c == '-' || c == '+');
            let exponent = matches!(c, 'e' | 'E')
                && text[i + 1..].starts_with(|d: char| d.is_ascii_digit() || d == '-');
            let exponent_sign = c == '-' && i > 0 && matches!(text.as_bytes()[i - 1], b'e' | b'E');
            !(c.is_ascii_digit() || c == '.' || sign || exponent || exponent_sign)
        })
        .map_or(text.len(), |(i, _)| i);
    let (number, unit) = text.split_at(end);
    if number.is_empty() {
        return Err("it does not start with a number");
    }
    let unit = unit.trim();
    let mut mantissa = number.to_owned();
    // "4k7" and "2V2": the letter stands where the point would.
    let letters_end = unit
        .char_indices()
        .find(|(_, c)| c.is_ascii_digit())
        .map_or(unit.len(), |(i, _)| i);
    let (letters, tail) = unit.split_at(letters_end);
    if !tail.is_empty() {
        if number.contains('.') || !tail.bytes().all(|b| b.is_ascii_digit()) {
            return Err("the number is written in two ways at once");
        }
        mantissa = format!("{number}.{tail}");
    }
    let value: f64 = mantissa.parse().map_err(|_| "the number cannot be read")?;
    if !value.is_finite() {
        return Err("the number is too large");
    }
    let factor = factor(letters.trim(), symbols, bare)?;
    Ok(value * factor)
}

fn factor(unit: &str, symbols: &[&str], bare: bool) -> Result<f64, &'static str> {
    let is_symbol = |u: &str| symbols.iter().any(|s| s.eq_ignore_ascii_case(u));
    if unit.is_empty() {
        return if bare {
            Ok(1.0)
        } else {
            Err("it needs a unit")
        };
    }
    if is_symbol(unit) {
        return Ok(1.0);
    }
    let prefix = unit.chars().next().unwrap_or(' ');
    let rest = unit[prefix.len_utf8()..].trim();
    let scale = match prefix {
        'p' => 1e-12,
        'n' => 1e-9,
        'u' | 'µ' | 'μ' => 1e-6,
        'm' => 1e-3,
        'k' | 'K' => 1e3,
        'M' => 1e6,
        _ => return Err("the unit does not fit"),
    };
    if is_symbol(rest) || (rest.is_empty() && bare) {
        Ok(scale)
    } else {
        Err("the unit does not fit")
    }
}

/// Three figures and the prefix a meter would show: "1.2 µA", "14 kΩ".
pub(super) fn engineering(value: f64, symbol: &str) -> String {
    if value == 0.0 || !value.is_finite() {
        return format!("{value} {symbol}");
    }
    const PREFIXES: [(f64, &str); 8] = [
        (1e9, "G"),
        (1e6, "M"),
        (1e3, "k"),
        (1.0, ""),
        (1e-3, "m"),
        (1e-6, "µ"),
        (1e-9, "n"),
        (1e-12, "p"),
    ];
    let size = value.abs() * 1.000_5;
    let (scale, prefix) = PREFIXES
        .into_iter()
        .find(|(scale, _)| size >= *scale)
        .unwrap_or((1e-12, "p"));
    format!("{} {prefix}{symbol}", figures(value / scale))
}

/// Three significant figures, trailing zeros of the fraction dropped.
pub(super) fn figures(value: f64) -> String {
    let digits = if value.abs() >= 99.95 {
        0
    } else if value.abs() >= 9.995 {
        1
    } else {
        2
    };
    let text = format!("{value:.digits$}");
    if text.contains('.') {
        text.trim_end_matches('0').trim_end_matches('.').to_owned()
    } else {
        text
    }
}

impl fmt::Display for Volts {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.0 == 0.0 || self.0.abs() >= 0.0995 {
            f.pad(&format!("{:.2} V", self.0))
        } else {
            f.pad(&engineering(self.0, "V"))
        }
    }
}

macro_rules! display {
    ($($name:ident: $symbol:literal),*) => {$(
        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.pad(&engineering(self.0, $symbol))
            }
        }
    )*};
}

display!(Amps: "A", Ohms: "Ω", Farads: "F", AmpHours: "Ah");

impl fmt::Display for Celsius {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&format!("{} °C", figures(self.0)))
    }
}

impl fmt::Display for Seconds {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let s = self.0;
        let text = if s < 120.0 {
            format!("{} s", figures(s))
        } else if s < 2.0 * 3600.0 {
            format!("{} min", figures(s / 60.0))
        } else if s < 14.0 * 86_400.0 {
            format!("{} h", figures(s / 3600.0))
        } else {
            Years(s / 3600.0 / HOURS_A_YEAR).to_string()
        };
        f.pad(&text)
    }
}

impl fmt::Display for Years {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let hours = self.0 * HOURS_A_YEAR;
        let text = if self.0 > 100.0 {
            "over 100 years".to_owned()
        } else if self.0 >= 1.0 {
            format!("{:.1} years", self.0)
        } else if hours >= 60.0 * 24.0 {
            format!("{:.1} months", self.0 * 12.0)
        } else if hours >= 48.0 {
            format!("{} days", figures(hours / 24.0))
        } else {
            format!("{} h", figures(hours))
        };
        f.pad(&text)
    }
}

/// A value as it usually is and as it is when everything is against us.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Range<T> {
    /// The usual value.
    pub typical: T,
    /// The value in the worst case.
    pub worst: T,
}

impl<T> Range<T> {
    /// Both ends.
    pub fn new(typical: T, worst: T) -> Self {
        Self { typical, worst }
    }

    /// Both ends through a function.
    pub fn map<U>(self, f: impl Fn(T) -> U) -> Range<U> {
        Range::new(f(self.typical), f(self.worst))
    }

    /// Both ends with those of another range.
    pub fn with<U, V>(self, other: Range<U>, f: impl Fn(T, U) -> V) -> Range<V> {
        Range::new(f(self.typical, other.typical), f(self.worst, other.worst))
    }
}

impl<T: Copy> Range<T> {
    /// One value that has no spread.
    pub fn exactly(value: T) -> Self {
        Self::new(value, value)
    }
}

impl<T: fmt::Display> fmt::Display for Range<T> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (typical, worst) = (self.typical.to_string(), self.worst.to_string());
        if typical == worst {
            f.pad(&typical)
        } else {
            f.pad(&format!("{typical} (worst {worst})"))
        }
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn reads_what_a_technician_writes() {
        let close = |a: f64, b: f64| assert!((a - b).abs() <= b.abs() * 1e-12, "{a} {b}");
        close("100 mAh".parse::<AmpHours>().unwrap().0, 0.1);
        close("1 uA".parse::<Amps>().unwrap().0, 1e-6);
        close("1µA".parse::<Amps>().unwrap().0, 1e-6);
        close("47k".parse::<Ohms>().unwrap().0, 47e3);
        close("4k7".parse::<Ohms>().unwrap().0, 4.7e3);
        close("4R7".parse::<Ohms>().unwrap().0, 4.7);
        close("10 kohm".parse::<Ohms>().unwrap().0, 10e3);
        close("2M2".parse::<Ohms>().unwrap().0, 2.2e6);
        close("0,1 F".parse::<Farads>().unwrap().0, 0.1);
        close("0,047 F".parse::<Farads>().unwrap().0, 0.047);
        close("1,25 V".parse::<Volts>().unwrap().0, 1.25);
        close("2V4".parse::<Volts>().unwrap().0, 2.4);
        close("-5 °C".parse::<Celsius>().unwrap().0, -5.0);
        close("1.5e-6 A".parse::<Amps>().unwrap().0, 1.5e-6);
    }

    #[test]
    fn refuses_another_quantity_or_no_unit() {
        for text in ["5", "5 V", "5 mAh", "uA", "", "1..2 uA", "4.7u7A", "1 xA"] {
            assert!(text.parse::<Amps>().is_err(), "{text}");
        }
        assert!("1e999 V".parse::<Volts>().is_err());
        assert!("5 uA".parse::<AmpHours>().is_err());
        assert_eq!(
            "5".parse::<Amps>().unwrap_err().to_string(),
            "\"5\" is not a current such as \"1.5 uA\": it needs a unit"
        );
    }

    /// A thousand to one reader, one to another: nobody can tell, and the battery would be a thousand times smaller.
    #[test]
    fn a_comma_before_three_digits_is_refused() {
        for text in ["1,000 mAh", "12,500 mAh", "1,000,000 uAh", "1,5,0 Ah"] {
            let e = text.parse::<AmpHours>().unwrap_err().to_string();
            assert!(e.contains("thousands or decimals"), "{text}: {e}");
        }
    }

    #[test]
    fn prints_what_a_meter_shows() {
        assert_eq!(Amps(1.2e-6).to_string(), "1.2 µA");
        assert_eq!(Amps(0.9999e-6).to_string(), "1 µA");
        assert_eq!(Ohms(14_000.0).to_string(), "14 kΩ");
        assert_eq!(AmpHours(0.1).to_string(), "100 mAh");
        assert_eq!(Volts(0.35).to_string(), "0.35 V");
        assert_eq!(Volts(0.0012).to_string(), "1.2 mV");
        assert_eq!(Seconds(13_725.0).to_string(), "3.81 h");
        assert_eq!(Years(0.5).to_string(), "6.0 months");
    }
}
