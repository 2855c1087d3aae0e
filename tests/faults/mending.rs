//! How well mending does: of the damaged parameters how many are restored exactly, and how the stated chances fare.

use std::collections::BTreeMap;

use cellkeep::examine::Examined;
use cellkeep::mend::Proposal;

use crate::mended::{Mended, Restored, SURE, Score};
use crate::rng::Rng;
use crate::trial;
use crate::{Setup, rate};

/// What is damaged, by which faults, and whether there is an earlier reading.
type Row = (&'static str, &'static [&'static str], bool);

const ROWS: [Row; 10] = [
    ("dead chip, earlier reading", &["chip.dead"], true),
    (
        "overwritten stretch, earlier reading",
        &["region.overwritten"],
        true,
    ),
    ("decay, earlier reading", &["decay.scattered"], true),
    ("stuck line, earlier reading", &["line.stuck"], true),
    (
        "dead chip, what else the reading holds",
        &["chip.dead"],
        false,
    ),
    (
        "stuck line, what else the reading holds",
        &["line.stuck"],
        false,
    ),
    ("bridged lines, earlier reading", &["line.bridged"], true),
    (
        "decay and a stuck line, earlier reading",
        &["decay.scattered", "line.stuck"],
        true,
    ),
    (
        "random chip, what else the reading holds",
        &["chip.random"],
        false,
    ),
    (
        "address line, what else the reading holds",
        &["address.stuck"],
        false,
    ),
];

/// What a proposal rests on, in few words, from the evidence it states.
fn rests_on(p: &Proposal) -> String {
    let says = |words: &str| p.evidence.iter().any(|e| e.starts_with(words));
    let mut out = Vec::new();
    for (words, name) in [
        ("the earlier reading", "earlier"),
        ("held by", "voices"),
        ("the copy", "copy"),
        ("the check", "check"),
        ("against it", "against"),
    ] {
        if says(words) {
            out.push(name);
        }
    }
    if p.evidence.iter().any(|e| e.ends_with("cannot be set")) {
        out.push("impossible");
    }
    match out.is_empty() {
        true => "habit".to_owned(),
        false => out.join("+"),
    }
}

/// Proposals by how sure they are said to be: how many, how many are right, and the sum of what is said.
#[derive(Default)]
struct Curve([(usize, usize, f64); 8]);

impl Curve {
    fn count(&mut self, p: &Proposal, right: bool) {
        let above = [0.6, 0.7, 0.8, 0.9, 0.95, 0.99, 0.999];
        let bin = &mut self.0[above.partition_point(|least| p.probability >= *least)];
        bin.0 += 1;
        bin.1 += usize::from(right);
        bin.2 += p.probability;
    }

    fn print(&self) {
        println!("\nCalibration: of the proposals said to be this sure, so many are right");
        for (n, right, said) in self.0 {
            if n > 0 {
                println!(
                    "said {:6.2} %   right {}   of {n}",
                    100.0 * said / n as f64,
                    rate(right, n)
                );
            }
        }
    }
}

/// The answer of examining, with the explanations listed: what they take, and their chances.
fn answer(examined: &Examined) -> String {
    let ranked = examined.examination.explanations.iter();
    let ranked: Vec<String> = ranked
        .map(|e| format!("{} {:.0} {:.4}", e.causes.join("+"), e.bits, e.sure))
        .collect();
    format!("{} [{}]", trial::said(examined), ranked.join("; "))
}

/// The mending rows, or those of the faults named.
pub(crate) fn section(setup: &Setup, only: &[&'static str]) {
    println!("\nMending damaged parameters");
    println!(
        "{:<44} {:>8} {:>9} {:>9} {:>9} {:>9} {:>9} {:>9} {:>9} {:>9}",
        "damage and help",
        "damaged",
        "proposed",
        "precision",
        "recall",
        "sure 99",
        "wrong",
        "told",
        "true",
        "restored"
    );
    let mut curve = Curve::default();
    let mut rests = BTreeMap::<(bool, String), Score>::new();
    for (s, (what, faults, earlier)) in ROWS.into_iter().enumerate() {
        if !only.is_empty() && !faults.iter().any(|f| only.contains(f)) {
            continue;
        }
        let (mut damaged, mut score) = (0, Score::default());
        let mut restored = Restored::default();
        for i in 0..setup.trials {
            let seed = setup.base + (1 << 30) + (s * 1_000_003 + i) as u64;
            let mut rng = Rng::new(seed);
            let layout = setup.layout(seed, i);
            // Presets edited since the earlier reading are not in it; they are part of the test of calibration.
            let edited = earlier && rng.chance(0.5);
            let Some(trial) = trial::make(&layout, faults, edited, &mut rng) else {
                continue;
            };
            let mended = Mended::new(&layout, &trial, earlier);
            let plan = &mended.plan;
            let elsewhere = mended.restored();
            restored.add(&elsewhere);
            damaged += plan.proposals.len() + plan.losses.len();
            let (mut one, mut by) = (Score::default(), BTreeMap::<String, Score>::new());
            let mut wrong: BTreeMap<&str, Vec<String>> = BTreeMap::new();
            for p in &plan.proposals {
                let truth = mended.truth_of(p);
                let right = truth == p.code;
                if p.probability >= SURE && !right {
                    wrong.entry(&p.parameter).or_default().push(format!(
                        "{} {}: read {}, proposed {}, was {truth}; {:.4}: {}",
                        p.entry,
                        p.parameter,
                        p.now,
                        p.code,
                        p.probability,
                        p.evidence.join("; ")
                    ));
                }
                one.count(p, right);
                curve.count(p, right);
                by.entry(rests_on(p)).or_default().count(p, right);
            }
            score.add(&one);
            for (source, of) in &by {
                let all = rests.entry((!earlier, source.clone())).or_default();
                all.add(of);
            }
            if setup.verbose {
                println!(
                    "   seed {i} {} edited {edited}, {} lost, {} of {} held elsewhere restored: {}",
                    layout.id,
                    plan.losses.len(),
                    elsewhere.exact,
                    elsewhere.held,
                    answer(&mended.examined)
                );
                for (source, of) in &by {
                    println!(
                        "       {source:<24} proposed {:>6} right {:>6} sure {:>6} wrong {:>6}",
                        of.proposed, of.right, of.sure, of.wrong
                    );
                }
                for (parameter, list) in wrong {
                    println!("       {parameter} wrong {} times: {}", list.len(), list[0]);
                }
            }
        }
        println!(
            "{what:<44} {damaged:>8} {:>9} {:>9} {:>9} {:>9} {:>9} {:>9} {:>9} {:>9}",
            rate(score.proposed, damaged),
            rate(score.right, score.proposed),
            rate(score.right, damaged),
            rate(score.sure, damaged),
            rate(score.wrong, score.sure),
            restored.told,
            rate(restored.held, restored.told),
            rate(restored.exact, restored.held)
        );
    }
    curve.print();
    println!(
        "\nWhat proposals rest on, with an earlier reading and with what else the reading holds"
    );
    println!("                              proposed      said     right   sure 99     wrong");
    for ((alone, source), of) in &rests {
        println!(
            "{:<8} {source:<20} {:>9}  {:6.2} % {:>9} {:>9} {:>9}",
            if *alone { "else" } else { "earlier" },
            of.proposed,
            100.0 * of.said / of.proposed as f64,
            rate(of.right, of.proposed),
            of.sure,
            rate(of.wrong, of.sure),
        );
    }
}
