//! Which structure of presets each chip shows: what is tried, from the plainest to the most contrived, and what is taken.

mod judged;
mod one_form;
mod one_order;
mod plainer;
mod shared;

use std::cell::RefCell;

use rayon::prelude::*;

use judged::{settled, spoken_for, strong, take, wanting, whole, worth};

use super::cells::Experiment;
use super::dictionary::Dictionary;
use super::explain::{self, Explained};
use super::search::{Candidate, Searcher};
use super::shifted::{Carried, Shift, Shifted};
use super::space::{Contents, PresetMap, Space};

/// Least odds (natural logarithm) for a preset structure to be believed.
const BELIEVED: f64 = 25.0;
/// The same for one that another chip of the instrument follows: few are tried.
const BELIEVED_AGAIN: f64 = 14.0;

/// A map whose words agree by more standard deviations than this is no chance, whatever else moves in the chip.
const PLAIN: f64 = 12.0;

/// How many maps that chips show together are looked at in each.
const MOST: usize = 16;

/// With more bits changed in the shifted reading than this, words are not searched for.
const ENOUGH: u32 = 600;

/// What is tried, one after the other.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Depth {
    /// What a reading shows that holds every setting one preset further back, where presets follow a rule.
    Shifted,
    /// The same where they follow a table.
    ShiftedTable,
    /// The same behind address lines that are swapped or inverted.
    ShiftedPins,
    /// The same where they follow a table.
    ShiftedPinsTable,
    /// The plan's words under the plain structures.
    Words,
    /// The plan's words under contrived ones.
    WordsContrived,
    /// What other chips showed, and nothing else.
    Known,
}

impl Depth {
    /// What a shifted reading shows beside plain rules.
    fn contrived(self) -> bool {
        use Depth::{ShiftedPins, ShiftedPinsTable, ShiftedTable};
        matches!(self, ShiftedTable | ShiftedPins | ShiftedPinsTable)
    }

    /// What takes long, and where one chip of a shape shows nothing the others hardly do.
    fn once(self) -> bool {
        matches!(
            self,
            Self::ShiftedPins | Self::ShiftedPinsTable | Self::Words
        )
    }
}

/// Looks for the preset structure of chips.
struct Finder<'a> {
    experiment: &'a Experiment<'a>,
    dictionary: &'a Dictionary,
    shift: Option<Shift>,
    /// What chips of a size show together.
    together: Vec<Together>,
    /// What was looked at closely before, by chips and map.
    looked: RefCell<Vec<Looked>>,
    /// Shapes of which one chip shows nothing more by itself in what is long looked for, behind exchanged lines or by words:
    /// the others are asked only for what all show together, and what is known.
    barren: Vec<(u32, u8)>,
}

/// A map looked at closely, and what came of it.
struct Looked {
    chips: Vec<usize>,
    map: PresetMap,
    found: Option<Explained>,
}

/// What chips of a size show together.
struct Together {
    /// The chips of the only space, if it is one.
    only: Option<Vec<usize>>,
    /// Number of cells.
    size: u32,
    maps: Vec<PresetMap>,
}

/// The preset structure of every chip that shows one.
pub(crate) fn structures(experiment: &Experiment, dictionary: &Dictionary) -> Vec<Explained> {
    let mut finder = Finder {
        experiment,
        dictionary,
        shift: Shift::of(experiment),
        together: Vec::new(),
        looked: RefCell::default(),
        barren: Vec::new(),
    };
    let single = |i: usize| Space {
        chips: vec![i],
        words: experiment.chips[i].words,
        width: experiment.chips[i].width,
    };
    let all: Vec<Space> = (0..experiment.chips.len()).map(single).collect();
    // Contrived structures are tried last, and without a shifted reading for one chip of each shape.
    let depths: &[Depth] = match finder.shift {
        Some(_) => &[
            Depth::Shifted,
            Depth::ShiftedTable,
            Depth::ShiftedPins,
            Depth::ShiftedPinsTable,
            Depth::Words,
            Depth::Known,
        ],
        None => &[Depth::Words, Depth::WordsContrived, Depth::Known],
    };
    let mut out: Vec<Explained> = Vec::new();
    for &depth in depths {
        let left: Vec<&Space> = (all.iter())
            .filter(|s| {
                out.iter()
                    .all(|e| !e.space.chips.contains(&s.chips[0]) || wanting(e, depth))
            })
            .collect();
        finder.pool(&left, depth);
        finder.barren.clear();
        let mut tried = Vec::new();
        for space in left {
            if depth == Depth::WordsContrived {
                if tried.contains(&space.shape()) {
                    continue;
                }
                tried.push(space.shape());
            }
            let found = finder.best(space, &out, depth);
            let before = out
                .iter()
                .filter(|e| e.space.chips.contains(&space.chips[0]));
            let before = before.map(worth).fold(0.0, f64::max);
            if depth.once()
                && finder.shift.is_some()
                && found.as_ref().is_none_or(|e| worth(e) <= before)
            {
                finder.barren.push(space.shape());
            }
            take(&mut out, found);
        }
        if matches!(depth, Depth::Shifted | Depth::ShiftedTable) || depth == depths[0] {
            finder.shared(&all, &mut out, depth);
        }
    }
    settle(&mut out);
    finder.one_form(&mut out);
    finder.one_order(&mut out);
    siblings(&all, &mut out);
    out.sort_by_key(|e| e.space.chips[0]);
    out
}

/// Of structures that share chips, the one of many chips or those of few, whichever is worth more.
fn settle(all: &mut Vec<Explained>) {
    let shares = |a: &Explained, b: &Explained| {
        let chips = &b.space.chips;
        a.space != b.space && a.space.chips.iter().any(|c| chips.contains(c))
    };
    while let Some(many) = all
        .iter()
        .filter(|e| all.iter().any(|o| shares(o, e)))
        .max_by_key(|e| e.space.chips.len())
        .cloned()
    {
        let few = all.iter().filter(|e| shares(e, &many)).map(worth);
        if few.sum::<f64>() > worth(&many) {
            all.retain(|e| e.space != many.space);
        } else {
            all.retain(|e| !shares(e, &many));
        }
    }
}

/// A chip that shows nothing by itself is taken to be addressed as those of its shape are, where they all are alike: it
/// may hold the lowest bits of dials, which noise drowns.
fn siblings(all: &[Space], out: &mut Vec<Explained>) {
    let lost: Vec<&Space> = (all.iter())
        .filter(|s| out.iter().all(|e| !e.space.chips.contains(&s.chips[0])))
        .collect();
    let mut more = Vec::new();
    for space in lost {
        let shape = |s: &Space| (s.chips.len(), s.shape());
        let mut like = out.iter().filter(|e| shape(&e.space) == shape(space));
        let (Some(first), Some(second)) = (like.next(), like.next()) else {
            continue;
        };
        if first.map != second.map || like.any(|e| e.map != first.map) {
            continue;
        }
        let mut bases: Vec<u32> = first.bases.iter().chain(&second.bases).copied().collect();
        bases.sort_unstable();
        bases.dedup();
        more.push(Explained {
            space: space.clone(),
            map: first.map.clone(),
            bases,
            weight: 0.0,
            hits: 0,
            moving: 0,
            doubt: Some("taken from the chips that are like it".to_owned()),
            sure: explain::DOUBTED,
            carried: Carried::default(),
            slots: Vec::new(),
            turned: 0,
        });
    }
    out.extend(more);
}

impl Finder<'_> {
    /// Finds what spaces show together, those of each size for themselves.
    fn pool(&mut self, spaces: &[&Space], depth: Depth) {
        self.together.clear();
        let Some(shift) = &self.shift else { return };
        let mut sizes: Vec<u32> = spaces.iter().map(|s| s.len()).collect();
        sizes.sort_unstable();
        sizes.dedup();
        for size in sizes {
            let like: Vec<&Space> = (spaces.iter().copied())
                .filter(|s| s.len() == size)
                .collect();
            let together = Together {
                only: (like.len() == 1).then(|| like[0].chips.clone()),
                size,
                maps: self.likeliest(&like, self.maps(shift, &like, depth)),
            };
            self.together.push(together);
        }
    }

    /// Of many maps those whose words all of some memories bear out best: in one of them alone chance may.
    fn likeliest(&self, spaces: &[&Space], maps: Vec<PresetMap>) -> Vec<PresetMap> {
        if spaces.len() < 2 || maps.len() <= MOST {
            return maps;
        }
        let readings = self.experiment.plan.readings();
        let contents = |s: &&Space| s.contents(&self.experiment.chips, readings);
        let contents: Vec<Vec<Contents>> = spaces.iter().map(contents).collect();
        let searchers: Vec<Searcher> = (spaces.iter().zip(&contents))
            .map(|(space, contents)| Searcher {
                space,
                contents,
                experiment: self.experiment,
                dictionary: self.dictionary,
            })
            .collect();
        let score = |map: PresetMap| (Searcher::score_of_all(&searchers, &map), map);
        let mut all: Vec<(f64, PresetMap)> = maps.into_par_iter().map(score).collect();
        all.sort_by(|a, b| b.0.total_cmp(&a.0));
        all.into_iter().take(MOST).map(|(_, map)| map).collect()
    }

    /// Bits in which the shifted reading differs from the one before.
    fn changed(&self, contents: &[Contents]) -> u32 {
        self.shift.as_ref().map_or(0, |s| s.changed(contents))
    }

    fn maps(&self, shift: &Shift, spaces: &[&Space], depth: Depth) -> Vec<PresetMap> {
        let readings = self.experiment.plan.readings();
        let contents: Vec<_> = spaces
            .iter()
            .map(|s| (s.contents(&self.experiment.chips, readings), s.width))
            .collect();
        let pool: Vec<(&[_], u8)> = contents.iter().map(|(c, w)| (&c[..], *w)).collect();
        match (Shifted::new(shift.clone(), &pool), depth) {
            (Some(shifted), Depth::Shifted) => shifted.by_rule(),
            (Some(shifted), Depth::ShiftedTable) => shifted.by_table(),
            (Some(shifted), Depth::ShiftedPins) => shifted.stepped_behind_pins(),
            (Some(shifted), Depth::ShiftedPinsTable) => shifted.stepped_in_order_behind_pins(),
            _ => Vec::new(),
        }
    }

    fn best(&self, space: &Space, known: &[Explained], depth: Depth) -> Option<Explained> {
        let (experiment, dictionary) = (self.experiment, self.dictionary);
        let contents = space.contents(&experiment.chips, experiment.plan.readings());
        let searcher = Searcher {
            space,
            contents: &contents,
            experiment,
            dictionary,
        };
        let closely = |map: &PresetMap| {
            // The same map comes up from one depth to the next, and from several chips.
            let before = self.looked.borrow();
            if let Some(l) = (before.iter()).find(|l| l.chips == space.chips && l.map == *map) {
                return l.found.clone();
            }
            drop(before);
            let shift = self.shift.as_ref();
            let mut e = explain::explain(experiment, dictionary, space, &contents, map, shift);
            if let (Some(shift), Some(e)) = (&self.shift, &mut e) {
                e.carried = shift.carried(space, &contents, map, &e.bases);
            }
            self.looked.borrow_mut().push(Looked {
                chips: space.chips.clone(),
                map: map.clone(),
                found: e.clone(),
            });
            e
        };
        let look = |c: &[Candidate], believed: f64| -> Option<Explained> {
            let top = c.first().map_or(0.0, |c| c.score);
            let equal = c.iter().take_while(|c| c.score > top * 0.999).count();
            // Of equals the first, which is the plainest.
            let mut best: Option<Explained> = None;
            for c in (c.iter())
                .filter(|c| self.shift.is_some() || c.score > top * 0.6)
                .take(equal.clamp(if self.shift.is_some() { 12 } else { 6 }, 16))
            {
                let Some(e) = closely(&c.map) else { continue };
                // Nothing explains more than all.
                let all = e.carried.wholly() && e.hits * 20 > e.moving * 19;
                if best.as_ref().is_none_or(|b| worth(&e) > worth(b)) {
                    best = Some(e);
                }
                if all {
                    break;
                }
            }
            // Where a preset bit turns two lines, one of them may be all it turns: half of the presets then take bits beside
            // theirs for their own, which stand as theirs do between the end stops.
            while let Some(b) = best.as_ref().filter(|b| b.map.xor && !whole(b)) {
                let plainer = plainer::maps(&b.map).into_iter();
                let more = plainer.filter_map(|map| closely(&map));
                let more = more.max_by(|x, y| worth(x).total_cmp(&worth(y)));
                let Some(more) = more.filter(|e| worth(e) > worth(b)) else {
                    break;
                };
                best = Some(more);
            }
            best.filter(|e| {
                let odds = e.carried.odds();
                let again = believed < BELIEVED && e.carried.mostly();
                (again && odds > BELIEVED_AGAIN && e.weight + odds > BELIEVED)
                    || (e.weight > BELIEVED_AGAIN && odds > BELIEVED)
                    || e.weight > believed
            })
        };
        let scored = |maps: &[PresetMap]| -> Vec<Candidate> {
            let mut all: Vec<Candidate> = maps
                .par_iter()
                .map(|map| Candidate {
                    score: searcher.score(map),
                    map: map.clone(),
                })
                .collect();
            all.sort_by(|a, b| b.score.total_cmp(&a.score));
            all
        };
        if experiment.panel().presets == 1 {
            let map = PresetMap::wired(&[], 1, "one preset");
            return look(&[Candidate { map, score: 1.0 }], BELIEVED);
        }
        let judged = |mut e: Explained| {
            let told = e.carried.throughout() || strong(&e) || spoken_for(&e);
            if !told && searcher.score(&e.map) <= PLAIN {
                e.doubt = Some("little of what moves follows it".to_owned());
            }
            e
        };
        // What another chip of the same size showed, first.
        let mut tried: Vec<PresetMap> = Vec::new();
        let alike = |e: &&Explained| e.space.len() == space.len() && e.space != *space;
        for e in known.iter().filter(alike) {
            if !tried.contains(&e.map) {
                tried.push(e.map.clone());
            }
        }
        let mut tried = scored(&tried);
        tried.retain(|c| c.score > 4.0 || self.shift.is_some());
        // A map that another chip follows may be half right here, so it must explain most of what moves before the
        // search for a better one is left out.
        let deeper = depth.contrived();
        let follows = |e: &Explained| settled(e) || (e.hits * 4 > e.moving * 3 && !deeper);
        let mut best = look(&tried, BELIEVED_AGAIN);
        if best.as_ref().is_some_and(follows) {
            return best.map(judged);
        }
        let in_part = best.as_ref().is_some_and(|b| b.carried.partly());
        let together = self.together.iter().find(|t| t.size == space.len());
        let from_all = || scored(together.map_or(&[], |t| &t.maps));
        let only = together.and_then(|t| t.only.as_ref());
        let barren = self.barren.contains(&space.shape());
        let alone = || match &self.shift {
            // What all show together it has shown then.
            Some(_) if only == Some(&space.chips) => Vec::new(),
            Some(_) if barren => Vec::new(),
            Some(shift) => scored(&self.maps(shift, &[space], depth)),
            None => Vec::new(),
        };
        let (stepped, wired) = (|| searcher.stepped(), || searcher.wired());
        let gray = || searcher.wired_gray();
        let behind_pins = || searcher.stepped_behind_pins();
        let crossed = || searcher.wired_crossed();
        let stages: &[&dyn Fn() -> Vec<Candidate>] = match depth {
            // What a chip of the same size shows in full, and this one in part, need not be looked for in others.
            _ if depth != Depth::Shifted && in_part && known.iter().filter(alike).any(settled) => {
                &[]
            }
            Depth::Shifted => &[&from_all, &alone],
            _ if depth.contrived() => &[&from_all, &alone],
            // What so many changed bits do not show, the words of fewer saves will not show either.
            Depth::Words if barren || self.changed(&contents) > ENOUGH => &[],
            Depth::Words => &[&stepped, &wired, &gray],
            Depth::WordsContrived => &[&behind_pins, &crossed],
            _ => &[],
        };
        // A chip of several that share the bits between them shows its share.
        let enough = (experiment.lanes.len() * 2 / experiment.chips.len()).clamp(6, 24);
        // From the plainest structure to the most contrived; the first that explains much is taken.
        for stage in stages {
            if let Some(e) = look(&stage(), BELIEVED)
                && best.as_ref().is_none_or(|b| worth(&e) > worth(b))
            {
                best = Some(e);
            }
            let much =
                |e: &Explained| e.hits >= enough && (strong(e) || searcher.score(&e.map) > PLAIN);
            if (best.as_ref()).is_some_and(|b| settled(b) || much(b)) {
                break;
            }
        }
        best.map(judged)
    }
}
