//! What structures are judged by: what they are worth, whether that is enough, and which of two is taken.

use super::super::explain::Explained;
use super::{BELIEVED_AGAIN, Depth};

/// The plan's words tell two structures apart where they differ by such odds (natural logarithm).
const TOLD: f64 = 9.2;

/// True where something better may be there.
pub(super) fn wanting(e: &Explained, depth: Depth) -> bool {
    let much = (strong(e) || spoken_for(e)) && e.carried.mostly();
    let by_shift = depth.contrived();
    !settled(e) && (by_shift || !much)
}

/// What structures are compared by: all that speaks for it, less what it takes to tell it among its like.
pub(super) fn worth(e: &Explained) -> f64 {
    let line = f64::from(e.space.bits().max(2)).ln();
    let moved = |p: &(usize, &u8)| p.0 != usize::from(*p.1);
    let pins = &e.map.pins;
    let lines = e.map.deltas.iter().map(|d| d.count_ones()).sum::<u32>()
        + pins.pins.iter().enumerate().filter(moved).count() as u32
        + pins.invert.count_ones();
    let step = f64::from((e.space.len() / e.map.offset.len().max(1) as u32).max(2)).ln();
    let orders = (2..=e.map.offset.len()).map(|n| (n as f64).ln());
    let price = f64::from(lines) * line
        + if e.map.xor { 0.0 } else { step }
        + if e.map.tabled() { orders.sum() } else { 0.0 };
    e.weight + e.carried.odds() - price
}

/// Puts a structure in the place of lesser ones of the same chips.
pub(super) fn take(all: &mut Vec<Explained>, found: Option<Explained>) {
    let Some(found) = found else { return };
    let shares = |e: &Explained| e.space.chips.iter().any(|c| found.space.chips.contains(c));
    // A table that nearly is a rule is the rule, and slips of the hand; so is one that explains no more but a few steps from
    // preset to preset.
    let ruled = |e: &Explained| {
        let as_well = e.weight + TOLD > found.weight && e.carried.but_for_slips(&found.carried);
        !e.map.tabled() && (e.map.nearly(&found.map) || as_well)
    };
    if found.map.tabled() && all.iter().any(|e| shares(e) && ruled(e)) {
        return;
    }
    let before: Vec<&Explained> = all.iter().filter(|e| shares(e)).collect();
    let before: f64 = before.iter().map(|e| worth(e)).sum();
    if worth(&found) > before {
        all.retain(|e| !shares(e));
        all.push(found);
    }
}

/// Most of what moves follows the plan.
pub(super) fn strong(e: &Explained) -> bool {
    e.hits * 2 > e.moving
}

/// The plan's words bear it out, and so does what all of the memory held before but for a few bits that follow nothing
/// dialled alone: a parity, say.
pub(super) fn spoken_for(e: &Explained) -> bool {
    e.weight > BELIEVED_AGAIN && e.carried.largely() && e.carried.mostly()
}

/// All of the memory follows it from preset to preset, or nearly all and what moves reads as the plan's words.
pub(super) fn whole(e: &Explained) -> bool {
    e.carried.throughout() || (e.carried.nearly() && e.hits * 4 > e.moving * 3)
}

/// The same of a rule but for slips and noise, with most of what moves. A table might be a rule behind exchanged lines.
pub(super) fn settled(e: &Explained) -> bool {
    whole(e) || (e.carried.through_slips() && strong(e) && !e.map.tabled())
}
