//! The tracing bench: random instruments with hidden layouts, dialled by a simulated hand, solved and compared.
//!
//! `cargo run --release --example trace-bench -- [FIRST SEED] [COUNT]`; seeds below 1,000,000 are for tuning.

mod generator;
mod judge;

use std::collections::BTreeMap;
use std::time::Instant;

use cellkeep::trace::plan::{Effort, Plan};
use cellkeep::trace::simulate::{self, Hand};
use rayon::prelude::*;

struct Outcome {
    family: &'static str,
    says: String,
    seconds: f64,
    error: Option<String>,
    verdicts: Vec<judge::Verdict>,
}

fn run(seed: u64, hand: Hand) -> Outcome {
    let i = generator::instrument(seed);
    let (panel, targets) = simulate::panel_of(&i.layout).unwrap();
    let plan = Plan::with(&panel, Effort::FULL);
    let t = Instant::now();
    let readings = simulate::dial(&i.layout, &targets, &plan, hand, seed).unwrap();
    if std::env::var("TRACE_ONE").is_ok() {
        eprintln!("{} dialled {:.2}", i.says, t.elapsed().as_secs_f64());
    }
    let start = Instant::now();
    let solved = cellkeep::trace::solve(&plan, &readings);
    let seconds = start.elapsed().as_secs_f64();
    if std::env::var("TRACE_ONE").is_ok()
        && let Ok(s) = &solved
    {
        println!("{:?} {:?}", s.structure(), s.bases());
        let text = s.layout_toml("traced");
        struct None_;
        impl cellkeep::layout::Library for None_ {
            fn text(
                &self,
                _: &str,
            ) -> Result<Option<cellkeep::layout::problem::SourceText>, String> {
                Ok(None)
            }
        }
        let checked = cellkeep::layout::check(
            cellkeep::layout::problem::SourceText {
                origin: "traced".into(),
                text: text.clone(),
            },
            &None_,
        );
        println!(
            "layout {} problems {}",
            checked.layout.is_some(),
            checked.problems
        );
        if std::env::var("TRACE_TOML").is_ok() {
            println!("{text}");
        }
        let a = &i.layout.areas[0];
        for n in std::env::var("TRACE_N")
            .ok()
            .and_then(|n| n.parse::<usize>().ok())
            .into_iter()
        {
            let f = &a.fields[n];
            println!(
                "positions {:?}",
                plan.settings
                    .iter()
                    .map(|s| s.positions[plan
                        .panel
                        .lanes()
                        .iter()
                        .position(|l| l.control == n)
                        .unwrap()])
                    .collect::<Vec<_>>()
            );
            for k in 0..f.width as usize {
                let mut row = vec![String::new(); plan.settings.len()];
                for save in &plan.saves {
                    let e = targets[n]
                        .entry(
                            &i.layout,
                            save.preset,
                            plan.panel
                                .lanes()
                                .iter()
                                .find(|l| l.control == n)
                                .unwrap()
                                .voice,
                        )
                        .unwrap();
                    let x = a.field_places(e, n)[k];
                    let b = readings[save.reading].chips[x.chip as usize]
                        .image
                        .bit(x.cell, x.line)
                        .unwrap();
                    row[save.setting].push(if b { '1' } else { '0' });
                }
                println!(
                    "{} {k} {:?}: {}",
                    a.parameters[n].key,
                    a.field_places(0, n)[k],
                    row.join(" ")
                );
            }
        }
    }
    let verdicts = judge::judge(&i.layout, &targets, &plan, solved.as_ref().ok());
    Outcome {
        family: i.family,
        says: i.says,
        seconds,
        error: solved.err().map(|e| e.to_string()),
        verdicts,
    }
}

fn main() {
    let mut arguments = std::env::args().skip(1);
    let first: u64 = arguments.next().and_then(|a| a.parse().ok()).unwrap_or(1);
    let count: u64 = arguments.next().and_then(|a| a.parse().ok()).unwrap_or(100);
    let verbose = arguments.next().is_some();
    if let Ok(seed) = std::env::var("TRACE_ONE") {
        let o = run(seed.parse().unwrap_or(1), Hand::default());
        println!(
            "{} {} {:.2} s {:?} right {} of {}",
            o.family,
            o.says,
            o.seconds,
            o.error,
            o.verdicts.iter().filter(|v| v.right).count(),
            o.verdicts.len()
        );
        for v in o.verdicts.iter().filter(|v| !v.right).take(12) {
            println!("   {}", v.says);
        }
        return;
    }
    let hands = [
        ("no noise", Hand::default()),
        (
            "jitter of one code",
            Hand {
                jitter: true,
                slips: 0.0,
            },
        ),
        (
            "one slip in 20 saves",
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
    ];
    for (name, hand) in hands {
        let outcomes: Vec<Outcome> = (first..first + count)
            .into_par_iter()
            .map(|s| run(s, hand))
            .collect();
        let all: Vec<&judge::Verdict> = outcomes.iter().flat_map(|o| &o.verdicts).collect();
        let share = |f: &dyn Fn(&judge::Verdict) -> bool| {
            100.0 * all.iter().filter(|v| f(v)).count() as f64 / all.len() as f64
        };
        println!(
            "{name}: {} fields; right {:.2} %, right but the low two bits {:.2} %, certain {:.2} %, certain and wrong {}, \
             instruments without structure {}, slowest {:.2} s",
            all.len(),
            share(&|v| v.right),
            share(&|v| v.right_but_low),
            share(&|v| v.certain),
            all.iter().filter(|v| v.certain && !v.right).count(),
            outcomes.iter().filter(|o| o.error.is_some()).count(),
            outcomes.iter().map(|o| o.seconds).fold(0.0, f64::max),
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
        if verbose {
            for (s, o) in outcomes.iter().enumerate() {
                let wrong = o.verdicts.iter().filter(|v| !v.right_but_low).count();
                if wrong > 0 || o.error.is_some() {
                    println!(
                        "  seed {} [{}] {}: {wrong} of {} wrong {:?}",
                        first + s as u64,
                        o.family,
                        o.says,
                        o.verdicts.len(),
                        o.error
                    );
                    for v in o
                        .verdicts
                        .iter()
                        .filter(|v| !v.right_but_low || (v.certain && !v.right))
                        .take(4)
                    {
                        println!("      {}", v.says);
                    }
                }
            }
        }
    }
}
