//! A sample shelf, and what the checks of the shelf share.
#![allow(dead_code)]

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use std::time::Duration;

use cellkeep::shelf::{Act, Done, Incoming, NewJob, Role, Shelf, gather, incoming_bytes};

/// A small generator of numbers that is the same everywhere (xorshift64*, Marsaglia 2003; from memory).
pub(crate) struct Rng(pub(crate) u64);

impl Rng {
    pub(crate) fn next(&mut self) -> u64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        self.0.wrapping_mul(0x2545_f491_4f6c_dd1d)
    }

    pub(crate) fn below(&mut self, n: usize) -> usize {
        (self.next() >> 33) as usize % n
    }

    pub(crate) fn bytes(&mut self, n: usize) -> Vec<u8> {
        (0..n).map(|_| (self.next() >> 40) as u8).collect()
    }
}

/// A folder that is gone afterwards, in memory where the system has such a place.
pub(crate) struct Place(tempfile::TempDir);

impl Place {
    pub(crate) fn new() -> Self {
        let memory = Path::new("/dev/shm");
        let builder = || tempfile::Builder::new();
        let folder = builder()
            .prefix("cellkeep-test-")
            .tempdir_in(memory)
            .or_else(|_| builder().prefix("cellkeep-test-").tempdir());
        Self(folder.unwrap())
    }

    pub(crate) fn path(&self) -> &Path {
        self.0.path()
    }

    pub(crate) fn join(&self, name: &str) -> PathBuf {
        self.0.path().join(name)
    }
}

pub(crate) fn act(second: i64) -> Act {
    Act {
        by: "bench".into(),
        at: jiff::Timestamp::from_second(1_700_000_000 + second).unwrap(),
    }
}

pub(crate) fn open(root: &Path) -> cellkeep::shelf::Result<Shelf> {
    Shelf::open(root, Duration::from_secs(20))
}

pub(crate) fn chips(rng: &mut Rng, role: Role, count: usize, bytes: usize) -> Vec<Incoming> {
    (1..=count)
        .map(|n| incoming_bytes(role, &format!("CH{n}.bin"), rng.bytes(bytes)))
        .collect()
}

pub(crate) fn quillon(serial: &str) -> NewJob {
    NewJob {
        instrument: "Quillon 72".into(),
        serial: Some(serial.into()),
        customer: Some("C-0412".into()),
        complaint: Some("lost its sequence over the winter".into()),
        layout: Some("quillon-72".into()),
        ..NewJob::default()
    }
}

/// A bank and findings as other parts of the program write them, by their published shape.
pub(crate) const BANK: &str = r#"{"kind":"bank","version":1,"layout":{"id":"quillon-72","name":"Quillon 72","revision":"1","sha256":""},
"areas":[{"name":"sequence","axes":["step"],"entries":[{"at":["1"],"parameters":[{"key":"step.pitch","code":37,"setting":"C#4"}]}]}]}"#;
pub(crate) const FINDINGS: &str = r#"{"kind":"examination","version":1,"findings":[
{"code":"line.stuck","severity":"damage","place":{},"says":"data line D3 of CH1 reads 1 everywhere"}]}"#;

/// The names of the sample's jobs.
pub(crate) const FIRST: &str = "2023-11-14-quillon-72-0042";
pub(crate) const SECOND: &str = "pellow-second";

/// Two jobs with several versions, all kinds of files, and content shared between versions.
pub(crate) fn sample(root: &Path) -> Shelf {
    let mut rng = Rng(72);
    let shelf = Shelf::set_up(root).unwrap();
    let first = chips(&mut rng, Role::AsFound, 2, 256);
    let done = shelf
        .open_job(quillon("0042"), first.clone(), &act(0))
        .unwrap();
    assert_eq!(done.job, FIRST);
    shelf
        .note(FIRST, "battery measured 2.1 V", false, &act(60))
        .unwrap();
    let mut more: Vec<Incoming> = vec![
        incoming_bytes(Role::Bank, "bank.json", BANK.into()),
        incoming_bytes(Role::Findings, "examined.json", FINDINGS.into()),
        incoming_bytes(Role::Private, "price.txt", b"two hours".to_vec()),
    ];
    more.extend(chips(&mut Rng(72), Role::ReadBack, 2, 256));
    shelf.put(FIRST, more, false, &act(120)).unwrap();
    shelf
        .note(FIRST, "new cell fitted", true, &act(180))
        .unwrap();
    let second = NewJob {
        name: Some(SECOND.into()),
        instrument: "Pellow Six".into(),
        ..NewJob::default()
    };
    shelf
        .open_job(second, chips(&mut rng, Role::AsFound, 1, 2048), &act(240))
        .unwrap();
    shelf
}

/// Puts a folder of files into a job.
pub(crate) fn put_folder(
    shelf: &Shelf,
    job: &str,
    role: Role,
    folder: &Path,
) -> cellkeep::shelf::Result<Done> {
    shelf.put(job, gather(folder, role, None)?, false, &act(500))
}

/// Every file below a folder, with its bytes; links by what they point to, folders by a slash.
pub(crate) fn tree(root: &Path) -> BTreeMap<String, Vec<u8>> {
    let mut found = BTreeMap::new();
    let mut open = vec![root.to_owned()];
    while let Some(folder) = open.pop() {
        for entry in fs::read_dir(&folder).unwrap() {
            let entry = entry.unwrap();
            let name = entry
                .path()
                .strip_prefix(root)
                .unwrap()
                .to_string_lossy()
                .into_owned();
            let kind = entry.file_type().unwrap();
            if kind.is_dir() {
                found.insert(format!("{name}/"), Vec::new());
                open.push(entry.path());
            } else if kind.is_symlink() {
                let to = fs::read_link(entry.path()).unwrap();
                found.insert(
                    format!("{name}@"),
                    to.to_string_lossy().into_owned().into_bytes(),
                );
            } else {
                found.insert(name, fs::read(entry.path()).unwrap());
            }
        }
    }
    found
}

/// The part of a tree that must never change by itself: jobs and parity.
pub(crate) fn lasting(root: &Path) -> BTreeMap<String, Vec<u8>> {
    let mut all = tree(root);
    all.retain(|name, _| name.starts_with("jobs/") || name.starts_with("parity/"));
    all
}

pub(crate) fn copy_tree(from: &Path, to: &Path) {
    fs::create_dir_all(to).unwrap();
    for entry in fs::read_dir(from).unwrap() {
        let entry = entry.unwrap();
        let target = to.join(entry.file_name());
        if entry.file_type().unwrap().is_dir() {
            copy_tree(&entry.path(), &target);
        } else {
            fs::copy(entry.path(), target).unwrap();
        }
    }
}

/// The program, on a shelf, with nothing from the environment that could change what it does.
pub(crate) fn program(root: &Path) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_cellkeep"));
    command
        .env("CELLKEEP_SHELF", root)
        .env("CELLKEEP_BY", "bench")
        .env("RAYON_NUM_THREADS", "1");
    command
}

pub(crate) fn shelf_command(root: &Path, args: &[&str]) -> Output {
    program(root).arg("shelf").args(args).output().unwrap()
}

pub(crate) fn text(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).into_owned()
}
