//! Single bits against the best explanation: on one data line now and then, or scattered.

use super::cause::{FAULT, Names, SCATTERED, sagged};
use super::weigh::Explanation;
use crate::evidence::{marked, one_of};
use crate::finding::{CellRun, ChipPlace, Finding, Place, Severity};
use crate::image::ChipImage;

/// Bits by which a line must tell the flips better than scattering them does before it is named.
const CLEAR: f64 = 6.0;

/// Chip, cell and data line.
type Flip = (usize, u32, u8);

/// The findings about flipped bits, one for each data line on which they gather and one for the others; and the bits they
/// save together against an explanation that has none.
pub(super) fn findings(
    best: &Explanation,
    ranked: &[Explanation],
    flips: &[Flip],
    seen: &[ChipImage],
    names: &Names,
) -> (Vec<Finding>, f64) {
    let rival = ranked
        .iter()
        .filter(|e| e.flips == 0)
        .map(|e| e.bits)
        .fold(f64::INFINITY, f64::min);
    let saved_by_all = rival - best.bits;
    let flipped = 1.0 / (1.0 + (-saved_by_all).exp2());
    let mut out = Vec::new();
    let mut rest = flips.to_vec();
    let mut bits: u64 = seen.iter().map(ChipImage::bits).sum();
    let all = bits;
    while let Some(((chip, line), saved)) = gathered(&rest, bits, seen) {
        let (on, off): (Vec<Flip>, Vec<Flip>) =
            rest.iter().partition(|(c, _, l)| (*c, *l) == (chip, line));
        let mut f = intermittent(chip, line, &on, seen, names);
        f.sure = Some(flipped / (1.0 + (-saved).exp2()));
        out.push(f);
        rest = off;
        bits -= u64::from(seen[chip].words());
    }
    if !rest.is_empty() {
        let mut f = scattered(&rest, all, seen, names);
        f.sure = Some(flipped);
        out.push(f);
    }
    (out, saved_by_all)
}

/// The data line on which the flips gather most, with the bits saved by saying so; nothing where it is not clear.
///
/// Scattered flips are told as so many among all bits, gathered ones as so many among the line's and so many among the
/// others.
fn gathered(flips: &[Flip], bits: u64, seen: &[ChipImage]) -> Option<((usize, u8), f64)> {
    let lines: usize = seen.iter().map(|c| usize::from(c.width())).sum();
    let all = flips.len() as u64;
    let scattered = marked(bits, all);
    let mut best = None;
    for (chip, image) in seen.iter().enumerate() {
        for line in 0..image.width() {
            let on = flips.iter().filter(|(c, _, l)| (*c, *l) == (chip, line));
            let (on, words) = (on.count() as u64, u64::from(image.words()));
            if on == 0 || words >= bits {
                continue;
            }
            let apart = marked(words, on) + marked(bits - words, all - on);
            let saved = scattered - apart - FAULT - one_of(lines);
            // Fewer than elsewhere is no fault of the line.
            let more = on * (bits - words) > (all - on) * words;
            if more && saved > CLEAR && best.is_none_or(|(_, b)| saved > b) {
                best = Some(((chip, line), saved));
            }
        }
    }
    best
}

/// How many read 1 instead of 0, and the reverse.
fn directions(flips: &[Flip], seen: &[ChipImage]) -> String {
    let ones = flips
        .iter()
        .filter(|(chip, cell, line)| seen[*chip].bit(*cell, *line) == Some(true))
        .count();
    format!(
        "{ones} read 1 instead of 0, {} read 0 instead of 1",
        flips.len() - ones
    )
}

fn places(flips: &[Flip], names: &Names) -> Vec<ChipPlace> {
    let mut chips: Vec<ChipPlace> = Vec::new();
    for (chip, cell, _) in flips {
        let id = names.of(*chip);
        if chips.last().is_none_or(|c| c.chip != id) {
            chips.push(names.place(*chip));
        }
        if let Some(place) = chips.last_mut()
            && place.cells.last().is_none_or(|r| r.first != *cell)
        {
            place.cells.push(CellRun {
                first: *cell,
                last: *cell,
            });
        }
    }
    chips
}

fn intermittent(
    chip: usize,
    line: u8,
    flips: &[Flip],
    seen: &[ChipImage],
    names: &Names,
) -> Finding {
    let who = names.of(chip);
    let (n, words) = (flips.len(), seen[chip].words());
    let says = if seen[chip].width() == 1 {
        format!("{who} reads wrong in {n} of {words} cells, the other chips hardly ever")
    } else {
        format!("{who}: data line D{line} reads wrong in {n} of {words} cells, here and there")
    };
    let mut chips = places(flips, names);
    chips.iter_mut().for_each(|c| c.data_lines = vec![line]);
    let mut f = Finding::new("line.intermittent", Severity::Damage, says)
        .at(Place {
            chips,
            ..Place::default()
        })
        .means("A contact that comes and goes: the memory itself may be whole.")
        .act("Reseat the clip or socket and clean that pin, then read three times and settle. If the same cells stay wrong in every read, the chip itself is failing.");
    f.evidence = vec![directions(flips, seen)];
    f.otherwise = vec!["cells of that line are failing in the chip".to_owned()];
    f
}

fn scattered(flips: &[Flip], bits: u64, seen: &[ChipImage], names: &Names) -> Finding {
    let n = flips.len();
    let f = Finding::new(
        SCATTERED,
        Severity::Damage,
        format!("{n} single bits flipped, scattered without an address pattern"),
    )
    .at(Place {
        chips: places(flips, names),
        ..Place::default()
    });
    let mut f = sagged(f);
    f.evidence = vec![
        format!("{:.3} % of all bits", 100.0 * n as f64 / bits.max(1) as f64),
        directions(flips, seen),
    ];
    f.otherwise = vec!["a noisy read: reading again shows other cells".to_owned()];
    f
}
