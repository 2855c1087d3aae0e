//! The shelf's figures, and the long forms of its trials.
//!
//!     cargo bench --bench shelf -- times            10,000 jobs: opening, finding, listing, indexing; durability
//!     cargo bench --bench shelf -- audits           the audit against hashing alone, `sha256sum -c` and `sha512sum -c`
//!     cargo bench --bench shelf -- flips            every bit of every file of the sample shelf, but for the index
//!     cargo bench --bench shelf -- index-flips      every bit of its index
//!     cargo bench --bench shelf -- parity           1,000 damages within the parity, and as many beyond as there can be
//!     cargo bench --bench shelf -- writers          eight writers, 200 jobs each, one in six killed
//!     cargo bench --bench shelf -- kills            a kill before every change (strace)
//!     cargo bench --bench shelf -- failures         every call failing, once and for good (a C compiler)
//!     cargo bench --bench shelf -- power            12,000 states after a power loss (strace)
//!
//! `flips/11` tries every eleventh bit; `kills` and `failures` can be thinned in the same way.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

#[path = "../shelf/calls.rs"]
mod calls;
#[path = "../shelf/common.rs"]
mod common;
#[path = "../shelf/damage.rs"]
mod damage;
#[path = "../shelf/failing.rs"]
mod failing;
#[path = "../shelf/power.rs"]
mod power;
#[path = "../shelf/writers.rs"]
mod writers;

use std::fs;
use std::io::Read;
use std::path::Path;
use std::process::Command;
use std::time::{Duration, Instant};

use cellkeep::shelf::{NewJob, Query, Role, Shelf, incoming_bytes};
use common::{Rng, act, chips};
use rayon::prelude::*;
use sha2::{Digest, Sha256};

fn main() {
    let wanted: Vec<String> = std::env::args()
        .skip(1)
        .filter(|a| !a.starts_with('-'))
        .collect();
    if wanted.is_empty() {
        println!(
            "name one or more of: times audits flips index-flips parity writers kills failures power"
        );
    }
    for wanted in wanted {
        let begun = Instant::now();
        // `flips/11` tries every eleventh.
        let (name, step) = wanted.split_once('/').unwrap_or((&wanted, "1"));
        let step: usize = step.parse().expect("a number after the slash");
        match name {
            "times" => times(),
            "audits" => audits(),
            "flips" => tell_flips(&damage::flips(step, 0)),
            "index-flips" => tell_flips(&damage::flips(0, step)),
            "parity" => {
                let restored = damage::parity(1000);
                println!("{restored:?}");
                assert_eq!(restored.restored, restored.within);
                assert_eq!(restored.refused_untouched, restored.beyond);
            }
            "writers" => {
                let (acknowledged, killed, took) = writers::run(8, 200, true);
                println!(
                    "8 writers, 200 jobs each: {acknowledged} acknowledged and there, {killed} killed at, in {took:.1?}"
                );
            }
            "kills" => tell(&calls::kills(step)),
            "failures" => tell(&failing::failures(step)),
            "power" => tell(&power::power_loss(12_000)),
            other => panic!("no trial is called {other}"),
        }
        println!("{name}: {:.1?}", begun.elapsed());
    }
}

fn tell_flips(flips: &damage::Flips) {
    println!(
        "{} files, {} flips, {} found, {} in the index that change nothing, missed: {:?}",
        flips.files, flips.tried, flips.found, flips.harmless, flips.missed
    );
    assert!(flips.missed.is_empty());
}

fn tell(tally: &calls::Tally) {
    println!(
        "{} tried: {} found the old state, {} the new; {} succeeded all the same, {} ended before",
        tally.tried, tally.old, tally.new, tally.succeeded, tally.not_killed
    );
    for wrong in &tally.wrong {
        println!("WRONG {wrong}");
    }
    assert!(tally.wrong.is_empty(), "{} wrong", tally.wrong.len());
}

/// The middle one of some times.
fn middle(times: usize, mut work: impl FnMut()) -> Duration {
    let mut all: Vec<Duration> = (0..times)
        .map(|_| {
            let begun = Instant::now();
            work();
            begun.elapsed()
        })
        .collect();
    all.sort();
    all[times / 2]
}

fn bank(rng: &mut Rng) -> Vec<u8> {
    let mut entries = Vec::new();
    for step in 1..=16 {
        let parameters: Vec<String> = [
            "filter.cutoff",
            "filter.resonance",
            "glide.time",
            "vca.level",
        ]
        .iter()
        .map(|key| {
            format!(
                "{{\"key\":\"{key}\",\"code\":{},\"setting\":\"{}\"}}",
                rng.below(64),
                rng.below(10)
            )
        })
        .collect();
        entries.push(format!(
            "{{\"at\":[\"{step}\"],\"parameters\":[{}]}}",
            parameters.join(",")
        ));
    }
    format!("{{\"kind\":\"bank\",\"version\":1,\"layout\":{{\"id\":\"x\",\"name\":\"x\",\"revision\":\"1\",\"sha256\":\"\"}},\"areas\":[{{\"name\":\"presets\",\"axes\":[\"preset\"],\"entries\":[{}]}}]}}", entries.join(",")).into_bytes()
}

/// A disk's own place: in the folder of the build, since a place in memory would make nothing durable.
fn place() -> tempfile::TempDir {
    tempfile::Builder::new()
        .prefix("shelf-")
        .tempdir_in(Path::new(env!("CARGO_TARGET_TMPDIR")))
        .unwrap()
}

/// Fills a shelf with jobs of six small files, and tells how long each took.
fn fill(shelf: &Shelf) -> Vec<Duration> {
    let mut rng = Rng(10_000);
    let instruments = [
        "Aldermoor Four",
        "Aldermoor Eight",
        "Pellow Six",
        "Quillon 72",
        "Wrenfield Strings",
        "Tessaly Nine",
    ];
    let complaints = [
        "lost its presets over the winter",
        "battery leaked",
        "data line of one chip stuck",
        "hums",
        "restored once before",
    ];
    let count: usize = std::env::var("SHELF_JOBS").map_or(10_000, |n| n.parse().unwrap());
    let mut durable = Vec::new();
    for n in 0..count {
        let new = NewJob {
            name: Some(format!("job-{n:05}")),
            instrument: instruments[n % 6].into(),
            serial: Some(format!("{:04}", n % 4000)),
            customer: Some(format!("C-{n}")),
            complaint: Some(format!("{}, case {n}", complaints[n % 5])),
            ..NewJob::default()
        };
        let mut files = chips(&mut rng, Role::AsFound, 4, 1024);
        files.push(incoming_bytes(Role::Bank, "bank.json", bank(&mut rng)));
        let finding = format!(
            "{{\"findings\":[{{\"code\":\"line.stuck\",\"severity\":\"damage\",\"place\":{{}},\"says\":\"line D{} of CH1\"}}]}}",
            n % 8
        );
        files.push(incoming_bytes(
            Role::Findings,
            "examined.json",
            finding.into_bytes(),
        ));
        let begun = Instant::now();
        shelf.open_job(new, files, &act(n as i64 * 3600)).unwrap();
        durable.push(begun.elapsed());
    }
    durable
}

fn times() {
    let place = place();
    let root = place.path().join("shelf");
    let shelf = Shelf::set_up(&root).unwrap();
    let begun = Instant::now();
    let mut durable = fill(&shelf);
    let count = durable.len();
    durable.sort();
    println!(
        "{count} jobs of 6 files opened in {:.1?}; one made durable: {:.1?} in the middle, {:.1?} for the slowest of a hundred",
        begun.elapsed(),
        durable[count / 2],
        durable[count * 99 / 100]
    );
    let wait = Duration::from_secs(10);
    println!(
        "opening the shelf: {:.1?}",
        middle(21, || drop(Shelf::open(&root, wait).unwrap()))
    );
    let query = |words: Option<&str>| Query {
        words: words.map(str::to_owned),
        ..Query::default()
    };
    let cases = [
        ("one word of one job", query(Some("4711"))),
        ("a word of 2,000 jobs", query(Some("leaked"))),
        (
            "a serial number",
            Query {
                serial: Some("0042".into()),
                ..Query::default()
            },
        ),
        (
            "an instrument and a year",
            Query {
                instrument: Some("pellow".into()),
                from: Some("2024".into()),
                until: Some("2025".into()),
                ..Query::default()
            },
        ),
        (
            "a finding",
            Query {
                finding: Some("line.stuck".into()),
                words: Some("D3 99".into()),
                ..Query::default()
            },
        ),
        (
            "a parameter's value",
            Query {
                parameter: Some(("cutoff".into(), Some("37".into()))),
                serial: Some("0042".into()),
                ..Query::default()
            },
        ),
        (
            "a parameter's value anywhere",
            Query {
                parameter: Some(("cutoff".into(), Some("37".into()))),
                ..Query::default()
            },
        ),
    ];
    for (what, query) in cases {
        let mut found = 0;
        let time = middle(11, || {
            found = Shelf::open(&root, wait)
                .unwrap()
                .find(&query)
                .unwrap()
                .len()
        });
        println!("find {what}: {found} jobs in {time:.1?}");
    }
    println!(
        "list: {:.1?}",
        middle(11, || drop(
            Shelf::open(&root, wait).unwrap().list(None).unwrap()
        ))
    );
    let program = |args: &[&str]| {
        middle(11, || {
            let output = Command::new(env!("CARGO_BIN_EXE_cellkeep"))
                .arg("shelf")
                .args(args)
                .env("CELLKEEP_SHELF", &root)
                .output()
                .unwrap();
            assert!(output.status.code().is_some_and(|c| c < 2));
        })
    };
    println!(
        "the program: find {:.1?}, list {:.1?}, show {:.1?}",
        program(&["find", "4711"]),
        program(&["list"]),
        program(&["show", "job-04711"])
    );
    let begun = Instant::now();
    shelf.rebuild_index(None).unwrap();
    println!(
        "index made anew: {:.1?}, {} MB",
        begun.elapsed(),
        fs::metadata(root.join("index/shelf.sqlite")).unwrap().len() / 1_000_000
    );
}

/// The audit of many small files and of few large ones, in memory, so that no disk stands between the figures.
fn audits() {
    let place = common::Place::new();
    let root = place.join("small");
    let shelf = Shelf::set_up(&root).unwrap();
    fill(&shelf);
    audit(&shelf, &root, "jobs of six small files");

    // Photographs and recordings: where hashing, and not opening, is what takes the time.
    let root = place.join("large");
    let shelf = Shelf::set_up(&root).unwrap();
    let mut rng = Rng(16);
    for n in 0..16 {
        let new = NewJob {
            name: Some(format!("job-{n}")),
            instrument: "Quillon 72".into(),
            ..NewJob::default()
        };
        let files = (0..8)
            .map(|i| incoming_bytes(Role::Photograph, &format!("{i}.jpg"), rng.bytes(4 << 20)))
            .collect();
        shelf.open_job(new, files, &act(n)).unwrap();
    }
    audit(&shelf, &root, "16 jobs of 4 MiB files");
}

/// SHA-256 of so many bytes from memory, split evenly over all processors: the machine's hashing speed for them, with
/// the library the audit uses and with nothing else to do.
fn hashing_alone(block: &[u8], bytes: u64) {
    let threads = std::thread::available_parallelism().unwrap().get();
    let share = bytes as usize / threads;
    std::thread::scope(|s| {
        for _ in 0..threads {
            s.spawn(|| {
                let mut left = share;
                while left > 0 {
                    let n = left.min(block.len());
                    std::hint::black_box(Sha256::digest(&block[..n]));
                    left -= n;
                }
            });
        }
    });
}

/// All files read and hashed on all processors, and nothing else done with them: what there is to be had where files
/// must be read to be hashed.
fn hashing_files(root: &Path, names: &[String]) {
    names.par_iter().for_each_init(
        || vec![0; 128 << 10],
        |buffer, name| {
            let mut file = fs::File::open(root.join(name)).unwrap();
            let mut hash = Sha256::new();
            loop {
                let n = file.read(buffer).unwrap();
                if n == 0 {
                    break;
                }
                hash.update(&buffer[..n]);
            }
            std::hint::black_box(hash.finalize());
        },
    );
}

/// Processor time of this process and of those it has waited for (proc_pid_stat(5), fields 14 to 17; a hundredth of a
/// second each): unlike the time on the clock, it does not grow with what else the machine is doing.
fn processor_time() -> Duration {
    let stat = fs::read_to_string("/proc/self/stat").unwrap();
    let fields = stat.rsplit_once(')').unwrap().1.split_whitespace();
    let ticks: u64 = fields
        .skip(11)
        .take(4)
        .map(|t| t.parse::<u64>().unwrap())
        .sum();
    Duration::from_millis(10 * ticks)
}

/// The audit, and what it is held against, in turns, so that other work on the machine weighs on all alike.
fn audit(shelf: &Shelf, root: &Path, what: &str) {
    const TURNS: usize = 7;
    let report = shelf.audit(None).unwrap();
    assert!(report.is_clean(), "{:?}", report.shelf);
    let sums = |program: &str, check: bool| {
        let script = if check {
            format!("{program} --quiet -c files.{program}")
        } else {
            format!("find jobs parity -type f -print0 | xargs -0 {program} > files.{program}")
        };
        let status = Command::new("sh")
            .args(["-c", &script])
            .current_dir(root)
            .status();
        assert!(status.unwrap().success());
    };
    sums("sha256sum", false);
    sums("sha512sum", false);
    let block = Rng(64).bytes(128 << 10);
    let list = fs::read_to_string(root.join("files.sha256sum")).unwrap();
    let names: Vec<String> = list.lines().map(|line| line[66..].to_owned()).collect();
    let works: [(&str, &dyn Fn()); 5] = [
        ("audit", &|| drop(shelf.audit(None).unwrap())),
        ("hashing alone, from memory", &|| {
            hashing_alone(&block, report.bytes)
        }),
        ("reading and hashing the files", &|| {
            hashing_files(root, &names)
        }),
        ("sha256sum -c", &|| sums("sha256sum", true)),
        ("sha512sum -c", &|| sums("sha512sum", true)),
    ];
    let mut times = works.map(|_| (Vec::new(), Vec::new()));
    for _ in 0..TURNS {
        for ((_, work), (clock, processor)) in works.iter().zip(&mut times) {
            let before = processor_time();
            clock.push(timed(work));
            processor.push(processor_time() - before);
        }
    }
    println!(
        "{what}: {} files, {:.0} MB",
        report.files,
        report.bytes as f64 / 1e6
    );
    for ((name, _), (mut clock, mut processor)) in works.iter().zip(times) {
        clock.sort();
        processor.sort();
        println!(
            "  {name:<30} {:7.3} s, at best {:7.3} s; processor time {:7.2} s, {:5.0} MB/s a processor",
            clock[TURNS / 2].as_secs_f64(),
            clock[0].as_secs_f64(),
            processor[TURNS / 2].as_secs_f64(),
            report.bytes as f64 / 1e6 / processor[TURNS / 2].as_secs_f64(),
        );
    }
}

fn timed(work: impl FnOnce()) -> Duration {
    let begun = Instant::now();
    work();
    begun.elapsed()
}
