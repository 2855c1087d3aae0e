//! What the edits since an earlier reading tell: edited, replaced by another bank as a whole or in part, put in
//! another order, or saved through a faulty converter.

use std::collections::BTreeSet;

use super::given::Before;
use super::many::{Edited, How};
use super::saves;
use crate::codec::setting;
use crate::codec::{AreaCodes, Codes};
use crate::evidence::{marked, one_of};
use crate::finding::{Finding, Place, Severity};
use crate::layout::model::{FieldOwner, Layout};

/// Bits to say that presets were replaced in one stretch, before saying which.
const STRETCH: f64 = 12.0;
/// Bits by which a stretch must tell the replaced presets better than one by one before it is named.
const CLEAR: f64 = 6.0;
/// Fewest entries that make a bank.
const BANK: usize = 8;

/// The presets of one area, each with all its voices, in the order of the layout.
struct Presets {
    area: usize,
    /// Entries of each.
    groups: Vec<Vec<usize>>,
    /// Places of those of which most values are other than before.
    new: Vec<usize>,
    /// How many of these hold what another preset held before.
    moved: usize,
    /// Places of all that changed.
    changed: Vec<usize>,
    /// What each of these holds.
    rows: Vec<Vec<(u64, u64)>>,
}

impl Presets {
    fn new(before: &Before, codes: &Codes, area: usize, edited: &[usize]) -> Self {
        let shape = &before.content.shape.areas[area];
        let (now, then) = (&codes.areas[area], &before.codes.areas[area]);
        let groups = shape.presets();
        let row = |codes: &AreaCodes, group: &[usize]| -> Vec<(u64, u64)> {
            let cells = group
                .iter()
                .flat_map(|e| shape.values.iter().map(|f| codes.get(*e, *f)));
            cells.collect()
        };
        let old: Vec<_> = groups.iter().map(|g| row(then, g)).collect();
        let (mut new, mut changed, mut rows) = (Vec::new(), Vec::new(), Vec::new());
        let mut moved = 0;
        for (i, group) in groups.iter().enumerate() {
            let blank = |e: &usize| shape.mostly_emptied(&row(now, std::slice::from_ref(e)));
            // Emptied ones hold no other bank, nor do those in which a few values were set after that.
            if !group.iter().any(|e| edited.contains(e)) || group.iter().all(blank) {
                continue;
            }
            changed.push(i);
            let row = row(now, group);
            let differ = |(x, y): (&(u64, u64), &(u64, u64))| (x.0 ^ y.0) & x.1 & y.1 != 0;
            let others = row.iter().zip(&old[i]).filter(|p| differ(*p)).count();
            if others * 2 > row.len() {
                new.push(i);
                let held = |o: &Vec<(u64, u64)>| !row.iter().zip(o).any(differ);
                moved += usize::from(old.iter().any(held));
            }
            rows.push(row);
        }
        Self {
            area,
            groups,
            new,
            moved,
            changed,
            rows,
        }
    }

    /// Whether another bank was loaded over the whole area.
    fn replaced(&self) -> bool {
        let entries: usize = self.groups.iter().map(Vec::len).sum();
        // What was filled with one and the same is no bank.
        let several = self.rows.iter().collect::<BTreeSet<_>>().len() > 2;
        entries >= BANK && self.new.len() * 10 >= self.groups.len() * 8 && several
    }

    /// The longest stretch of presets that all changed, most of them wholly, where it tells the changed ones better than
    /// naming them one by one.
    fn stretch(&self) -> Option<&[usize]> {
        let (n, changed) = (self.groups.len() as u64, self.changed.len() as u64);
        let runs = self.changed.chunk_by(|a, b| a + 1 == *b);
        let best = runs.max_by_key(|run| run.len())?;
        let wholly = best.iter().filter(|p| self.new.contains(p)).count();
        let run = best.len() as u64;
        let ends = STRETCH + 2.0 * one_of(self.groups.len());
        let saved = marked(n, changed) - ends - marked(n - run, changed - run);
        // Nor is it a part of one.
        let held = self.changed.iter().zip(&self.rows);
        let held = held.filter(|(p, _)| best.contains(p)).map(|(_, row)| row);
        let several = held.collect::<BTreeSet<_>>().len() * 2 > best.len();
        (saved > CLEAR && wholly * 10 >= best.len() * 8 && several).then_some(best)
    }

    /// The finding about presets replaced together, and the entries it tells of.
    fn finding(&self, before: &Before) -> Option<(Finding, Vec<usize>)> {
        let area = &before.content.layout.areas[self.area];
        let (n, new) = (self.groups.len(), self.new.len());
        let label = |p: usize| area.entry_label(self.groups[p][0]);
        let (f, told) = if self.replaced() && self.moved * 2 >= new {
            let f = Finding::new(
                "bank.reordered",
                Severity::Caution,
                format!(
                    "{}: {} of {n} hold what another held before",
                    area.name, self.moved
                ),
            )
            .means("No sound was lost: the presets stand in another order.")
            .act("Ask the owner which order is wanted; `compare` tells which preset went where.");
            (f, &self.changed[..])
        } else if self.replaced() {
            let f = Finding::new(
                "bank.replaced",
                Severity::Caution,
                format!(
                    "{}: {new} of {n} hold other settings than before, all of them plausible",
                    area.name
                ),
            )
            .means("This is not damage: another bank was loaded over the one read earlier, a factory set for example.")
            .act("Ask the owner which bank is wanted; the earlier reading is the only copy of the former one.");
            (f, &self.changed[..])
        } else {
            let run = self.stretch()?;
            let (first, last) = (*run.first()?, *run.last()?);
            let f = Finding::new(
                "presets.replaced",
                Severity::Caution,
                format!(
                    "{} to {}: all {} hold other settings than before, without a gap",
                    label(first),
                    label(last),
                    run.len()
                ),
            )
            .means("What stands there is plausible. Either the owner loaded part of a bank, or a load from tape or computer broke off.")
            .act("Ask the owner; the earlier reading is the only copy of what stood there.");
            (f, run)
        };
        let told: Vec<usize> = told
            .iter()
            .flat_map(|p| self.groups[*p].iter().copied())
            .collect();
        let entries = told.iter().map(|e| area.entry_label(*e)).collect();
        let f = f.at(Place {
            entries,
            ..Place::default()
        });
        Some((f, told))
    }
}

/// Findings about entries that changed as a whole: edited, replaced, or saved through a faulty converter.
///
/// `codes` are the contents as far as they can be told, `sure` those that are seen.
pub(super) fn findings(
    before: &Before,
    codes: &Codes,
    sure: &Codes,
    edits: &Edited,
) -> Vec<Finding> {
    let layout = before.content.layout;
    let found: Vec<Option<Presets>> = (0..layout.areas.len())
        .map(|a| {
            let repeats = !layout.areas[a].axes.is_empty();
            repeats.then(|| Presets::new(before, codes, a, edits.of(a)))
        })
        .collect();
    let another_bank = found.iter().flatten().any(Presets::replaced);
    let moved = saves::moved(before, codes, sure, edits);
    let converter = saves::finding(before, codes, &moved, another_bank);
    // What a faulty converter saved is the owner's own, however much of it differs.
    let own = converter.is_some();
    let mut out = Vec::from_iter(converter);
    let mut labels = Vec::new();
    let (mut presets, mut emptied) = (0, 0);
    // What is not told of yet.
    let mut left = Edited::default();
    for (a, area) in layout.areas.iter().enumerate() {
        let mut edited = edits.of(a).to_vec();
        if let Some(found) = &found[a] {
            if !own && let Some((f, told)) = found.finding(before) {
                out.push(f);
                edited.retain(|e| !told.contains(e));
            }
            let values = &before.content.shape.areas[a].values;
            let differs = |e: &usize| {
                values
                    .iter()
                    .any(|f| codes.areas[a].code(*e, *f) != before.codes.areas[a].code(*e, *f))
            };
            let shape = &before.content.shape.areas[a];
            let blank = |e: &&usize| {
                let row: Vec<_> = shape
                    .values
                    .iter()
                    .map(|f| codes.areas[a].get(**e, *f))
                    .collect();
                shape.emptied(&row)
            };
            presets += edited.iter().filter(|e| differs(e)).count();
            emptied += edited.iter().filter(blank).count();
        }
        labels.extend(edited.iter().map(|e| area.entry_label(*e)));
        left.entries.push(edited);
    }
    if labels.is_empty() {
        return out;
    }
    let mut f = Finding::new(
        "entries.edited",
        Severity::Note,
        match labels.len() {
            1 => "1 entry was changed by its owner since the earlier reading".to_owned(),
            n => format!("{n} entries were changed by their owner since the earlier reading"),
        },
    )
    .at(Place {
        entries: labels,
        ..Place::default()
    })
    .means("Whole values changed to plausible ones: edits, not damage.");
    f.evidence = vec![format!(
        "{presets} of them hold presets; {} knobs moved",
        saves::moved(before, codes, sure, &left).len()
    )];
    f.evidence.extend(alike(layout, codes, edits));
    if emptied > 0 {
        f.evidence.push(format!("{emptied} of them were emptied"));
    }
    out.push(f);
    out
}

/// Which controls were set or shifted alike in many entries.
fn alike(layout: &Layout, codes: &Codes, edits: &Edited) -> Vec<String> {
    let told = edits.alike.iter().filter_map(|alike| {
        let area = &layout.areas[alike.area];
        let (field, n) = match alike.how {
            How::Set(field, _) | How::Shifted(field, _) => (field, alike.entries.len()),
            How::Emptied | How::Filled => return None,
        };
        let FieldOwner::Parameter(p) = area.fields[field].owner else {
            return None;
        };
        let parameter = &area.parameters[p];
        let done = match alike.how {
            How::Shifted(_, step) => format!("moved by {step:+} codes"),
            _ => {
                let code = codes.areas[alike.area].code(*alike.entries.first()?, field)?;
                let setting = setting::show(parameter, area.fields[field].width, code);
                format!("set to {setting}")
            }
        };
        Some(format!("{} was {done} in {n} of them", parameter.label))
    });
    told.collect()
}
