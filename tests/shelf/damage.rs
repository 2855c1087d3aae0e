//! Damage trials: every bit flipped is found; what parity promises is restored and no more.
#![allow(dead_code)]

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

use cellkeep::shelf::{Query, Shelf, ShelfError};

use super::common::{Place, Rng, act, copy_tree, lasting, open, sample, tree};

/// What a flip trial came to.
#[derive(Debug, Default)]
pub(crate) struct Flips {
    pub(crate) files: usize,
    pub(crate) tried: u64,
    pub(crate) found: u64,
    /// Flips in the index that change nothing anyone could ask it for.
    pub(crate) harmless: u64,
    pub(crate) missed: Vec<String>,
}

/// Flips every `step`-th bit of every file of a sample shelf, one at a time, and audits; of the index every
/// `index_step`-th. With a step of 0 those files are left alone.
pub(crate) fn flips(step: usize, index_step: usize) -> Flips {
    let place = Place::new();
    let whole = place.join("whole");
    let shelf = sample(&whole);
    shelf.rebuild_index(None).unwrap();
    // So that the journal of the index holds something too.
    shelf
        .note(
            super::common::SECOND,
            "looked at the socket",
            false,
            &act(900),
        )
        .unwrap();
    let answers = answers(&shelf).unwrap();
    drop(shelf);
    let mut files = tree(&whole);
    // The second is scratch memory of SQLite, made anew whenever no program has the database open.
    files.retain(|name, _| !name.ends_with('/') && !name.ends_with("-shm"));
    files.retain(|name, _| step_of(name, step, index_step) > 0);
    let workers = std::thread::available_parallelism().map_or(1, |n| n.get());
    let parts: Vec<Flips> = std::thread::scope(|scope| {
        let running: Vec<_> = (0..workers)
            .map(|worker| {
                let root = place.join(&format!("shelf-{worker}"));
                let (whole, files, answers) = (&whole, &files, &answers);
                scope.spawn(move || {
                    copy_tree(whole, &root);
                    let mine = |trial: usize| trial % workers == worker;
                    flip_some(whole, &root, files, (step, index_step), answers, &mine)
                })
            })
            .collect();
        running.into_iter().map(|w| w.join().unwrap()).collect()
    });
    let mut all = Flips {
        files: files.len(),
        ..Flips::default()
    };
    for part in parts {
        all.tried += part.tried;
        all.found += part.found;
        all.harmless += part.harmless;
        all.missed.extend(part.missed);
    }
    all
}

fn step_of(name: &str, step: usize, index_step: usize) -> usize {
    if name.starts_with("index") {
        index_step
    } else {
        step
    }
}

/// One worker's share of the flips, on its own copy of the shelf.
fn flip_some(
    whole: &Path,
    root: &Path,
    files: &BTreeMap<String, Vec<u8>>,
    (step, index_step): (usize, usize),
    answers: &str,
    mine: &dyn Fn(usize) -> bool,
) -> Flips {
    let mut flips = Flips::default();
    for (number, (name, bytes)) in files.iter().enumerate() {
        let path = root.join(name);
        let in_index = name.starts_with("index");
        let step = step_of(name, step, index_step);
        // Another starting bit in each file, so that a coarse step tries all of a byte's bits over the files.
        let start = (number + 1) * 7 % step;
        let bits = (start..bytes.len() * 8).step_by(step).enumerate();
        for (_, bit) in bits.filter(|(trial, _)| mine(*trial)) {
            let mut damaged = bytes.clone();
            damaged[bit / 8] ^= 1 << (bit % 8);
            fs::write(&path, &damaged).unwrap();
            flips.tried += 1;
            if noticed(root, name) {
                flips.found += 1;
            } else if in_index
                && open(root).is_ok_and(|s| self::answers(&s).is_ok_and(|a| a == answers))
            {
                flips.harmless += 1;
            } else {
                flips.missed.push(format!("{name} bit {bit}"));
            }
            if in_index {
                fs::remove_dir_all(root.join("index")).unwrap();
                copy_tree(&whole.join("index"), &root.join("index"));
            }
            fs::write(&path, bytes).unwrap();
        }
    }
    flips
}

/// Everything the index can be asked for about the sample.
fn answers(shelf: &Shelf) -> Result<String, ShelfError> {
    let word = |words: &str| Query {
        words: Some(words.into()),
        ..Query::default()
    };
    let queries = [
        Query::default(),
        word("battery"),
        word("winter"),
        Query {
            finding: Some("line".into()),
            ..Query::default()
        },
        Query {
            parameter: Some(("pitch".into(), Some("37".into()))),
            ..Query::default()
        },
        Query {
            serial: Some("0042".into()),
            ..Query::default()
        },
    ];
    let found: Result<Vec<_>, _> = queries.iter().map(|q| shelf.find(q)).collect();
    Ok(format!("{:?}", found?))
}

fn noticed(root: &Path, name: &str) -> bool {
    let Ok(shelf) = open(root) else {
        return true;
    };
    let mut parts = name.split('/');
    match (parts.next(), parts.next(), parts.next()) {
        (Some("jobs" | "parity"), Some(job), Some(_)) => {
            !shelf.audit_job(job).unwrap().findings.is_empty()
        }
        _ => !shelf.audit(None).unwrap().is_clean(),
    }
}

/// The pieces of a version's parity file, read by its published description and not by our own reader.
pub(crate) struct Pieces {
    /// Each file with its length, in order.
    files: Vec<(PathBuf, u64)>,
    piece: u64,
    bytes: u64,
    pub(crate) count: usize,
    pub(crate) spare: usize,
}

pub(crate) fn pieces(root: &Path, job: &str, version: u32) -> Pieces {
    let file = fs::read(root.join(format!("parity/{job}/v{version}.parity"))).unwrap();
    let line = String::from_utf8(file.split(|b| *b == b'\n').next().unwrap().to_vec()).unwrap();
    let length: usize = line.split(' ').nth(2).unwrap().parse().unwrap();
    let head: serde_json::Value =
        serde_json::from_slice(&file[line.len() + 1..line.len() + 1 + length]).unwrap();
    let set = &head["sets"][0];
    assert_eq!(head["sets"].as_array().unwrap().len(), 1);
    Pieces {
        files: head["files"]
            .as_array()
            .unwrap()
            .iter()
            .map(|f| {
                let path = root
                    .join(format!("jobs/{job}/v{version}"))
                    .join(f["path"].as_str().unwrap());
                (path, f["bytes"].as_u64().unwrap())
            })
            .collect(),
        piece: set["piece"].as_u64().unwrap(),
        bytes: set["bytes"].as_u64().unwrap(),
        count: set["marks"].as_array().unwrap().len(),
        spare: set["parity_marks"].as_array().unwrap().len(),
    }
}

impl Pieces {
    /// Damages a random byte or run in each of so many different pieces.
    pub(crate) fn damage(&self, rng: &mut Rng, how_many: usize) {
        let mut order: Vec<u64> = (0..self.count as u64).collect();
        for i in 0..how_many {
            let j = i + rng.below(order.len() - i);
            order.swap(i, j);
        }
        for piece in &order[..how_many] {
            let start = piece * self.piece;
            let end = (start + self.piece).min(self.bytes);
            let from = start + rng.below((end - start) as usize) as u64;
            let run = 1 + rng.below((end - from) as usize) as u64;
            let mut at = 0;
            for (path, length) in &self.files {
                let (a, b) = (from.max(at), (from + run).min(at + length));
                if a < b {
                    let mut bytes = fs::read(path).unwrap();
                    for byte in &mut bytes[(a - at) as usize..(b - at) as usize] {
                        *byte ^= 1 + rng.below(255) as u8;
                    }
                    fs::write(path, bytes).unwrap();
                }
                at += length;
            }
        }
    }
}

/// What a parity trial came to.
#[derive(Debug, Default)]
pub(crate) struct Restored {
    pub(crate) within: u32,
    pub(crate) restored: u32,
    pub(crate) beyond: u32,
    /// Beyond parity, but made good from bytes that lie elsewhere.
    pub(crate) elsewhere: u32,
    pub(crate) refused_untouched: u32,
}

/// Random damage within what parity makes good, and beyond it.
pub(crate) fn parity(times: u32) -> Restored {
    let place = Place::new();
    let whole = place.join("whole");
    let shelf = sample(&whole);
    let big = super::common::chips(&mut Rng(5), cellkeep::shelf::Role::AsFound, 9, 3000);
    let new = cellkeep::shelf::NewJob {
        name: Some("tessaly".into()),
        instrument: "Tessaly Nine".into(),
        ..Default::default()
    };
    shelf.open_job(new, big, &act(0)).unwrap();
    let before = lasting(&whole);
    let mut rng = Rng(1_000);
    let mut restored = Restored::default();
    let sets = [
        ("tessaly", 1),
        (super::common::FIRST, 3),
        (super::common::SECOND, 1),
        (super::common::FIRST, 2),
    ];
    let root = place.join("shelf");
    for time in 0..times {
        let (job, version) = sets[time as usize % sets.len()];
        if root.exists() {
            fs::remove_dir_all(&root).unwrap();
        }
        copy_tree(&whole, &root);
        let pieces = pieces(&root, job, version);
        let shelf = open(&root).unwrap();
        let most = pieces.spare.min(pieces.count);
        pieces.damage(&mut rng, 1 + time as usize % most);
        restored.within += 1;
        shelf.repair_job(job, &act(0)).unwrap();
        if lasting(&root) == before && shelf.audit(None).unwrap().is_clean() {
            restored.restored += 1;
        }
        if pieces.count > pieces.spare {
            let more = pieces.spare + 1 + rng.below(pieces.count - pieces.spare);
            pieces.damage(&mut rng, more);
            let damaged = tree(&root);
            restored.beyond += 1;
            let refused = shelf.repair_job(job, &act(0));
            if refused.is_ok() {
                // Some of its bytes lie in another version too.
                assert!(lasting(&root) == before, "restored to something else");
                restored.beyond -= 1;
                restored.elsewhere += 1;
                continue;
            }
            let mut after = tree(&root);
            after.retain(|name, _| damaged.contains_key(name) || !name.starts_with("index"));
            if matches!(
                refused,
                Err(cellkeep::shelf::ShelfError::BeyondParity { .. })
            ) && after == damaged
            {
                restored.refused_untouched += 1;
            }
        }
    }
    restored
}

/// The kinds of damage an audit tells apart, each made once: what was done, and the code expected.
pub(crate) fn kinds() -> BTreeMap<&'static str, (Vec<String>, bool)> {
    type Damage = fn(&Path);
    let kinds: [(&str, Damage); 6] = [
        ("shelf.file.missing", |root| {
            fs::remove_file(
                root.join("jobs")
                    .join(super::common::FIRST)
                    .join("v1/content/as-found/CH1.bin"),
            )
            .unwrap();
        }),
        ("shelf.file.extra", |root| {
            fs::write(
                root.join("jobs")
                    .join(super::common::FIRST)
                    .join("v1/content/extra.bin"),
                "x",
            )
            .unwrap();
        }),
        ("shelf.file.truncated", |root| {
            let path = root
                .join("jobs")
                .join(super::common::FIRST)
                .join("v1/content/as-found/CH1.bin");
            let bytes = fs::read(&path).unwrap();
            fs::write(path, &bytes[..100]).unwrap();
        }),
        ("shelf.file.exchanged", |root| {
            let folder = root
                .join("jobs")
                .join(super::common::FIRST)
                .join("v1/content/as-found");
            fs::rename(folder.join("CH1.bin"), folder.join("x")).unwrap();
            fs::rename(folder.join("CH2.bin"), folder.join("CH1.bin")).unwrap();
            fs::rename(folder.join("x"), folder.join("CH2.bin")).unwrap();
        }),
        ("shelf.version.missing", |root| {
            fs::remove_dir_all(root.join("jobs").join(super::common::FIRST).join("v2")).unwrap();
        }),
        ("shelf.parity.missing", |root| {
            fs::remove_file(
                root.join("parity")
                    .join(super::common::FIRST)
                    .join("v1.parity"),
            )
            .unwrap();
        }),
    ];
    let place = Place::new();
    let whole = place.join("whole");
    sample(&whole);
    let mut outcome = BTreeMap::new();
    for (code, damage) in kinds {
        let root = place.join(code);
        copy_tree(&whole, &root);
        damage(&root);
        let shelf = open(&root).unwrap();
        let report = shelf.audit(None).unwrap();
        let codes = report
            .damaged
            .iter()
            .flat_map(|j| &j.findings)
            .map(|f| f.code.clone())
            .collect();
        for job in &report.damaged {
            shelf.repair_job(&job.job, &act(0)).unwrap();
        }
        let good = shelf.audit(None).unwrap().is_clean() && lasting(&root) == lasting(&whole);
        outcome.insert(code, (codes, good));
    }
    outcome
}
