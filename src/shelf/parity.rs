//! Parity: what restores a damaged version of a job.
//!
//! For every version folder of a job there is one parity file outside the OCFL storage root. The version's files are
//! laid end to end in the order of their names and cut into *sets* of at most 16 MiB, each set into at most 128
//! *pieces*; each set has Reed–Solomon parity pieces, a quarter as many and never fewer than 16 or than it has pieces,
//! so that a small version can be lost whole. A mark (the first 16 bytes of SHA-256) for
//! each piece tells the good ones from the bad, since Reed–Solomon restores what is known to be missing only.
//!
//! The file, so that another program can read it: a line
//! `cellkeep-parity 1 LENGTH SHA256` of 95 bytes with its line end, where LENGTH is ten digits; a JSON head of that length and
//! digest, which names every file with its length and SHA-256 and every set with its marks; the parity pieces of every set
//! in order; then the JSON head once more and the same line once more, so that damage to one leaves the other.
//! The code is the one of the crate `reed-solomon-simd` 3 (Leopard, GF(2^16)).

use std::collections::BTreeMap;
use std::fs::File;
use std::io::Read;
use std::path::Path;

use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

use super::disk::{self, hex, under};
use super::error::{Result, ShelfError};
use crate::blame::DiskError;

const MAGIC: &str = "cellkeep-parity 1";
/// Length of the first and of the last line, with the line end.
const LINE: usize = MAGIC.len() + 1 + 10 + 1 + 64 + 1;
/// Largest set, bytes.
const SET: usize = 16 << 20;
/// Most pieces a set is cut into.
const PIECES: usize = 128;
/// Smallest piece, bytes.
const PIECE: usize = 256;
/// Fewest parity pieces of a set, unless it has fewer pieces itself.
const FEWEST: usize = 16;

/// A file covered by parity.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub(super) struct Covered {
    /// Path within the version's folder.
    pub(super) path: String,
    /// Length, bytes.
    pub(super) bytes: u64,
    /// SHA-256.
    pub(super) sha256: String,
}

/// One set: so many bytes cut into pieces.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub(super) struct Set {
    /// Bytes of the version in this set.
    bytes: usize,
    /// Bytes of a piece; the last one is filled with zero bytes.
    piece: usize,
    /// Marks of the pieces, in order.
    marks: Vec<String>,
    /// Marks of the parity pieces, in order.
    parity_marks: Vec<String>,
}

/// The head of a parity file.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub(super) struct Head {
    pub(super) job: String,
    pub(super) version: u32,
    pub(super) files: Vec<Covered>,
    sets: Vec<Set>,
}

/// A parity file as read, with the pieces that are whole.
pub(super) struct Parity<'a> {
    pub(super) head: Head,
    /// What is wrong with the file itself; empty when nothing is.
    pub(super) faults: Vec<&'static str>,
    /// For each set, its parity pieces; `None` where one is damaged.
    pieces: Vec<Vec<Option<&'a [u8]>>>,
}

fn mark(bytes: &[u8]) -> String {
    hex(&Sha256::digest(bytes)[..16])
}

/// Pieces and parity pieces of a set, and the size of one.
fn shape(bytes: usize) -> (usize, usize, usize) {
    let piece = bytes.div_ceil(PIECES).max(PIECE).next_multiple_of(64);
    let count = bytes.div_ceil(piece).max(1);
    (count, count.div_ceil(4).max(count.min(FEWEST)), piece)
}

fn code_failed(job: &str) -> impl Fn(reed_solomon_simd::Error) -> ShelfError + '_ {
    move |e| ShelfError::BeyondParity {
        job: job.to_owned(),
        why: e.to_string(),
    }
}

/// Makes the parity file of a version folder from its files as they are.
///
/// # Errors
/// When a file cannot be read.
pub(super) fn make(folder: &Path, job: &str, version: u32) -> Result<Vec<u8>> {
    let mut head = Head {
        job: job.to_owned(),
        version,
        files: Vec::new(),
        sets: Vec::new(),
    };
    let mut parity = Vec::new();
    let mut set = Vec::new();
    let mut flush = |set: &mut Vec<u8>, head: &mut Head| -> Result<()> {
        let bytes = set.len();
        let (count, spare, piece) = shape(bytes);
        set.resize(count * piece, 0);
        let pieces: Vec<&[u8]> = set.chunks(piece).collect();
        let coded = reed_solomon_simd::encode(count, spare, &pieces).map_err(code_failed(job))?;
        head.sets.push(Set {
            bytes,
            piece,
            marks: pieces.iter().map(|p| mark(p)).collect(),
            parity_marks: coded.iter().map(|p| mark(p)).collect(),
        });
        parity.extend(coded.iter().flatten());
        set.clear();
        Ok(())
    };
    for path in disk::walk(folder)?.files {
        let place = under(folder, &path);
        let io = |e| DiskError::new("read", &place, e);
        let mut file = File::open(&place).map_err(io)?;
        let mut hash = Sha256::new();
        let mut bytes = 0;
        loop {
            let start = set.len();
            let mut part = file.take((SET - start) as u64);
            let n = part.read_to_end(&mut set).map_err(io)?;
            file = part.into_inner();
            hash.update(&set[start..]);
            bytes += n as u64;
            if set.len() < SET {
                break;
            }
            flush(&mut set, &mut head)?;
        }
        head.files.push(Covered {
            path,
            bytes,
            sha256: hex(&hash.finalize()),
        });
    }
    if !set.is_empty() {
        flush(&mut set, &mut head)?;
    }
    let json = serde_json::to_vec(&head).map_err(|source| ShelfError::Json {
        what: "parity".to_owned(),
        source,
    })?;
    let line = format!("{MAGIC} {:010} {}\n", json.len(), disk::sha256(&json));
    let mut file = Vec::with_capacity(2 * (LINE + json.len()) + parity.len());
    file.extend(line.as_bytes());
    file.extend(&json);
    file.extend(&parity);
    file.extend(&json);
    file.extend(line.as_bytes());
    Ok(file)
}

fn parse_line(line: &[u8]) -> Option<(usize, &str)> {
    let text = std::str::from_utf8(line).ok()?.strip_suffix('\n')?;
    let rest = text.strip_prefix(MAGIC)?.strip_prefix(' ')?;
    let (length, digest) = rest.split_once(' ')?;
    if length.len() != 10 || digest.len() != 64 {
        return None;
    }
    Some((length.parse().ok()?, digest))
}

/// The first or the second head as it lies in the file, with the digest its line gives.
fn json_at(file: &[u8], front: bool) -> Option<(&[u8], &str)> {
    let line = if front {
        file.get(..LINE)?
    } else {
        file.get(file.len().checked_sub(LINE)?..)?
    };
    let (length, digest) = parse_line(line)?;
    let json = if front {
        file.get(LINE..LINE.checked_add(length)?)?
    } else {
        let end = file.len() - LINE;
        file.get(end.checked_sub(length)?..end)?
    };
    Some((json, digest))
}

/// A head, if it matches its digest, and its length in the file.
fn head_of((json, digest): (&[u8], &str)) -> Option<(Head, usize)> {
    if disk::sha256(json) != digest {
        return None;
    }
    Some((serde_json::from_slice(json).ok()?, json.len()))
}

/// Length from which a parity file is checked piece by piece rather than read as a whole.
const LARGE: u64 = 1 << 20;

/// The head of a large parity file that is whole, with the file's length, read a piece at a time so that no piece
/// leaves the processor's cache before its mark is made. `None` where the file is small or anything is wrong with it:
/// then [`read`] says what.
pub(super) fn whole(path: &Path, room: &mut Vec<u8>) -> std::io::Result<Option<(Head, u64)>> {
    let length = path.metadata()?.len();
    if length < LARGE {
        return Ok(None);
    }
    let mut file = File::open(path)?;
    let mut next = |n: usize, room: &mut Vec<u8>| -> std::io::Result<bool> {
        room.resize(n, 0);
        match file.read_exact(room) {
            Err(e) if e.kind() == std::io::ErrorKind::UnexpectedEof => Ok(false),
            outcome => outcome.map(|()| true),
        }
    };
    if !next(LINE, room)? {
        return Ok(None);
    }
    let line = room.clone();
    let Some((json_length, digest)) = parse_line(&line).filter(|l| (l.0 as u64) < length) else {
        return Ok(None);
    };
    if !next(json_length, room)? {
        return Ok(None);
    }
    let json = room.clone();
    let Some((head, _)) = head_of((&json, digest)) else {
        return Ok(None);
    };
    for set in &head.sets {
        let (count, spare, piece) = shape(set.bytes);
        let shaped = (set.piece, set.marks.len(), set.parity_marks.len()) == (piece, count, spare);
        if set.bytes > SET || !shaped {
            return Ok(None);
        }
        for expected in &set.parity_marks {
            if !next(piece, room)? || mark(room) != *expected {
                return Ok(None);
            }
        }
    }
    for end in [&json, &line] {
        if !next(end.len(), room)? || room != end {
            return Ok(None);
        }
    }
    let as_long = file.read(&mut [0])? == 0;
    Ok(as_long.then_some((head, length)))
}

/// Reads a parity file; `None` when neither of its heads is whole.
pub(super) fn read(file: &[u8]) -> Option<Parity<'_>> {
    let (front, back) = (json_at(file, true), json_at(file, false));
    let same = front == back;
    let front = front.and_then(head_of);
    // The second is the same as the first in all but a damaged file, and need not be read again then.
    let back = if same {
        front.clone()
    } else {
        back.and_then(head_of)
    };
    let mut faults = Vec::new();
    if front.is_none() {
        faults.push("its first head is damaged");
    }
    if back.is_none() {
        faults.push("its second head is damaged");
    }
    if let (Some(a), Some(b)) = (&front, &back)
        && a != b
    {
        faults.push("its two heads differ");
    }
    let expected = |head: &Head, json: usize| {
        let parity: usize = head
            .sets
            .iter()
            .map(|s| s.piece.saturating_mul(s.parity_marks.len()))
            .fold(0, usize::saturating_add);
        parity.saturating_add(2 * (LINE + json))
    };
    let (head, json) = front.or(back)?;
    if head.sets.iter().any(|s| {
        let (count, spare, piece) = shape(s.bytes);
        s.bytes > SET || s.piece != piece || s.marks.len() != count || s.parity_marks.len() != spare
    }) {
        return None;
    }
    if file.len() != expected(&head, json) {
        faults.push("it is not as long as its head says");
    }
    let mut at = LINE + json;
    let mut pieces = Vec::new();
    for set in &head.sets {
        let mut list = Vec::new();
        for expected in &set.parity_marks {
            let piece = file
                .get(at..at + set.piece)
                .filter(|p| mark(p) == *expected);
            list.push(piece);
            at += set.piece;
        }
        pieces.push(list);
    }
    if pieces.iter().flatten().any(Option::is_none) {
        faults.push("one of its pieces is damaged");
    }
    Some(Parity {
        head,
        faults,
        pieces,
    })
}

impl Parity<'_> {
    /// Restores the version's files from what is left of them, and from `given`, the bytes of some by their path. Every
    /// file returned matches its digest. Links are not followed.
    ///
    /// # Errors
    /// [`ShelfError::BeyondParity`] when more pieces are lost than there is parity for.
    pub(super) fn restore(
        &self,
        folder: &Path,
        given: &BTreeMap<String, Vec<u8>>,
    ) -> Result<BTreeMap<String, Vec<u8>>> {
        let job = &self.head.job;
        let beyond = |why: String| ShelfError::BeyondParity {
            job: job.clone(),
            why,
        };
        let total: u64 = self.head.files.iter().map(|f| f.bytes).sum();
        let sets: u64 = self.head.sets.iter().map(|s| s.bytes as u64).sum();
        if total != sets {
            return Err(beyond("the parity file contradicts itself".to_owned()));
        }
        // What the files hold now, each at the place its length in the head gives it.
        let mut stream = Vec::new();
        for covered in &self.head.files {
            let start = stream.len();
            let length = usize::try_from(covered.bytes)
                .map_err(|_| beyond(format!("{} is too long", covered.path)))?;
            if let Some(bytes) = given.get(&covered.path) {
                stream.extend_from_slice(bytes);
            } else if disk::is_plain(folder, &covered.path).unwrap_or(false)
                && let Ok(file) = File::open(under(folder, &covered.path))
            {
                // A file that cannot be read to its end still gives the pieces before the fault.
                let _ = file.take(covered.bytes).read_to_end(&mut stream);
            }
            stream.resize(start + length, 0);
        }
        let mut at = 0;
        for (number, set) in self.head.sets.iter().enumerate() {
            let mut bytes = stream[at..at + set.bytes].to_vec();
            bytes.resize(set.marks.len() * set.piece, 0);
            let good: Vec<(usize, &[u8])> = bytes
                .chunks(set.piece)
                .enumerate()
                .filter(|(i, piece)| mark(piece) == set.marks[*i])
                .collect();
            let spare: Vec<(usize, &[u8])> = self.pieces[number]
                .iter()
                .enumerate()
                .filter_map(|(i, p)| p.map(|p| (i, p)))
                .collect();
            let lost = set.marks.len() - good.len();
            if lost > spare.len() {
                return Err(beyond(format!(
                    "version {} has lost {lost} of {} pieces, and its parity makes good {}",
                    self.head.version,
                    set.marks.len(),
                    spare.len()
                )));
            }
            if lost > 0 {
                let restored =
                    reed_solomon_simd::decode(set.marks.len(), set.parity_marks.len(), good, spare)
                        .map_err(code_failed(job))?;
                for (i, piece) in restored {
                    bytes[i * set.piece..(i + 1) * set.piece].copy_from_slice(&piece);
                }
                stream[at..at + set.bytes].copy_from_slice(&bytes[..set.bytes]);
            }
            at += set.bytes;
        }
        let mut files = BTreeMap::new();
        let mut at = 0;
        for covered in &self.head.files {
            let bytes = stream[at..at + covered.bytes as usize].to_vec();
            at += bytes.len();
            if disk::sha256(&bytes) != covered.sha256 {
                return Err(beyond(format!(
                    "{} does not match its digest after restoring",
                    covered.path
                )));
            }
            files.insert(covered.path.clone(), bytes);
        }
        Ok(files)
    }
}
