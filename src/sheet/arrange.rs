//! A bank arranged for the eye: a page a preset, controls under the panel's headings, voices together where they
//! agree.

use std::collections::BTreeMap;

use super::view::{Face, Group, Item, Mark, Page, Stand, Strip, Value};
use crate::bank::{Bank, BankCheck, BankEntry, BankValue, Code};
use crate::codec::{coding, low_mask, setting};
use crate::finding::{Finding, Severity};
use crate::hand_set::{FilledForm, HandSetting};
use crate::layout::model::{Area, Coding, HandSet, Layout, Parameter};
use crate::reading;

/// The axis that gives a page to each of its positions.
const PAGE_AXIS: &str = "preset";
/// Failing entries of one check from which on they are told in one remark.
const MOST_CHECKS: usize = 3;
/// Heading of hand-set controls that the layout gives none.
const BY_HAND: &str = "Set by hand";

/// What an arrangement is made from.
#[derive(Clone, Copy)]
pub struct Source<'a> {
    /// The layout.
    pub layout: &'a Layout,
    /// The bank decoded by it, in its order; see [`crate::bank::arranged`].
    pub bank: &'a Bank,
    /// Findings about the reading; those of caution or damage mark what they name.
    pub findings: &'a [Finding],
    /// The hand-set form, where one was filled in.
    pub form: Option<&'a FilledForm>,
    /// The entries wanted, by area; all where absent. A page is made where one of its entries is wanted.
    pub only: Option<&'a [(usize, Vec<usize>)]>,
}

/// The pages of a bank in the order of the layout: one a preset, then one an area that has no presets.
pub fn pages(source: Source<'_>) -> Vec<Page> {
    let mut pages: Vec<Page> = Vec::new();
    let mut at: BTreeMap<String, usize> = BTreeMap::new();
    let areas = source.layout.areas.iter().zip(&source.bank.areas);
    let (by_preset, others): (Vec<_>, Vec<_>) = areas
        .enumerate()
        .partition(|(_, (area, _))| page_axis(area).is_some());
    let wanted = |a: usize, entries: &[usize]| {
        source.only.is_none_or(|only| {
            only.iter()
                .any(|(at, list)| *at == a && list.iter().any(|e| entries.contains(e)))
        })
    };
    for (a, (area, values)) in by_preset {
        let Some(axis) = page_axis(area) else {
            continue;
        };
        let mut by_page = vec![Vec::new(); area.axes[axis].labels.len()];
        for e in 0..area.entries() {
            by_page[area.indices(e)[axis]].push(e);
        }
        for (label, entries) in area.axes[axis].labels.iter().zip(by_page) {
            if !wanted(a, &entries) {
                continue;
            }
            let page = *at.entry(label.clone()).or_insert_with(|| {
                pages.push(Page {
                    title: format!("{} {label}", capital(&area.axes[axis].name)),
                    ..Page::default()
                });
                pages.len() - 1
            });
            fill(
                &mut pages[page],
                source,
                area,
                &values.entries,
                &entries,
                Some(axis),
            );
        }
    }
    if !source.layout.hand_set.is_empty() {
        let hand = hand_set(source.layout, source.form);
        for page in &mut pages {
            for group in &hand {
                join(&mut page.groups, group.clone());
            }
        }
    }
    for (a, (area, values)) in others {
        let mut page = Page {
            title: capital(&area.name),
            ..Page::default()
        };
        let all: Vec<usize> = (0..area.entries()).collect();
        if !wanted(a, &all) {
            continue;
        }
        fill(&mut page, source, area, &values.entries, &all, None);
        pages.push(page);
    }
    pages.retain(|p| !p.groups.is_empty() || !p.strips.is_empty());
    pages
}

/// Every stored control of the panel with nothing set, for noting positions by hand.
pub fn blank_panel(layout: &Layout) -> Vec<Group> {
    let mut groups = Vec::new();
    for area in layout.areas.iter().filter(|a| page_axis(a).is_some()) {
        for (p, parameter) in area.parameters.iter().enumerate() {
            if parameter.alias_of.is_none() {
                let value = Value::default();
                push(&mut groups, area, parameter, face(area, p), vec![value]);
            }
        }
    }
    groups
}

/// The hand-set controls under their headings, with the positions noted in a form.
pub fn hand_set(layout: &Layout, form: Option<&FilledForm>) -> Vec<Group> {
    let mut groups = Vec::new();
    for control in &layout.hand_set {
        let settings: Vec<&HandSetting> = form
            .iter()
            .flat_map(|f| &f.controls)
            .filter(|s| s.key == control.key)
            .collect();
        let item = Item {
            label: control.label.clone(),
            face: Face::new(
                control.control,
                &control.scale,
                *control.range.start(),
                *control.range.end(),
            ),
            values: noted(control, &settings),
        };
        let heading = control.group.clone().unwrap_or_else(|| BY_HAND.to_owned());
        join(
            &mut groups,
            Group {
                heading,
                items: vec![item],
            },
        );
    }
    groups
}

/// Positions noted by hand, together where they are the same.
fn noted(control: &HandSet, settings: &[&HandSetting]) -> Vec<Value> {
    let one = |setting: Option<&&HandSetting>| Value {
        stand: Stand {
            number: setting.and_then(|s| s.number),
            setting: setting.map_or_else(String::new, |s| s.written.clone()),
            code: String::new(),
        },
        marks: vec![Mark::ByHand],
        ..Value::default()
    };
    let Some(axis) = &control.per else {
        return vec![one(settings.first())];
    };
    let each = axis.labels.iter().map(|label| {
        let at = format!("{} {label}", axis.name);
        let setting = settings.iter().find(|s| s.at.as_deref() == Some(&at));
        (label.clone(), one(setting))
    });
    // A blank form needs a place for each voice; noted positions that agree share one.
    if settings.is_empty() {
        return each
            .map(|(label, value)| Value {
                of: format!("{} {label}", axis.name),
                ..value
            })
            .collect();
    }
    merge(&axis.name, each.collect())
}

/// The axis whose positions have a page each.
pub(super) fn page_axis(area: &Area) -> Option<usize> {
    area.axes
        .iter()
        .position(|a| a.name.eq_ignore_ascii_case(PAGE_AXIS))
}

/// Adds the entries of an area that belong on a page.
fn fill(
    page: &mut Page,
    source: Source<'_>,
    area: &Area,
    values: &[BankEntry],
    entries: &[usize],
    page_axis: Option<usize>,
) {
    let axes: Vec<usize> = (0..area.axes.len())
        .filter(|a| Some(*a) != page_axis)
        .collect();
    let whose = match axes.as_slice() {
        [one] => area.axes[*one].name.clone(),
        _ => String::new(),
    };
    for (p, parameter) in area.parameters.iter().enumerate() {
        if parameter.alias_of.is_some() {
            continue;
        }
        let shown: Vec<(String, Value)> = entries
            .iter()
            .filter_map(|&entry| {
                let value = values.get(entry)?.parameters.get(p)?;
                let suspect = is_suspect(source.findings, &area.entry_label(entry), &parameter.key);
                Some((
                    label_of(area, entry, &axes, &whose),
                    show(area, p, value, suspect),
                ))
            })
            .collect();
        if page.name.is_empty()
            && matches!(parameter.coding, Coding::Text(_))
            && shown.len() == 1
            && shown[0].1.marks.is_empty()
        {
            page.name = shown[0].1.stand.setting.trim().to_owned();
            continue;
        }
        // Among presets, voices that agree share a control; elsewhere the order of an axis means something.
        if page_axis.is_some() || axes.is_empty() {
            let values = merge(&whose, shown);
            push(&mut page.groups, area, parameter, face(area, p), values);
        } else {
            strip(page, area, p, &whose, shown);
        }
    }
    remarks(page, source, area, entries);
}

/// What checks and findings say about entries as a whole.
fn remarks(page: &mut Page, source: Source<'_>, area: &Area, entries: &[usize]) {
    let labels: Vec<String> = entries.iter().map(|&e| area.entry_label(e)).collect();
    for check in &area.checks {
        let failing: Vec<&BankCheck> = source
            .bank
            .checks
            .iter()
            .filter(|c| c.area == area.name && c.key == check.key)
            .filter(|c| c.entry.as_ref().is_some_and(|e| labels.contains(e)))
            .collect();
        if failing.len() > MOST_CHECKS {
            let whose: Vec<&str> = failing.iter().filter_map(|c| c.entry.as_deref()).collect();
            page.remarks.push(format!(
                "The check \u{201c}{}\u{201d} does not hold in {} of {}: {}.",
                check.key,
                failing.len(),
                entries.len(),
                whose.join(", ")
            ));
            continue;
        }
        page.remarks
            .extend(failing.iter().map(|c| remark(c, entries.len() > 1)));
    }
    for finding in source.findings.iter().filter(|f| {
        f.severity > Severity::Note
            && f.place.parameters.is_empty()
            && f.place.entries.iter().any(|e| labels.contains(e))
            && !f.code.starts_with("check.")
    }) {
        if !page.remarks.contains(&finding.says) {
            page.remarks.push(finding.says.clone());
        }
    }
}

/// Adds a control that an axis repeats to the strip of its group.
fn strip(page: &mut Page, area: &Area, p: usize, axis: &str, shown: Vec<(String, Value)>) {
    let parameter = &area.parameters[p];
    let heading = parameter.group.clone().unwrap_or_default();
    let (labels, values): (Vec<_>, Vec<_>) = shown.into_iter().unzip();
    let row = Item {
        label: parameter.label.clone(),
        face: face(area, p),
        values,
    };
    match page.strips.iter_mut().find(|s| s.heading == heading) {
        Some(strip) => strip.rows.push(row),
        None => page.strips.push(Strip {
            heading,
            axis: axis.to_owned(),
            labels,
            rows: vec![row],
        }),
    }
}

/// A failing check in plain words.
fn remark(check: &BankCheck, several: bool) -> String {
    let whose = match &check.entry {
        Some(label) if several => format!(" of {label}"),
        _ => String::new(),
    };
    match (check.stored, check.computed) {
        (Some(stored), Some(computed)) => format!(
            "The check \u{201c}{}\u{201d}{whose} does not hold: {stored:X}h stored, {computed:X}h computed. \
             Compare this preset by ear.",
            check.key
        ),
        _ => format!(
            "The check \u{201c}{}\u{201d}{whose} covers bits that could not be read.",
            check.key
        ),
    }
}

/// Whether a finding casts doubt on one value.
fn is_suspect(findings: &[Finding], entry: &str, key: &str) -> bool {
    findings.iter().any(|f| {
        f.severity > Severity::Note
            // Told of each value by itself.
            && !matches!(f.code.as_str(), "code.illegal" | "value.unknown")
            && f.place.parameters.iter().any(|p| p == key)
            && f.place.entries.iter().any(|e| e == entry)
    })
}

/// Whose value it is among those that share a page.
pub(super) fn label_of(area: &Area, entry: usize, axes: &[usize], whose: &str) -> String {
    let indices = area.indices(entry);
    let each = axes.iter().map(|&a| {
        let label = &area.axes[a].labels[indices[a]];
        if whose.is_empty() {
            format!("{} {label}", area.axes[a].name)
        } else {
            label.clone()
        }
    });
    each.collect::<Vec<_>>().join(", ")
}

/// The face of a stored parameter.
pub(super) fn face(area: &Area, p: usize) -> Face {
    let parameter = &area.parameters[p];
    let (mut low, mut high) = (*parameter.range.start(), *parameter.range.end());
    if low > high {
        (low, high) = coding::bounds(&parameter.coding, area.fields[parameter.fields.start].width);
    }
    Face::new(parameter.control, &parameter.scale, low, high)
}

/// A bank's value as it is drawn.
fn show(area: &Area, p: usize, value: &BankValue, suspect: bool) -> Value {
    let parameter = &area.parameters[p];
    let width = area.fields[parameter.fields.start].width;
    let mut marks = Vec::new();
    let mut stand = Stand {
        number: None,
        setting: value.setting.as_deref().unwrap_or_default().to_owned(),
        code: String::new(),
    };
    let text = matches!(parameter.coding, Coding::Text(_));
    match (&value.code, &value.known) {
        (Some(Code::One(code)), None) if !text => {
            stand.number = coding::number(&parameter.coding, width, *code);
            stand.code = code.to_string();
            if value.applies && !setting::legal(parameter, width, *code) {
                marks.push(Mark::Illegal);
                stand.setting = "\u{2014}".to_owned();
            }
        }
        (Some(Code::One(code)), Some(Code::One(known))) => {
            marks.push(Mark::Unknown);
            if known & low_mask(width) != 0 {
                stand.code = partly(*code, *known, width);
            }
        }
        (_, Some(_)) | (None, _) => marks.push(Mark::Unknown),
        _ => {}
    }
    if suspect {
        marks.push(Mark::Suspect);
    }
    match value.origin.as_deref() {
        Some("mended") => marks.push(Mark::Mended),
        Some(reading::BY_HAND) => marks.push(Mark::Entered),
        Some("edited" | "set" | "copied" | "swapped" | "blanked") => marks.push(Mark::Edited),
        Some("settled") => marks.push(Mark::Settled),
        _ => {}
    }
    if !value.applies {
        marks.push(Mark::Idle);
    }
    Value {
        stand,
        marks,
        ..Value::default()
    }
}

/// A code of which some bits are unknown, in binary: `01?1`.
fn partly(code: u64, known: u64, width: u8) -> String {
    (0..width)
        .rev()
        .map(|bit| match (known >> bit & 1, code >> bit & 1) {
            (0, _) => '?',
            (_, 0) => '0',
            _ => '1',
        })
        .collect()
}

/// Values of several entries, those that agree put together: one without a label where all agree.
pub(super) fn merge(axis: &str, shown: Vec<(String, Value)>) -> Vec<Value> {
    let mut groups: Vec<(Vec<String>, Value)> = Vec::new();
    let count = shown.len();
    for (label, value) in shown {
        match groups.iter_mut().find(|(_, v)| *v == value) {
            Some((labels, _)) => labels.push(label),
            None => groups.push((vec![label], value)),
        }
    }
    let all_agree = groups.len() == 1;
    groups
        .into_iter()
        .map(|(labels, value)| Value {
            of: if all_agree || count == 1 {
                String::new()
            } else {
                whose(axis, &labels)
            },
            ..value
        })
        .collect()
}

/// "voice 3", "voices 1, 2".
pub(super) fn whose(axis: &str, labels: &[String]) -> String {
    let list = labels.join(", ");
    match (axis, labels.len()) {
        ("", _) => list,
        (_, 1) => format!("{axis} {list}"),
        _ => format!("{axis}s {list}"),
    }
}

fn push(groups: &mut Vec<Group>, area: &Area, p: &Parameter, face: Face, values: Vec<Value>) {
    let heading = match &p.group {
        Some(heading) => heading.clone(),
        None if page_axis(area).is_some() => String::new(),
        None => capital(&area.name),
    };
    let item = Item {
        label: p.label.clone(),
        face,
        values,
    };
    join(
        groups,
        Group {
            heading,
            items: vec![item],
        },
    );
}

/// Adds a group's controls under the heading of the same name, or the group itself.
pub(super) fn join(groups: &mut Vec<Group>, group: Group) {
    match groups.iter_mut().find(|g| g.heading == group.heading) {
        Some(there) => there.items.extend(group.items),
        None => groups.push(group),
    }
}

/// The first letter large.
pub(super) fn capital(text: &str) -> String {
    let mut chars = text.chars();
    match chars.next() {
        Some(first) => first.to_uppercase().chain(chars).collect(),
        None => String::new(),
    }
}
