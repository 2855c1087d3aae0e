//! From plan and readings to a found layout: structure, columns, fields, noise, slips.

use super::cells::{Dictionary, Experiment, TraceError};
use super::columns::{self, Column};
use super::explain::{self, Explained};
use super::fields::{self, Found};
use super::search::{Candidate, Searcher};
use super::shifted::{Shift, Shifted};
use super::signal::{self, Code, Noise};
use super::space::{PresetMap, Space};
use super::standing;

/// Everything found, before it is written down.
pub(crate) struct Solved<'a> {
    pub(crate) experiment: Experiment<'a>,
    pub(crate) structures: Vec<Explained>,
    pub(crate) columns: Vec<Column>,
    pub(crate) found: Vec<Option<Found>>,
    pub(crate) noise: Noise,
    /// Saves that do not hold what the plan says, with the setting they hold instead, if one.
    pub(crate) bad_saves: Vec<(usize, Option<usize>)>,
    /// Dials off their mark: setting, lane, and the position they seem to have stood at.
    pub(crate) off_mark: Vec<(usize, usize, String)>,
}

/// Least odds (natural logarithm) for a preset structure to be believed.
const BELIEVED: f64 = 25.0;
/// The same for one that another chip of the instrument follows: few are tried.
const BELIEVED_AGAIN: f64 = 14.0;

/// Solves.
pub(crate) fn solve(experiment: Experiment<'_>) -> Result<Solved<'_>, TraceError> {
    let dictionary = Dictionary::new(&experiment);
    let mut structures = structures(&experiment, &dictionary);
    if structures.is_empty() {
        return Err(TraceError::NothingFound(
            "no chip shows the end-stop settings of the plan under any preset structure tried"
                .to_owned(),
        ));
    }
    let mut columns = columns::columns(&experiment, &structures);
    let covered = columns::cover(&experiment, &structures);
    let assign = |columns: &[Column], noise| fields::assign(&experiment, columns, covered, noise);
    let mut noise = Noise::START;
    let mut bad = vec![false; experiment.plan.saves.len()];
    let mut found = assign(&columns, noise);
    if standing::settle_order(&experiment, &mut structures, &columns, &found) {
        columns = columns::columns(&experiment, &structures);
        found = assign(&columns, noise);
    }
    let bad_saves = bad_saves(&experiment, &columns, &found, &mut bad);
    if !bad_saves.is_empty() {
        for c in &mut columns {
            c.count(&experiment, &bad);
        }
        found = assign(&columns, noise);
    }
    found = assign(&columns, usual(&experiment, &found));
    noise = measure(&experiment, &columns, &found, &bad, noise);
    fields::tables(&experiment, &columns, &mut found, noise);
    standing::weigh(&experiment, &mut structures, &columns, &found);
    let off_mark = off_mark(&experiment, &columns, &found);
    Ok(Solved {
        experiment,
        structures,
        columns,
        found,
        noise,
        bad_saves,
        off_mark,
    })
}

/// Looks for the preset structure of chips.
struct Finder<'a> {
    experiment: &'a Experiment<'a>,
    dictionary: &'a Dictionary,
    shift: Option<Shift>,
    /// What chips of a size show together: number of cells, and the maps.
    together: Vec<(u32, Vec<PresetMap>)>,
}

/// The preset structure of every chip that shows one.
fn structures(experiment: &Experiment, dictionary: &Dictionary) -> Vec<Explained> {
    let mut finder = Finder {
        experiment,
        dictionary,
        shift: Shift::of(experiment),
        together: Vec::new(),
    };
    let mut out: Vec<Explained> = Vec::new();
    let single = |i: usize| Space {
        chips: vec![i],
        words: experiment.chips[i].words,
        width: experiment.chips[i].width,
    };
    let all: Vec<Space> = (0..experiment.chips.len()).map(single).collect();
    finder.pool(&all, false);
    for space in &all {
        out.extend(finder.best(space, &out, false));
    }
    // Chips that show little alone may hold a part of the presets each.
    let bare = |out: &[Explained], little: bool| -> Vec<usize> {
        let shown = |i: &usize| {
            out.iter()
                .any(|e| e.space.chips.contains(i) && (!little || strong(e)))
        };
        (0..experiment.chips.len()).filter(|i| !shown(i)).collect()
    };
    let shape = |i: usize| (experiment.chips[i].words, experiment.chips[i].width);
    for g in bare(&out, true).chunk_by(|a, b| shape(*a) == shape(*b)) {
        // Of pairs, fours and eights those that explain most, beside what the chips show alone.
        let mut most = (0.0, Vec::new());
        for size in [2, 4, 8] {
            let (mut gain, mut together) = (0.0, Vec::new());
            for chips in g.chunks_exact(size) {
                let space = Space {
                    chips: chips.to_vec(),
                    ..single(chips[0])
                };
                finder.pool(std::slice::from_ref(&space), false);
                let known: Vec<Explained> = out.iter().chain(&together).cloned().collect();
                let Some(e) = finder.best(&space, &known, false) else {
                    continue;
                };
                let apart: f64 = within(&out, chips).map(|o| o.weight).sum();
                if e.weight > apart {
                    gain += e.weight - apart;
                    together.push(e);
                }
            }
            if gain > most.0 {
                most = (gain, together);
            }
        }
        for e in most.1 {
            out.retain(|o| !o.space.chips.iter().all(|c| e.space.chips.contains(c)));
            out.push(e);
        }
    }
    let bare = |out: &[Explained]| bare(out, false);
    // Contrived structures are tried last, and without a shifted reading for one chip of each shape.
    let left: Vec<Space> = bare(&out).into_iter().map(single).collect();
    finder.pool(&left, true);
    let mut tried = Vec::new();
    for i in bare(&out) {
        if finder.shift.is_some() || !tried.contains(&shape(i)) {
            tried.push(shape(i));
            out.extend(finder.best(&single(i), &out, true));
        }
    }
    for i in bare(&out) {
        out.extend(finder.best(&single(i), &out, false));
    }
    out
}

/// The structures of these chips alone or together.
fn within<'e>(all: &'e [Explained], chips: &'e [usize]) -> impl Iterator<Item = &'e Explained> {
    all.iter()
        .filter(|e| e.space.chips.iter().all(|c| chips.contains(c)))
}

/// A map whose words agree by more standard deviations than this is no chance, whatever else moves in the chip.
const PLAIN: f64 = 12.0;

/// Most of what moves follows the plan.
fn strong(e: &Explained) -> bool {
    e.hits * 2 > e.moving
}

impl Finder<'_> {
    /// Finds what spaces show together, those of each size for themselves.
    fn pool(&mut self, spaces: &[Space], contrived: bool) {
        self.together.clear();
        let Some(shift) = &self.shift else { return };
        let mut sizes: Vec<u32> = spaces.iter().map(Space::len).collect();
        sizes.sort_unstable();
        sizes.dedup();
        for size in sizes {
            let like: Vec<&Space> = spaces.iter().filter(|s| s.len() == size).collect();
            let maps = self.maps(shift, &like, contrived);
            self.together.push((size, maps));
        }
    }

    fn maps(&self, shift: &Shift, spaces: &[&Space], contrived: bool) -> Vec<PresetMap> {
        let readings = self.experiment.plan.readings();
        let contents: Vec<_> = spaces
            .iter()
            .map(|s| (s.contents(&self.experiment.chips, readings), s.width))
            .collect();
        let pool: Vec<(&[_], u8)> = contents.iter().map(|(c, w)| (&c[..], *w)).collect();
        let Some(shifted) = Shifted::new(shift.clone(), &pool) else {
            return Vec::new();
        };
        if contrived {
            return shifted.stepped_behind_pins();
        }
        shifted.maps()
    }

    fn best(&self, space: &Space, known: &[Explained], contrived: bool) -> Option<Explained> {
        let (experiment, dictionary) = (self.experiment, self.dictionary);
        let contents = space.contents(&experiment.chips, experiment.plan.readings());
        let searcher = Searcher {
            space,
            contents: &contents,
            experiment,
            dictionary,
        };
        let look = |c: &[Candidate], believed: f64| -> Option<Explained> {
            let top = c.first().map_or(0.0, |c| c.score);
            let equal = c.iter().take_while(|c| c.score > top * 0.999).count();
            // Of equals the first, which is the plainest.
            c.iter()
                .filter(|c| c.score > top * 0.6)
                .take(equal.clamp(6, 16))
                .filter_map(|c| explain::explain(experiment, dictionary, space, &contents, &c.map))
                .reduce(|a, b| if b.weight > a.weight { b } else { a })
                .filter(|e| e.weight > believed)
        };
        let scored = |maps: &[PresetMap]| -> Vec<Candidate> {
            let mut all: Vec<Candidate> = maps
                .iter()
                .map(|map| Candidate {
                    score: searcher.score(map),
                    map: map.clone(),
                })
                .collect();
            all.sort_by(|a, b| b.score.total_cmp(&a.score));
            all
        };
        // A chip of several that share the bits between them shows its share.
        let enough = (experiment.lanes.len() * 2 / experiment.chips.len()).clamp(6, 24);
        if experiment.panel().presets == 1 {
            let map = PresetMap::wired(&[], 1, "one preset");
            return look(&[Candidate { map, score: 1.0 }], BELIEVED);
        }
        // What another chip of the same size showed, first.
        let tried: Vec<Candidate> = known
            .iter()
            .filter(|e| e.space.len() == space.len())
            .map(|e| Candidate {
                score: searcher.score(&e.map),
                map: e.map.clone(),
            })
            .filter(|c| c.score > 4.0)
            .collect();
        // A map that another chip follows may be half right here, so it must explain most of what moves before the
        // search for a better one is left out.
        let follows = |e: &Explained| e.hits * 4 > e.moving * 3;
        let mut best = look(&tried, BELIEVED_AGAIN);
        let judged = |mut e: Explained| {
            if !strong(&e) && searcher.score(&e.map) <= PLAIN {
                e.doubt = Some("little of what moves follows it".to_owned());
            }
            e
        };
        if best.as_ref().is_some_and(follows) {
            return best.map(judged);
        }
        let together = self.together.iter().find(|t| t.0 == space.len());
        let from_all = || scored(together.map_or(&[], |t| &t.1));
        let alone = || match &self.shift {
            Some(shift) => scored(&self.maps(shift, &[space], contrived)),
            None => Vec::new(),
        };
        let by_shift: [&dyn Fn() -> Vec<Candidate>; 2] = [&from_all, &alone];
        // From the plainest structure to the most contrived; the first that explains much is taken.
        let plain: [&dyn Fn() -> Vec<Candidate>; 3] =
            [&|| searcher.stepped(), &|| searcher.wired(), &|| {
                searcher.wired_gray()
            }];
        // Where one reading after another shows little, the plan's words may still show the plain structures.
        let both: Vec<&dyn Fn() -> Vec<Candidate>> =
            by_shift.iter().chain(&plain).copied().collect();
        let last: [&dyn Fn() -> Vec<Candidate>; 2] = [&|| searcher.stepped_behind_pins(), &|| {
            searcher.wired_crossed()
        }];
        let stages: &[&dyn Fn() -> Vec<Candidate>] = match (&self.shift, contrived) {
            (Some(_), true) => &by_shift,
            (Some(_), false) => &both,
            (None, true) => &last,
            (None, false) => &plain,
        };
        for stage in stages {
            if let Some(e) = look(&stage(), BELIEVED)
                && best.as_ref().is_none_or(|b| e.weight > b.weight)
            {
                best = Some(e);
            }
            if best
                .as_ref()
                .is_some_and(|b| b.hits >= enough && (strong(b) || searcher.score(&b.map) > PLAIN))
            {
                break;
            }
        }
        best.map(judged)
    }
}

/// Saves most of whose bits are not what the plan says, and what they hold instead.
fn bad_saves(
    experiment: &Experiment,
    columns: &[Column],
    found: &[Option<Found>],
    bad: &mut [bool],
) -> Vec<(usize, Option<usize>)> {
    let expected = standing::expected(experiment, found);
    let off = |save: usize, setting: usize| -> (usize, usize) {
        let (mut wrong, mut all) = (0, 0);
        for e in &expected {
            let row = columns[e.column].rows[save];
            if let (Some(sure), true) = (e.sure[setting], row != 2) {
                all += 1;
                wrong += usize::from(sure != (row == 1));
            }
        }
        (wrong, all)
    };
    let mut out = Vec::new();
    for (s, save) in experiment.plan.saves.iter().enumerate() {
        let (wrong, all) = off(s, save.setting);
        if all >= 12 && wrong * 6 > all {
            bad[s] = true;
            let other = (0..experiment.plan.settings.len())
                .map(|d| (off(s, d), d))
                .filter(|((wrong, all), _)| *all >= 12 && wrong * 20 < *all)
                .min_by_key(|((wrong, _), _)| *wrong)
                .map(|(_, d)| d);
            out.push((s, other));
        }
    }
    out
}

/// How noisy dials are in this instrument, by what suited each best.
fn usual(experiment: &Experiment, found: &[Option<Found>]) -> Noise {
    let dials = found.iter().flatten().filter(|f| {
        let control = &experiment.panel().controls[experiment.lanes[f.lane].control];
        !control.exact() && f.hypothesis.width > 2
    });
    let steps: Vec<f64> = dials.map(|f| f.noise.step).collect();
    if steps.len() < 4 {
        return Noise::START;
    }
    Noise {
        step: steps.iter().sum::<f64>() / steps.len() as f64,
        // Other dials have told by now what is usual.
        apart: 4.0,
        ..Noise::START
    }
}

/// How often dials read one step high or low, from the fields whose every bit is known.
fn measure(
    experiment: &Experiment,
    columns: &[Column],
    found: &[Option<Found>],
    bad: &[bool],
    start: Noise,
) -> Noise {
    let (mut exact, mut one) = (0.0f64, 0.0f64);
    for f in found.iter().flatten() {
        let control = &experiment.panel().controls[experiment.lanes[f.lane].control];
        if control.exact() || f.hypothesis.width < 3 || f.hypothesis.code != Code::Binary {
            continue;
        }
        let top = f.hypothesis.width as usize;
        // Without its lowest bit a field still shows steps, at half the rate.
        let low = if f.bits[0].homes.is_empty() { 1 } else { 0 };
        if f.bits[low..top].iter().any(|b| b.homes.is_empty()) {
            continue;
        }
        for (s, save) in experiment.plan.saves.iter().enumerate() {
            if bad[s] {
                continue;
            }
            let position = experiment.plan.settings[save.setting].positions[f.lane];
            let want = signal::code(
                f.hypothesis,
                experiment.panel(),
                experiment.lanes[f.lane],
                position,
            );
            let read = code_in_save(columns, f, s, low);
            let Some(read) = read else { continue };
            if low == 1 {
                if read != want >> 1 {
                    one += 2.0;
                } else {
                    exact += 1.0;
                }
                continue;
            }
            match read.abs_diff(want) {
                0 => exact += 1.0,
                1 => one += 1.0,
                _ => {}
            }
        }
    }
    let all = exact + one;
    if all < 8.0 {
        return start;
    }
    Noise {
        step: ((one + 0.2) / (all + 0.4) / 2.0).clamp(0.004, signal::EVEN),
        ..start
    }
}

/// The code a lane holds in a save, bits below `low` left out.
pub(crate) fn code_in_save(columns: &[Column], f: &Found, save: usize, low: usize) -> Option<u64> {
    let mut code = 0;
    for (k, bit) in f.bits.iter().enumerate().skip(low) {
        let home = bit.homes.first()?;
        let row = columns[home.column].rows[save];
        if row == 2 {
            return None;
        }
        code |= u64::from((row == 1) != home.inverted) << (k - low);
    }
    Some(code)
}

/// Dials that stood elsewhere than the plan says.
fn off_mark(
    experiment: &Experiment,
    columns: &[Column],
    found: &[Option<Found>],
) -> Vec<(usize, usize, String)> {
    let mut out = Vec::new();
    for f in found.iter().flatten() {
        if f.table.is_some() || !f.whole() {
            continue;
        }
        let lane = experiment.lanes[f.lane];
        for (d, setting) in experiment.plan.settings.iter().enumerate() {
            let want = signal::step_at(
                f.hypothesis,
                experiment.panel(),
                lane,
                setting.positions[f.lane],
            );
            let mut seen = Vec::new();
            for (s, save) in experiment.plan.saves.iter().enumerate() {
                if save.setting == d {
                    let code = code_in_save(columns, f, s, 0);
                    seen.push(
                        code.and_then(|c| {
                            signal::step_of(f.hypothesis, experiment.panel(), lane, c)
                        }),
                    );
                }
            }
            let off = |s: &Option<i64>| {
                s.is_some_and(|s| (s - want).abs() > 2 || (f.hypothesis.width < 3 && s != want))
            };
            if !seen.is_empty()
                && seen.iter().all(off)
                && let Some(Some(step)) = seen.first()
            {
                out.push((
                    d,
                    f.lane,
                    signal::shown(f.hypothesis, experiment.panel(), lane, *step),
                ));
            }
        }
    }
    out
}
