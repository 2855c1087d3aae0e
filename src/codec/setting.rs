//! Settings: what a person reads for a code, and which code a person's setting means.
//!
//! The code is the truth. A setting is shown with as many digits as keep neighbouring codes apart, and read back
//! exactly: where no code meets it, the two nearest are named and nothing is guessed.

use std::collections::HashSet;

use super::coding::{code_of, number};
use super::low_mask;
use crate::blame::{Blame, Who};
use crate::layout::model::{Area, Coding, Parameter, Scale, When};

/// A setting that is no code of its parameter.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum SettingError {
    /// Between two codes.
    #[error("{key}: no code reads exactly {wanted}; the nearest are {}", list(.nearest))]
    Between {
        /// The parameter's key.
        key: String,
        /// What was asked for.
        wanted: String,
        /// The nearest codes with what they read, one or two.
        nearest: Vec<(u64, String)>,
    },
    /// Not a setting of this parameter at all.
    #[error("{key}: {wanted:?} is not a setting; expected {expected}")]
    Unreadable {
        /// The parameter's key.
        key: String,
        /// What was asked for.
        wanted: String,
        /// What settings look like.
        expected: String,
    },
    /// A code beyond the parameter's bits or legal range.
    #[error("{key}: code {code} is outside {low} to {high}")]
    Code {
        /// The parameter's key.
        key: String,
        /// The code asked for.
        code: u64,
        /// Lowest legal code.
        low: u64,
        /// Highest legal code.
        high: u64,
    },
}

fn list(nearest: &[(u64, String)]) -> String {
    let items: Vec<String> = nearest
        .iter()
        .map(|(code, reads)| format!("{reads} (code {code})"))
        .collect();
    items.join(" and ")
}

impl Blame for SettingError {
    fn who(&self) -> Who {
        Who::Caller
    }

    fn hint(&self) -> Option<String> {
        match self {
            SettingError::Between { .. } => {
                Some("choose one of the nearest, or give the code itself as #CODE".into())
            }
            SettingError::Unreadable { .. } => {
                Some("`cellkeep layout map` shows what a parameter can hold".into())
            }
            SettingError::Code { .. } => None,
        }
    }
}

/// What a person reads for a code; a code that is not legal says so.
///
/// For a text parameter this is one character; see [`show_text`].
pub fn show(parameter: &Parameter, width: u8, code: u64) -> String {
    if let Coding::Text(set) = &parameter.coding {
        return show_text(set, &[code]);
    }
    let Some(n) = number(&parameter.coding, width, code) else {
        return format!("code {code} (stands for nothing)");
    };
    if !parameter.range.contains(&n) {
        return format!("code {code} (out of range)");
    }
    match reading(parameter, n) {
        Some(text) => text,
        None => format!("code {code} (no such position)"),
    }
}

/// Whether a code stands for a legal setting.
pub fn legal(parameter: &Parameter, width: u8, code: u64) -> bool {
    match &parameter.coding {
        Coding::Text(set) => usize::try_from(code)
            .ok()
            .and_then(|c| set.get(c))
            .is_some_and(Option::is_some),
        coding => number(coding, width, code).is_some_and(|n| {
            parameter.range.contains(&n)
                && match &parameter.scale {
                    Scale::Steps(steps) => steps.iter().any(|s| s.0 == n),
                    _ => true,
                }
        }),
    }
}

/// A text from its character codes; a code without a character shows as `\xNN`.
pub fn show_text(set: &[Option<char>], codes: &[u64]) -> String {
    let mut text = String::new();
    for &code in codes {
        match usize::try_from(code).ok().and_then(|c| set.get(c)) {
            Some(Some('\\')) => text.push_str("\\\\"),
            Some(Some(c)) => text.push(*c),
            _ => text.push_str(&format!("\\x{code:02x}")),
        }
    }
    text
}

/// The character codes of a text in fields of `width` bits, padded with the code of a blank to `length` characters.
///
/// # Errors
/// When a character is not in the set, an escape `\xNN` has more bits than the field, the text is too long, or it must
/// be padded and the set has no blank.
pub fn parse_text(
    key: &str,
    set: &[Option<char>],
    width: u8,
    length: usize,
    text: &str,
) -> Result<Vec<u64>, SettingError> {
    let unreadable = |expected: String| SettingError::Unreadable {
        key: key.to_owned(),
        wanted: text.to_owned(),
        expected,
    };
    let code = |c: char| set.iter().position(|s| *s == Some(c)).map(|i| i as u64);
    let mut codes = Vec::new();
    let mut chars = text.chars();
    while let Some(c) = chars.next() {
        let literal = if c == '\\' { chars.next() } else { None };
        let found = match (c, literal) {
            ('\\', Some('\\')) => code('\\'),
            ('\\', Some('x')) => {
                let hex: String = chars.by_ref().take(2).collect();
                u64::from_str_radix(&hex, 16).ok()
            }
            ('\\', _) => None,
            (c, _) => code(c),
        };
        let Some(found) = found else {
            return Err(unreadable(format!(
                "characters of its set; {c:?} is not among them"
            )));
        };
        if found > low_mask(width) {
            return Err(unreadable(format!(
                "characters of {width} bits; \\x{found:02x} is wider"
            )));
        }
        codes.push(found);
    }
    if codes.len() > length {
        return Err(unreadable(format!("at most {length} characters")));
    }
    while codes.len() < length {
        let Some(blank) = code(' ') else {
            return Err(unreadable(format!(
                "exactly {length} characters, for the set has no blank"
            )));
        };
        codes.push(blank);
    }
    Ok(codes)
}

/// The code a person's setting means. `#37` gives the code itself, in decimal, or `#0x25` in hexadecimal.
///
/// # Errors
/// When no legal code reads exactly so; the two nearest are named where the setting is a quantity.
pub fn parse(parameter: &Parameter, width: u8, text: &str) -> Result<u64, SettingError> {
    let text = text.trim();
    if let Some(code) = text.strip_prefix('#') {
        return parse_code(parameter, width, code, text);
    }
    let unreadable = |expected: String| SettingError::Unreadable {
        key: parameter.key.clone(),
        wanted: text.to_owned(),
        expected,
    };
    let code = |n: i64| code_of(&parameter.coding, width, n);
    match &parameter.scale {
        Scale::Steps(steps) => steps
            .iter()
            .find(|(_, name)| name.eq_ignore_ascii_case(text))
            .and_then(|(n, _)| code(*n))
            .ok_or_else(|| {
                let names: Vec<&str> = steps.iter().map(|s| s.1.as_str()).collect();
                unreadable(format!("one of {}", names.join(", ")))
            }),
        Scale::OnOff => match text.to_ascii_lowercase().as_str() {
            "on" => code(1),
            "off" => code(0),
            _ => None,
        }
        .ok_or_else(|| unreadable("on or off".into())),
        Scale::Note { base } => {
            let note =
                parse_note(text).ok_or_else(|| unreadable("a note such as C4 or F#2".into()))?;
            let n = note - base;
            match code(n).filter(|_| parameter.range.contains(&n)) {
                Some(code) => Ok(code),
                None => Err(unreadable(format!(
                    "a note from {} to {}",
                    note_name(base + parameter.range.start()),
                    note_name(base + parameter.range.end())
                ))),
            }
        }
        Scale::Number => {
            let n: i64 = text
                .parse()
                .map_err(|_| unreadable(expected_numbers(parameter)))?;
            match code(n).filter(|_| parameter.range.contains(&n)) {
                Some(code) => Ok(code),
                None => Err(unreadable(expected_numbers(parameter))),
            }
        }
        Scale::Dial { .. } | Scale::Linear { .. } | Scale::Log { .. } | Scale::Table { .. } => {
            let wanted = parse_quantity(text, unit(&parameter.scale))
                .ok_or_else(|| unreadable(expected_quantity(parameter)))?;
            nearest(parameter, width, text, wanted)
        }
    }
}

fn parse_code(p: &Parameter, width: u8, digits: &str, wanted: &str) -> Result<u64, SettingError> {
    let parsed = match digits
        .strip_prefix("0x")
        .or_else(|| digits.strip_prefix("0X"))
    {
        Some(hex) => u64::from_str_radix(hex, 16),
        None => digits.parse(),
    };
    let code = parsed.map_err(|_| SettingError::Unreadable {
        key: p.key.clone(),
        wanted: wanted.to_owned(),
        expected: "a code such as #37 or #0x25".into(),
    })?;
    if code > low_mask(width) {
        return Err(SettingError::Code {
            key: p.key.clone(),
            code,
            low: 0,
            high: low_mask(width),
        });
    }
    Ok(code)
}

/// The code whose reading is the wanted quantity, compared as far as it is shown.
fn nearest(p: &Parameter, width: u8, text: &str, wanted: f64) -> Result<u64, SettingError> {
    let mut below: Option<(f64, u64)> = None;
    let mut above: Option<(f64, u64)> = None;
    let mut shown_equal = None;
    for n in around(p, wanted) {
        let (Some(value), Some(code)) = (quantity(p, n), code_of(&p.coding, width, n)) else {
            continue;
        };
        let shown = reading(p, n).and_then(|r| parse_quantity(&r, unit(&p.scale)));
        if shown == Some(wanted) && shown_equal.is_none() {
            shown_equal = Some(code);
        }
        if value <= wanted && below.is_none_or(|(v, _)| value > v) {
            below = Some((value, code));
        }
        if value >= wanted && above.is_none_or(|(v, _)| value < v) {
            above = Some((value, code));
        }
    }
    if let Some(code) = shown_equal {
        return Ok(code);
    }
    let near = [below, above];
    let nearest = near
        .iter()
        .flatten()
        .map(|&(_, code)| (code, show(p, width, code)));
    Err(SettingError::Between {
        key: p.key.clone(),
        wanted: text.to_owned(),
        nearest: nearest.collect(),
    })
}

/// The numbers whose quantities can be nearest to the wanted one: all of a table; of the other scales, which go one way
/// only, a few about the place where they pass it, since a range may have more numbers than anybody can wait for.
fn around(p: &Parameter, wanted: f64) -> std::ops::RangeInclusive<i64> {
    /// Neighbours that can be shown alike where decimals run out, with room to spare.
    const NEIGHBOURS: i64 = 4;
    let (low, high) = (*p.range.start(), *p.range.end());
    let at = |n: i64| quantity(p, n).unwrap_or(f64::NAN);
    if matches!(p.scale, Scale::Table { .. }) {
        return low..=high;
    }
    // The end itself: in a very wide range the numbers before it are the same float.
    if wanted == at(high) {
        return high..=high;
    }
    let rises = at(low) <= at(high);
    let (mut first, mut past) = (low, high);
    while first < past {
        // The middle without a sum that could overflow.
        let middle = first + ((past as i128 - first as i128) / 2) as i64;
        match (at(middle) < wanted) == rises && at(middle) != wanted {
            true => first = middle + 1,
            false => past = middle,
        }
    }
    first.saturating_sub(NEIGHBOURS).max(low)..=first.saturating_add(NEIGHBOURS).min(high)
}

/// The quantity a number stands for on the parameter's scale; `None` for scales that are not quantities.
pub fn quantity(p: &Parameter, n: i64) -> Option<f64> {
    let (low_n, high_n) = (*p.range.start(), *p.range.end());
    let steps = (high_n - low_n) as f64;
    let part = if steps > 0.0 {
        (n - low_n) as f64 / steps
    } else {
        0.0
    };
    match &p.scale {
        Scale::Dial { low, high } | Scale::Linear { low, high, .. } => Some(if n == high_n {
            *high
        } else {
            low + part * (high - low)
        }),
        Scale::Log { low, high, .. } => Some(if n == high_n {
            *high
        } else {
            low * (high / low).powf(part)
        }),
        Scale::Table { values, .. } => usize::try_from(n - low_n)
            .ok()
            .and_then(|i| values.get(i))
            .copied(),
        Scale::Number | Scale::Steps(_) | Scale::OnOff | Scale::Note { .. } => None,
    }
}

/// What a person reads for a number within the legal range.
fn reading(p: &Parameter, n: i64) -> Option<String> {
    let steps = (p.range.end() - p.range.start()).max(1) as f64;
    Some(match &p.scale {
        Scale::Number => n.to_string(),
        Scale::Steps(positions) => positions.iter().find(|s| s.0 == n)?.1.clone(),
        Scale::OnOff => match n {
            0 => "off".into(),
            1 => "on".into(),
            _ => return None,
        },
        Scale::Note { base } => note_name(base.checked_add(n)?),
        Scale::Dial { low, high } => {
            let decimals = decimals_for((high - low).abs() / steps).max(1);
            format!("{:.decimals$}", quantity(p, n)?)
        }
        Scale::Linear { low, high, unit } => {
            let decimals = decimals_for((high - low).abs() / steps);
            with_unit(format!("{:.decimals$}", quantity(p, n)?), unit)
        }
        Scale::Log { low, high, unit } => {
            let value = quantity(p, n)?;
            let ratio = (high / low).powf(1.0 / steps);
            let step = (value * (ratio - 1.0).abs()).min(value * (1.0 - 1.0 / ratio).abs());
            let decimals = decimals_for(step);
            with_unit(format!("{value:.decimals$}"), unit)
        }
        Scale::Table { unit, .. } => with_unit(format!("{}", quantity(p, n)?), unit),
    })
}

/// Decimals that keep values a step apart distinct.
fn decimals_for(step: f64) -> usize {
    if !step.is_finite() || step <= 0.0 {
        return 0;
    }
    let decimals = (-step.log10()).ceil();
    decimals.clamp(0.0, 9.0) as usize
}

fn with_unit(number: String, unit: &str) -> String {
    if unit.is_empty() {
        number
    } else {
        format!("{number} {unit}")
    }
}

fn unit(scale: &Scale) -> &str {
    match scale {
        Scale::Linear { unit, .. } | Scale::Log { unit, .. } | Scale::Table { unit, .. } => unit,
        _ => "",
    }
}

/// A number with the unit, or the unit with a k or m before it, or no unit.
fn parse_quantity(text: &str, unit: &str) -> Option<f64> {
    let text = text.trim();
    let text = if unit.is_empty() {
        text
    } else {
        text.strip_suffix(unit).unwrap_or(text).trim_end()
    };
    let (digits, exponent) = match text.strip_suffix(['k', 'm']) {
        Some(digits) if text.ends_with('k') => (digits.trim_end(), "e3"),
        Some(digits) if !unit.is_empty() => (digits.trim_end(), "e-3"),
        _ => (text, ""),
    };
    // The prefix as an exponent, not as a factor: 6.5 m must be the same float as 0.0065.
    let value: f64 = match exponent {
        "" => digits.parse().ok()?,
        _ if digits.contains(['e', 'E']) => return None,
        _ => format!("{digits}{exponent}").parse().ok()?,
    };
    value.is_finite().then_some(value)
}

const NOTES: [&str; 12] = [
    "C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B",
];

/// The name of a MIDI note number; 60 is C4.
pub fn note_name(note: i64) -> String {
    let octave = note.div_euclid(12) - 1;
    format!("{}{octave}", NOTES[note.rem_euclid(12) as usize])
}

fn parse_note(text: &str) -> Option<i64> {
    let letter = text.chars().next()?.to_ascii_uppercase();
    let rest = &text[letter.len_utf8()..];
    let (shift, rest) = match rest.chars().next()? {
        '#' => (1, &rest[1..]),
        'b' => (-1, &rest[1..]),
        _ => (0, rest),
    };
    let within = NOTES
        .iter()
        .position(|n| n.len() == 1 && n.starts_with(letter))? as i64;
    let octave: i64 = rest.parse().ok().filter(|o| (-20..=20).contains(o))?;
    Some((octave + 1) * 12 + within + shift)
}

fn expected_numbers(p: &Parameter) -> String {
    format!(
        "a whole number from {} to {}",
        p.range.start(),
        p.range.end()
    )
}

fn expected_quantity(p: &Parameter) -> String {
    let low = reading(p, *p.range.start()).unwrap_or_default();
    let high = reading(p, *p.range.end()).unwrap_or_default();
    format!("a value from {low} to {high}")
}

/// The code of an empty value in a field of so many bits: the layout's blank code, or else the lowest setting (of a text its
/// blank).
pub(crate) fn blank_code(p: &Parameter, width: u8) -> u64 {
    match (&p.blank, &p.coding) {
        (Some(blank), _) => blank & low_mask(width),
        (None, Coding::Text(set)) => set.iter().position(|c| *c == Some(' ')).unwrap_or(0) as u64,
        (None, coding) => code_of(coding, width, *p.range.start()).unwrap_or(0),
    }
}

/// Whether a selector at this code gives meaning to what hangs on it; `None` where the code stands for no number.
pub(crate) fn selects(area: &Area, when: &When, code: u64) -> Option<bool> {
    let selector = &area.parameters[when.parameter];
    let width = area.fields[selector.fields.start].width;
    number(&selector.coding, width, code).map(|n| when.is.contains(&n))
}

/// The codes of an emptied entry, one a field of the area: every parameter at its blank, selectors first. What means nothing
/// at the selectors' blanks is emptied too where it shares no bit with what does. `None` where an emptied entry may hold
/// anything: what is no parameter, shows bits of another, or shares bits with what means something.
pub(crate) fn emptied(area: &Area) -> Vec<Option<u64>> {
    let mut codes = vec![None; area.fields.len()];
    let mut taken = HashSet::new();
    let mut idle = Vec::new();
    let mut put = |codes: &mut Vec<Option<u64>>, p: &Parameter| {
        let places = p.fields.clone().flat_map(|f| area.field_places(0, f));
        let bits: Vec<_> = places.map(|b| (b.chip, b.cell, b.line)).collect();
        if bits.iter().any(|b| taken.contains(b)) {
            return;
        }
        taken.extend(bits);
        let blank = blank_code(p, area.fields[p.fields.start].width);
        codes[p.fields.clone()].fill(Some(blank));
    };
    let mut open: Vec<&Parameter> = area
        .parameters
        .iter()
        .filter(|p| p.alias_of.is_none())
        .collect();
    // Round by round what hangs on no selector that is still open; a layout that was checked has selectors in no ring.
    while !open.is_empty() {
        let hangs = |p: &Parameter| {
            let selector = p.when.as_ref().map(|w| &area.parameters[w.parameter]);
            selector.is_some_and(|s| open.iter().any(|o| o.key == s.key))
        };
        let (waiting, ready): (Vec<&Parameter>, Vec<&Parameter>) =
            open.iter().copied().partition(|p| hangs(p));
        if ready.is_empty() {
            break;
        }
        for p in ready {
            let applies = p.when.as_ref().is_none_or(|w| {
                let field = area.parameters[w.parameter].fields.start;
                codes[field].and_then(|code| selects(area, w, code)) == Some(true)
            });
            match applies {
                true => put(&mut codes, p),
                false => idle.push(p),
            }
        }
        open = waiting;
    }
    for p in idle {
        put(&mut codes, p);
    }
    codes
}
