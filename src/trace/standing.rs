//! How a structure of presets stands once fields are known: does every save hold what the plan says, in the place
//! the structure gives it?
//!
//! A structure is found from a part of the evidence, and damaged evidence may suggest one that is right for some
//! presets only. So it is held against all of it: the contents of each save, over all bits whose control is known,
//! against a bit tossed like a coin. Where presets follow a table, nothing but their contents says where each lies, so
//! each is given the place that its own saves fit best, and must fit no other nearly as well. Where a rule gives the
//! places, the presets that are borne out must fix the rule with some to spare, and no more saves may contradict it
//! than slips would bring.

use super::cells::Experiment;
use super::columns::Column;
use super::explain::{DOUBTED, Explained};
use super::fields::Found;
use super::signal::{self, Noise};
use super::space::PresetMap;

/// What the plan says a column should hold in every setting, where that is beyond doubt.
#[derive(Clone)]
pub(crate) struct Expected {
    pub(crate) column: usize,
    pub(crate) sure: Vec<Option<bool>>,
}

/// What is expected of every column whose control is known.
pub(crate) fn expected(experiment: &Experiment, found: &[Option<Found>]) -> Vec<Expected> {
    let mut out = Vec::new();
    for f in found.iter().flatten().filter(|f| f.table.is_none()) {
        let lane = experiment.lanes[f.lane];
        let chances = signal::chances(f.hypothesis, experiment.plan, f.lane, lane, Noise::START);
        for (bit, chances) in f.bits.iter().zip(&chances) {
            for home in bit.homes.iter().filter(|h| h.odds > 8.0) {
                let sure = |(d, p): (usize, &f64)| {
                    let one = (*p > 0.5) != home.inverted;
                    let beyond_doubt = !(0.1..=0.9).contains(p) && experiment.means(f.lane, d);
                    beyond_doubt.then_some(one)
                };
                out.push(Expected {
                    column: home.column,
                    sure: chances.iter().enumerate().map(sure).collect(),
                });
            }
        }
    }
    out
}

/// Bits of a save that are not as expected, and all that something is expected of.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Agreement {
    pub(crate) wrong: u32,
    pub(crate) all: u32,
}

impl Agreement {
    pub(crate) fn add(&mut self, expected: bool, bit: u8) {
        if bit < 2 {
            self.all += 1;
            self.wrong += u32::from(expected != (bit == 1));
        }
    }

    /// Logarithm of the odds that the save holds the setting, against a coin for every bit.
    pub(crate) fn odds(self) -> f64 {
        /// Share of bits that are off in a save that is right: dials off their mark, noise beyond a step.
        const OFF: f64 = 0.06;
        let right = f64::from(self.all - self.wrong);
        right * (2.0 * (1.0 - OFF)).ln() + f64::from(self.wrong) * (2.0 * OFF).ln()
    }

    fn good(self) -> bool {
        self.odds() > 3.0
    }

    /// Good, and better than a place beside the right one would look: there bits of the same control lie, which stand
    /// alike between the end stops.
    fn plain(self) -> bool {
        /// Share of bits that are off in a place beside the right one.
        const BESIDE: f64 = 0.25;
        let right = f64::from(self.all - self.wrong);
        let beside =
            right * (2.0 * (1.0 - BESIDE)).ln() + f64::from(self.wrong) * (2.0 * BESIDE).ln();
        self.good() && self.odds() - beside > 3.0
    }

    /// A coin would agree as well.
    pub(crate) fn bad(self) -> bool {
        self.odds() < -2.0
    }
}

/// Chance that a save is a slip, as it is reckoned with before anything is seen.
const SLIP: f64 = 0.06;
/// Odds (natural logarithm) at which a preset's place is beyond doubt: one in ten thousand is wrong.
const PLAIN: f64 = 9.2;

/// True where two structures give presets the same places.
fn alike(a: &Explained, b: &Explained) -> bool {
    let same =
        |a: &PresetMap, b: &PresetMap| a.xor == b.xor && a.pins == b.pins && a.offset == b.offset;
    a.space.len() == b.space.len() && same(&a.map, &b.map)
}

/// The structures, those together whose presets lie alike.
fn together(structures: &[Explained]) -> Vec<Vec<usize>> {
    let mut out: Vec<Vec<usize>> = Vec::new();
    for (i, e) in structures.iter().enumerate() {
        match out.iter_mut().find(|g| alike(e, &structures[g[0]])) {
            Some(g) => g.push(i),
            None => out.push(vec![i]),
        }
    }
    out
}

/// Gives every preset of a structure whose order is a table the place that its saves fit best. True where one was
/// given another place than before.
pub(crate) fn settle_order(
    experiment: &Experiment,
    structures: &mut [Explained],
    columns: &[Column],
    found: &[Option<Found>],
) -> bool {
    let expected = expected(experiment, found);
    let mut moved = false;
    for group in together(structures) {
        if !structures[group[0]].map.tabled() {
            continue;
        }
        let mut table = Table::new(experiment, structures, &group, columns, &expected);
        if table.improve() {
            moved = true;
            for &s in &group {
                structures[s].map.offset = table.offsets();
            }
        }
    }
    moved
}

/// The presets of a table against the places they could lie on.
struct Table {
    places: Vec<u32>,
    /// The preset on each place, if any.
    on: Vec<Option<usize>>,
    /// The place of each preset.
    place: Vec<usize>,
    /// How well each preset's saves fit each place.
    fit: Vec<Vec<f64>>,
}

impl Table {
    fn new(
        experiment: &Experiment,
        structures: &[Explained],
        group: &[usize],
        columns: &[Column],
        expected: &[Expected],
    ) -> Self {
        let map = &structures[group[0]].map;
        let places = map.places();
        let mut on = vec![None; places.len()];
        let mut place = Vec::new();
        for (p, o) in map.offset.iter().enumerate() {
            let at = places.iter().position(|q| q == o).unwrap_or(0);
            on[at] = Some(p);
            place.push(at);
        }
        // What a save holds may come from another that slipped onto this preset: so no save says more than the odds
        // against such a slip, and one that holds something else says nothing.
        let most = (map.offset.len() as f64 / SLIP).ln();
        let mut fit = vec![vec![0.0; places.len()]; map.offset.len()];
        for save in &experiment.saves {
            let mut agreement = vec![Agreement::default(); places.len()];
            for e in expected {
                let column = &columns[e.column];
                let (true, Some(one)) = (group.contains(&column.structure), e.sure[save.setting])
                else {
                    continue;
                };
                let structure = &structures[column.structure];
                for (a, offset) in agreement.iter_mut().zip(&places) {
                    let address = structure
                        .map
                        .at(column.base, *offset, structure.space.len());
                    if let Some(address) = address {
                        let (chip, cell) = structure.space.place(address);
                        a.add(
                            one,
                            experiment.chips[chip].bit(save.reading, cell, column.line),
                        );
                    }
                }
            }
            for (fit, agreement) in fit[save.preset].iter_mut().zip(agreement) {
                *fit += agreement.odds().clamp(0.0, most);
            }
        }
        Self {
            places,
            on,
            place,
            fit,
        }
    }

    /// What is lost when a preset goes to another place and whoever lies there comes to its own.
    fn loss(&self, preset: usize, to: usize) -> f64 {
        let from = self.place[preset];
        let mut loss = self.fit[preset][from] - self.fit[preset][to];
        if let Some(other) = self.on[to] {
            loss += self.fit[other][to] - self.fit[other][from];
        }
        loss
    }

    fn improve(&mut self) -> bool {
        let mut moved = false;
        for _ in 0..self.place.len() {
            let mut again = false;
            for preset in 0..self.place.len() {
                let best = (0..self.places.len())
                    .map(|to| (self.loss(preset, to), to))
                    .min_by(|a, b| a.0.total_cmp(&b.0));
                if let Some((loss, to)) = best
                    && loss < -1e-6
                {
                    let from = self.place[preset];
                    let other = self.on[to];
                    self.on[from] = other;
                    self.on[to] = Some(preset);
                    self.place[preset] = to;
                    if let Some(other) = other {
                        self.place[other] = from;
                    }
                    again = true;
                }
            }
            if !again {
                break;
            }
            moved = true;
        }
        moved
    }

    fn offsets(&self) -> Vec<u32> {
        self.place.iter().map(|q| self.places[*q]).collect()
    }

    /// Presets that would do nearly as well on another place, and the chance that all lie where they should: that no two of
    /// them are exchanged, each pair for itself, nor any belongs in a place that is free, by what each loses.
    fn open(&self) -> (Vec<usize>, f64) {
        let mut open = Vec::new();
        let mut chance = 1.0;
        for p in 0..self.place.len() {
            let losses = (0..self.places.len()).filter(|to| *to != self.place[p]);
            let losses: Vec<(usize, f64)> = losses.map(|to| (to, self.loss(p, to))).collect();
            if losses.iter().any(|(_, loss)| *loss < PLAIN) {
                open.push(p);
            }
            let mut elsewhere = 0.0;
            for (to, loss) in losses {
                let odds = (-loss).exp().min(1.0);
                match self.on[to] {
                    // Either of two comes to the other's place.
                    Some(other) if other > p => chance /= 1.0 + odds,
                    Some(_) => {}
                    None => elsewhere += odds,
                }
            }
            chance /= 1.0 + elsewhere;
        }
        (open, chance)
    }
}

/// Says of every structure what makes it doubtful, if anything.
pub(crate) fn weigh(
    experiment: &Experiment,
    structures: &mut [Explained],
    columns: &[Column],
    found: &[Option<Found>],
) {
    if experiment.panel().presets < 2 {
        return;
    }
    let expected = expected(experiment, found);
    let each: Vec<Vec<Agreement>> = (0..structures.len())
        .map(|s| agreements(experiment, columns, &expected, &[s]))
        .collect();
    for group in together(structures) {
        let all = agreements(experiment, columns, &expected, &group);
        let open = structures[group[0]]
            .map
            .tabled()
            .then(|| Table::new(experiment, structures, &group, columns, &expected).open())
            .filter(|(open, _)| !open.is_empty());
        for &s in &group {
            if structures[s].doubt.is_some() {
                continue;
            }
            // What a structure shows by itself, or, where that is little, together with those that follow it.
            let judged = each[s].iter().filter(|a| a.good() || a.bad()).count();
            let seen = if judged * 4 > each[s].len() * 3 {
                &each[s]
            } else {
                &all
            };
            let elsewhere = |save: usize| (0..each.len()).any(|o| o != s && each[o][save].good());
            structures[s].doubt = match &open {
                Some((open, sure)) => {
                    structures[s].sure = sure.min(DOUBTED);
                    Some(open_order(experiment, open))
                }
                None => doubt(experiment, &structures[s].map, seen, elsewhere),
            };
        }
    }
}

fn open_order(experiment: &Experiment, open: &[usize]) -> String {
    let numbers: Vec<String> = open.iter().take(8).map(|p| (p + 1).to_string()).collect();
    let more = if open.len() > 8 { " and others" } else { "" };
    format!(
        "the order of {}s {}{more} is open",
        experiment.panel().axis,
        numbers.join(", ")
    )
}

/// How the saves agree over the columns of some structures.
fn agreements(
    experiment: &Experiment,
    columns: &[Column],
    expected: &[Expected],
    of: &[usize],
) -> Vec<Agreement> {
    let mut out = vec![Agreement::default(); experiment.saves.len()];
    for e in expected {
        let column = &columns[e.column];
        if !of.contains(&column.structure) {
            continue;
        }
        for ((a, save), row) in out.iter_mut().zip(&experiment.saves).zip(&column.rows) {
            if let Some(one) = e.sure[save.setting] {
                a.add(one, *row);
            }
        }
    }
    out
}

/// Why a structure is doubtful, by the agreement of every save.
fn doubt(
    experiment: &Experiment,
    map: &PresetMap,
    seen: &[Agreement],
    elsewhere: impl Fn(usize) -> bool,
) -> Option<String> {
    let presets = map.offset.len();
    let axis = &experiment.panel().axis;
    let judged = seen.iter().filter(|a| a.good() || a.bad()).count();
    let bad: Vec<usize> = (0..seen.len()).filter(|s| seen[*s].bad()).collect();
    let only_here = bad.iter().filter(|s| elsewhere(**s)).count();
    if chance_of(bad.len(), judged, SLIP) < 1e-3 || only_here > 1 {
        return Some(format!(
            "{} of {judged} saves do not hold what the plan says",
            bad.len()
        ));
    }
    let of = |p: usize, like: fn(Agreement) -> bool| {
        let saves = experiment.saves.iter().zip(seen);
        saves.filter(|(s, a)| s.preset == p && like(**a)).count()
    };
    // By a rule the others tell where a preset lies; by a table only what it holds does.
    let bears: fn(Agreement) -> bool = match map.tabled() {
        true => Agreement::plain,
        false => Agreement::good,
    };
    let (mut borne, mut lost, mut chance) = (Vec::new(), Vec::new(), 0.0);
    for p in 0..presets {
        let (good, bad) = (of(p, Agreement::good), of(p, Agreement::bad));
        if of(p, bears) > 0 {
            borne.push(p);
        }
        if good == 0 && bad > 0 {
            lost.push(p);
        }
        chance += SLIP.powi((good + bad).max(1) as i32);
    }
    if !lost.is_empty() && chance_of(lost.len(), presets, chance / presets as f64) < 1e-3 {
        return Some(format!(
            "no save of {} of {presets} {axis}s holds what the plan says",
            lost.len()
        ));
    }
    if !map.fixed_by(&borne) {
        return Some(format!(
            "only {} of {presets} {axis}s bear it out",
            borne.len()
        ));
    }
    None
}

/// The chance of at least `k` of `n` when each comes with a chance `p`.
fn chance_of(k: usize, n: usize, p: f64) -> f64 {
    let mut term = (1.0 - p).powi(n as i32);
    let mut less = 0.0;
    for i in 0..k.min(n + 1) {
        less += term;
        term *= (n - i) as f64 / (i + 1) as f64 * p / (1.0 - p);
    }
    (1.0 - less).max(0.0)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]
    use super::*;

    /// By hand: at least one of two at one half is 3/4; two of two 1/4; none is sure.
    #[test]
    fn chances_by_hand() {
        assert!((chance_of(1, 2, 0.5) - 0.75).abs() < 1e-12);
        assert!((chance_of(2, 2, 0.5) - 0.25).abs() < 1e-12);
        assert!((chance_of(0, 5, 0.1) - 1.0).abs() < 1e-12);
    }

    /// By hand: of six presets two pairs do as well exchanged, so that either order of each is as likely: a half, twice. The
    /// fifth loses ln 3 where the sixth place is free, and no more: three quarters.
    #[test]
    fn an_open_order_is_as_sure_as_all_of_its_exchanges() {
        let ln = |x: f64| x.ln();
        let far = -40.0;
        let mut fit = vec![vec![far; 6]; 5];
        for (p, q) in [(0, 1), (2, 3)] {
            for (preset, place) in [(p, p), (p, q), (q, p), (q, q)] {
                fit[preset][place] = 7.0;
            }
        }
        (fit[4][4], fit[4][5]) = (ln(3.0), 0.0);
        let table = Table {
            places: (0..6).collect(),
            on: (0..6).map(|q| (q < 5).then_some(q)).collect(),
            place: (0..5).collect(),
            fit,
        };
        let (open, sure) = table.open();
        assert_eq!(open, [0, 1, 2, 3, 4]);
        assert!((sure - 3.0 / 16.0).abs() < 1e-9, "{sure}");
    }

    /// Three bits count eight presets. Four presets may fix what each bit turns; with one to spare whichever is left
    /// out takes six, since 1, 2, 4 and 7 differ in two ways only.
    #[test]
    fn a_rule_needs_presets_to_spare() {
        let wired = PresetMap::wired(&[1, 2, 4], 8, "");
        assert!(wired.fixed_by(&[0, 1, 2, 3, 4, 5]));
        assert!(!wired.fixed_by(&[0, 1, 2, 4, 7]));
        // The top bit shows in one preset only.
        assert!(!wired.fixed_by(&[0, 1, 2, 3, 4]));
        let stepped = PresetMap::stepped(30, &[0, 1, 2, 3], "");
        assert!(stepped.fixed_by(&[0, 1, 3]));
        assert!(!stepped.fixed_by(&[0, 3]));
        let tabled = PresetMap::stepped(30, &[0, 2, 1, 3], "");
        assert!(tabled.fixed_by(&[0, 1, 2, 3]));
        assert!(!tabled.fixed_by(&[0, 1, 3]));
        // One of eight elsewhere is a slip; half of them are another order.
        assert!(wired.nearly(&PresetMap::wired(&[1, 2, 4], 8, "")));
        let mut other = wired.clone();
        other.offset.swap(2, 3);
        assert!(other.tabled() && wired.nearly(&other));
        other.offset.swap(4, 6);
        assert!(!wired.nearly(&other));
    }
}
