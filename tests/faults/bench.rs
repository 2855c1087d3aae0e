//! The fault bench: how often causes are named, how often health is doubted, how well mending does.
//!
//! `cargo bench --bench faults [-- TRIALS [tuning] [SECTION] [FAULT] [alike] [confusion] [verbose]]`. Evaluation seeds
//! start where tuning seeds end. With `alike` every owner who edited set one control alike in many presets. `confusion`
//! lists every answer that was another than the fault; `2/3` tries the second third of the healthy banks, for machines
//! with several processors.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod banks;
mod blind;
mod chances;
mod ideal;
mod inject;
mod layouts;
mod mended;
mod mending;
mod observer;
mod panel;
mod rng;
mod simulate;
mod time;
mod trial;

use std::cell::Cell;
use std::collections::BTreeMap;

use banks::Edits;
use cellkeep::layout::model::Layout;
use cellkeep::settle::Settlement;
use inject::{CELLS, LINE_AND_CHIP};
use panel::{ALONE, SAVED};
use rayon::prelude::*;
use rng::Rng;
use simulate::Promise;

/// Faults that a healthy bank may look like where something was edited.
const STRAY: [&str; 2] = ["entry.glitched", "entry.trampled"];

/// First seed of evaluation; tuning uses those below.
const EVALUATION: u64 = 1 << 32;

struct Setup {
    trials: usize,
    base: u64,
    verbose: bool,
    /// Whether whoever edited set one control alike in many presets.
    alike: bool,
    /// Whether every wrong answer is listed rather than the commonest four.
    confusion: bool,
    /// Which of so many parts of the healthy banks are tried.
    part: (usize, usize),
    layouts: Vec<Layout>,
}

impl Setup {
    /// What the owner did where something was edited.
    fn edits(&self, edited: bool) -> Edits {
        match edited {
            true if self.alike => Edits::Alike,
            edited => edited.into(),
        }
    }

    /// The layout of a trial: shipped and random ones in turn.
    fn layout(&self, seed: u64, i: usize) -> Layout {
        if i.is_multiple_of(2) {
            self.layouts[(i / 2) % self.layouts.len()].clone()
        } else {
            layouts::random(seed)
        }
    }
}

#[derive(Default)]
struct Score {
    n: usize,
    first: usize,
    third: usize,
    told: usize,
    rival: usize,
    /// What the best observer reaches, over the trials where that is known.
    ideal: f64,
    judged: usize,
    /// What an observer reaches who does not know what was edited, over the trials where he is asked; where he is told that
    /// it is damage.
    blind: usize,
    asked: usize,
    told_him: usize,
    said: BTreeMap<String, usize>,
}

impl Score {
    /// Adds another's figures, but not its answers.
    fn add(&mut self, other: &Self) {
        self.n += other.n;
        self.first += other.first;
        self.third += other.third;
        self.told += other.told;
        self.rival += other.rival;
        self.ideal += other.ideal;
        self.judged += other.judged;
        self.blind += other.blind;
        self.asked += other.asked;
        self.told_him += other.told_him;
    }

    fn print(&self, what: &str, said: &str) {
        let ideal = if self.judged > 0 {
            format!("{:6.2} %", 100.0 * self.ideal / self.judged as f64)
        } else {
            String::new()
        };
        let blind = if self.asked > 0 {
            rate(self.blind, self.asked)
        } else {
            String::new()
        };
        let line = format!(
            "{what:<36} {:>5} {:>9} {:>9} {:>9} {:>9} {ideal:>9} {blind:>9}  {said}",
            self.n,
            rate(self.first, self.n),
            rate(self.third, self.n),
            rate(self.told, self.n),
            rate(self.rival, self.n),
        );
        println!("{}", line.trim_end());
    }
}

fn rate(k: usize, n: usize) -> String {
    format!("{:6.2} %", 100.0 * k as f64 / n.max(1) as f64)
}

fn cause_section(setup: &Setup, title: &str, sets: &[Vec<&'static str>], earlier: bool) {
    println!("\n{title}");
    println!(
        "{:<36} {:>5} {:>9} {:>9} {:>9} {:>9} {:>9} {:>9}  answers otherwise",
        "fault", "n", "first", "in three", "told", "or rival", "ideal", "blind"
    );
    // Only of stray writes it is worth asking whether they can be told from edits.
    let stray = |f: &Vec<&str>| f.len() == 1 && STRAY.contains(&f[0]);
    let bar = (earlier && sets.iter().any(stray)).then(|| bar(setup));
    let (mut all, mut untouched) = (Score::default(), Score::default());
    for (s, faults) in sets.iter().enumerate() {
        let mut score = Score::default();
        for i in 0..setup.trials {
            let seed = setup.base + (s * 1_000_003 + i) as u64 + if earlier { 1 << 24 } else { 0 };
            let mut rng = Rng::new(seed);
            let layout = setup.layout(seed, i);
            let edited = earlier && rng.chance(0.5);
            let Some(trial) = trial::make(&layout, faults, setup.edits(edited), &mut rng) else {
                continue;
            };
            let examined = trial::run(&layout, &trial, earlier, true);
            let rank = trial::rank(&examined, faults, &layout, trial.entry);
            let (told, rival) = trial::told(&examined, faults, &layout);
            let entry = trial.entry.is_some() && rank.is_some();
            let ideal = match faults.as_slice() {
                [fault] => ideal::reaches(fault, &trial, &layout),
                _ => None,
            };
            let asked = bar.is_some() && stray(faults);
            let odds = asked.then(|| blind::of_trial(&layout, &trial)).flatten();
            let finds = |bar: f64| usize::from(odds.is_none_or(|o| o > bar));
            let one = Score {
                n: 1,
                blind: bar.map_or(0, finds),
                asked: usize::from(bar.is_some()),
                told_him: usize::from(bar.is_some() && odds == Some(f64::INFINITY)),
                first: usize::from(rank == Some(0)),
                third: usize::from(rank.is_some_and(|r| r < 3)),
                told: usize::from(told || entry),
                rival: usize::from(rival || entry),
                ideal: ideal.unwrap_or_default(),
                judged: usize::from(ideal.is_some()),
                said: BTreeMap::new(),
            };
            score.add(&one);
            if !edited {
                untouched.add(&one);
            }
            if rank != Some(0) {
                let said = trial::said(&examined);
                if setup.verbose {
                    println!("   seed {i} {} edited {edited}: {said}", layout.id);
                    if !earlier {
                        let truth = trial::sound_bits(&layout, &trial.truth);
                        println!("       {truth:9.1} the bank before the fault");
                    }
                    for f in &examined.examination.findings {
                        println!("       {} {}", f.code, f.says);
                    }
                    for (chip, (t, s)) in trial.truth.iter().zip(&trial.seen).enumerate() {
                        let cells = t.values().iter().zip(s.values()).enumerate();
                        let changed: Vec<_> = cells.filter(|(_, (x, y))| x != y).collect();
                        if let (Some(first), Some(last)) = (changed.first(), changed.last()) {
                            println!(
                                "       chip {chip}: {} cells changed, {} to {}",
                                changed.len(),
                                first.0,
                                last.0
                            );
                        }
                    }
                    for e in &examined.examination.explanations {
                        println!("       {:9.1} {}", e.bits, e.causes.join("+"));
                    }
                }
                *score.said.entry(said).or_default() += 1;
            }
        }
        let mut said: Vec<(String, usize)> = score.said.clone().into_iter().collect();
        said.sort_by_key(|s| std::cmp::Reverse(s.1));
        let most = if setup.confusion { said.len() } else { 4 };
        let said: Vec<String> = said
            .iter()
            .take(most)
            .map(|(s, n)| format!("{s} {n}"))
            .collect();
        score.print(&faults.join(" + "), &said.join(", "));
        all.add(&score);
    }
    all.print("together", "");
    if let Some(bar) = bar {
        println!(
            "The blind observer sees damage at odds above 2^{:.1}, and is told of it or finds it impossible in {} trials",
            bar.log2(),
            all.told_him
        );
    }
    if untouched.n < all.n {
        untouched.print("those without edits in between", "");
    }
}

/// The odds above which the observer who does not know the edits sees damage, from a hundred healthy edited banks for each
/// trial asked for.
fn bar(setup: &Setup) -> f64 {
    let healthy = (0..setup.trials * 100).into_par_iter().filter_map(|i| {
        let seed = setup.base + (1 << 30) + i as u64;
        let mut rng = Rng::new(seed);
        let layout = setup.layout(seed, i);
        let trial = trial::make(&layout, &[], setup.edits(true), &mut rng)?;
        blind::of_trial(&layout, &trial)
    });
    blind::threshold(healthy.collect())
}

/// Healthy controls, ten for each trial asked for; each alarm is listed with its seed.
fn healthy(setup: &Setup) {
    println!("\nHealthy banks with a finding above a note");
    for earlier in [false, true] {
        let (mut n, mut alarms) = (0, 0);
        let (part, of) = setup.part;
        for i in (part..setup.trials * 10).step_by(of) {
            let seed = setup.base + (1 << 28) + i as u64;
            let mut rng = Rng::new(seed);
            let layout = setup.layout(seed, i);
            let Some(trial) = trial::make(&layout, &[], setup.edits(earlier), &mut rng) else {
                continue;
            };
            let examined = trial::run(&layout, &trial, earlier, true);
            n += 1;
            if trial::alarmed(&examined) {
                alarms += 1;
                println!("   seed {i} {}", layout.id);
                if setup.verbose {
                    for e in &examined.examination.explanations {
                        println!("       {:9.1} {}", e.bits, e.causes.join("+"));
                    }
                    let edits = examined.examination.findings.iter();
                    for f in edits.filter(|f| f.code == "entries.edited") {
                        println!("       {} {:?}", f.says, f.evidence);
                    }
                }
                let graver = examined.examination.findings.iter();
                for f in graver.filter(|f| f.severity > cellkeep::finding::Severity::Note) {
                    println!(
                        "      {} {:?} {} {:?}",
                        f.code, f.severity, f.says, f.evidence
                    );
                }
            }
        }
        let with = if earlier {
            "with an earlier reading"
        } else {
            "from one reading alone"
        };
        println!("{with:<36} {n:>5} {alarms:>5} {:>9}", rate(alarms, n));
    }
}

/// Settling: wrong bits expected and actual, what an observer expects who knows the prior, whether the further reads asked for
/// bring them under one, and what was foretold of ten further reads.
fn settling(setup: &Setup) {
    println!("\nSettling reads of simulated 1K x 8 chips");
    settled_of(setup, simulate::USUAL);
    println!("\nThe same, noise and shares drawn from all that the model takes for possible");
    settled_of(setup, simulate::POSSIBLE);
}

fn settled_of(setup: &Setup, prior: simulate::Prior) {
    const WORDS: usize = 1024;
    println!(
        "{:<6} {:>5} {:>10} {:>7} {:>7} {:>7} {:>7} {:>9} {:>7} {:>6} {:>6} {:>9} {:>7} {:>6} {:>6} {:>5}",
        "reads",
        "n",
        "expected",
        "ideal",
        "wrong",
        "ratio",
        "asked",
        "further",
        "left",
        "error",
        "of",
        "after ten",
        "was",
        "open",
        "three",
        "did"
    );
    for reads in [2usize, 3, 4, 5, 7, 9] {
        let mut rng = Rng::new(setup.base + (1 << 29) + reads as u64);
        let more = Cell::new(Rng::new(setup.base + (1 << 28) + reads as u64));
        let look =
            |chip: &simulate::Chip, seen: &[Vec<u8>], report: &Settlement, sum: &mut Promise| {
                sum.ideal += observer::expected_wrong(prior, 8 * WORDS as u64, reads, report);
                let ten = report.forecast.iter().find(|f| f.reads == 10);
                let Some(ten) = ten.filter(|_| !report.afresh) else {
                    return;
                };
                let mut rng = more.replace(Rng::new(0));
                let further = (0..10).map(|_| chip.read(&mut rng));
                let all: Vec<Vec<u8>> = seen.iter().cloned().chain(further).collect();
                more.set(rng);
                let three = report.forecast.iter().find(|f| f.reads == 3);
                if let Some(three) = three.filter(|_| report.unsettled > 0) {
                    let then = simulate::settled(&all[..seen.len() + 3]).0;
                    sum.three += 1;
                    sum.enough += three.enough;
                    sum.did += u32::from(chip.wrong_and_open(&then) == (0, 0));
                }
                let (wrong, open) = chip.wrong_and_open(&simulate::settled(&all).0);
                sum.ten += 1;
                sum.foretold += ten.wrong + ten.open;
                sum.after_ten += wrong + open;
            };
        let trials = setup.trials as u32;
        let sum = simulate::promise_of((WORDS, prior), reads, trials, 40, (&mut rng, look));
        let asked = f64::from(sum.asked.max(1));
        let (left, error) = sum.mean_left();
        println!(
            "{reads:<6} {:>5} {:>10.1} {:>7.1} {:>7} {:>7.2} {:>7} {:>9.1} {:>7.2} {:>6.2} {:>6} {:>9.0} {:>7} {:>6} {:>6.1} {:>5}",
            sum.sets,
            sum.expected,
            sum.ideal,
            sum.actual,
            f64::from(sum.actual) / sum.expected,
            sum.asked,
            f64::from(sum.further) / asked,
            left,
            error,
            sum.ten,
            sum.foretold,
            sum.after_ten,
            sum.three,
            sum.enough,
            sum.did
        );
    }
}

/// `2/3` as the second of three parts.
fn part(word: &str) -> Option<(usize, usize)> {
    let (k, n) = word.split_once('/')?;
    let (k, n): (usize, usize) = (k.parse().ok()?, n.parse().ok()?);
    (1..=n).contains(&k).then(|| (k - 1, n))
}

fn main() {
    let words: Vec<String> = std::env::args()
        .skip(1)
        .filter(|a| a != "--bench")
        .collect();
    let trials = words.iter().find_map(|w| w.parse().ok()).unwrap_or(40);
    let has = |w: &str| words.iter().any(|x| x == w);
    let any = [
        "alone", "earlier", "cells", "panel", "two", "healthy", "mend", "settle", "time",
    ];
    let chosen = |w: &str| has(w) || !any.iter().any(|x| has(x));
    let setup = Setup {
        trials,
        base: if has("tuning") { 0 } else { EVALUATION },
        verbose: has("verbose"),
        alike: has("alike"),
        confusion: has("confusion"),
        part: words.iter().find_map(|w| part(w)).unwrap_or((0, 1)),
        layouts: layouts::SHIPPED
            .iter()
            .map(|id| layouts::shipped(id))
            .collect(),
    };
    let only: Vec<&'static str> = LINE_AND_CHIP
        .iter()
        .chain(&CELLS)
        .chain(&SAVED)
        .chain(&ALONE)
        .copied()
        .filter(|f| has(f))
        .collect();
    let pick = |list: &[&'static str]| -> Vec<Vec<&'static str>> {
        list.iter()
            .filter(|f| only.is_empty() || only.contains(f))
            .map(|f| vec![*f])
            .collect()
    };
    if chosen("time") {
        time::section(&only);
    }
    if chosen("earlier") {
        cause_section(
            &setup,
            "Line and chip faults with an earlier reading",
            &pick(&LINE_AND_CHIP),
            true,
        );
    }
    if chosen("alone") {
        cause_section(
            &setup,
            "Line and chip faults from one reading alone",
            &pick(&LINE_AND_CHIP),
            false,
        );
    }
    if chosen("cells") {
        cause_section(
            &setup,
            "Cells and streams with an earlier reading",
            &pick(&CELLS),
            true,
        );
        cause_section(
            &setup,
            "Cells and streams from one reading alone",
            &pick(&CELLS),
            false,
        );
    }
    if chosen("panel") {
        cause_section(
            &setup,
            "Not in the memory, with an earlier reading",
            &pick(&SAVED),
            true,
        );
        cause_section(
            &setup,
            "Converter and single promises from one reading alone",
            &pick(&ALONE),
            false,
        );
    }
    if chosen("two") {
        let mut sets = Vec::new();
        for (a, b) in [
            ("decay.scattered", "line.stuck"),
            ("decay.scattered", "address.stuck"),
            ("line.stuck", "address.stuck"),
            ("line.stuck", "line.stuck"),
            ("line.bridged", "address.bridged"),
            ("decay.scattered", "chip.dead"),
            ("decay.scattered", "chip.random"),
            ("decay.scattered", "region.overwritten"),
            ("stream.slipped", "line.stuck"),
            ("chips.exchanged", "line.stuck"),
            ("decay.scattered", "bus.inverted"),
        ] {
            sets.push(vec![a, b]);
        }
        cause_section(
            &setup,
            "Two faults at once, with an earlier reading",
            &sets,
            true,
        );
    }
    if chosen("healthy") {
        healthy(&setup);
    }
    if chosen("mend") {
        mending::section(&setup, &only);
    }
    if chosen("settle") {
        settling(&setup);
    }
}
