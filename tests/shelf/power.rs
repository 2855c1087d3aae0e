//! The power lost at any moment of a command: the disk is modelled from the command's own calls, and what was not synced
//! is dropped, cut or reordered.
#![allow(dead_code)]

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;

use super::calls::{CHANGING, Tally, acknowledged, calls, fresh, scenarios};
use super::common::{Place, Rng, tree};

#[derive(Clone)]
pub(crate) enum Node {
    File,
    Folder,
}

#[derive(Clone, Debug)]
pub(crate) enum Write {
    At(u64, Vec<u8>),
    Cut(u64),
}

/// A change of names.
#[derive(Clone, Debug)]
pub(crate) enum Naming {
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
pub(crate) struct Disk {
    pub(crate) nodes: Vec<Node>,
    content: Vec<Vec<u8>>,
    names: BTreeMap<(usize, String), usize>,
    /// What programs see now.
    pub(crate) seen: BTreeMap<(usize, String), usize>,
    pending_writes: Vec<(usize, Write)>,
    pending_names: Vec<Naming>,
}

pub(crate) fn apply(bytes: &mut Vec<u8>, write: &Write, part: Option<usize>) {
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
    pub(crate) fn holding(root: &Path) -> Self {
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

    pub(crate) fn add(&mut self, kind: Node, bytes: Vec<u8>) -> usize {
        self.nodes.push(kind);
        self.content.push(bytes);
        self.nodes.len() - 1
    }

    pub(crate) fn find(&self, path: &str) -> Option<usize> {
        path.split('/')
            .filter(|p| !p.is_empty())
            .try_fold(0, |at, part| self.seen.get(&(at, part.to_owned())).copied())
    }

    pub(crate) fn parent(&self, path: &str) -> Option<(usize, String)> {
        match path.rsplit_once('/') {
            Some((folder, name)) => Some((self.find(folder)?, name.to_owned())),
            None => Some((0, path.to_owned())),
        }
    }

    pub(crate) fn name(&mut self, naming: Naming) {
        rename(&mut self.seen, &naming);
        self.pending_names.push(naming);
    }

    pub(crate) fn write(&mut self, node: usize, write: Write) {
        self.pending_writes.push((node, write));
    }

    pub(crate) fn length(&self, node: usize) -> u64 {
        let mut bytes = self.content[node].clone();
        for (_, write) in self.pending_writes.iter().filter(|(n, _)| *n == node) {
            apply(&mut bytes, write, None);
        }
        bytes.len() as u64
    }

    pub(crate) fn sync(&mut self, node: usize) {
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
    pub(crate) fn after_loss(&self, rng: &mut Rng, root: &Path) {
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
        for ((_, name), node) in names.range((folder, String::new())..(folder + 1, String::new())) {
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

/// Loses the power at random moments of every writing command, `states` times in all.
pub(crate) fn power_loss(states: usize) -> Tally {
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
