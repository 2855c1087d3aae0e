//! What the edits since an earlier reading tell about the panel's converter: faults that are not in the memory.

use super::given::{Before, NUDGE};
use super::shape::Kind;
use crate::codec::Codes;
use crate::evidence::marked;
use crate::finding::{Finding, Place, Severity};

/// One knob whose code changed.
struct Moved {
    area: usize,
    entry: usize,
    old: u64,
    new: u64,
    width: u8,
}

/// Bits to say that the converter is at fault, before saying how.
const CONVERTER: f64 = 8.0;
/// Fewest changed knobs that allow a verdict on the converter.
const FEWEST: usize = 6;

/// Findings about entries that changed as a whole: edited, saved again, or saved through a faulty converter.
pub(super) fn findings(before: &Before, codes: &Codes, edited: &[Vec<usize>]) -> Vec<Finding> {
    let mut out = Vec::new();
    let layout = before.content.layout;
    let mut labels = Vec::new();
    let (mut entries, mut replaced, mut all) = (0, 0, 0);
    let mut moved = Vec::new();
    for (a, area) in layout.areas.iter().enumerate() {
        let shape = &before.content.shape.areas[a];
        if !area.axes.is_empty() {
            all += shape.entries;
        }
        for &e in edited.get(a).map_or(&[][..], Vec::as_slice) {
            labels.push(area.entry_label(e));
            let mut changed = 0;
            for &f in &shape.values {
                let (Some(new), Some(old)) =
                    (codes.areas[a].code(e, f), before.codes.areas[a].code(e, f))
                else {
                    continue;
                };
                if new == old {
                    continue;
                }
                changed += 1;
                if shape.fields[f].knob && matches!(shape.fields[f].kind, Kind::Value(_)) {
                    moved.push(Moved {
                        area: a,
                        entry: e,
                        old,
                        new,
                        width: shape.fields[f].width,
                    });
                }
            }
            if !area.axes.is_empty() && changed > 0 {
                entries += 1;
                replaced += usize::from(changed * 2 > shape.values.len());
            }
        }
    }
    if labels.is_empty() {
        return out;
    }
    if all >= 8 && replaced * 10 >= all * 8 {
        out.push(
            Finding::new(
                "bank.replaced",
                Severity::Caution,
                format!("{replaced} of {all} entries hold other presets than before, all of them plausible"),
            )
            .means("This is not damage: another bank was loaded over the one read earlier, a factory set for example.")
            .act("Ask the owner which bank is wanted; the earlier reading is the only copy of the former one."),
        );
    } else if let Some(f) = converter(&moved) {
        out.push(f);
    }
    let mut f = Finding::new(
        "entries.edited",
        Severity::Note,
        format!(
            "{} entries were changed by their owner since the earlier reading",
            labels.len()
        ),
    )
    .at(Place {
        entries: labels,
        ..Place::default()
    })
    .means("Whole values changed to plausible ones: edits, not damage.");
    f.evidence = vec![format!(
        "{entries} of them hold presets; {} knobs moved",
        moved.len()
    )];
    out.push(f);
    out
}

/// The converter fault that explains how the knobs moved, if one does.
fn converter(moved: &[Moved]) -> Option<Finding> {
    if moved.len() < FEWEST {
        return None;
    }
    let n = moved.len() as u64;
    // Each knob told on its own: any code.
    let plain: f64 = moved.iter().map(|m| f64::from(m.width)).sum();
    let fitted = |fits: &dyn Fn(&Moved) -> Option<f64>| -> (f64, usize) {
        let mut misses = 0;
        let bits: f64 = moved
            .iter()
            .map(|m| {
                fits(m).unwrap_or_else(|| {
                    misses += 1;
                    f64::from(m.width)
                })
            })
            .sum();
        (bits + marked(n, misses), moved.len() - misses as usize)
    };
    let mut options: Vec<(f64, Finding)> = Vec::new();
    let mut offer = |code: &str,
                     extra: f64,
                     (bits, explained): (f64, usize),
                     says: String,
                     act: &str,
                     other: &str| {
        if explained * 2 < moved.len() {
            return;
        }
        let length = CONVERTER + extra + bits;
        let mut f = Finding::new(code, Severity::Caution, says)
            .means("The memory kept what it was given: the fault is in the converter that reads the panel, not in the memory.")
            .act(act);
        f.evidence = vec![format!(
            "explains {explained} of {n} moved knobs and saves {:.0} bits",
            plain - length
        )];
        f.otherwise = vec![other.to_owned()];
        f.sure = Some(1.0 / (1.0 + (length - plain).exp2()));
        options.push((length, f));
    };
    let noise = fitted(&|m| (m.new.abs_diff(m.old) <= NUDGE).then_some(3.0));
    offer(
        "converter.noise",
        0.0,
        noise,
        format!(
            "{} of {n} moved knobs differ by no more than {NUDGE} codes: the presets were saved again unmoved",
            noise.1
        ),
        "Clean the potentiometers and check the converter's reference and ground for noise before saving again.",
        "the owner turned the knobs a little",
    );
    if let Some(ratio) = ratio(moved) {
        let drift = fitted(&|m| {
            let top = (1u64 << m.width) - 1;
            let expected = ((m.old as f64 * ratio).round() as u64).min(top);
            (m.new.abs_diff(expected) <= 1).then_some(3f64.log2())
        });
        offer(
            "converter.drift",
            8.0,
            drift,
            format!(
                "new values are {ratio:.3} times the old ones, for {} of {n} moved knobs",
                drift.1
            ),
            "Measure the converter's reference and supply, and set them right before anything is saved again.",
            "the panel's supply differs from the converter's reference",
        );
    }
    let widest = moved.iter().map(|m| m.width).max().unwrap_or(1);
    for bit in 0..widest {
        for level in [0, 1] {
            let at = |m: &Moved| (m.width > bit).then(|| m.new >> (m.width - 1 - bit) & 1);
            let (mut with, mut against) = (0, 0);
            for m in moved {
                match at(m) {
                    Some(v) if v == level => with += 1,
                    Some(_) => against += 1,
                    None => {}
                }
            }
            let was = moved
                .iter()
                .filter(|m| m.width > bit && m.old >> (m.width - 1 - bit) & 1 == level)
                .count();
            // A bit that was still before as well says nothing about the converter.
            if against > 0 || was == with {
                continue;
            }
            let bits = plain - f64::from(with as u32);
            offer(
                "converter.stuck-bit",
                (2.0 * f64::from(widest)).log2(),
                (bits, with),
                format!(
                    "bit {bit} from the top is {level} in every newly saved knob, though not before"
                ),
                "Mend the converter before anything is saved again; the old presets are intact.",
                "the line that carries that bit from the converter",
            );
        }
    }
    let shared = fitted(&|m| {
        let others = moved.iter().filter(|o| {
            o.area == m.area && o.entry == m.entry && !std::ptr::eq(*o, m) && o.width == m.width
        });
        let (mut same, mut all) = (0, 0);
        for o in others {
            all += 1;
            same += usize::from(o.new.abs_diff(m.new) <= 1);
        }
        (same >= 2 && same * 2 >= all).then_some(2.0)
    });
    offer(
        "converter.multiplexer",
        3.0,
        shared,
        format!(
            "{} of {n} moved knobs hold the value of other knobs saved with them",
            shared.1
        ),
        "Check the multiplexer in front of the converter and its select lines before saving again.",
        "one potentiometer's wiper feeds several inputs",
    );
    options
        .into_iter()
        .min_by(|a, b| a.0.total_cmp(&b.0))
        .filter(|(length, _)| *length < plain - 6.0)
        .map(|(_, f)| f)
}

/// The median ratio of new to old codes, where it is clearly not 1.
fn ratio(moved: &[Moved]) -> Option<f64> {
    let mut ratios: Vec<f64> = moved
        .iter()
        .filter(|m| m.old >= 8)
        .map(|m| m.new as f64 / m.old as f64)
        .collect();
    if ratios.len() < FEWEST {
        return None;
    }
    ratios.sort_by(f64::total_cmp);
    let median = ratios[ratios.len() / 2];
    ((median - 1.0).abs() > 0.01 && median > 0.2 && median < 5.0).then_some(median)
}
