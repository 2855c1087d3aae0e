//! The tracing bench: random instruments with hidden layouts, dialled by a simulated hand, solved and compared.
//!
//! `cargo run --release --example trace-bench -- tuning|evaluation COUNT [words]`, or with a first seed in place of the
//! word; `decided` and `evaluation-decided` in its place run instruments with controls that mean something only while another
//! stands in some position, from seed 500,000 and 1,500,000 on, and `untold` and `evaluation-untold` the same where the panel file does not say so. Tuning seeds (from 1) are for work on the solver; figures are written down from evaluation seeds (from
//! 1,000,000) only. `words` names every field that came out wrong. `-- shipped [ID]` runs the built-in layouts, or one
//! of them with every field named that is wrong or not certain; `-- exchanged [ID] [WAYS]` runs them with two presets exchanged
//! before the first reading, in so many ways. CELLKEEP_HANDS=jitter,slip picks hands out of none, jitter, slip and both;
//! CELLKEEP_FAMILY=nibbles runs only the instruments whose family or description contains the word, and `-- list FIRST
//! COUNT` names them. `digest` in place of `words` prints a line an instrument with a digest of all that was found, so that
//! two steps of the code can be held side by side; `layout` prints the layouts found.
//! Instruments run side by side on all cores, which lengthens the solve times; with CELLKEEP_ALONE=1 one after the other, each on
//! all cores; RAYON_NUM_THREADS=1 times each on one core, and says how long the processor worked.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod check_judge;
mod exchange;
mod generator;
mod judge;

use std::collections::BTreeMap;
use std::time::Instant;

use rayon::prelude::*;

use cellkeep::trace::panel::Panel;
use cellkeep::trace::plan::{Effort, Plan};
use cellkeep::trace::rehearsal::Compared;
use cellkeep::trace::simulate::{self, Hand};

struct Outcome {
    seed: u64,
    family: &'static str,
    says: String,
    /// Of the layout and the report.
    digest: String,
    /// The layout found.
    layout: String,
    cells: u64,
    seconds: f64,
    /// The same of the processor, where that can be told.
    worked: Option<f64>,
    settings: usize,
    /// Bits of an entry that a control moves, as the hidden layout has them.
    bits: usize,
    broken: Option<String>,
    checks: check_judge::Checks,
    /// A second bank, read with the layout found.
    compared: Compared,
    /// Controls of which each voice has its own, and those that the layout found writes once for all.
    written: (usize, usize),
    when: Conditions,
    /// What was said of those that nobody told.
    noticed: Vec<String>,
    /// What was said of checks.
    said: Vec<String>,
    /// What was said of the structure of presets.
    structure: Vec<String>,
    verdicts: Vec<judge::Verdict>,
}

fn run(seed: u64, hand: Hand, untold: bool) -> Outcome {
    let i = generator::instrument(seed);
    let (whole, targets) = simulate::panel_of(&i.layout).unwrap();
    let mut panel = whole.clone();
    for c in panel.controls.iter_mut().filter(|_| untold) {
        c.when = None;
    }
    let plan = Plan::with(&panel, Effort::FULL);
    let readings = simulate::dial(&i.layout, &targets, &plan, hand, seed).unwrap();
    let (start, before) = (Instant::now(), processor());
    let solved = cellkeep::trace::solve(&plan, &readings);
    let seconds = start.elapsed().as_secs_f64();
    let worked = before.and_then(|b| Some(processor()? - b));
    let verdicts = judge::judge(&i.layout, &targets, &plan, solved.as_ref().ok());
    let found = match &solved {
        Ok(s) => {
            cellkeep::layout::from_text("found", &s.layout_toml("found")).map_err(|e| e.to_string())
        }
        Err(e) => Err(e.to_string()),
    };
    let other = cellkeep::trace::rehearsal::bank(&plan, seed ^ 0x5eed);
    let bank = simulate::dial(&i.layout, &targets, &other, Hand::default(), seed ^ 0xbac).unwrap();
    let checks = check_judge::judge(&i.layout, found.as_ref().ok(), &bank[0]);
    let compared = solved.as_ref().ok().zip(found.as_ref().ok());
    let compared = compared.map(|(solution, found)| {
        cellkeep::trace::rehearsal::compare(&i.layout, &targets, solution, found, seed).unwrap()
    });
    let written = written(&panel, found.as_ref().ok());
    let findings = solved.iter().flat_map(|s| s.report().findings);
    let noticed = findings.filter(|f| f.code.starts_with("trace.when"));
    let noticed = noticed.map(|f| format!("{} ({})", f.says, f.means.unwrap_or_default()));
    let hidden = whole.controls.iter().filter_map(|c| {
        let when = c.when.as_ref()?;
        Some(format!(
            "hidden: {} means something where {} is at {}",
            c.key,
            when.key,
            when.is.join(" or ")
        ))
    });
    let noticed = noticed.chain(hidden).collect();
    let when = conditions(&whole, &panel, solved.as_ref().ok());
    let said = solved.iter().flat_map(|s| s.report().checks);
    let said = said
        .map(|c| {
            format!(
                "{} in {} ({} entries, {:.0} bits)",
                c.says, c.stored, c.entries, c.evidence
            )
        })
        .collect();
    let broken = found.err();
    let structure = solved.iter().flat_map(|s| s.structure()).collect();
    let cost = plan.cost();
    Outcome {
        seed,
        family: i.family,
        says: i.says,
        digest: digest(solved.as_ref().ok()),
        layout: (solved.as_ref()).map_or_else(|e| e.to_string(), |s| s.layout_toml("found")),
        cells: i
            .layout
            .chips
            .iter()
            .map(|c| u64::from(c.words) * u64::from(c.width) / 8)
            .sum(),
        seconds,
        worked,
        settings: cost.settings,
        bits: panel
            .lanes()
            .iter()
            .map(|l| width(&i.layout, targets[l.control]))
            .sum(),
        broken,
        checks,
        compared: compared.unwrap_or_default(),
        written,
        when,
        noticed,
        said,
        structure,
        verdicts,
    }
}

/// Controls that each voice has of its own, and those of them that the layout found writes once for all voices.
fn written(panel: &Panel, found: Option<&cellkeep::layout::model::Layout>) -> (usize, usize) {
    let own = panel.controls.iter().filter(|c| c.per_voice);
    let once = |c: &&cellkeep::trace::panel::PanelControl| {
        let mut areas = found.iter().flat_map(|l| &l.areas);
        areas.any(|a| a.parameter(&c.key).is_some())
    };
    (own.clone().count(), own.filter(once).count())
}

/// Seconds that the threads of this process have worked, as Linux counts them (proc(5), `schedstat`); nothing where
/// instruments run side by side, whose work it would count too.
fn processor() -> Option<f64> {
    if rayon::current_num_threads() > 1 {
        return None;
    }
    let mut all = 0u64;
    for task in std::fs::read_dir("/proc/self/task").ok()? {
        let text = std::fs::read_to_string(task.ok()?.path().join("schedstat")).ok()?;
        all += text.split_whitespace().next()?.parse::<u64>().ok()?;
    }
    Some(all as f64 / 1e9)
}

/// What is said of when controls mean something, beside the truth.
#[derive(Clone, Copy, Default)]
struct Conditions {
    /// Controls that mean something only sometimes.
    hidden: usize,
    /// Those of them that are written so, told or noticed, and otherwise than they are.
    right: usize,
    wrong: usize,
    /// Guesses that are right, and that are not.
    guessed: usize,
    misled: usize,
}

fn conditions(
    panel: &Panel,
    told: &Panel,
    solved: Option<&cellkeep::trace::Solution>,
) -> Conditions {
    let mut out = Conditions::default();
    let noticed = solved.map_or_else(Vec::new, |s| s.noticed());
    for (c, control) in panel.controls.iter().enumerate() {
        out.hidden += usize::from(control.when.is_some());
        let told = told.controls[c].when.is_some();
        out.right += usize::from(told);
        for (_, when, _, written) in noticed.iter().filter(|n| n.0 == c) {
            let right = Some(when) == control.when.as_ref();
            *match (written, right) {
                (true, true) => &mut out.right,
                (true, false) => &mut out.wrong,
                (false, true) => &mut out.guessed,
                (false, false) => &mut out.misled,
            } += 1;
        }
    }
    out
}

/// What was found in few letters.
fn digest(solved: Option<&cellkeep::trace::Solution>) -> String {
    use sha2::Digest;
    let all = solved.map_or(String::new(), |s| {
        s.layout_toml("found") + &serde_json::to_string(&s.report()).unwrap()
    });
    let bytes = sha2::Sha256::digest(all);
    bytes.iter().take(8).map(|b| format!("{b:02x}")).collect()
}

/// Bits of a parameter's first field.
fn width(layout: &cellkeep::layout::model::Layout, target: simulate::Target) -> usize {
    let area = &layout.areas[target.area];
    usize::from(area.fields[area.parameters[target.parameter].fields.start].width)
}

fn hands() -> Vec<(&'static str, Hand)> {
    const NAMES: [&str; 4] = ["none", "jitter", "slip", "both"];
    let wanted = std::env::var("CELLKEEP_HANDS").unwrap_or_else(|_| NAMES.join(","));
    let wanted: Vec<&str> = wanted.split(',').collect();
    assert!(
        wanted.iter().all(|w| NAMES.contains(w)),
        "CELLKEEP_HANDS names some of {NAMES:?}, with commas between"
    );
    let all = [
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
    ];
    let picked = all.into_iter().zip(NAMES);
    let picked = picked.filter(|(_, name)| wanted.contains(name));
    picked.map(|(hand, _)| hand).collect()
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
                Some(Ok(r)) => {
                    println!(
                        "{:18} {name:20} {:8} {:9} {:8} {:6} of {:5} {:8.2}  certain and wrong {}",
                        r.instrument,
                        r.plan.settings.len(),
                        r.controls,
                        r.certain,
                        r.compared.right,
                        r.compared.values,
                        start.elapsed().as_secs_f64(),
                        r.compared.certain_wrong,
                    );
                    if only.is_some() && !r.compared.wrong.is_empty() {
                        println!("    second bank wrong in {}", r.compared.wrong.join(", "));
                    }
                }
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

/// Two presets exchanged before the first reading, in a number of ways: what is lost by it, and whether they are named.
fn exchanged(only: Option<&str>, ways: usize) {
    println!(
        "{:18} {:>9} {:>8} {:>10} {:>7} {:>14} {:>15}",
        "instrument",
        "presets",
        "certain",
        "structures",
        "named",
        "another named",
        "certain, wrong"
    );
    for listed in cellkeep::layout::list().unwrap() {
        if only.is_some_and(|o| o != listed.id) {
            continue;
        }
        let layout = cellkeep::layout::load(&listed.id).unwrap();
        let Some((panel, targets)) = simulate::panel_of(&layout) else {
            continue;
        };
        let plan = Plan::with(&panel, Effort::FULL);
        let mut random = cellkeep::trace::rng::Random::new(11);
        for way in 0..=ways {
            let (a, b) = (random.below(panel.presets), random.below(panel.presets));
            // Nothing is exchanged at first.
            let done = match way {
                0 => plan.clone(),
                _ if a == b => continue,
                _ => exchange::exchanged(&plan, a, b),
            };
            let readings = simulate::dial(&layout, &targets, &done, Hand::default(), 3).unwrap();
            let Ok(s) = cellkeep::trace::solve(&plan, &readings) else {
                println!("{:18} {:4} {:4} nothing found", layout.name, a + 1, b + 1);
                continue;
            };
            let report = s.report();
            let said = |code: &str| report.findings.iter().filter(|f| f.code == code).count();
            let others = said("trace.off-mark") + said("trace.wrong-preset");
            let verdicts = judge::judge(&layout, &targets, &plan, Some(&s));
            let believed = verdicts.iter().filter(|v| v.certain && !v.right).count();
            let certain = verdicts.iter().filter(|v| v.certain).count();
            println!(
                "{:18} {:4} {:4} {certain:8} {:10} {:7} {others:14} {believed:15}",
                layout.name,
                if way == 0 { 0 } else { a + 1 },
                if way == 0 { 0 } else { b + 1 },
                s.structure().len(),
                said("trace.exchanged"),
            );
            if only.is_some() {
                for line in s.structure() {
                    println!("    {line}");
                }
                for f in &report.fields {
                    println!(
                        "    {} {} {} {:.4} {:.4}",
                        f.name,
                        f.code,
                        f.bits_shown(),
                        f.sure_of_shown,
                        f.sure
                    );
                }
                for f in report
                    .findings
                    .iter()
                    .filter(|f| f.severity > cellkeep::finding::Severity::Note)
                {
                    println!("    {}: {}", f.code, f.says);
                }
            }
        }
    }
}

/// Names every field of a layout that comes out wrong, or not certain.
fn wrong_fields(layout: &cellkeep::layout::model::Layout, hand: Hand) {
    let (panel, targets) = simulate::panel_of(layout).unwrap();
    let plan = Plan::with(&panel, Effort::FULL);
    let readings = simulate::dial(layout, &targets, &plan, hand, 7).unwrap();
    let solved = cellkeep::trace::solve(&plan, &readings).ok();
    for s in solved.iter().flat_map(|s| [s.structure(), s.voices()]) {
        s.iter().for_each(|s| println!("    {s}"));
    }
    for v in judge::judge(layout, &targets, &plan, solved.as_ref()) {
        if !v.right {
            println!("    {}", v.says);
        }
    }
    for f in solved.iter().flat_map(|s| &s.fields) {
        if !f.certain() {
            let key = &panel.controls[f.control].key;
            let bits: Vec<String> = f.bits.iter().map(|b| format!("{:.4}", b.sure)).collect();
            println!(
                "    not certain: {key} ({}), coding {:.4}, bits {}",
                f.code,
                f.sure,
                bits.join(" ")
            );
        }
    }
}

/// A share with the interval that holds it in 95 of 100 cases (Wilson, J. Am. Stat. Assoc. 22, 1927).
fn share(n: usize, of: usize) -> String {
    if of == 0 {
        return "none".to_owned();
    }
    let (p, m, z) = (n as f64 / of as f64, of as f64, 1.96f64);
    let middle = (p + z * z / (2.0 * m)) / (1.0 + z * z / m);
    let half = z * (p * (1.0 - p) / m + z * z / (4.0 * m * m)).sqrt() / (1.0 + z * z / m);
    format!(
        "{:.2} % ({:.2} to {:.2})",
        100.0 * p,
        100.0 * (middle - half).max(0.0),
        100.0 * (middle + half).min(1.0)
    )
}

/// Upper ends of the chances a field is called right with, and how a row of the curve is named.
const CURVE: [(f64, &str); 8] = [
    (0.1, "0 to 10 %"),
    (0.5, "10 to 50 %"),
    (0.8, "50 to 80 %"),
    (0.9, "80 to 90 %"),
    (0.95, "90 to 95 %"),
    (0.99, "95 to 99 %"),
    (0.999, "99 to 99.9 %"),
    (2.0, "more, not certain"),
];

/// Fields called so sure: how many, how many right, the sum of the chances stated.
#[derive(Clone, Copy, Default)]
struct Row {
    fields: usize,
    right: usize,
    stated: f64,
}

fn calibration(verdicts: &[&judge::Verdict]) {
    let mut rows = [Row::default(); CURVE.len() + 1];
    for v in verdicts {
        let row = if v.certain {
            CURVE.len()
        } else {
            CURVE.iter().position(|(end, _)| v.chance < *end).unwrap()
        };
        rows[row].fields += 1;
        rows[row].right += usize::from(v.right);
        rows[row].stated += v.chance;
    }
    for (row, name) in rows
        .iter()
        .zip(CURVE.iter().map(|c| c.1).chain(["certain"]))
    {
        if row.fields > 0 {
            println!(
                "    {name:18} {:7} fields, stated {:6.2} %, right {}",
                row.fields,
                100.0 * row.stated / row.fields as f64,
                share(row.right, row.fields)
            );
        }
    }
}

/// Settings dialled, beside the fewest that give every bit a word of its own (Kautz 1974: none all-zero, none
/// all-one) and beside one bit at a time from a common start, by how many bits the controls have.
fn dialled(outcomes: &[Outcome]) {
    println!("settings dialled, by bits of the controls: plan, floor, one bit at a time");
    for (from, to) in [
        (0, 50),
        (51, 100),
        (101, 200),
        (201, 400),
        (401, 800),
        (801, usize::MAX),
    ] {
        let some: Vec<&Outcome> = outcomes
            .iter()
            .filter(|o| (from..=to).contains(&o.bits))
            .collect();
        if some.is_empty() {
            continue;
        }
        let mean = |f: &dyn Fn(&Outcome) -> usize| {
            some.iter().map(|o| f(o)).sum::<usize>() as f64 / some.len() as f64
        };
        println!(
            "    {:>9}: {:4} instruments, plan {:5.1}, floor {:4.1}, one at a time {:6.1}",
            if to == usize::MAX {
                format!("{from} up")
            } else {
                format!("{from} to {to}")
            },
            some.len(),
            mean(&|o| o.settings),
            mean(&|o| cellkeep::trace::words::counting_floor(o.bits) as usize),
            mean(&|o| o.bits + 1)
        );
    }
}

/// How long solving took, by size of the memory.
fn times(outcomes: &[Outcome]) {
    for (from, to, name) in [(0, 2048, "to 2 KiB"), (2049, 32768, "to 32 KiB")] {
        let some = || outcomes.iter().filter(|o| (from..=to).contains(&o.cells));
        let worked = some().filter_map(|o| o.worked).collect();
        let all: [(&str, Vec<f64>); 2] = [
            ("solve time", some().map(|o| o.seconds).collect()),
            ("of the processor", worked),
        ];
        for (what, mut seconds) in all {
            if seconds.is_empty() {
                continue;
            }
            seconds.sort_by(f64::total_cmp);
            let at = |share: f64| seconds[((seconds.len() - 1) as f64 * share).round() as usize];
            println!(
                "    {what} {name:9}: {} instruments, median {:.2} s, 90 of 100 {:.2} s, 99 of 100 {:.2} s, slowest {:.2} s",
                seconds.len(),
                at(0.5),
                at(0.9),
                at(0.99),
                at(1.0)
            );
        }
    }
}

fn words(outcomes: &[Outcome]) {
    for o in outcomes {
        let lost = |v: &&judge::Verdict| !v.right_but_low || (v.certain && !v.right);
        let wrong = o.verdicts.iter().filter(lost).count();
        if wrong > 0 || o.broken.is_some() || o.seconds > 2.0 {
            println!(
                "  seed {} [{}] {}: {wrong} of {} wrong, {:.1} s {}",
                o.seed,
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
        if wrong > 0 {
            for s in &o.structure {
                println!("    {s}");
            }
        }
        if o.when.right < o.when.hidden || o.when.wrong + o.when.misled > 0 {
            println!("  seed {} {}", o.seed, o.says);
            o.noticed.iter().for_each(|n| println!("      {n}"));
        }
        if o.checks.wrong > 0 || o.checks.right < o.checks.hidden {
            println!(
                "  seed {} {}: checks {:?}; said {:?}",
                o.seed, o.says, o.checks, o.said
            );
        }
        if o.compared.right < o.compared.values {
            println!(
                "  seed {} {}: second bank {} of {}, {} of them traced: {}",
                o.seed,
                o.says,
                o.compared.right,
                o.compared.values,
                o.compared.certain_wrong,
                o.compared.wrong.join(", ")
            );
        }
        let believed = |v: &&judge::Verdict| v.certain && !v.right;
        for v in o.verdicts.iter().filter(believed) {
            println!("      CERTAIN, {}: {}", v.class, v.says);
        }
        let lost = |v: &&judge::Verdict| !v.right_but_low && !v.certain;
        for v in o.verdicts.iter().filter(lost).take(6) {
            println!("      {}: {}", v.class, v.says);
        }
    }
}

/// The seeds whose instruments CELLKEEP_FAMILY lets through.
fn wanted(first: u64, count: u64) -> Vec<u64> {
    let family = std::env::var("CELLKEEP_FAMILY").unwrap_or_default();
    let mut seeds: Vec<u64> = (first..first + count).collect();
    seeds.retain(|s| {
        let i = generator::instrument(*s);
        i.family.contains(&family) || i.says.contains(&family)
    });
    assert!(!seeds.is_empty(), "no instrument of a family {family:?}");
    seeds
}

fn hand(name: &str, hand: Hand, first: u64, count: u64, untold: bool) -> Vec<Outcome> {
    let seeds = wanted(first, count);
    let count = seeds.len();
    let done = std::sync::atomic::AtomicUsize::new(0);
    let one_by_one = std::env::var_os("CELLKEEP_ALONE").is_some();
    let together = if one_by_one { count } else { 1 };
    let outcomes: Vec<Outcome> = seeds
        .into_par_iter()
        .with_min_len(together)
        .with_max_len(together)
        .map(|seed| {
            let outcome = run(seed, hand, untold);
            let n = done.fetch_add(1, std::sync::atomic::Ordering::Relaxed) + 1;
            if n.is_multiple_of(50) {
                eprintln!("{name}: {n} of {count}");
            }
            outcome
        })
        .collect();
    let all: Vec<&judge::Verdict> = outcomes.iter().flat_map(|o| &o.verdicts).collect();
    let of =
        |f: &dyn Fn(&judge::Verdict) -> bool| share(all.iter().filter(|v| f(v)).count(), all.len());
    println!(
        "{name}: {} instruments, {} fields; layouts refused or nothing found {}",
        outcomes.len(),
        all.len(),
        outcomes.iter().filter(|o| o.broken.is_some()).count()
    );
    println!("    right               {}", of(&|v| v.right));
    println!("    right but low bits  {}", of(&|v| v.right_but_low));
    println!("    called certain      {}", of(&|v| v.certain));
    println!(
        "    certain and wrong   {}",
        all.iter().filter(|v| v.certain && !v.right).count()
    );
    let mut families: BTreeMap<&str, [usize; 3]> = BTreeMap::new();
    for o in &outcomes {
        let f = families.entry(o.family).or_default();
        f[0] += o.verdicts.len();
        f[1] += o.verdicts.iter().filter(|v| v.right).count();
        f[2] += o.verdicts.iter().filter(|v| v.right_but_low).count();
    }
    for (family, [n, right, low]) in families {
        let percent = |k: usize| 100.0 * k as f64 / n as f64;
        println!(
            "    {family}: of {n} right {:.2} %, but low bits {:.2} %",
            percent(right),
            percent(low)
        );
    }
    let mut classes: BTreeMap<&str, usize> = BTreeMap::new();
    for v in all.iter().filter(|v| !v.right) {
        *classes.entry(v.class).or_default() += 1;
    }
    for (class, n) in classes {
        println!("    lost, {class}: {}", share(n, all.len()));
    }
    let sum = |f: fn(&check_judge::Checks) -> usize| -> usize {
        outcomes.iter().map(|o| f(&o.checks)).sum()
    };
    println!(
        "    checks: {} of {} found, {} said that are none",
        sum(|c| c.right),
        sum(|c| c.hidden),
        sum(|c| c.wrong)
    );
    let of = |f: fn(&Outcome) -> usize| -> usize { outcomes.iter().map(f).sum() };
    println!(
        "    second bank: {} of {} values right by the layout found, {} of parameters called traced wrong",
        of(|o| o.compared.right),
        of(|o| o.compared.values),
        of(|o| o.compared.certain_wrong)
    );
    let hang: Vec<&&judge::Verdict> = all.iter().filter(|v| v.hangs).collect();
    if !hang.is_empty() {
        let of = |f: &dyn Fn(&judge::Verdict) -> bool| {
            share(hang.iter().filter(|v| f(v)).count(), hang.len())
        };
        println!(
            "    {} mean something only while another stands in some position: right {}, but low bits {}, certain {}",
            hang.len(),
            of(&|v| v.right),
            of(&|v| v.right_but_low),
            of(&|v| v.certain)
        );
    }
    println!(
        "    when: of {} controls that mean something only sometimes {} are known as such, and when; {} are written otherwise; \
         guessed {} rightly, {} wrongly",
        of(|o| o.when.hidden),
        of(|o| o.when.right),
        of(|o| o.when.wrong),
        of(|o| o.when.guessed),
        of(|o| o.when.misled)
    );
    println!(
        "    voices: {} of {} controls that each voice has of its own are written once for all",
        of(|o| o.written.1),
        of(|o| o.written.0)
    );
    times(&outcomes);
    println!("    called so sure, and right:");
    calibration(&all);
    outcomes
}

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let number = |i: usize, or: u64| arguments.get(i).and_then(|a| a.parse().ok()).unwrap_or(or);
    let first = match arguments.first().map(String::as_str) {
        Some("shipped") => return shipped(arguments.get(1).map(String::as_str)),
        Some("exchanged") => {
            let id = arguments.get(1).filter(|a| a.parse::<usize>().is_err());
            let ways = arguments.last().and_then(|a| a.parse().ok()).unwrap_or(4);
            return exchanged(id.map(String::as_str), ways);
        }
        Some("list") => {
            for seed in wanted(number(1, 1), number(2, 100)) {
                let i = generator::instrument(seed);
                println!("{seed} [{}] {}", i.family, i.says);
            }
            return;
        }
        Some("evaluation") => 1_000_000,
        Some("decided" | "untold") => generator::DECIDED[0],
        Some("evaluation-decided" | "evaluation-untold") => generator::DECIDED[1],
        Some("tuning") | None => 1,
        Some(_) => number(0, 1),
    };
    let untold = (arguments.first()).is_some_and(|a| a.ends_with("untold"));
    let count = number(1, 100);
    let mut every: Vec<judge::Verdict> = Vec::new();
    for (i, (name, how)) in hands().into_iter().enumerate() {
        let outcomes = hand(name, how, first, count, untold);
        match arguments.get(2).map(String::as_str) {
            Some("digest") => outcomes.iter().for_each(|o| {
                let worked = o
                    .worked
                    .map_or(String::new(), |w| format!(", {w:.2} s of the processor"));
                println!(
                    "  {} {} {:.2} s{worked}, {} bytes",
                    o.seed, o.digest, o.seconds, o.cells
                );
            }),
            Some("layout") => outcomes.iter().for_each(|o| {
                println!("# seed {}, {}\n{}", o.seed, o.says, o.layout);
            }),
            Some(_) => words(&outcomes),
            None => {}
        }
        if i == 0 {
            dialled(&outcomes);
        }
        every.extend(outcomes.into_iter().flat_map(|o| o.verdicts));
    }
    println!("all hands together, called so sure, and right:");
    calibration(&every.iter().collect::<Vec<_>>());
}
