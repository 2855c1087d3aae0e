//! The order of presets among the places they are known to lie on: who follows whom.

use std::collections::HashSet;

use super::{HAND_ON, Shifted, apart};

/// Two places that differ in a smaller part of their bits than this held one setting.
const ALIKE: f64 = 0.22;
/// How many ways to give places to settings are followed at a time: at first, and where that is not enough.
const NARROW: usize = 40;
const WIDE: usize = 1000;
/// Where a walk is broken, ways that fit by so much less are handed on too.
const BESIDE: i32 = 4;
/// Cells that are looked at in all where many ways are handed on.
const LOOKED: usize = 1 << 21;
/// In place of a group of places: none.
const NOWHERE: usize = usize::MAX;

impl Shifted {
    /// How well a walk fits in which every preset is followed as planned.
    pub(super) fn perfect(&self) -> i32 {
        2 * self.presets() as i32
    }

    /// How many walks that fit as well are handed on where there may be better places for presets.
    pub(super) fn few_ways(&self) -> usize {
        self.presets().max(HAND_ON)
    }

    /// Walks from place to place by what each holds before and after; the place of every preset, likeliest walks
    /// first. Which preset a walk begins with is open where no setting is saved twice: then all are given.
    pub(super) fn walks(
        &self,
        bases: &[u32],
        places: &[u32],
        cell: impl Fn(u32, u32) -> u32,
    ) -> Option<(i32, Vec<Vec<usize>>)> {
        let words = |rows: &[Vec<bool>], q: usize| -> Vec<u64> {
            rows.chunks(64)
                .map(|c| {
                    c.iter()
                        .enumerate()
                        .fold(0u64, |w, (i, row)| w | u64::from(row[q]) << i)
                })
                .collect()
        };
        let few = (self.presets() / 6).max(2);
        let (mut before, mut after) = (Vec::new(), Vec::new());
        for plane in &self.planes {
            for &base in bases {
                let at = |o: &u32| cell(base, *o) as usize;
                if places.iter().any(|o| at(o) >= plane.before.len()) {
                    continue;
                }
                let a: Vec<bool> = places.iter().map(|o| plane.before[at(o)]).collect();
                let b: Vec<bool> = places.iter().map(|o| plane.after[at(o)]).collect();
                if a.iter().zip(&b).filter(|(a, b)| a != b).count() >= few {
                    before.push(a);
                    after.push(b);
                }
            }
        }
        let columns = before.len();
        if columns < 8 {
            return None;
        }
        let before: Vec<Vec<u64>> = (0..places.len()).map(|q| words(&before, q)).collect();
        let after: Vec<Vec<u64>> = (0..places.len()).map(|q| words(&after, q)).collect();
        let many = (LOOKED / self.len as usize).min(2 * WIDE);
        let many = many.max(self.few_ways());
        walk(&before, &after, columns, &self.shift.settings, many)
    }
}

/// The order in which the places are presets: `after` of a place is `before` of the next, and places whose setting is
/// the same held the same. So places of one setting are put together, and the settings are given to them so that who
/// follows whom is as the plan says.
fn walk(
    before: &[Vec<u64>],
    after: &[Vec<u64>],
    columns: usize,
    settings: &[usize],
    many: usize,
) -> Option<(i32, Vec<Vec<usize>>)> {
    let apart = |a: &[u64], b: &[u64]| f64::from(apart(a, b)) / columns as f64;
    // Places that were written: about half of the bits of a preset change. Where there is a place for every preset and no
    // more, one in which nothing changed is a preset too, that a slip left out.
    let every = before.len() == settings.len();
    let used: Vec<usize> = (0..before.len())
        .filter(|&q| every || apart(&before[q], &after[q]) > 0.08)
        .collect();
    let n = settings.len();
    let mut labels: Vec<usize> = Vec::new();
    for s in settings {
        if !labels.contains(s) {
            labels.push(*s);
        }
    }
    // Groups of places that held one setting. Where none is saved twice none did, however alike some of them are.
    let copies = labels.len() < n;
    let mut group = vec![NOWHERE; before.len()];
    let mut members: Vec<Vec<usize>> = Vec::new();
    for &q in &used {
        let nearest = members
            .iter()
            .enumerate()
            .map(|(g, m)| (apart(&before[q], &before[m[0]]), g))
            .min_by(|a, b| a.0.total_cmp(&b.0));
        match nearest {
            Some((d, g)) if copies && d < ALIKE => {
                group[q] = g;
                members[g].push(q);
            }
            _ => {
                group[q] = members.len();
                members.push(vec![q]);
            }
        }
    }
    // Who follows each place.
    let next = |q: usize| -> Option<usize> {
        used.iter()
            .filter(|o| **o != q)
            .map(|&o| (apart(&after[q], &before[o]), o))
            .min_by(|a, b| a.0.total_cmp(&b.0))
            .filter(|(d, _)| *d < ALIKE)
            .map(|(_, o)| group[o])
    };
    let groups = members.len();
    let follower: Vec<Option<usize>> = (0..before.len())
        .map(|q| if group[q] == NOWHERE { None } else { next(q) })
        .collect();
    // Where the places are wrong, hardly any is followed by another.
    if follower.iter().flatten().count() * 10 < settings.len() * 7 {
        return None;
    }
    let mut seen = vec![0i32; groups * groups];
    for &q in &used {
        if let Some(to) = follower[q] {
            seen[group[q] * groups + to] += 1;
        }
    }
    // The same of the plan.
    let label = |p: usize| {
        labels
            .iter()
            .position(|l| *l == settings[p % n])
            .unwrap_or(0)
    };
    let mut planned = vec![0i32; labels.len() * labels.len()];
    let mut times = vec![0i32; labels.len()];
    for p in 0..n {
        planned[label(p) * labels.len() + label(p + 1)] += 1;
        times[label(p)] += 1;
    }
    let counts = Counts {
        planned,
        times,
        seen,
        sizes: members.iter().map(|m| m.len() as i32).collect(),
    };
    // A narrow look shows whether there is anything to be found, and all of it where nothing is damaged.
    let mut beam = counts.given(NARROW);
    let most = |beam: &[(i32, Vec<usize>)]| beam.first().map_or(0, |b| b.0);
    if (n as i32 / 4..2 * n as i32).contains(&most(&beam)) {
        beam = counts.given(WIDE);
    }
    let most = most(&beam);
    // Most presets must be followed by whom the plan says.
    if most < n as i32 {
        return None;
    }
    // A slip breaks the walk: then the pieces may come one after the other in many ways, and what the saves hold must
    // choose among them.
    let (least, keep) = match most == 2 * n as i32 {
        true => (most, n.max(HAND_ON)),
        false => (most - BESIDE, many),
    };
    let mut ways: Vec<Vec<usize>> = Vec::new();
    for (_, given) in beam.into_iter().take_while(|b| b.0 >= least) {
        // Where no setting is saved twice a walk may begin with any preset, and fits as well.
        let turns = if least < most && labels.len() == n {
            n
        } else {
            1
        };
        ways.extend((0..turns).map(|by| [&given[by..], &given[..by]].concat()));
    }
    let mut said = HashSet::new();
    ways.retain(|given| said.insert(given.clone()));
    ways.truncate(keep);
    let mut orders: Vec<Vec<usize>> = ways
        .iter()
        .map(|given| {
            let mut free = vec![true; before.len()];
            let mut order = vec![usize::MAX; n];
            // Whoever is followed as planned first, then who is left of the group, then anybody.
            for strict in [2, 1, 0] {
                for p in 0..n {
                    if order[p] != usize::MAX {
                        continue;
                    }
                    let (here, to) = (given[label(p)], given[label(p + 1)]);
                    let fits = |q: &usize| {
                        free[*q]
                            && (strict < 1 || group[*q] == here)
                            && (strict < 2 || follower[*q] == Some(to))
                    };
                    if let Some(q) = (0..before.len()).find(fits) {
                        free[q] = false;
                        order[p] = q;
                    }
                }
            }
            order
        })
        .collect();
    let mut said = HashSet::new();
    orders.retain(|order| said.insert(order.clone()));
    Some((most, orders))
}

/// How often who follows whom.
struct Counts {
    /// By the plan, a row a setting; and how often each setting is saved.
    planned: Vec<i32>,
    times: Vec<i32>,
    /// As it is seen, a row a group of places; and how many places each group has.
    seen: Vec<i32>,
    sizes: Vec<i32>,
}

impl Counts {
    /// The likeliest ways to give groups to settings, one after the other, so many of them kept; best first.
    ///
    /// A way loses what is seen and not planned, or planned and not seen, and gains twice what is both. Nearly all of the
    /// counts are zero, so what is both is looked up for the few settings beside this one in the plan.
    fn given(&self, keep: usize) -> Vec<(i32, Vec<usize>)> {
        let (labels, groups) = (self.times.len(), self.sizes.len());
        let seen = |a: usize, b: usize| self.seen[a * groups + b];
        // Groups that are seen beside each, and how often either way.
        let beside: Vec<Vec<(usize, i32)>> = (0..groups)
            .map(|g| {
                let both = (0..groups).map(|o| (o, seen(o, g) + seen(g, o)));
                both.filter(|(_, times)| *times > 0).collect()
            })
            .collect();
        let mut beam: Vec<(i32, Vec<usize>)> = vec![(0, Vec::new())];
        for l in 0..labels {
            let planned = |o: usize| (self.planned[o * labels + l], self.planned[l * labels + o]);
            let neighbours: Vec<(usize, i32, i32)> = (0..l)
                .map(|o| (o, planned(o).0, planned(o).1))
                .filter(|(_, to, from)| to + from > 0)
                .collect();
            let lost: i32 = neighbours.iter().map(|(_, to, from)| to + from).sum();
            // Score, whose it is, and the group that is given to this setting.
            let mut longer: Vec<(i32, usize, usize)> = Vec::new();
            let mut taken = vec![false; groups];
            for (i, (score, given)) in beam.iter().enumerate() {
                taken.fill(false);
                for g in given.iter().filter(|g| **g != NOWHERE) {
                    taken[*g] = true;
                }
                let score = score - lost;
                for g in (0..groups).filter(|g| !taken[*g]) {
                    let mut score = score - (self.sizes[g] - self.times[l]).abs();
                    for (_, times) in beside[g].iter().filter(|(o, _)| taken[*o]) {
                        score -= times;
                    }
                    for &(o, to, from) in &neighbours {
                        let other = given[o];
                        if other != NOWHERE {
                            score += 4 * (to.min(seen(other, g)) + from.min(seen(g, other)));
                        }
                    }
                    longer.push((score, i, g));
                }
                // A slip of the hand may leave a setting without a place.
                longer.push((score - self.times[l], i, NOWHERE));
            }
            let best_first = |a: &(i32, usize, usize), b: &(i32, usize, usize)| {
                b.0.cmp(&a.0).then((a.1, a.2).cmp(&(b.1, b.2)))
            };
            if longer.len() > keep {
                longer.select_nth_unstable_by(keep, best_first);
                longer.truncate(keep);
            }
            longer.sort_unstable_by(best_first);
            let with = |&(score, i, g): &(i32, usize, usize)| {
                let given = beam[i].1.iter().copied().chain([g]);
                (score, given.collect())
            };
            beam = longer.iter().map(with).collect();
        }
        beam
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::expect_used)]
    use super::super::super::rng::Random;
    use super::walk;

    /// Eight presets on eight places in an order of their own. Preset 0 was saved wrong at first, and in the shifted reading
    /// what was meant for preset 6 went to preset 4. So nothing is followed by 0, preset 6 holds what it held, and 4 seems to be
    /// followed by 7. By hand: a follower that is both seen and planned counts four, less one for each seen and one for each
    /// planned. The walk 0 1 2 3 4 7 5 6 has all six that are seen: 24 - 6 - 8 = 10; the walk as it is has five: 20 - 6 - 8 = 6.
    /// What the saves hold must tell them, so both are handed on.
    #[test]
    fn a_save_that_went_to_another_preset() {
        let mut random = Random::new(1);
        let rows: Vec<Vec<u64>> = (0..9)
            .map(|_| vec![(0..64).fold(0, |w, i| w | (random.below(2) as u64) << i)])
            .collect();
        let place = |preset: usize| (preset * 5 + 3) % 8;
        let (mut before, mut after) = (vec![Vec::new(); 8], vec![Vec::new(); 8]);
        for preset in 0..8 {
            before[place(preset)] = rows[if preset == 0 { 8 } else { preset }].clone();
            after[place(preset)] = match preset {
                4 => rows[7].clone(),
                6 => rows[6].clone(),
                p => rows[(p + 1) % 8].clone(),
            };
        }
        let settings: Vec<usize> = (0..8).collect();
        let (most, orders) = walk(&before, &after, 64, &settings, 500).expect("a walk");
        assert_eq!(most, 10);
        let order = |presets: [usize; 8]| presets.map(place).to_vec();
        assert!(orders.contains(&order([0, 1, 2, 3, 4, 7, 5, 6])));
        assert!(orders.contains(&order([0, 1, 2, 3, 4, 5, 6, 7])));
    }

    /// Eight settings, each saved once, of which two are alike in all but 8 of 64 bits: less than a fifth, as copies of one
    /// that a noisy dial made may be. Each is a setting of its own all the same, and every one is followed as planned, which
    /// counts two for each of eight.
    #[test]
    fn settings_that_are_alike_are_no_copies() {
        let mut random = Random::new(1);
        let mut rows: Vec<u64> = (0..8)
            .map(|_| (0..64).fold(0, |w, i| w | (random.below(2) as u64) << i))
            .collect();
        rows[5] = rows[2] ^ 0xff;
        let place = |preset: usize| (preset * 5 + 3) % 8;
        let (mut before, mut after) = (vec![Vec::new(); 8], vec![Vec::new(); 8]);
        for preset in 0..8 {
            before[place(preset)] = vec![rows[preset]];
            after[place(preset)] = vec![rows[(preset + 1) % 8]];
        }
        let settings: Vec<usize> = (0..8).collect();
        let (most, orders) = walk(&before, &after, 64, &settings, 500).expect("a walk");
        assert_eq!(most, 16);
        assert!(orders.contains(&(0..8).map(place).collect()));
    }
}
