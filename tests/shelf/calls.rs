//! The program's own system calls, as strace (Debian package strace) tells and changes them: killed before each, each
//! made to fail, and the power lost after any of them.
#![allow(dead_code)]

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use cellkeep::shelf::{NewJob, Role, Shelf, ShelfError};

use super::common::{FIRST, Place, Rng, act, chips, copy_tree, open, program, sample, text, tree};

/// Calls that change what is on the disk, and the one that takes the turn.
const CHANGING: &str = "openat,mkdir,rename,renameat,renameat2,unlink,unlinkat,rmdir,write,pwrite64,ftruncate,fsync,fdatasync,linkat,fchmod,copy_file_range,flock";
/// Calls that can fail on a bad disk.
const FAILING: &str = "openat,mkdir,rename,renameat,renameat2,unlink,unlinkat,rmdir,read,pread64,write,pwrite64,ftruncate,fsync,fdatasync,linkat,fchmod,statx,getdents64,copy_file_range,flock,lseek";

/// A command that writes, and the shelf it starts from.
pub(crate) struct Scenario {
    pub(crate) name: &'static str,
    args: Vec<String>,
    before: PathBuf,
    /// The job it changes.
    job: &'static str,
    /// The version the job is at, what a kill left settled.
    was: u32,
}

/// Every writing command, each with a shelf to start from, below a place.
pub(crate) fn scenarios(place: &Place) -> Vec<Scenario> {
    let reading = place.join("reading");
    fs::create_dir(&reading).unwrap();
    let mut rng = Rng(4);
    for chip in 1..=3 {
        fs::write(reading.join(format!("CH{chip}.bin")), rng.bytes(256)).unwrap();
    }
    let reading = reading.to_string_lossy().into_owned();
    let plain = place.join("plain");
    let shelf = sample(&plain);
    let bag = place.join("bag.zip");
    shelf.hand_over(FIRST, None, &bag, false, &act(0)).unwrap();
    let bag = bag.to_string_lossy().into_owned();
    let other = place.join("other");
    let elsewhere = Shelf::set_up(&other).unwrap();
    let new = NewJob {
        name: Some("elsewhere".into()),
        instrument: "Wrenfield Strings".into(),
        ..NewJob::default()
    };
    elsewhere
        .open_job(new, chips(&mut rng, Role::AsFound, 2, 200), &act(0))
        .unwrap();
    elsewhere.note("elsewhere", "x", false, &act(1)).unwrap();
    let object = other.join("jobs/elsewhere").to_string_lossy().into_owned();
    let damaged = place.join("damaged");
    copy_tree(&plain, &damaged);
    let content = damaged.join("jobs").join(FIRST).join("v1/content/as-found");
    fs::write(content.join("CH1.bin"), "gone").unwrap();
    fs::remove_file(content.join("CH2.bin")).unwrap();
    fs::write(damaged.join("jobs").join(FIRST).join("extra"), "x").unwrap();
    let nothing = place.join("nothing");
    fs::create_dir(&nothing).unwrap();
    let case = |name, args: &[&str], before: &Path, job| Scenario {
        name,
        args: args.iter().map(|a| (*a).to_owned()).collect(),
        before: before.to_owned(),
        job,
        was: match (name, job) {
            ("set-up", _) => 0,
            ("after a kill", _) => 5,
            _ => head(before, job),
        },
    };
    let mut all = vec![
        case("set-up", &["set-up"], &nothing, ""),
        case(
            "open",
            &[
                "open",
                "--name",
                "fresh",
                "--instrument",
                "Pellow Six",
                "--as-found",
                &reading,
            ],
            &plain,
            "fresh",
        ),
        case(
            "put",
            &["put", FIRST, "--as", "donor", &reading],
            &plain,
            FIRST,
        ),
        case(
            "put --replace",
            &["put", FIRST, "--as", "as-found", "--replace", &reading],
            &plain,
            FIRST,
        ),
        case("note", &["note", FIRST, "a note"], &plain, FIRST),
        case("close", &["close", FIRST, "--words", "done"], &plain, FIRST),
        case(
            "take-in a bag",
            &["take-in", &bag, "--name", "fresh"],
            &plain,
            "fresh",
        ),
        case("take-in a job", &["take-in", &object], &plain, "elsewhere"),
        case("repair", &["repair", FIRST], &damaged, FIRST),
        case("index", &["index"], &plain, ""),
    ];
    // A command that first has to settle what a kill left, itself killed: the version is in its place and its inventory
    // already the job's, but not yet the digest of it.
    let half = place.join("half");
    copy_tree(&plain, &half);
    let put = &all[2];
    let renames = calls(&put.args, &half, CHANGING, place)
        .iter()
        .filter(|c| c.name == "rename" && c.text.contains("/staging/"))
        .count();
    assert!(renames > 5);
    fs::remove_dir_all(&half).unwrap();
    copy_tree(&plain, &half);
    let at = {
        let trial = place.join("trial");
        copy_tree(&plain, &trial);
        let list = calls(&put.args, &trial, CHANGING, place);
        fs::remove_dir_all(&trial).unwrap();
        list.iter()
            .filter(|c| c.name == "rename")
            .position(|c| {
                c.text
                    .contains(&format!("/jobs/{FIRST}/inventory.json.sha256"))
            })
            .unwrap()
            + 1
    };
    injected(&put.args, &half, &format!("rename:signal=KILL:when={at}"));
    assert_eq!(fs::read_dir(half.join("staging")).unwrap().count(), 1);
    all.push(case(
        "after a kill",
        &["note", FIRST, "the next morning"],
        &half,
        FIRST,
    ));
    all
}

/// One system call.
#[derive(Debug, Clone)]
pub(crate) struct Call {
    name: String,
    /// The arguments but for their quoted texts.
    plain: String,
    /// The arguments, with the beginnings of their texts.
    text: String,
    /// The bytes of the quoted arguments.
    strings: Vec<Vec<u8>>,
    result: i64,
    /// Which call of its name it is, from 1.
    number: usize,
}

fn strace() -> Command {
    let found = std::env::split_paths(&std::env::var_os("PATH").unwrap_or_default())
        .any(|f| f.join("strace").is_file());
    assert!(
        found,
        "strace is missing: apt-get install strace, or run tests/run"
    );
    Command::new("strace")
}

fn traced(options: &[&str], args: &[String], root: &Path) -> Output {
    let plain = program(root);
    let mut command = strace();
    command
        .args(options)
        .arg(plain.get_program())
        .arg("shelf")
        .args(args);
    for (name, value) in plain.get_envs() {
        command.env(name, value.unwrap());
    }
    command.output().unwrap()
}

/// The calls a command makes. It must succeed.
fn calls(args: &[String], root: &Path, set: &str, place: &Place) -> Vec<Call> {
    let log = place.join("calls.log");
    let log_text = log.to_string_lossy().into_owned();
    let output = traced(
        &[
            "-xx",
            "-s",
            "4000000",
            "-o",
            &log_text,
            "-e",
            &format!("trace={set},close"),
        ],
        args,
        root,
    );
    assert!(
        output.status.success(),
        "{args:?}: {}",
        text(&output.stderr)
    );
    let mut numbers: BTreeMap<String, usize> = BTreeMap::new();
    fs::read_to_string(&log)
        .unwrap()
        .lines()
        .filter_map(|line| {
            let (name, rest) = line.split_once('(')?;
            let (arguments, result) = rest.rsplit_once(" = ")?;
            let arguments = arguments.trim_end().strip_suffix(')')?;
            let result = result.split_whitespace().next()?.parse().unwrap_or(-1);
            let strings: Vec<Vec<u8>> = arguments
                .split('"')
                .skip(1)
                .step_by(2)
                .map(|s| {
                    s.split("\\x")
                        .skip(1)
                        .map(|h| u8::from_str_radix(&h[..2], 16).unwrap())
                        .collect()
                })
                .collect();
            let plain = arguments
                .split('"')
                .step_by(2)
                .collect::<Vec<_>>()
                .join(" ");
            let mut shown = plain.clone();
            for s in &strings {
                shown.push(' ');
                shown.push_str(&String::from_utf8_lossy(&s[..s.len().min(200)]));
            }
            let number = numbers.entry(name.to_owned()).or_default();
            *number += 1;
            Some(Call {
                name: name.to_owned(),
                plain,
                text: shown,
                strings,
                result,
                number: *number,
            })
        })
        .collect()
}

fn injected(args: &[String], root: &Path, inject: &str) -> Output {
    traced(
        &["-qqq", "-o", "/dev/null", "-e", &format!("inject={inject}")],
        args,
        root,
    )
}

/// Whether the program said that what it was told to do is done.
fn acknowledged(output: &[u8]) -> bool {
    let said = String::from_utf8_lossy(output);
    [
        "is on the shelf",
        "a new shelf is at",
        "the index knows",
        "next: `cellkeep shelf audit`",
    ]
    .iter()
    .any(|s| said.contains(s))
}

/// How many versions a job has, 0 for none.
fn head(root: &Path, job: &str) -> u32 {
    open(root)
        .and_then(|s| s.stored(job))
        .map_or(0, |s| s.head())
}

impl Scenario {
    /// What the next command finds must be whole, old or new, and nothing else; it tells which.
    fn check(&self, root: &Path, acknowledged: bool) -> Result<bool, String> {
        if self.name == "set-up" {
            return match open(root) {
                Ok(shelf)
                    if shelf
                        .audit(None)
                        .is_ok_and(|a| a.shelf.iter().all(|f| f.code == "shelf.index.behind")) =>
                {
                    Ok(true)
                }
                Ok(_) => Err("a shelf that is not whole".into()),
                Err(_) if acknowledged => Err("acknowledged, but no shelf".into()),
                Err(_) => Shelf::set_up(root)
                    .map(|_| false)
                    .map_err(|e| format!("cannot be set up again: {e}")),
            };
        }
        let shelf = open(root).map_err(|e| format!("does not open: {e}"))?;
        shelf
            .find(&Default::default())
            .map_err(|e| format!("nothing is found: {e}"))?;
        let turn = shelf.turn().map_err(|e| format!("no turn: {e}"))?;
        drop(turn);
        let was = self.was;
        if self.name == "repair" {
            match shelf.repair_job(self.job, &act(0)) {
                Ok(again) if acknowledged && !again.is_nothing() => {
                    return Err("acknowledged, but not repaired".into());
                }
                Ok(_) => {}
                Err(e) => return Err(format!("cannot be repaired again: {e}")),
            }
        }
        let audit = shelf.audit(None).map_err(|e| e.to_string())?;
        if !audit.is_clean() {
            return Err(format!(
                "{:?} {:?} {:?}",
                audit.shelf, audit.damaged, audit.missing
            ));
        }
        let is = shelf.stored(self.job).map_or(0, |s| s.head());
        let full = if self.name == "take-in a job" {
            2
        } else {
            was + 1
        };
        let changes = !matches!(self.name, "repair" | "index");
        if changes && is != was && is != full {
            return Err(format!("version {was} became {is}"));
        }
        let new = is != was;
        if changes && acknowledged && !new {
            return Err("acknowledged and lost".into());
        }
        if new
            && shelf
                .find(&Default::default())
                .map_err(|e| e.to_string())?
                .iter()
                .all(|h| h.job.job != self.job)
        {
            return Err("on the shelf, but not found".into());
        }
        self.check_files(root)?;
        Ok(new)
    }

    /// Everything that was there is there unchanged, and there is no litter.
    fn check_files(&self, root: &Path) -> Result<(), String> {
        let old = tree(&self.before);
        let new = tree(root);
        for (name, bytes) in &old {
            let lasting = name.starts_with("jobs/") || name.starts_with("parity/");
            let own = [
                format!("jobs/{}/inventory.json", self.job),
                format!("jobs/{}/inventory.json.sha256", self.job),
            ];
            if lasting
                && self.name != "repair"
                && !own.contains(name)
                && new.get(name) != Some(bytes)
            {
                return Err(format!("{name} is not as it was"));
            }
        }
        let version = |name: &str| {
            name.starts_with(&format!("jobs/{}/", self.job))
                || name.starts_with(&format!("parity/{}/", self.job))
        };
        for name in new.keys().filter(|n| !old.contains_key(*n)) {
            let known = version(name)
                || name.starts_with("damaged/")
                || matches!(
                    name.as_str(),
                    "damaged/"
                        | "index/shelf.sqlite"
                        | "index/shelf.sqlite-wal"
                        | "index/shelf.sqlite-shm"
                        | "staging/"
                );
            if !known {
                return Err(format!("litter: {name}"));
            }
        }
        Ok(())
    }
}

/// What a trial came to.
#[derive(Debug, Default)]
pub(crate) struct Tally {
    pub(crate) tried: usize,
    pub(crate) old: usize,
    pub(crate) new: usize,
    /// Commands that told of success in spite of the failure, and rightly.
    pub(crate) succeeded: usize,
    /// Runs that ended before the call they were to be killed at.
    pub(crate) not_killed: usize,
    pub(crate) wrong: Vec<String>,
}

impl Tally {
    fn count(&mut self, outcome: Result<bool, String>, what: impl Fn() -> String) {
        self.tried += 1;
        match outcome {
            Ok(false) => self.old += 1,
            Ok(true) => self.new += 1,
            Err(e) => self.wrong.push(format!("{}: {e}", what())),
        }
    }
}

fn fresh(scenario: &Scenario, root: &Path) {
    if root.exists() {
        fs::remove_dir_all(root).unwrap();
    }
    copy_tree(&scenario.before, root);
}

/// Kills each writing command before every `step`-th of its state-changing calls.
pub(crate) fn kills(step: usize) -> Tally {
    let place = Place::new();
    let mut tally = Tally::default();
    for scenario in scenarios(&place) {
        let root = place.join("shelf");
        fresh(&scenario, &root);
        let changing: Vec<Call> = calls(&scenario.args, &root, CHANGING, &place)
            .into_iter()
            .filter(|c| c.name != "openat" || c.text.contains("O_CREAT"))
            .filter(|c| c.name != "close")
            .collect();
        let offset = tally.tried % step;
        for call in changing.iter().skip(offset).step_by(step) {
            fresh(&scenario, &root);
            let output = injected(
                &scenario.args,
                &root,
                &format!("{}:signal=KILL:when={}", call.name, call.number),
            );
            // A call that does not come in every run, such as one more try for the lock, has then nothing to kill.
            tally.not_killed += usize::from(output.status.code().is_some());
            let outcome = scenario.check(&root, acknowledged(&output.stdout));
            tally.count(outcome, || {
                format!(
                    "{} killed before {} {}",
                    scenario.name, call.name, call.text
                )
            });
        }
    }
    tally
}

/// Makes every `step`-th call that concerns the shelf fail, once and for good.
pub(crate) fn failures(step: usize) -> Tally {
    let place = Place::new();
    let mut tally = Tally::default();
    let mut turn = 0_usize;
    for scenario in scenarios(&place) {
        let root = place.join("shelf");
        fresh(&scenario, &root);
        let concerned = concerning(&calls(&scenario.args, &root, FAILING, &place), &root);
        for call in concerned {
            let errors = ["error=EIO", "error=ENOSPC", "error=EACCES", "retval=1"];
            for error in errors {
                if error == "retval=1" && call.name != "write" {
                    continue;
                }
                for good in ["", "+"] {
                    turn += 1;
                    if turn % step != 0 {
                        continue;
                    }
                    fresh(&scenario, &root);
                    let inject = format!("{}:{error}:when={}{good}", call.name, call.number);
                    let output = injected(&scenario.args, &root, &inject);
                    let complaint = text(&output.stderr);
                    let outcome = match output.status.code() {
                        Some(0 | 1) => {
                            tally.succeeded += 1;
                            scenario.check(&root, true)
                        }
                        // Where nothing can be written any more, the complaint cannot be either.
                        Some(2)
                            if complaint.contains("cellkeep: ")
                                || (call.name == "write" && good == "+") =>
                        {
                            scenario.check(&root, false)
                        }
                        other => Err(format!("ended with {other:?}: {complaint}")),
                    };
                    tally.count(outcome, || {
                        format!(
                            "{} with {inject} ({})\n{complaint}",
                            scenario.name, call.text
                        )
                    });
                }
            }
        }
    }
    tally
}

/// The calls about files of the shelf, by path or by an open file's number.
fn concerning(list: &[Call], root: &Path) -> Vec<Call> {
    let root = root.to_string_lossy().into_owned();
    let mut open: BTreeSet<i64> = BTreeSet::new();
    let mut found = Vec::new();
    for call in list {
        let number = call
            .text
            .split([',', ' '])
            .next()
            .and_then(|n| n.parse::<i64>().ok());
        let named = call.strings.iter().any(|s| s.starts_with(root.as_bytes()));
        let by_number = number.is_some_and(|n| open.contains(&n));
        match call.name.as_str() {
            "close" => {
                number.map(|n| open.remove(&n));
                continue;
            }
            "openat" if (named || by_number) && call.result >= 0 => {
                open.insert(call.result);
            }
            _ => {}
        }
        // What a file holds does not count for whether it is one of the shelf's.
        let path_call = !matches!(
            call.name.as_str(),
            "write" | "pwrite64" | "read" | "pread64"
        );
        if by_number || (named && path_call) {
            found.push(call.clone());
        }
    }
    found
}

/// The disk as the power loss may leave it.
mod disk {
    use super::*;

    #[derive(Clone)]
    pub(super) enum Node {
        File,
        Folder,
    }

    #[derive(Clone, Debug)]
    pub(super) enum Write {
        At(u64, Vec<u8>),
        Cut(u64),
    }

    /// A change of names.
    #[derive(Clone, Debug)]
    pub(super) enum Naming {
        Put {
            folder: usize,
            name: String,
            node: usize,
        },
        Drop {
            folder: usize,
            name: String,
        },
        Move {
            from: usize,
            name: String,
            to: usize,
            new: String,
            node: usize,
        },
    }

    impl Naming {
        fn touches(&self, folder: usize) -> bool {
            match self {
                Naming::Put { folder: f, .. } | Naming::Drop { folder: f, .. } => *f == folder,
                Naming::Move { from, to, .. } => *from == folder || *to == folder,
            }
        }
    }

    /// What is surely on the disk, and what is only on its way.
    #[derive(Clone)]
    pub(super) struct Disk {
        pub(super) nodes: Vec<Node>,
        content: Vec<Vec<u8>>,
        names: BTreeMap<(usize, String), usize>,
        /// What programs see now.
        pub(super) seen: BTreeMap<(usize, String), usize>,
        pending_writes: Vec<(usize, Write)>,
        pending_names: Vec<Naming>,
    }

    pub(super) fn apply(bytes: &mut Vec<u8>, write: &Write, part: Option<usize>) {
        match write {
            Write::Cut(length) => bytes.resize(*length as usize, 0),
            Write::At(at, data) => {
                let data = &data[..part.unwrap_or(data.len()).min(data.len())];
                let end = *at as usize + data.len();
                if bytes.len() < end {
                    bytes.resize(end, 0);
                }
                bytes[*at as usize..end].copy_from_slice(data);
            }
        }
    }

    fn rename(names: &mut BTreeMap<(usize, String), usize>, naming: &Naming) {
        match naming {
            Naming::Put { folder, name, node } => {
                names.insert((*folder, name.clone()), *node);
            }
            Naming::Drop { folder, name } => {
                names.remove(&(*folder, name.clone()));
            }
            Naming::Move {
                from,
                name,
                to,
                new,
                node,
            } => {
                let key = (*from, name.clone());
                if names.get(&key) == Some(node) {
                    names.remove(&key);
                }
                names.insert((*to, new.clone()), *node);
            }
        }
    }

    impl Disk {
        /// A disk that holds what a folder holds; node 0 is the folder.
        pub(super) fn holding(root: &Path) -> Self {
            let mut disk = Self {
                nodes: vec![Node::Folder],
                content: vec![Vec::new()],
                names: BTreeMap::new(),
                seen: BTreeMap::new(),
                pending_writes: Vec::new(),
                pending_names: Vec::new(),
            };
            for (name, bytes) in tree(root) {
                let kind = if name.ends_with('/') {
                    Node::Folder
                } else {
                    Node::File
                };
                // A tree lists a folder before what is in it.
                let (folder, last) = disk.parent(name.trim_end_matches('/')).unwrap();
                let node = disk.add(kind, bytes);
                disk.seen.insert((folder, last), node);
            }
            disk.names = disk.seen.clone();
            disk
        }

        pub(super) fn add(&mut self, kind: Node, bytes: Vec<u8>) -> usize {
            self.nodes.push(kind);
            self.content.push(bytes);
            self.nodes.len() - 1
        }

        pub(super) fn find(&self, path: &str) -> Option<usize> {
            path.split('/')
                .filter(|p| !p.is_empty())
                .try_fold(0, |at, part| self.seen.get(&(at, part.to_owned())).copied())
        }

        pub(super) fn parent(&self, path: &str) -> Option<(usize, String)> {
            match path.rsplit_once('/') {
                Some((folder, name)) => Some((self.find(folder)?, name.to_owned())),
                None => Some((0, path.to_owned())),
            }
        }

        pub(super) fn name(&mut self, naming: Naming) {
            rename(&mut self.seen, &naming);
            self.pending_names.push(naming);
        }

        pub(super) fn write(&mut self, node: usize, write: Write) {
            self.pending_writes.push((node, write));
        }

        pub(super) fn length(&self, node: usize) -> u64 {
            let mut bytes = self.content[node].clone();
            for (_, write) in self.pending_writes.iter().filter(|(n, _)| *n == node) {
                apply(&mut bytes, write, None);
            }
            bytes.len() as u64
        }

        pub(super) fn sync(&mut self, node: usize) {
            match self.nodes[node] {
                Node::File => {
                    for (_, write) in self.pending_writes.iter().filter(|(n, _)| *n == node) {
                        apply(&mut self.content[node], write, None);
                    }
                    self.pending_writes.retain(|(n, _)| *n != node);
                }
                Node::Folder => {
                    for naming in self.pending_names.iter().filter(|n| n.touches(node)) {
                        rename(&mut self.names, naming);
                    }
                    self.pending_names.retain(|n| !n.touches(node));
                }
            }
        }

        /// One state the power loss may leave: each change that was not synced is there or not, a write perhaps in part.
        pub(super) fn after_loss(&self, rng: &mut Rng, root: &Path) {
            let mut names = self.names.clone();
            let mood = rng.below(4);
            let kept = |rng: &mut Rng| match mood {
                0 => false,
                1 => true,
                _ => rng.below(2) == 0,
            };
            for naming in &self.pending_names {
                if kept(rng) {
                    rename(&mut names, naming);
                }
            }
            let mut content = self.content.clone();
            for (node, write) in &self.pending_writes {
                match rng.below(3) {
                    _ if kept(rng) => apply(&mut content[*node], write, None),
                    0 => {
                        let part = rng.below(5000);
                        apply(&mut content[*node], write, Some(part));
                    }
                    // The length reached the disk, the bytes did not.
                    1 => {
                        let length = match write {
                            Write::At(at, data) => *at as usize + data.len(),
                            Write::Cut(length) => *length as usize,
                        };
                        if content[*node].len() < length {
                            content[*node].resize(length, 0);
                        }
                    }
                    _ => {}
                }
            }
            if root.exists() {
                fs::remove_dir_all(root).unwrap();
            }
            fs::create_dir(root).unwrap();
            self.lay_out(0, root, &names, &content, 0);
        }

        fn lay_out(
            &self,
            folder: usize,
            place: &Path,
            names: &BTreeMap<(usize, String), usize>,
            content: &[Vec<u8>],
            depth: usize,
        ) {
            assert!(depth < 20);
            for ((_, name), node) in
                names.range((folder, String::new())..(folder + 1, String::new()))
            {
                let place = place.join(name);
                match self.nodes[*node] {
                    Node::Folder => {
                        fs::create_dir(&place).unwrap();
                        self.lay_out(*node, &place, names, content, depth + 1);
                    }
                    // Scratch memory of SQLite: it does not outlive a restart.
                    Node::File if name.ends_with("-shm") => {}
                    Node::File => fs::write(&place, &content[*node]).unwrap(),
                }
            }
        }
    }
}

/// Loses the power at random moments of every writing command, `states` times in all.
pub(crate) fn power_loss(states: usize) -> Tally {
    use disk::{Disk, Naming, Node, Write};
    let place = Place::new();
    let mut tally = Tally::default();
    let scenarios = scenarios(&place);
    let mut rng = Rng(99);
    for scenario in &scenarios {
        let root = place.join("shelf");
        fresh(scenario, &root);
        let list = calls(&scenario.args, &root, CHANGING, &place);
        let prefix = root.to_string_lossy().into_owned();
        let inside = |bytes: &[u8]| {
            let path = String::from_utf8_lossy(bytes).into_owned();
            path.strip_prefix(&prefix)
                .map(|p| p.trim_start_matches('/').to_owned())
        };
        // The disk after each call, and whether the command had told of its success by then.
        let mut moments: Vec<(Disk, bool, String)> = Vec::new();
        let mut now = Disk::holding(&scenario.before);
        let mut told = false;
        let mut open: BTreeMap<i64, (usize, u64, String)> = BTreeMap::new();
        for call in &list {
            let number = call
                .plain
                .split([',', ' '])
                .next()
                .and_then(|n| n.parse::<i64>().ok());
            let mut paths: Vec<String> = call.strings.iter().filter_map(|s| inside(s)).collect();
            let by_number = number
                .and_then(|n| open.get(&n))
                .map(|(node, _, path)| (*node, path.clone()));
            if let (Some((_, folder)), "openat" | "unlinkat", false) =
                (&by_number, call.name.as_str(), call.strings.is_empty())
            {
                let name = String::from_utf8_lossy(&call.strings[0]).into_owned();
                paths = vec![format!("{folder}/{name}")];
            }
            if call.result < 0 {
                continue;
            }
            match call.name.as_str() {
                "close" => {
                    number.map(|n| open.remove(&n));
                    continue;
                }
                "openat" => {
                    open.remove(&call.result);
                    let Some(path) = paths.first() else { continue };
                    let node = match now.find(path) {
                        Some(node) => node,
                        None => {
                            assert!(call.text.contains("O_CREAT"), "{call:?}");
                            let (folder, name) = now.parent(path).unwrap();
                            let node = now.add(Node::File, Vec::new());
                            now.name(Naming::Put { folder, name, node });
                            node
                        }
                    };
                    if call.text.contains("O_TRUNC") {
                        now.write(node, Write::Cut(0));
                    }
                    open.insert(call.result, (node, 0, path.clone()));
                }
                "mkdir" => {
                    let Some(path) = paths.first() else { continue };
                    let (folder, name) = now.parent(path).unwrap();
                    let node = now.add(Node::Folder, Vec::new());
                    now.name(Naming::Put { folder, name, node });
                }
                "unlink" | "unlinkat" | "rmdir" => {
                    let Some(path) = paths.first() else { continue };
                    let (folder, name) = now.parent(path).unwrap();
                    now.name(Naming::Drop { folder, name });
                }
                "rename" | "renameat" | "renameat2" => {
                    let [from, to] = paths.as_slice() else {
                        continue;
                    };
                    let node = now.find(from).unwrap();
                    let (from, name) = now.parent(from).unwrap();
                    let (to, new) = now.parent(to).unwrap();
                    now.name(Naming::Move {
                        from,
                        name,
                        to,
                        new,
                        node,
                    });
                }
                "write" if number == Some(1) => {
                    told = told || acknowledged(&call.strings[0]);
                }
                "write" => {
                    let Some((node, at, _)) = number.and_then(|n| open.get_mut(&n)) else {
                        continue;
                    };
                    let data = call.strings[0][..call.result as usize].to_vec();
                    let (node, from) = (*node, *at);
                    *at += data.len() as u64;
                    now.write(node, Write::At(from, data));
                }
                "pwrite64" => {
                    let Some((node, _)) = by_number else { continue };
                    let at: u64 = call
                        .plain
                        .split_whitespace()
                        .filter_map(|w| w.trim_matches(',').parse().ok())
                        .nth(2)
                        .unwrap();
                    now.write(
                        node,
                        Write::At(at, call.strings[0][..call.result as usize].to_vec()),
                    );
                }
                "ftruncate" => {
                    let Some((node, _)) = by_number else { continue };
                    let length = call
                        .plain
                        .split(',')
                        .nth(1)
                        .unwrap()
                        .trim()
                        .parse()
                        .unwrap();
                    now.write(node, Write::Cut(length));
                }
                "fsync" | "fdatasync" => {
                    let Some((node, _)) = by_number else { continue };
                    now.sync(node);
                }
                "fchmod" | "flock" => continue,
                other => panic!("{other} is not foreseen: {call:?}"),
            }
            moments.push((now.clone(), told, format!("{} {}", call.name, call.text)));
        }
        assert!(told, "{} never told of its success", scenario.name);
        // The model of the disk must agree with the disk.
        let real = tree(&root);
        let all: BTreeMap<String, u64> = real
            .iter()
            .filter(|(n, _)| !n.ends_with("-shm") && !n.ends_with('/'))
            .map(|(n, b)| (n.clone(), b.len() as u64))
            .collect();
        for (name, length) in &all {
            let node = now
                .find(name)
                .unwrap_or_else(|| panic!("{name} is on the disk, but not in the model"));
            assert_eq!(now.length(node), *length, "{name}");
        }
        for n in 0..states.div_ceil(scenarios.len()) {
            let at = if n < moments.len() {
                n
            } else {
                rng.below(moments.len())
            };
            let (disk, told, what) = &moments[if n % 2 == 0 {
                at
            } else {
                rng.below(moments.len())
            }];
            disk.after_loss(&mut rng, &root);
            let outcome = scenario.check(&root, *told);
            tally.count(outcome, || {
                format!("{} with the power lost after {what}", scenario.name)
            });
        }
    }
    tally
}

/// A shelf on a read-only disk: everything can be read, writing says why it cannot. `read_only` makes the folder so and
/// runs the program in it.
pub(crate) fn read_only(run: &dyn Fn(&Path, &[&str]) -> Output) {
    let place = Place::new();
    let root = place.join("shelf");
    let shelf = sample(&root);
    shelf
        .note(
            FIRST,
            "not yet in the main file of the index",
            false,
            &act(500),
        )
        .unwrap();
    let before = tree(&root);
    let out = place.join("out");
    for args in [
        &["list"][..],
        &["find", "main file"],
        &["show", FIRST],
        &["audit"],
        &["take", FIRST, out.to_str().unwrap()],
        &["hand-over", FIRST, place.join("h.zip").to_str().unwrap()],
    ] {
        let output = run(&root, args);
        assert!(
            output.status.success(),
            "{args:?}: {}{}",
            text(&output.stdout),
            text(&output.stderr)
        );
    }
    for args in [
        &["note", FIRST, "x"][..],
        &["open", "--instrument", "X"],
        &["repair", FIRST],
        &["index"],
    ] {
        let output = run(&root, args);
        let complaint = text(&output.stderr);
        assert_eq!(output.status.code(), Some(2), "{args:?}: {complaint}");
        assert!(
            complaint.contains("disk: ") && complaint.contains("cannot be written to"),
            "{complaint}"
        );
    }
    fs::remove_dir_all(&out).unwrap();
    assert_eq!(tree(&root), before);
    let _ = ShelfError::NoShelf(root);
}
