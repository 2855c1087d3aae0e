//! Settings for a panel with controls that mean something only while another stands in some position.

use super::super::marks::{balanced, character, sweep_marks};
use super::super::panel::{Condition, Kind, Lane, Panel};
use super::super::rng::Random;
use super::super::words;
use super::{Effort, Purpose, Setting};

/// A switch or selector that decides, with the sets of positions it is turned to in equal shares.
struct Decides {
    lane: usize,
    sets: Vec<Vec<u32>>,
    /// Positions of none: a selector stands there a few times, so that its own code shows.
    rest: Vec<u32>,
}

/// How often a selector stands at a position that nothing depends on.
const SEEN: usize = 3;
/// Most settings at the end stops.
const MOST_ENDS: u32 = 64;

fn deciding(panel: &Panel, lanes: &[Lane], conditions: &[Option<Condition>]) -> Vec<Decides> {
    let mut out: Vec<Decides> = Vec::new();
    for c in conditions.iter().flatten() {
        let decides = match out.iter_mut().find(|d| d.lane == c.lane) {
            Some(known) => known,
            None => {
                out.push(Decides {
                    lane: c.lane,
                    sets: Vec::new(),
                    rest: Vec::new(),
                });
                let last = out.len() - 1;
                &mut out[last]
            }
        };
        if !decides.sets.contains(&c.positions) {
            decides.sets.push(c.positions.clone());
        }
    }
    for d in &mut out {
        let control = &panel.controls[lanes[d.lane].control];
        let free = |p: &u32| d.sets.iter().all(|s| !s.contains(p));
        let rest: Vec<u32> = (0..=control.span()).filter(free).collect();
        // It must move between the end stops too: where there is one set, it is elsewhere as often.
        match rest.is_empty() {
            false if control.span() == 1 || d.sets.len() == 1 => d.sets.push(rest),
            _ => d.rest = rest,
        }
    }
    out
}

/// How many times more settings it takes than where all controls always mean something.
pub(super) fn turns(panel: &Panel) -> usize {
    let (lanes, conditions) = (panel.lanes(), panel.conditions());
    let all = deciding(panel, &lanes, &conditions);
    all.iter().map(|d| d.sets.len()).max().unwrap_or(1)
}

/// The settings at the ends and between them, in that order, and how many of them are at the ends.
pub(super) fn settings(
    panel: &Panel,
    effort: Effort,
    random: &mut Random,
) -> (Vec<Setting>, usize) {
    let (lanes, conditions) = (panel.lanes(), panel.conditions());
    let deciding = deciding(panel, &lanes, &conditions);
    let (ends, words, stands) = ends(panel, &lanes, &conditions, &deciding, effort, random);
    let rest = deciding.iter().map(|d| SEEN * d.rest.len()).max();
    let sweeps = effort.sweeps_of(panel) + rest.unwrap_or(0);
    // Where what decides stands, setting by setting.
    let mut decided: Vec<Vec<u32>> = stands;
    for (d, at) in deciding.iter().zip(&mut decided) {
        let mut more = turned(d, sweeps - SEEN * d.rest.len(), random);
        more.extend(d.rest.iter().flat_map(|p| vec![*p; SEEN]));
        random.shuffle(&mut more);
        at.extend(more);
    }
    let all = ends + sweeps;
    let mut positions = vec![vec![0; lanes.len()]; all];
    for (d, at) in deciding.iter().zip(&decided) {
        for (row, at) in positions.iter_mut().zip(at) {
            row[d.lane] = *at;
        }
    }
    for (l, lane) in lanes.iter().enumerate() {
        if deciding.iter().any(|d| d.lane == l) {
            continue;
        }
        let c = &panel.controls[lane.control];
        let means: Vec<bool> = positions
            .iter()
            .map(|row| (conditions[l].as_ref()).is_none_or(|c| c.holds(row)))
            .collect();
        let count = |from: usize, to: usize| means[from..to].iter().filter(|m| **m).count();
        let marks = match c.kind {
            Kind::Selector if c.span() > 1 => balanced(c.span() + 1, count(0, all), random),
            Kind::Text => (0..count(0, all)).map(|_| character(random)).collect(),
            _ => {
                let at_ends = (0..ends).filter(|e| means[*e]);
                let up = at_ends.map(|e| if words[l] >> e & 1 == 1 { c.span() } else { 0 });
                let between = sweep_marks(panel, *lane, count(ends, all), random);
                up.chain(between).collect()
            }
        };
        // Where it means nothing it is left alone.
        let mut marks = marks.into_iter();
        let mut stands = 0;
        for (row, means) in positions.iter_mut().zip(&means) {
            if *means {
                stands = marks.next().unwrap_or(stands);
            }
            row[l] = stands;
        }
    }
    let purpose = |n: usize| {
        if n < ends {
            Purpose::Ends
        } else {
            Purpose::Sweep
        }
    };
    let settings = (0..).zip(positions).map(|(n, positions)| Setting {
        purpose: purpose(n),
        positions,
    });
    (settings.collect(), ends)
}

/// Positions of what decides: each set as often as the others, and each position of a set in turn.
fn turned(d: &Decides, count: usize, random: &mut Random) -> Vec<u32> {
    let sets = balanced(d.sets.len() as u32, count, random);
    let mut at = vec![0; d.sets.len()];
    let mut out = Vec::with_capacity(count);
    for s in sets {
        let set = &d.sets[s as usize];
        out.push(set[at[s as usize] % set.len()]);
        at[s as usize] += 1;
    }
    out
}

/// Words that keep their distance over all end stops, and nearly so over those in which a control means something; with
/// where what decides stands meanwhile.
fn ends(
    panel: &Panel,
    lanes: &[Lane],
    conditions: &[Option<Condition>],
    deciding: &[Decides],
    effort: Effort,
    random: &mut Random,
) -> (usize, Vec<u64>, Vec<Vec<u32>>) {
    let (least, _) = words::shortest(lanes.len().max(2), effort.distance, 7);
    let mut ends = least;
    loop {
        /// Tries before one more setting is taken.
        const TRIES: usize = 4;
        for _ in 0..TRIES {
            let stands: Vec<Vec<u32>> = (deciding.iter())
                .map(|d| turned(d, ends as usize, random))
                .collect();
            let try_it = Words {
                ends,
                effort,
                stands: &stands,
                deciding,
                conditions,
            };
            if let Some(words) = try_it.choose(panel, lanes, random) {
                return (ends as usize, words, stands);
            }
            if ends >= MOST_ENDS - 1 {
                let words = (0..lanes.len()).map(|_| random.bits()).collect();
                return (ends as usize, words, stands);
            }
        }
        ends += 1;
    }
}

/// What words must keep to.
struct Words<'a> {
    ends: u32,
    effort: Effort,
    stands: &'a [Vec<u32>],
    deciding: &'a [Decides],
    conditions: &'a [Option<Condition>],
}

impl Words<'_> {
    /// The end stops in which a lane means something.
    fn means(&self, lane: usize) -> u64 {
        let all = (1u64 << self.ends) - 1;
        let Some(c) = &self.conditions[lane] else {
            return all;
        };
        let at = self.deciding.iter().position(|d| d.lane == c.lane);
        let stands = at.map_or(&[][..], |at| &self.stands[at]);
        let set = (0..).zip(stands).filter(|(_, p)| c.positions.contains(p));
        set.fold(0, |o, (e, _)| o | 1u64 << e)
    }

    /// True where two words, and one and the complement of the other, differ far enough over some end stops.
    fn apart(&self, a: u64, b: u64, over: u64) -> bool {
        let all = over.count_ones();
        let least = if all == self.ends {
            self.effort.distance
        } else {
            self.effort.distance.saturating_sub(1).max(1)
        };
        let d = ((a ^ b) & over).count_ones();
        d >= least && all - d >= least
    }

    fn choose(&self, panel: &Panel, lanes: &[Lane], random: &mut Random) -> Option<Vec<u64>> {
        /// Words drawn for a lane before the whole is tried anew.
        const DRAWN: usize = 400;
        let means: Vec<u64> = (0..lanes.len()).map(|l| self.means(l)).collect();
        let of = |lane: usize| self.conditions[lane].as_ref();
        let two_valued = |l: usize| {
            let c = &panel.controls[lanes[l].control];
            c.kind != Kind::Text && (c.kind != Kind::Selector || c.span() < 2)
        };
        let mut out: Vec<u64> = vec![0; lanes.len()];
        let mut chosen: Vec<usize> = Vec::new();
        let fits = |l: usize, w: u64, out: &[u64], chosen: &[usize]| {
            // Nor may it stand still.
            self.apart(w, 0, means[l])
                && chosen.iter().all(|&o| {
                    Condition::exclude(of(l), of(o))
                        || (self.apart(w, out[o], means[l]) && self.apart(w, out[o], means[o]))
                })
        };
        for (d, stands) in self.deciding.iter().zip(self.stands) {
            let span = panel.controls[lanes[d.lane].control].span();
            if stands.iter().any(|p| *p != 0 && *p != span) {
                continue;
            }
            let up = (0..).zip(stands).filter(|(_, p)| **p > 0);
            let word = up.fold(0, |o, (e, _)| o | 1u64 << e);
            if !fits(d.lane, word, &out, &chosen) {
                return None;
            }
            out[d.lane] = word;
            chosen.push(d.lane);
        }
        for l in 0..lanes.len() {
            if !two_valued(l) || self.deciding.iter().any(|d| d.lane == l) {
                continue;
            }
            let mut drawn = (0..DRAWN).map(|_| random.bits() & ((1u64 << self.ends) - 1));
            out[l] = drawn.find(|w| fits(l, *w, &out, &chosen))?;
            chosen.push(l);
        }
        Some(out)
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]
    use super::*;

    /// A wave of five positions: width means something at pulse, fold and bend at triangle and sine.
    fn waves() -> Panel {
        let dial = |key: &str, is: &str| {
            format!(
                "[[control]]\nkey = \"{key}\"\nkind = \"knob\"\nwhen = {{ key = \"wave\", is = [{is}] }}\n"
            )
        };
        let text =
            "name = \"Waves\"\npresets = 16\n[[control]]\nkey = \"wave\"\nkind = \"selector\"\n\
                    positions = [\"saw\", \"pulse\", \"triangle\", \"sine\", \"noise\"]\n"
                .to_owned()
                + &dial("width", "\"pulse\"")
                + &dial("fold", "\"triangle\", \"sine\"")
                + &dial("bend", "\"sine\", \"triangle\"")
                + "[[control]]\nkey = \"level\"\nkind = \"knob\"\n";
        Panel::parse(&text).unwrap()
    }

    /// By hand: two sets of positions, whatever order they are named in; saw and noise are of none. So twice as many
    /// settings between the ends, and three more for either: 2 x 12 + 2 x 3 = 30.
    #[test]
    fn sets_of_positions_by_hand() {
        let panel = waves();
        let all = deciding(&panel, &panel.lanes(), &panel.conditions());
        assert_eq!(all.len(), 1);
        assert_eq!((all[0].lane, &all[0].rest), (0, &vec![0, 4]));
        assert_eq!(all[0].sets, [vec![1], vec![2, 3]]);
        assert_eq!(turns(&panel), 2);
        let (settings, ends) = settings(&panel, Effort::FULL, &mut Random::new(1));
        assert_eq!(settings.len() - ends, 30);
        // Seven settings of two sets: four and three, and of triangle and sine each once before one comes twice.
        let at = turned(&all[0], 7, &mut Random::new(2));
        let times = |p: u32| at.iter().filter(|a| **a == p).count();
        let (pulse, triangle, sine) = (times(1), times(2), times(3));
        assert_eq!(pulse + triangle + sine, 7);
        assert!((3..=4).contains(&pulse) && triangle - sine <= 1, "{at:?}");
    }

    /// Where there is one set, what decides stands elsewhere as often.
    #[test]
    fn one_set_and_elsewhere() {
        let text = "name = \"One\"\npresets = 16\n[[control]]\nkey = \"glide\"\nkind = \"switch\"\n\
                    [[control]]\nkey = \"time\"\nkind = \"knob\"\nwhen = { key = \"glide\", is = [\"on\"] }\n";
        let panel = Panel::parse(text).unwrap();
        let all = deciding(&panel, &panel.lanes(), &panel.conditions());
        assert_eq!(all[0].sets, [vec![1], vec![0]]);
        assert!(all[0].rest.is_empty());
    }

    /// By hand, over four settings: 0011 and 0101 differ in two and agree in two. Over the lower three they differ in two
    /// and agree in one, which is enough where one less is asked of some settings alone.
    #[test]
    fn distances_by_hand() {
        let apart = |distance, over| {
            let words = Words {
                ends: 4,
                effort: Effort {
                    distance,
                    ..Effort::FULL
                },
                stands: &[],
                deciding: &[],
                conditions: &[],
            };
            words.apart(0b0011, 0b0101, over)
        };
        assert!(apart(2, 0b1111) && !apart(3, 0b1111));
        assert!(apart(2, 0b0111) && !apart(3, 0b0111));
    }

    /// What means nothing is left alone, and where it means something it is dialled to both ends.
    #[test]
    fn dialled_where_it_means_something() {
        let panel = waves();
        let (settings, ends) = settings(&panel, Effort::FULL, &mut Random::new(3));
        for (lane, set) in [(1, &[1][..]), (2, &[2, 3]), (3, &[2, 3])] {
            let mut before = 0;
            let mut at_ends = Vec::new();
            for (d, s) in settings.iter().enumerate() {
                let means = set.contains(&s.positions[0]);
                assert!(means || s.positions[lane] == before, "setting {d}");
                before = s.positions[lane];
                if means && d < ends {
                    at_ends.push(before);
                }
            }
            assert!(
                at_ends.contains(&0) && at_ends.contains(&100),
                "{at_ends:?}"
            );
        }
    }
}
