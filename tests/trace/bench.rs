//! The tracing bench: random instruments with hidden layouts, dialled by a simulated hand, solved and compared.
//!
//! `cargo run --release --example trace-bench -- FIRST-SEED COUNT [words]`. Seeds below 1,000,000 were used while
//! the solver was written; figures are given for seeds from there on. A third argument names every field that
//! came out wrong. `cargo run --release --example trace-bench -- shipped [ID]` runs the built-in layouts, or one
//! of them with every wrong field named. CELLKEEP_HANDS=2 tries the first two hands only.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod generator;
mod judge;

use std::collections::BTreeMap;
use std::time::Instant;

use cellkeep::trace::plan::{Effort, Plan};
use cellkeep::trace::simulate::{self, Hand};

struct Outcome {
    family: &'static str,
    says: String,
    cells: u64,
    seconds: f64,
    settings: usize,
    floor: usize,
    one_at_a_time: usize,
    broken: Option<String>,
    verdicts: Vec<judge::Verdict>,
}

fn run(seed: u64, hand: Hand) -> Outcome {
    let i = generator::instrument(seed);
    let (panel, targets) = simulate::panel_of(&i.layout).unwrap();
    let plan = Plan::with(&panel, Effort::FULL);
    let readings = simulate::dial(&i.layout, &targets, &plan, hand, seed).unwrap();
    let start = Instant::now();
    let solved = cellkeep::trace::solve(&plan, &readings);
    let seconds = start.elapsed().as_secs_f64();
    let verdicts = judge::judge(&i.layout, &targets, &plan, solved.as_ref().ok());
    let broken = match &solved {
        Ok(s) => cellkeep::layout::from_text("found", &s.layout_toml("found"))
            .err()
            .map(|e| e.to_string()),
        Err(e) => Some(e.to_string()),
    };
    let cost = plan.cost();
    Outcome {
        family: i.family,
        says: i.says,
        cells: i
            .layout
            .chips
            .iter()
            .map(|c| u64::from(c.words) * u64::from(c.width) / 8)
            .sum(),
        seconds,
        settings: cost.settings,
        floor: cost.floor,
        one_at_a_time: cost.one_at_a_time,
        broken,
        verdicts,
    }
}

fn hands() -> [(&'static str, Hand); 4] {
    [
        ("no noise", Hand::default()),
        (
            "jitter of one code",
            Hand {
                jitter: true,
                slips: 0.0,
            },
        ),
        (
            "a slip in 20 saves",
            Hand {
                jitter: false,
                slips: 0.05,
            },
        ),
        (
            "both",
            Hand {
                jitter: true,
                slips: 0.05,
            },
        ),
    ]
}

fn shipped(only: Option<&str>) {
    println!(
        "{:18} {:20} {:>8} {:>9} {:>8} {:>14} {:>8}",
        "instrument", "hand", "settings", "controls", "certain", "second bank", "seconds"
    );
    for listed in cellkeep::layout::list().unwrap() {
        if only.is_some_and(|o| o != listed.id) {
            continue;
        }
        let layout = cellkeep::layout::load(&listed.id).unwrap();
        for (name, hand) in hands() {
            let start = Instant::now();
            match cellkeep::trace::rehearsal::rehearse(&layout, hand, 7) {
                Some(Ok(r)) => println!(
                    "{:18} {name:20} {:8} {:9} {:8} {:6} of {:5} {:8.2}  certain and wrong {}",
                    r.instrument,
                    r.plan.settings.len(),
                    r.controls,
                    r.certain,
                    r.right,
                    r.values,
                    start.elapsed().as_secs_f64(),
                    r.certain_wrong,
                ),
                Some(Err(e)) => println!(
                    "{:18} {name:20} {e} ({:.2} s)",
                    layout.name,
                    start.elapsed().as_secs_f64()
                ),
                None => println!("{:18} nothing to dial", layout.name),
            }
            if only.is_some() {
                wrong_fields(&layout, hand);
            }
        }
    }
}

/// Names every field of a layout that comes out wrong.
fn wrong_fields(layout: &cellkeep::layout::model::Layout, hand: Hand) {
    let (panel, targets) = simulate::panel_of(layout).unwrap();
    let plan = Plan::with(&panel, Effort::FULL);
    let readings = simulate::dial(layout, &targets, &plan, hand, 7).unwrap();
    let solved = cellkeep::trace::solve(&plan, &readings).ok();
    for s in solved.iter().flat_map(|s| s.structure()) {
        println!("    {s}");
    }
    for v in judge::judge(layout, &targets, &plan, solved.as_ref()) {
        if !v.right {
            println!("    {}", v.says);
        }
    }
}

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    if arguments.first().is_some_and(|a| a == "shipped") {
        return shipped(arguments.get(1).map(String::as_str));
    }
    let number = |i: usize, or: u64| arguments.get(i).and_then(|a| a.parse().ok()).unwrap_or(or);
    let (first, count) = (number(0, 1), number(1, 100));
    let wordy = arguments.len() > 2;
    let mut curve: BTreeMap<usize, (usize, usize)> = BTreeMap::new();
    let tried = std::env::var("CELLKEEP_HANDS")
        .ok()
        .and_then(|n| n.parse().ok());
    for (name, hand) in hands().into_iter().take(tried.unwrap_or(4)) {
        let outcomes: Vec<Outcome> = (first..first + count).map(|s| run(s, hand)).collect();
        let all: Vec<&judge::Verdict> = outcomes.iter().flat_map(|o| &o.verdicts).collect();
        let share = |f: &dyn Fn(&judge::Verdict) -> bool| {
            100.0 * all.iter().filter(|v| f(v)).count() as f64 / all.len() as f64
        };
        let slowest = |from: u64, to: u64| {
            outcomes
                .iter()
                .filter(|o| (from..=to).contains(&o.cells))
                .map(|o| o.seconds)
                .fold(0.0, f64::max)
        };
        println!(
            "{name}: {} instruments, {} fields: right {:.2} %, right but for low bits {:.2} %, certain {:.2} %, \
             certain and wrong {}; layouts refused or nothing found {}; slowest {:.2} s to 2 KiB, {:.2} s above",
            outcomes.len(),
            all.len(),
            share(&|v| v.right),
            share(&|v| v.right_but_low),
            share(&|v| v.certain),
            all.iter().filter(|v| v.certain && !v.right).count(),
            outcomes.iter().filter(|o| o.broken.is_some()).count(),
            slowest(0, 2048),
            slowest(2049, u64::MAX),
        );
        let mut families: BTreeMap<&str, (usize, usize)> = BTreeMap::new();
        for o in &outcomes {
            let f = families.entry(o.family).or_default();
            f.0 += o.verdicts.len();
            f.1 += o.verdicts.iter().filter(|v| v.right_but_low).count();
        }
        for (family, (n, right)) in families {
            println!(
                "  {family}: {:.2} % of {n}",
                100.0 * right as f64 / n as f64
            );
        }
        for v in &all {
            let c = curve
                .entry((v.chance * 10.0) as usize + usize::from(v.certain))
                .or_default();
            c.0 += 1;
            c.1 += usize::from(v.right);
        }
        if name == "no noise" {
            let mean = |f: &dyn Fn(&Outcome) -> usize| {
                outcomes.iter().map(f).sum::<usize>() as f64 / outcomes.len() as f64
            };
            println!(
                "  settings dialled {:.1} on average; floor {:.1}; one bit at a time {:.1}",
                mean(&|o| o.settings),
                mean(&|o| o.floor),
                mean(&|o| o.one_at_a_time)
            );
        }
        for (s, o) in outcomes.iter().enumerate().filter(|_| wordy) {
            let wrong = o.verdicts.iter().filter(|v| !v.right_but_low).count();
            if wrong > 0 || o.broken.is_some() || o.seconds > 2.0 {
                println!(
                    "  seed {} [{}] {}: {wrong} of {} wrong, {:.1} s {}",
                    first + s as u64,
                    o.family,
                    o.says,
                    o.verdicts.len(),
                    o.seconds,
                    o.broken
                        .as_deref()
                        .unwrap_or("")
                        .lines()
                        .next()
                        .unwrap_or("")
                );
            }
            for v in o
                .verdicts
                .iter()
                .filter(|v| !v.right_but_low || (v.certain && !v.right))
                .take(3)
            {
                println!("      {}", v.says);
            }
        }
    }
    println!("calibration: called so sure, and right");
    for (decile, (n, right)) in curve {
        let called = if decile == 10 {
            "certain".to_owned()
        } else {
            format!("{}-{} %", decile * 10, decile * 10 + 10)
        };
        println!(
            "  {called:9} {n:6} fields, {:.2} % right",
            100.0 * right as f64 / n as f64
        );
    }
}
