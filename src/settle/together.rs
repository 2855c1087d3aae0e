//! Dissent that several chips share: a moment of one read, or a supply.

use super::locate::{Dissents, Located, PRIOR, Shared};
use crate::evidence::{log2_choose, marked, one_of};

/// Puts together what chips say of the same read: one cause is told once.
pub(super) fn moments(dissents: &[Dissents], found: &mut Vec<Located>) {
    let reads = dissents.first().map_or(0, |d| d.by_read.len());
    for read in 0..reads {
        let (of_it, others): (Vec<Located>, Vec<Located>) = std::mem::take(found)
            .into_iter()
            .partition(|l| l.shared.read() == Some(read));
        *found = others;
        let Some(first) = of_it.first() else {
            continue;
        };
        // Once the moment is named, a chip joins it for what it saves there beyond its own best explanation.
        let named = PRIOR + one_of(reads);
        let mut all = first.clone();
        for l in &of_it[1..] {
            all.chips.extend(&l.chips);
            all.saved += l.saved + named;
            all.of = (all.of.0 + l.of.0, all.of.1 + l.of.1);
            all.shared = both(all.shared, l.shared);
        }
        for (chip, d) in dissents.iter().enumerate() {
            let total = d.votes();
            let part = d.trials() / reads as u64;
            if all.chips.contains(&chip) || !d.dissents_more(part, d.of_read(read)) {
                continue;
            }
            let gain = marked(d.trials(), total) - (d.length_of_read(read) - one_of(reads));
            let own = found.iter().position(|l| l.chips == [chip]);
            if gain > own.map_or(0.0, |i| found[i].saved) {
                if let Some(i) = own {
                    found.remove(i);
                }
                all.chips.push(chip);
                all.saved += gain;
                all.of = (all.of.0 + d.of_read(read), all.of.1 + total);
                all.shared = Shared::Read(read);
            }
        }
        all.chips.sort_unstable();
        found.push(all);
    }
}

/// A moment that two chips share: the cells of both, where they were read at the same time.
fn both(a: Shared, b: Shared) -> Shared {
    match (a, b) {
        (
            Shared::Stretch { read, first, last },
            Shared::Stretch {
                first: from,
                last: to,
                ..
            },
        ) if first <= to && from <= last => Shared::Stretch {
            read,
            first: first.min(from),
            last: last.max(to),
        },
        (a, _) => a.read().map_or(a, Shared::Read),
    }
}

/// One chip, or several, that dissent more than the others do.
pub(super) fn worse_than_others(
    dissents: &[Dissents],
    boards: &[Vec<usize>],
    found: &mut Vec<Located>,
) {
    let counts: Vec<(u64, u64)> = dissents.iter().map(|d| (d.trials(), d.votes())).collect();
    let sum = |chips: &mut dyn Iterator<Item = usize>| {
        chips.fold((0, 0), |(t, k), c| (t + counts[c].0, k + counts[c].1))
    };
    let rate = |(trials, votes): (u64, u64)| votes as f64 / trials.max(1) as f64;
    let all = sum(&mut (0..counts.len()));
    let mut order: Vec<usize> = (0..counts.len()).collect();
    order.sort_by(|a, b| rate(counts[*b]).total_cmp(&rate(counts[*a])));
    let worst = (1..counts.len()).map(|n| {
        let bits = one_of(counts.len()) + log2_choose(counts.len() as u64, n as u64);
        (order[..n].to_vec(), bits)
    });
    let board = boards.iter().map(|b| (b.clone(), one_of(boards.len())));
    let mut best: Option<Located> = None;
    for (chips, named) in worst.chain(board) {
        let own = sum(&mut chips.iter().copied());
        let rest = sum(&mut (0..counts.len()).filter(|c| !chips.contains(c)));
        if own.1 < 2 || rest.0 == 0 || rate(own) <= rate(rest) {
            continue;
        }
        let apart = marked(own.0, own.1) + marked(rest.0, rest.1);
        let saved = marked(all.0, all.1) - apart - named - PRIOR;
        if saved > best.as_ref().map_or(0.0, |b| b.saved) {
            let mut chips = chips;
            chips.sort_unstable();
            best = Some(Located {
                chips,
                shared: Shared::Chip,
                saved,
                of: (own.1, own.1),
            });
        }
    }
    let Some(best) = best else { return };
    // Where more than half of the chips are noisy, noise is the rule and a quiet chip the exception.
    if 2 * best.chips.len() > counts.len() && !boards.contains(&best.chips) {
        return;
    }
    // A pin says more than its chip: why it dissents, where the other only says that it does.
    let has_a_pin = |chip: &usize| {
        found
            .iter()
            .any(|l| l.shared.is_line() && l.chips.contains(chip))
    };
    if best.chips.iter().all(has_a_pin) {
        return;
    }
    let overlaps = |l: &Located| l.chips.iter().any(|c| best.chips.contains(c));
    let already: f64 = found.iter().filter(|l| overlaps(l)).map(|l| l.saved).sum();
    if best.saved > already {
        found.retain(|l| !overlaps(l));
        found.push(best);
    }
}
