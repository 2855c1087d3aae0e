//! One trial: a healthy bank, perhaps edited, damaged by known faults, examined.

use cellkeep::codec::Memory;
use cellkeep::examine::{Examined, Verdict, examine};
use cellkeep::finding::Severity;
use cellkeep::image::ChipImage;
use cellkeep::layout::model::Layout;
use cellkeep::reading::{ChipReading, Reading};

use crate::banks::{Done, Edits, Maker};
use crate::inject::{answers, inject};
use crate::panel;
use crate::rng::Rng;

pub(crate) struct Trial {
    pub(crate) earlier: Vec<ChipImage>,
    /// The bank before the fault, edits included.
    pub(crate) truth: Vec<ChipImage>,
    pub(crate) seen: Vec<ChipImage>,
    /// Chips concerned, one list a fault.
    #[allow(dead_code)] // Asked by the short form only.
    pub(crate) chips: Vec<Vec<usize>>,
    #[allow(dead_code)] // Asked by the long form only.
    /// The entry of the layout concerned, where the fault is in one entry: area and entry.
    pub(crate) entry: Option<(usize, usize)>,
    #[allow(dead_code)] // As above.
    /// The numbers that the owner's habits are drawn from, and what he did in between.
    pub(crate) owner: Option<(Rng, Done)>,
}

pub(crate) fn reading(layout: &Layout, images: &[ChipImage]) -> Reading {
    Reading::new(
        layout
            .chips
            .iter()
            .zip(images)
            .map(|(c, i)| ChipReading::new(c.id.clone(), i.clone()))
            .collect(),
    )
}

fn images(memory: &Memory) -> Vec<ChipImage> {
    memory.images().expect("shapes of the layout")
}

pub(crate) fn differing_bits(a: &[ChipImage], b: &[ChipImage]) -> u32 {
    a.iter()
        .zip(b)
        .flat_map(|(a, b)| a.values().iter().zip(b.values()))
        .map(|(x, y)| (x ^ y).count_ones())
        .sum()
}

/// Least bits a fault must change to count as one: below that there is nothing to see.
pub(crate) const EFFECT: u32 = 6;

/// Makes a trial with the faults given; nothing where one does not apply to the layout or has no effect.
pub(crate) fn make(
    layout: &Layout,
    faults: &[&str],
    edits: impl Into<Edits>,
    rng: &mut Rng,
) -> Option<Trial> {
    let start = rng.clone();
    let maker = Maker::new(layout, rng);
    let mut memory = maker.bank(rng);
    let earlier = images(&memory);
    let done = maker.edit(&mut memory, edits.into(), rng);
    if let [fault] = faults
        && panel::PANEL.contains(fault)
    {
        // The memory keeps what it is given: what is seen is the truth.
        let entry = panel::save(fault, &maker, &mut memory, rng)?;
        let seen = images(&memory);
        return (differing_bits(&earlier, &seen) > 0).then(|| Trial {
            earlier,
            truth: seen.clone(),
            seen,
            chips: Vec::new(),
            entry,
            owner: Some((start, done)),
        });
    }
    let truth = images(&memory);
    for _ in 0..8 {
        let mut seen = truth.clone();
        let mut chips = Vec::new();
        let mut effective = true;
        for (i, fault) in faults.iter().enumerate() {
            let before = seen.clone();
            let state = rng.clone();
            chips.push(inject(fault, &mut seen, layout, rng)?);
            effective &= differing_bits(&before, &seen) >= EFFECT;
            if i > 0 {
                // The later fault must not have wiped out the traces of the former.
                let mut alone = truth.clone();
                inject(fault, &mut alone, layout, &mut state.clone())?;
                effective &= differing_bits(&alone, &seen) >= EFFECT;
            }
        }
        if effective {
            return Some(Trial {
                earlier,
                truth,
                seen,
                chips,
                entry: None,
                owner: Some((start, done)),
            });
        }
    }
    None
}

pub(crate) fn run(
    layout: &Layout,
    trial: &Trial,
    with_earlier: bool,
    with_layout: bool,
) -> Examined {
    let seen = reading(layout, &trial.seen);
    let earlier = reading(layout, &trial.earlier);
    examine(
        &seen,
        with_layout.then_some(layout),
        with_earlier.then_some(&earlier),
    )
    .expect("a reading of the layout")
}

/// Bits it takes to tell a bank as sound, from one reading alone.
#[allow(dead_code)] // Asked by the long form only.
pub(crate) fn sound_bits(layout: &Layout, images: &[ChipImage]) -> f64 {
    let examined = examine(&reading(layout, images), Some(layout), None).expect("of the layout");
    let sound = examined.examination.explanations.iter();
    sound
        .filter(|e| e.causes.is_empty())
        .map(|e| e.bits)
        .fold(f64::INFINITY, f64::min)
}

/// Names of one thing: on a 1-bit chip a stuck line is a dead chip; on a single chip that is an all-blank reading;
/// a small overwritten stretch is a glitch.
pub(crate) fn class<'a>(code: &'a str, layout: &Layout) -> &'a str {
    let one_bit = layout.chips.iter().all(|c| c.width == 1);
    let single = layout.chips.len() == 1;
    match code {
        "line.stuck" if one_bit => "chip.dead",
        "all.blank" if single => "chip.dead",
        "all.power-up" if single => "chip.power-up",
        "all.random" if single => "chip.random",
        "entry.glitched" => "region.overwritten",
        other => other,
    }
}

/// Whether an explanation names exactly these faults, in any order.
pub(crate) fn names(causes: &[String], faults: &[&str], layout: &Layout) -> bool {
    let sorted = |mut list: Vec<String>| {
        list.sort_unstable();
        list
    };
    let said = sorted(causes.iter().map(|c| class(c, layout).to_owned()).collect());
    let means =
        |list: &[&str]| said == sorted(list.iter().map(|c| class(c, layout).to_owned()).collect());
    match faults {
        [one] if !answers(one).is_empty() => answers(one).iter().any(|a| means(a)),
        _ => means(faults),
    }
}

/// Position of the true explanation among those listed. A fault that is not in the memory is none of them: there it is
/// the position of its finding among those above a note. A fault of one entry is found when that entry alone is not
/// sound.
pub(crate) fn rank(
    examined: &Examined,
    faults: &[&str],
    layout: &Layout,
    entry: Option<(usize, usize)>,
) -> Option<usize> {
    if let Some((a, e)) = entry {
        let area = &layout.areas[a];
        let doubted = examined.examination.entries.iter();
        let doubted: Vec<bool> = doubted
            .filter(|v| v.verdict >= Verdict::Suspect)
            .map(|v| v.area == area.name && v.entry == area.entry_label(e))
            .collect();
        return doubted.contains(&true).then_some(doubted.len() - 1);
    }
    if let [fault] = faults
        && panel::PANEL.contains(fault)
    {
        let code = panel::answer(fault);
        let graver = examined.examination.findings.iter();
        return graver
            .filter(|f| f.severity > Severity::Note)
            .position(|f| f.code == code);
    }
    examined
        .examination
        .explanations
        .iter()
        .position(|e| names(&e.causes, faults, layout))
}

/// What was answered, in few words: the causes of the best explanation, else the findings above a note.
#[allow(dead_code)] // Asked by the long form only.
pub(crate) fn said(examined: &Examined) -> String {
    let causes = &examined.examination.explanations[0].causes;
    if !causes.is_empty() {
        return causes.join("+");
    }
    let graver = examined.examination.findings.iter();
    let mut codes: Vec<&str> = graver
        .filter(|f| f.severity > Severity::Note)
        .map(|f| f.code.as_str())
        .collect();
    codes.sort_unstable();
    codes.dedup();
    if codes.is_empty() {
        "sound".to_owned()
    } else {
        codes.join("+")
    }
}

/// Codes that stand for a fault wherever they occur.
fn codes_of<'a>(fault: &'a str, layout: &Layout) -> Vec<&'a str> {
    let mut out: Vec<&str> = answers(fault)
        .iter()
        .flat_map(|a| a.iter().copied())
        .collect();
    if out.is_empty() {
        out.push(panel::answer(fault));
    }
    out.iter().map(|c| class(c, layout)).collect()
}

/// Whether each fault is named: by a finding; by a finding or by one of the rival explanations listed.
#[allow(dead_code)] // Asked by the long form only.
pub(crate) fn told(examined: &Examined, faults: &[&str], layout: &Layout) -> (bool, bool) {
    let findings: Vec<&str> = examined
        .examination
        .findings
        .iter()
        .map(|f| class(&f.code, layout))
        .collect();
    let rivals: Vec<&str> = examined
        .examination
        .explanations
        .iter()
        .flat_map(|e| e.causes.iter().map(|c| class(c, layout)))
        .collect();
    let by = |lists: &[&Vec<&str>]| {
        faults.iter().all(|f| {
            let codes = codes_of(f, layout);
            lists.iter().any(|l| l.iter().any(|c| codes.contains(c)))
        })
    };
    (by(&[&findings]), by(&[&findings, &rivals]))
}

/// Whether anything above a note was found.
pub(crate) fn alarmed(examined: &Examined) -> bool {
    examined
        .examination
        .findings
        .iter()
        .any(|f| f.severity > Severity::Note)
}
