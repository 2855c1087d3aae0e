//! Parameters: what their codes can express, what is legal, and how it is shown.

use std::ops::RangeInclusive;

use super::document::{self as doc, Area};
use super::model::{Coding, Control, Parameter, Scale, When};
use super::plan::Plan;
use super::problem::{ALIAS, At, BLANK, CHARSET, LABEL, Log, Problem, RANGE, SCALE, WHEN, WIDTH};

/// The number a selector's value means: a number, or the name of one of its steps.
pub(super) fn selector_number(selector: Option<&doc::Parameter>, value: &str) -> Option<i64> {
    let named = selector.and_then(|s| match &s.scale.as_ref()?.value {
        Scale::Steps(steps) => steps
            .iter()
            .find(|(_, name)| name == value)
            .map(|(n, _)| *n),
        Scale::OnOff => match value {
            "off" => Some(0),
            "on" => Some(1),
            _ => None,
        },
        _ => None,
    });
    named.or_else(|| value.parse().ok())
}

impl Coding {
    /// Numbers that codes of `width` bits stand for; `None` where the coding cannot have that many bits.
    pub fn numbers(&self, width: u32) -> Option<RangeInclusive<i64>> {
        let power = |n: u32| 1i64.checked_shl(n).filter(|p| *p > 0);
        let top = |n: u32| match n {
            63 => Some(i64::MAX),
            _ => power(n).map(|p| p - 1),
        };
        match self {
            Coding::Unsigned | Coding::Gray if (1..=63).contains(&width) => Some(0..=top(width)?),
            Coding::TwosComplement | Coding::OffsetBinary if (1..=63).contains(&width) => {
                let half = power(width - 1)?;
                Some(-half..=half - 1)
            }
            Coding::OnesComplement | Coding::SignMagnitude if (2..=63).contains(&width) => {
                let half = power(width - 1)?;
                Some(1 - half..=half - 1)
            }
            Coding::Bcd | Coding::BcdReversed if (1..=60).contains(&width) => {
                // A part digit on top holds what its bits can say.
                let (digits, rest) = (width / 4, width % 4);
                if rest != 0 && matches!(self, Coding::BcdReversed) {
                    return None;
                }
                let whole = 10i64.pow(digits);
                Some(0..=(1i64 << rest) * whole - 1)
            }
            Coding::OneHot if (1..=63).contains(&width) => Some(0..=i64::from(width) - 1),
            Coding::Text(_) if (1..=8).contains(&width) => Some(0..=top(width)?),
            _ => None,
        }
    }
}

/// The parameters of an area.
pub(super) fn parameters(area: &Area, plan: &Plan, log: &mut Log) -> Vec<Parameter> {
    let mut out: Vec<Parameter> = Vec::with_capacity(area.parameters.len());
    for (i, p) in area.parameters.iter().enumerate() {
        let subject = format!("{} {}", area.name.value, p.key.value);
        let fields = plan.of_parameter.get(i).cloned().unwrap_or(0..0);
        let width = plan
            .fields
            .get(fields.start)
            .map_or(0, |f| u32::try_from(f.bits.len()).unwrap_or(0));
        let coding = match &p.text {
            Some(text) => Coding::Text(charset(text, width, &subject, log)),
            None => p.coding.clone(),
        };
        let all = coding.numbers(width);
        if all.is_none() && width > 0 {
            let at = if p.coding == Coding::Unsigned {
                p.bits_at
            } else {
                p.code_at
            };
            log.push(
                Problem::new(&WIDTH, at, subject.clone(), format!("this code cannot have {width} bits"))
                    .also(p.bits_at, "the bits")
                    .repair("numbers have up to 63 bits, decimal digits up to 60 in fours, characters up to 8; signed codes at least 2"),
            );
        }
        let all = all.unwrap_or(0..=0);
        let scale = p.scale.as_ref().map_or(Scale::Number, |s| s.value.clone());
        let range = range(p, &all, &scale, &subject, log);
        if let Some(s) = &p.scale {
            check_scale(
                &scale,
                &all,
                &range,
                p.range.as_ref().map(|r| r.at),
                s.at,
                &subject,
                log,
            );
            if p.text.is_some() {
                log.push(Problem::new(
                    &SCALE,
                    s.at,
                    subject.clone(),
                    "a text has no scale",
                ));
            }
        }
        if let Some(blank) = &p.blank
            && width < 64
            && blank.value >> width != 0
        {
            log.push(
                Problem::new(
                    &BLANK,
                    blank.at,
                    subject.clone(),
                    format!("{} does not fit into {width} bits", blank.value),
                )
                .also(p.bits_at, "the bits"),
            );
        }
        let (label, group) = words(p);
        let control = p.control.unwrap_or(match (&coding, &scale) {
            (Coding::Text(_), _) => Control::Text,
            (_, Scale::OnOff) => Control::Switch,
            (_, Scale::Steps(_)) => Control::Selector,
            _ => Control::Knob,
        });
        out.push(Parameter {
            key: p.key.value.clone(),
            label,
            group,
            fields,
            coding,
            scale,
            range,
            control,
            when: None,
            alias_of: None,
            blank: p.blank.as_ref().map(|b| b.value),
            evidence: p.evidence,
            note: p.note.clone(),
        });
    }
    connect(area, &mut out, log);
    labels(area, &out, log);
    out
}

/// Label and group; where they are not given, they are made of the key.
fn words(p: &doc::Parameter) -> (String, Option<String>) {
    let spoken = |part: &str| {
        let mut text = part.replace(['-', '_'], " ");
        if let Some(first) = text.get(..1) {
            let upper = first.to_uppercase();
            text.replace_range(..1, &upper);
        }
        text
    };
    let (head, tail) = match p.key.value.rsplit_once('.') {
        Some((head, tail)) => (Some(head), tail),
        None => (None, p.key.value.as_str()),
    };
    let label = p.label.clone().unwrap_or_else(|| spoken(tail));
    let group = p
        .group
        .clone()
        .or_else(|| head.map(|h| h.split('.').map(spoken).collect::<Vec<_>>().join(" ")));
    (label, group)
}

fn charset(text: &doc::Text, width: u32, subject: &str, log: &mut Log) -> Vec<Option<char>> {
    let codes = 1usize << width.min(8);
    let mut out = vec![None; codes];
    for &(code, c) in &text.charset {
        match out.get_mut(code as usize) {
            Some(slot) => *slot = Some(c),
            None => {
                log.push(
                    Problem::new(
                        &CHARSET,
                        text.charset_at,
                        subject,
                        format!(
                            "{c:?} has code {code}, and {width} bits hold codes up to {}",
                            codes - 1
                        ),
                    )
                    .repair("give the character more bits, or fewer characters to the set"),
                );
                break;
            }
        }
    }
    out
}

fn range(
    p: &doc::Parameter,
    all: &RangeInclusive<i64>,
    scale: &Scale,
    subject: &str,
    log: &mut Log,
) -> RangeInclusive<i64> {
    if let Some(range) = &p.range {
        if range.value.start() < all.start() || range.value.end() > all.end() {
            log.push(
                Problem::new(
                    &RANGE,
                    range.at,
                    subject,
                    format!(
                        "the range {} to {} reaches beyond the code, which expresses {} to {}",
                        range.value.start(),
                        range.value.end(),
                        all.start(),
                        all.end()
                    ),
                )
                .also(p.bits_at, "the bits")
                .repair("correct the range, the bits or `code`"),
            );
        }
        return range.value.clone();
    }
    match scale {
        Scale::Steps(steps) => {
            let low = steps.iter().map(|s| s.0).min().unwrap_or(0);
            let high = steps.iter().map(|s| s.0).max().unwrap_or(0);
            low..=high
        }
        Scale::OnOff => 0..=1,
        Scale::Table { values, .. } => {
            let n = i64::try_from(values.len()).unwrap_or(1).max(1);
            *all.start()..=all.start().saturating_add(n - 1).min(*all.end())
        }
        _ => all.clone(),
    }
}

/// The scale has a reading for every legal number, and no reading for a number that cannot be.
pub(super) fn check_scale(
    scale: &Scale,
    all: &RangeInclusive<i64>,
    range: &RangeInclusive<i64>,
    range_at: Option<At>,
    at: At,
    subject: &str,
    log: &mut Log,
) {
    let says = match scale {
        Scale::Steps(steps) => steps
            .iter()
            .find(|(n, _)| !all.contains(n) || !range.contains(n))
            .map(|(n, name)| {
                format!(
                    "the step {n} {name:?} is outside the numbers {} to {}",
                    range.start().max(all.start()),
                    range.end().min(all.end())
                )
            }),
        Scale::Table { values, .. } => {
            let n = i128::from(*range.end()) - i128::from(*range.start()) + 1;
            (values.len() as i128 != n).then(|| {
                format!(
                    "the table has {} values for {n} legal numbers",
                    values.len()
                )
            })
        }
        Scale::OnOff => (*range != (0..=1)).then(|| {
            format!(
                "on and off are 1 and 0, and the range is {} to {}",
                range.start(),
                range.end()
            )
        }),
        Scale::Note { base } => {
            let (low, high) = (
                base.saturating_add(*range.start()),
                base.saturating_add(*range.end()),
            );
            (low < -128 || high > 1023)
                .then(|| format!("the notes reach from MIDI note {low} to {high}; give a `range`"))
        }
        Scale::Dial { .. } | Scale::Linear { .. } | Scale::Log { .. } => (range.start()
            == range.end())
        .then(|| "a scale between two ends needs more than one number".to_owned()),
        Scale::Number => None,
    };
    if let Some(says) = says {
        let mut problem = Problem::new(&SCALE, at, subject, says);
        if let Some(range_at) = range_at {
            problem = problem.also(range_at, "the legal numbers");
        }
        log.push(problem.repair("make scale, `range` and bits agree"));
    }
}

/// Looks up selectors and aliases.
fn connect(area: &Area, out: &mut [Parameter], log: &mut Log) {
    let index: std::collections::HashMap<String, usize> = out
        .iter()
        .enumerate()
        .map(|(i, p)| (p.key.clone(), i))
        .collect();
    let selectors: Vec<Option<usize>> = area
        .parameters
        .iter()
        .map(|p| index.get(&p.when.as_ref()?.key.value).copied())
        .collect();
    for (i, p) in area.parameters.iter().enumerate() {
        let subject = format!("{} {}", area.name.value, p.key.value);
        let missing =
            |name: &str| match super::fields::nearest(name, index.keys().map(String::as_str)) {
                Some(near) => format!("did you mean {near:?}?"),
                None => "name a parameter of the same area".to_owned(),
            };
        if let Some(alias) = &p.alias_of {
            match index.get(&alias.value) {
                Some(&target) if target != i => out[i].alias_of = Some(target),
                Some(_) => log.push(Problem::new(
                    &ALIAS,
                    alias.at,
                    subject.clone(),
                    "a parameter cannot be an alias of itself",
                )),
                None => log.push(
                    Problem::new(
                        &ALIAS,
                        alias.at,
                        subject.clone(),
                        format!("no parameter has the key {:?}", alias.value),
                    )
                    .repair(missing(&alias.value)),
                ),
            }
        }
        let Some(when) = &p.when else { continue };
        let Some(&selector) = index.get(&when.key.value) else {
            log.push(
                Problem::new(
                    &WHEN,
                    when.key.at,
                    subject.clone(),
                    format!("no parameter has the key {:?}", when.key.value),
                )
                .repair(missing(&when.key.value)),
            );
            continue;
        };
        if depends_on(&selectors, selector, i) {
            log.push(Problem::new(
                &WHEN,
                when.key.at,
                subject.clone(),
                "the selector depends on this parameter itself",
            ));
            continue;
        }
        if matches!(out[selector].coding, Coding::Text(_)) {
            log.push(Problem::new(
                &WHEN,
                when.key.at,
                subject.clone(),
                "a text cannot select",
            ));
            continue;
        }
        let mut is = Vec::with_capacity(when.is.len());
        for value in &when.is {
            match selector_number(area.parameters.get(selector), &value.value) {
                Some(n) if out[selector].range.contains(&n) => is.push(n),
                Some(n) => log.push(
                    Problem::new(
                        &WHEN,
                        value.at,
                        subject.clone(),
                        format!(
                            "{} never is {n}: its numbers are {} to {}",
                            when.key.value,
                            out[selector].range.start(),
                            out[selector].range.end()
                        ),
                    )
                    .also(area.parameters[selector].at, "the selector"),
                ),
                None => log.push(
                    Problem::new(
                        &WHEN,
                        value.at,
                        subject.clone(),
                        format!("{} has no step named {:?}", when.key.value, value.value),
                    )
                    .also(area.parameters[selector].at, "the selector"),
                ),
            }
        }
        is.sort_unstable();
        is.dedup();
        if is.is_empty() && when.is.is_empty() {
            log.push(Problem::new(
                &WHEN,
                when.key.at,
                subject.clone(),
                "`is` lists no value, so this would never mean anything",
            ));
        }
        out[i].when = Some(When {
            parameter: selector,
            is,
        });
    }
}

/// True where a parameter's selectors lead back to `target`.
fn depends_on(selectors: &[Option<usize>], from: usize, target: usize) -> bool {
    let mut current = from;
    for _ in 0..64 {
        if current == target {
            return true;
        }
        match selectors.get(current).copied().flatten() {
            Some(next) => current = next,
            None => return false,
        }
    }
    true
}

/// Two controls of one kind with one label in a group cannot be told apart on a sheet.
fn labels(area: &Area, out: &[Parameter], log: &mut Log) {
    let mut seen = std::collections::HashMap::new();
    for (i, p) in out.iter().enumerate() {
        if p.alias_of.is_some() || p.when.is_some() {
            continue; // Shown in place of another, not beside it.
        }
        let first = seen.insert((p.group.as_deref(), p.label.as_str(), p.control), i);
        if let Some(first) = first.filter(|f| out[*f].key != p.key) {
            log.push(
                Problem::new(
                    &LABEL,
                    area.parameters[i].at,
                    format!("{} {}", area.name.value, p.key),
                    format!(
                        "{} and {} are both labelled {:?}",
                        out[first].key, p.key, p.label
                    ),
                )
                .also(area.parameters[first].at, "the other")
                .repair("give one of them another `label` or `group`"),
            );
        }
    }
}
