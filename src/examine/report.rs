//! From explanations to findings, verdicts and pictures.

use std::sync::Arc;

use super::cause::{Names, SCATTERED, Shared};
use super::content::Content;
use super::entries::{Hidden, name_entries, verdicts};
use super::facts::{self, Broken};
use super::given::Before;
use super::verdict::Marks;
use super::weigh::{Bench, Explanation, memory_of, terms};
use super::{
    Contents, Examination, ExamineError, Examined, Ranked, Rival, edits, flips, unread, voices,
};
use crate::evidence::shares;
use crate::finding::{Finding, Severity};
use crate::image::ChipImage;

/// Explanations listed.
const LISTED: usize = 5;
/// Chance from which another explanation is worth a thought: chances are stated to one in ten thousand.
const LIKELY: f64 = 1e-4;
/// Bits within which a rival is named as what else it could be.
const RIVAL: f64 = 12.0;

pub(super) fn examine(
    seen: &[ChipImage],
    ids: &[String],
    content: Option<&Content>,
    earlier: Option<&[ChipImage]>,
) -> Result<Examined, ExamineError> {
    let names = Names { ids: ids.to_vec() };
    let all_unknown = seen.iter().all(|c| c.unknown_bits() == c.bits());
    let memory = content.map(|c| memory_of(c, seen)).transpose()?;
    let before = match (content, earlier) {
        (Some(content), Some(earlier)) => Some(Before::new(content, memory_of(content, earlier)?)),
        _ => None,
    };
    let told = match (content, &memory) {
        (Some(content), Some(memory)) => Some(Arc::new(content.tell(memory))),
        _ => None,
    };
    let bench = Bench {
        seen,
        earlier,
        content,
        before: before.as_ref(),
    };
    let ranked = if all_unknown {
        vec![bench.weigh(Vec::new())]
    } else {
        bench.search(told.as_ref())
    };
    let Some(best) = ranked.first() else {
        return Err(ExamineError::Empty);
    };
    let mut marks = Marks::new(seen);
    let mut findings = Vec::new();
    if all_unknown {
        findings.push(
            Finding::new(
                "reading.empty",
                Severity::Damage,
                "every bit of the reading is unknown: there is nothing to examine",
            )
            .act("Read the chips; if several reads were settled, mend what settling named first."),
        );
    }
    let mut contents = contents(&bench, best);
    // What explains most comes first, whatever was found first.
    let saved: Vec<f64> = best
        .causes
        .iter()
        .map(|c| saved(c, &ranked, best))
        .collect();
    let mut order: Vec<usize> = (0..saved.len()).collect();
    order.sort_by(|a, b| saved[*b].total_cmp(&saved[*a]));
    let mut undone = seen.to_vec();
    // What each cause leaves once it is undone, as they are undone one by one: its place among those told, and the rest.
    let mut stages: Vec<(usize, Vec<ChipImage>)> = Vec::new();
    for (i, cause) in best.causes.iter().enumerate().rev() {
        let at = order.iter().position(|o| *o == i).unwrap_or(i);
        let letter = b'A' + (at % 26) as u8;
        let shown = undone.clone();
        cause.undo(&mut undone, false);
        mark_changes(&mut marks, &shown, &undone, letter);
        stages.push((at, undone.clone()));
    }
    for (at, cause) in order.iter().map(|i| &best.causes[*i]).enumerate() {
        let mut f = tell_cause(cause, at, &ranked, best, &names);
        if content.is_none()
            && let Some((severity, otherwise)) = by_design(cause.code())
        {
            f.severity = severity;
            f.otherwise.push(otherwise.to_owned());
        }
        findings.push(f);
    }
    let flips = contents.flips.clone();
    let flips = &flips;
    for (chip, cell, line) in flips {
        marks.set(*chip, *cell, *line, b'x');
    }
    // Where flips are all there is, the checks that fail say how many there are, whether they are placed or not.
    let only_flips = best.causes.iter().all(|c| c.flipped() > 0.0);
    let share = match (content, &memory, earlier) {
        (Some(content), Some(memory), None) if only_flips && !flips.is_empty() => {
            content.flipped_share(memory)
        }
        _ => None,
    };
    contents.flip_rate = contents.flip_rate.max(share.unwrap_or(0.0));
    let scene = flips::Scene {
        seen,
        names: &names,
        share,
        all_shown: earlier.is_some(),
    };
    let (mut told, by_flips) = flips::findings(best, &ranked, flips, &scene);
    let unplaced = order.iter().position(|i| best.causes[*i].flipped() > 0.0);
    if let Some(f) = unplaced.and_then(|at| findings.get_mut(at)) {
        // The few that are placed are some of those told of already.
        told.retain(|f| f.code != SCATTERED);
        f.evidence.extend(share.map(|share| {
            format!(
                "as many checks fail as {:.1} % of flipped bits break; {} of them are placed, marked x in the picture",
                100.0 * share,
                flips.len()
            )
        }));
    }
    let mut flip_codes: Vec<String> = Vec::new();
    for f in &told {
        if !flip_codes.contains(&f.code) {
            flip_codes.push(f.code.clone());
        }
    }
    // Among the causes where what the flips save has its place.
    let ahead = order.iter().take_while(|i| saved[**i] >= by_flips).count();
    let flips_at = findings.len() - order.len() + ahead;
    let shift = told.len();
    let place = |at: usize| at + if at < ahead { 0 } else { shift };
    findings.splice(flips_at..flips_at, told);
    let mut entries = Vec::new();
    if let (Some(content), Some(memory)) = (content, &memory) {
        let mut broken = facts::broken(content, memory);
        let of = broken.len();
        let mut sure = undone.clone();
        for (chip, cell, line) in flips {
            if let Some(c) = sure.get_mut(*chip) {
                c.set_bit(*cell, *line, None);
            }
        }
        let after = memory_of(content, &sure)?;
        let left = facts::broken(content, &after);
        for (at, stage) in &stages {
            let rest = facts::broken(content, &memory_of(content, stage)?);
            explain_facts(findings.get_mut(place(*at)), &broken, &rest, of);
            broken = rest;
        }
        // What is left by the causes, the flips explain.
        let by_flips = (shift > 0).then_some(flips_at).or(unplaced.map(place));
        explain_facts(
            by_flips.and_then(|at| findings.get_mut(at)),
            &broken,
            &left,
            of,
        );
        count_broken(&mut findings, unplaced.map(place), left.len());
        let moves = (0..order.len()).filter(|at| best.causes[order[*at]].rearranges());
        doubt_orders(&mut findings, moves.map(place), &left);
        findings.extend(facts::findings(content, &after, &left));
        let mut edited = None;
        if let Some(before) = &before {
            let truth = content.codec.decode(&memory_of(content, &best.truth)?);
            let sure = content.codec.decode(&after);
            findings.extend(edits::findings(before, &truth, &sure, &best.edits));
            edited = Some((before, &best.edits, truth));
        }
        let causes: Vec<&Shared> = order.iter().map(|i| &best.causes[*i]).collect();
        let hidden = Hidden {
            flipped: contents.flip_rate,
            edited,
        };
        entries = verdicts(content, &undone, &marks, &left, &causes, &hidden)?;
        let unread = unread::judge(&mut entries, content.layout, seen);
        if best.causes.is_empty() && flips.is_empty() && left.is_empty() && unread.is_none() {
            findings.extend(voices::finding(content, &content.codec.decode(memory)));
        }
        findings.extend(unread.filter(|_| !all_unknown));
    } else if earlier.is_some() {
        findings.extend(bare_changes(best, earlier.unwrap_or_default()));
    }
    name_entries(&mut findings, &entries, (0..order.len()).map(place));
    let lengths: Vec<f64> = ranked.iter().take(LISTED).map(|e| e.bits).collect();
    Ok(Examined {
        examination: Examination {
            layout: content.map(|c| c.layout.id.clone()),
            chips: Vec::new(),
            earlier: earlier.is_some(),
            reads: Vec::new(),
            findings,
            explanations: ranked
                .iter()
                .zip(shares(&lengths))
                .enumerate()
                .map(|(i, (e, sure))| Ranked {
                    causes: codes(e, (i == 0).then_some(&flip_codes)),
                    bits: e.bits,
                    sure,
                })
                .collect(),
            entries,
            pictures: marks.pictures(seen, ids),
        },
        reordered: best
            .causes
            .iter()
            .filter(|c| c.rearranges())
            .map(|c| c.code().to_owned())
            .collect(),
        rivals: rivals(&bench, &ranked),
        contents,
        earlier: None,
    })
}

/// What the chips hold by an explanation.
fn contents(bench: &Bench, e: &Explanation) -> Contents {
    let mut undone = bench.seen.to_vec();
    let mut shown = bench.seen.to_vec();
    for cause in e.causes.iter().rev() {
        cause.undo(&mut undone, false);
        if cause.rearranges() {
            cause.undo(&mut shown, false);
        }
    }
    let flips = settled_flips(bench.flips(e), bench.seen);
    let bits: u64 = bench.seen.iter().map(ChipImage::bits).sum();
    let placed = flips.len() as f64 / bits.max(1) as f64;
    Contents {
        undone,
        shown,
        flip_rate: placed.max(terms(&e.causes).flipped),
        flips,
    }
}

/// The explanations that may be true instead of the best, each with its share of the belief in all that were weighed.
fn rivals(bench: &Bench, ranked: &[Explanation]) -> Vec<Rival> {
    let lengths: Vec<f64> = ranked.iter().map(|e| e.bits).collect();
    let others = ranked.iter().zip(shares(&lengths)).skip(1);
    others
        .filter(|(_, sure)| *sure >= LIKELY)
        .map(|(e, sure)| Rival {
            causes: codes(e, None),
            sure,
            contents: contents(bench, e),
        })
        .collect()
}

/// The codes of an explanation, flips included, as they are told where that is known.
fn codes(e: &Explanation, flips: Option<&Vec<String>>) -> Vec<String> {
    let mut out: Vec<String> = e.causes.iter().map(|c| c.code().to_owned()).collect();
    match flips {
        Some(told) => out.extend(told.iter().cloned()),
        None if e.flips > 0 => out.push(SCATTERED.to_owned()),
        None => {}
    }
    out
}

/// Marks bits that a cause lost or moved.
fn mark_changes(marks: &mut Marks, shown: &[ChipImage], undone: &[ChipImage], letter: u8) {
    for (chip, (s, u)) in shown.iter().zip(undone).enumerate() {
        for cell in 0..s.values().len().min(u.values().len()) {
            let changed = s.known()[cell] & !u.known()[cell]
                | (s.values()[cell] ^ u.values()[cell]) & s.known()[cell] & u.known()[cell];
            for line in 0..s.width() {
                if changed >> line & 1 == 1 {
                    marks.set(chip, cell as u32, line, letter);
                }
            }
        }
    }
}

fn key(c: &Shared) -> String {
    format!("{c:?}")
}

/// The explanations that do without a cause, best first.
fn without<'e>(cause: &Shared, ranked: &'e [Explanation]) -> impl Iterator<Item = &'e Explanation> {
    let me = key(cause);
    let has = move |e: &Explanation| e.causes.iter().any(|c| key(c) == me);
    ranked.iter().filter(move |e| !has(e))
}

/// Bits that a cause of the best explanation saves against doing without it.
fn saved(cause: &Shared, ranked: &[Explanation], best: &Explanation) -> f64 {
    without(cause, ranked)
        .next()
        .map_or(f64::INFINITY, |e| e.bits)
        - best.bits
}

/// The finding of one cause of the best explanation, with figures and rivals.
fn tell_cause(
    cause: &Shared,
    at: usize,
    ranked: &[Explanation],
    best: &Explanation,
    names: &Names,
) -> Finding {
    let mut f = cause.tell(names);
    let rivals: Vec<&Explanation> = without(cause, ranked).collect();
    let saved = saved(cause, ranked, best);
    f.sure = Some(1.0 / (1.0 + (-saved).exp2()));
    let sound = ranked
        .iter()
        .find(|e| e.causes.is_empty())
        .map_or(0.0, |e| e.bits - best.bits);
    if sound < 1.0 {
        // As likely as not there is nothing.
        f.severity = Severity::Note;
    } else if saved < 3.0 {
        f.severity = Severity::Caution;
    }
    f.evidence.insert(
        0,
        format!(
            "saves {sound:.0} bits against a sound reading, {:.0} against the next best explanation",
            saved.min(1e6)
        ),
    );
    let mut named = Vec::new();
    for rival in rivals.iter().filter(|e| e.bits < best.bits + RIVAL) {
        for c in &rival.causes {
            let says = c.tell(names).says;
            if !best.causes.iter().any(|b| key(b) == key(c)) && !named.contains(&says) {
                named.push(says);
            }
        }
    }
    named.truncate(2);
    for n in named.into_iter().rev() {
        f.otherwise.insert(0, n);
    }
    if !cause.chips().is_empty() {
        f.evidence.push(format!(
            "marked {} in the picture",
            char::from(b'A' + (at % 26) as u8)
        ));
    }
    f
}

/// Flips that concern bits still standing after the causes are undone.
fn settled_flips(mut flips: Vec<(usize, u32, u8)>, seen: &[ChipImage]) -> Vec<(usize, u32, u8)> {
    flips.retain(|(chip, cell, line)| {
        let image = seen.get(*chip);
        image.is_some_and(|c| c.bit(*cell, *line).is_some())
    });
    flips
}

/// Counts with a cause which broken promises it explains, `of` so many.
fn explain_facts(finding: Option<&mut Finding>, seen: &[Broken], left: &[Broken], of: usize) {
    let explained = seen.iter().filter(|b| !left.contains(b)).count();
    if explained > 0
        && let Some(f) = finding
    {
        // However little the cause says, the promises are broken: an earlier reading must not hide what a check shows.
        f.severity = f.severity.max(Severity::Caution);
        f.evidence.push(format!(
            "explains {explained} of {of} broken promises of the layout (failed checks, impossible codes, differing copies)",
        ));
    }
}

/// Tells with flips that cannot be placed what they rest on.
fn count_broken(findings: &mut [Finding], unplaced: Option<usize>, left: usize) {
    if let Some(f) = unplaced.and_then(|at| findings.get_mut(at)) {
        f.evidence.push(format!(
            "{} promises of the layout are broken, as many as so many flips break",
            left
        ));
    }
}

/// Says of contents in another order that they are not complete once put back, where promises are broken even then.
fn doubt_orders(findings: &mut [Finding], moves: impl Iterator<Item = usize>, left: &[Broken]) {
    if left.is_empty() {
        return;
    }
    for at in moves {
        if let Some(f) = findings.get_mut(at) {
            f.means = Some(format!(
                "Put back in order, {} promises of the layout are still broken (failed checks, impossible codes, differing copies): something else is wrong as well, or instead.",
                left.len()
            ));
        }
    }
}

/// What may be on purpose where no layout says otherwise, and how grave the finding is then.
fn by_design(code: &str) -> Option<(Severity, &'static str)> {
    Some(match code {
        "line.stuck" => (Severity::Caution, "the instrument does not use that line"),
        "address.stuck" => (
            Severity::Caution,
            "the instrument keeps two copies that are alike, or the chip is half as large as its file",
        ),
        "chip.half" => (
            Severity::Note,
            "a part four bits wide was read as one of eight",
        ),
        _ => return None,
    })
}

fn bare_changes(best: &Explanation, earlier: &[ChipImage]) -> Vec<Finding> {
    let changed: u64 = best
        .truth
        .iter()
        .zip(earlier)
        .map(|(t, e)| {
            (0..t.values().len().min(e.values().len()))
                .filter(|c| (t.values()[*c] ^ e.values()[*c]) & t.known()[*c] & e.known()[*c] != 0)
                .count() as u64
        })
        .sum();
    if changed == 0 {
        return Vec::new();
    }
    vec![
        Finding::new(
            "cells.changed",
            Severity::Note,
            format!("{changed} cells changed since the earlier reading in no pattern of a fault"),
        )
        .means("Probably edits; with a layout they could be named."),
    ]
}
