//! The compiled access plan of an area.
//!
//! Entries whose bits lie alike around a base share a *shape*. In a shape, runs of consecutive bits become one
//! load, shift and mask; where bits are scattered and there are many entries, a [`BitTable`] moves a whole record
//! at once. Nothing here knows about chips: addresses are into [`Memory`].

use std::collections::HashMap;

use super::table::{self, BitTable, Move};
use super::{AreaCodes, Memory, low_mask};
use crate::layout::model::{Area, BitPlace};

/// Pieces are at most this wide, so that one eight-byte load at any bit offset holds them.
const WIDEST: u8 = 57;
/// Packed fields of an entry take at most this many words in a table.
const TABLE_WORDS: usize = 4;
/// Tables larger than this many words do not pay.
const TABLE_COST: usize = 1 << 18;

/// A run of consecutive bits in memory that is a run of consecutive bits in a field.
#[derive(Clone, Copy, Debug)]
struct Piece {
    /// Mask of the run's width, unshifted.
    mask: u64,
    /// Exclusive-ored in: the run's bits that memory holds inverted.
    invert: u64,
    /// Byte offset from the entry's base.
    byte: u32,
    /// Index of the field.
    field: u32,
    /// Bit offset in the byte, 0 to 7.
    shift: u8,
    /// Position of the run in the field.
    to: u8,
}

/// How the bits of an entry lie around its base.
#[derive(Debug)]
struct Shape {
    pieces: Vec<Piece>,
    /// For shapes whose every field is one piece, in the order of the fields: the same by the word they are read from.
    direct: Vec<Window>,
    /// The same bits by the eight-byte word of the record they are written to.
    words: Vec<Word>,
    /// Bytes from the base to the end of the last, without the load's padding.
    span: usize,
    tables: Option<Tables>,
}

/// Consecutive fields that lie whole in one eight-byte load.
#[derive(Debug)]
struct Window {
    /// Byte offset from the entry's base.
    byte: u32,
    /// Shift, mask and inversion of each field.
    fields: Vec<(u32, u64, u64)>,
}

/// Everything that is written to one eight-byte word of a record, so that it is loaded and stored once.
#[derive(Debug)]
struct Word {
    /// Byte offset from the entry's base.
    byte: u32,
    /// Bits that fields claim.
    claimed: u64,
    /// Of those, bits that memory holds inverted.
    invert: u64,
    deposits: Vec<Deposit>,
}

/// One run of a field's bits on its way into a word.
#[derive(Clone, Copy, Debug)]
struct Deposit {
    /// Mask of the run's width, unshifted.
    mask: u64,
    /// Index of the field.
    field: u32,
    /// Position of the run in the field.
    from: u8,
    /// Position of the run in the word.
    to: u8,
}

/// For scattered bits: record to packed fields and back.
#[derive(Debug)]
struct Tables {
    decode: BitTable,
    encode: BitTable,
    /// Where each field lies in the packed entry: word, shift, mask. Words ascend.
    packed: Vec<(u32, u8, u64)>,
    /// Which fields each packed word holds.
    held: [(usize, usize); TABLE_WORDS],
    /// The record's bytes that hold anything, with the mask of what they hold.
    claimed: Vec<(u32, u8)>,
}

/// The compiled plan of an area.
#[derive(Debug)]
pub(super) struct AreaPlan {
    fields: usize,
    full: Vec<u64>,
    shapes: Vec<Shape>,
    /// Shape and base of each entry.
    entries: Vec<(u32, usize)>,
    /// Some bits belong to two fields: an alias, or fields that a selector makes exclusive.
    shared: bool,
}

/// A bit relative to the base: byte offset times eight plus line, and inversion.
type RelativeBit = (u32, bool);

impl AreaPlan {
    /// Compiles the places of an area; `bases` says where each chip's first cell lies in memory.
    pub(super) fn new(area: &Area, places: &[BitPlace], bases: &[usize]) -> Self {
        let bits = area.bits_per_entry;
        let count = area.entries();
        let mut shapes: Vec<Shape> = Vec::new();
        let mut users: Vec<usize> = Vec::new();
        let mut known: HashMap<Vec<RelativeBit>, u32> = HashMap::new();
        let mut entries = Vec::with_capacity(count);
        let mut relative: Vec<RelativeBit> = Vec::with_capacity(bits);
        let mut last: (u32, Vec<RelativeBit>) = (0, Vec::new());
        for entry in 0..count {
            let own = &places[entry * bits..(entry + 1) * bits];
            let byte = |p: &BitPlace| bases[usize::from(p.chip)] + p.cell as usize;
            let base = own.iter().map(byte).min().unwrap_or(0);
            relative.clear();
            relative.extend(own.iter().map(|p| {
                let offset = (byte(p) - base) as u32;
                (offset * 8 + u32::from(p.line), p.inverted)
            }));
            // Neighbouring entries mostly lie alike: look there before hashing all their bits.
            if !shapes.is_empty() && last.1 == relative {
                users[last.0 as usize] += 1;
                entries.push((last.0, base));
                continue;
            }
            let shape = match known.get(&relative) {
                Some(&shape) => shape,
                None => {
                    let shape = shapes.len() as u32;
                    shapes.push(Shape::new(area, &relative));
                    users.push(0);
                    known.insert(relative.clone(), shape);
                    shape
                }
            };
            users[shape as usize] += 1;
            entries.push((shape, base));
            last.0 = shape;
            last.1.clone_from(&relative);
        }
        let mut shared = false;
        for (relative, &shape) in &known {
            let mut bits: Vec<u32> = relative.iter().map(|r| r.0).collect();
            bits.sort_unstable();
            shared |= bits.windows(2).any(|pair| pair[0] == pair[1]);
            let shape = shape as usize;
            let pieces = shapes[shape].pieces.len();
            shapes[shape].tables = Tables::worth(area, relative, pieces, users[shape]);
        }
        Self {
            fields: area.fields.len(),
            full: area.fields.iter().map(|f| low_mask(f.width)).collect(),
            shapes,
            entries,
            shared,
        }
    }

    pub(super) fn entries(&self) -> usize {
        self.entries.len()
    }

    pub(super) fn fields(&self) -> usize {
        self.fields
    }

    pub(super) fn decode(&self, memory: &Memory) -> AreaCodes {
        let mut codes = AreaCodes {
            fields: self.fields,
            codes: vec![0; self.entries.len() * self.fields],
            known: None,
            full: self.full.clone(),
        };
        self.decode_into(memory, &mut codes);
        codes
    }

    pub(super) fn decode_into(&self, memory: &Memory, codes: &mut AreaCodes) {
        if self.fields == 0 {
            return;
        }
        self.extract(&memory.value, &mut codes.codes, true);
        match &memory.known {
            None => codes.known = None,
            Some(known) => {
                let masks = codes
                    .known
                    .get_or_insert_with(|| vec![0; self.entries.len() * self.fields]);
                self.extract(known, masks, false);
                // An inverted bit that is unknown reads 1 so far; unknown bits read 0.
                for (code, mask) in codes.codes.iter_mut().zip(masks.iter()) {
                    *code &= *mask;
                }
            }
        }
    }

    fn extract(&self, from: &[u8], to: &mut [u64], invert: bool) {
        let invert_mask = if invert { u64::MAX } else { 0 };
        for (&(shape, base), out) in self.entries.iter().zip(to.chunks_exact_mut(self.fields)) {
            let shape = &self.shapes[shape as usize];
            let record = &from[base..base + shape.span + 7];
            if let Some(tables) = &shape.tables {
                tables.extract(record, out, invert);
            } else if !shape.direct.is_empty() {
                let mut out = out;
                for window in &shape.direct {
                    let word = load(record, window.byte);
                    let (now, later) = out.split_at_mut(window.fields.len());
                    for (code, &(shift, mask, inverted)) in now.iter_mut().zip(&window.fields) {
                        *code = ((word >> (shift & 63)) & mask) ^ (inverted & invert_mask);
                    }
                    out = later;
                }
            } else {
                out.fill(0);
                for piece in &shape.pieces {
                    let bits = (load(record, piece.byte) >> piece.shift) & piece.mask;
                    out[piece.field as usize] |= (bits ^ (piece.invert & invert_mask)) << piece.to;
                }
            }
        }
    }

    pub(super) fn encode(&self, codes: &AreaCodes, memory: &mut Memory) {
        if self.fields == 0 {
            return;
        }
        if self.shared {
            return self.encode_changes(codes, memory);
        }
        for (entry, &(shape, base)) in self.entries.iter().enumerate() {
            let shape = &self.shapes[shape as usize];
            let at = entry * self.fields;
            let own = &codes.codes[at..at + self.fields];
            let masks = codes.known.as_ref().map(|k| &k[at..at + self.fields]);
            let range = base..base + shape.span + 7;
            let record = &mut memory.value[range.clone()];
            match (masks, &shape.tables) {
                (None, Some(tables)) => tables.deposit(own, record),
                (None, None) => shape.deposit(own, record),
                (Some(masks), _) => shape.deposit_known(own, masks, record),
            }
            if let Some(known) = &mut memory.known {
                let full = &self.full;
                shape.mark_known(masks.unwrap_or(full), &mut known[range]);
            }
        }
    }
}

impl AreaPlan {
    /// Writes only the codes that differ from what memory holds: where two fields share bits, the one that was
    /// not edited must not write its former code over the other's new one.
    fn encode_changes(&self, codes: &AreaCodes, memory: &mut Memory) {
        let held = self.decode(memory);
        for (entry, &(shape, base)) in self.entries.iter().enumerate() {
            let shape = &self.shapes[shape as usize];
            let range = base..base + shape.span + 7;
            for piece in &shape.pieces {
                let field = piece.field as usize;
                let (code, mask) = codes.get(entry, field);
                if held.get(entry, field) == (code, mask) {
                    continue;
                }
                piece.deposit(code, mask, &mut memory.value[range.clone()]);
                if let Some(known) = &mut memory.known {
                    piece.mark_known(mask, &mut known[range.clone()]);
                }
            }
        }
    }
}

/// Eight bytes at a byte offset, little-endian.
fn load(record: &[u8], byte: u32) -> u64 {
    match record[byte as usize..].first_chunk::<8>() {
        Some(bytes) => u64::from_le_bytes(*bytes),
        None => 0,
    }
}

fn store(record: &mut [u8], byte: u32, value: u64) {
    if let Some(bytes) = record[byte as usize..].first_chunk_mut::<8>() {
        *bytes = value.to_le_bytes();
    }
}

impl Piece {
    /// Writes the known bits of a field's code that this piece holds.
    fn deposit(&self, code: u64, known: u64, record: &mut [u8]) {
        let mask = (known >> self.to) & self.mask;
        let bits = ((code >> self.to) ^ self.invert) & mask;
        let old = load(record, self.byte);
        let new = (old & !(mask << self.shift)) | (bits << self.shift);
        store(record, self.byte, new);
    }

    fn mark_known(&self, known: u64, record: &mut [u8]) {
        let mask = (known >> self.to) & self.mask;
        let old = load(record, self.byte);
        store(record, self.byte, old | (mask << self.shift));
    }
}

impl Shape {
    fn new(area: &Area, relative: &[RelativeBit]) -> Self {
        let mut pieces: Vec<Piece> = Vec::new();
        for (field, f) in area.fields.iter().enumerate() {
            let bits = &relative[f.first..f.first + usize::from(f.width)];
            let mut k = 0;
            while k < bits.len() {
                let (start, _) = bits[k];
                let mut width = 0u8;
                let mut invert = 0u64;
                while let Some(&(bit, inverted)) = bits.get(k + usize::from(width))
                    && bit == start + u32::from(width)
                    && width < WIDEST
                {
                    invert |= u64::from(inverted) << width;
                    width += 1;
                }
                pieces.push(Piece {
                    mask: low_mask(width),
                    invert,
                    byte: start / 8,
                    field: field as u32,
                    shift: (start % 8) as u8,
                    to: k as u8,
                });
                k += usize::from(width);
            }
        }
        let span = relative.iter().map(|r| r.0 / 8 + 1).max().unwrap_or(1) as usize;
        Self {
            words: words(&pieces),
            direct: windows(&pieces, area.fields.len()),
            pieces,
            span,
            tables: None,
        }
    }

    /// Writes whole codes into a record.
    fn deposit(&self, codes: &[u64], record: &mut [u8]) {
        for word in &self.words {
            let mut bits = word.invert;
            for d in &word.deposits {
                bits ^= ((codes[d.field as usize] >> d.from) & d.mask) << d.to;
            }
            let old = load(record, word.byte);
            store(record, word.byte, (old & !word.claimed) | bits);
        }
    }

    /// Writes the known bits of codes into a record.
    fn deposit_known(&self, codes: &[u64], masks: &[u64], record: &mut [u8]) {
        for piece in &self.pieces {
            let field = piece.field as usize;
            piece.deposit(codes[field], masks[field], record);
        }
    }

    /// Marks the bits of a record that hold known bits of codes as known.
    fn mark_known(&self, masks: &[u64], record: &mut [u8]) {
        for piece in &self.pieces {
            piece.mark_known(masks[piece.field as usize], record);
        }
    }
}

/// The windows of a shape whose every field is one piece, in order; none for other shapes.
fn windows(pieces: &[Piece], fields: usize) -> Vec<Window> {
    let in_order = |(i, p): (usize, &Piece)| p.field as usize == i;
    if pieces.len() != fields || !pieces.iter().enumerate().all(in_order) {
        return Vec::new();
    }
    let mut windows: Vec<Window> = Vec::new();
    for piece in pieces {
        let start = piece.byte * 8 + u32::from(piece.shift);
        let end = start + piece.mask.count_ones();
        let fits = |w: &Window| w.byte * 8 <= start && end <= w.byte * 8 + 64;
        if !windows.last().is_some_and(fits) {
            windows.push(Window {
                byte: piece.byte,
                fields: Vec::new(),
            });
        }
        if let Some(window) = windows.last_mut() {
            window
                .fields
                .push((start - window.byte * 8, piece.mask, piece.invert));
        }
    }
    windows
}

/// Sorts the runs by the word they are written to; a run across the end of a word becomes two.
///
/// Words start at multiples of eight bytes from the base, so the last may reach past the record; what it finds
/// there it writes back.
fn words(pieces: &[Piece]) -> Vec<Word> {
    let mut words: Vec<Word> = Vec::new();
    for piece in pieces {
        let width = piece.mask.count_ones();
        let mut done = 0;
        while done < width {
            let bit = piece.byte * 8 + u32::from(piece.shift) + done;
            let byte = bit / 64 * 8;
            let to = bit % 64;
            let run = (width - done).min(64 - to);
            let mask = low_mask(run as u8);
            let index = match words.binary_search_by_key(&byte, |w| w.byte) {
                Ok(index) => index,
                Err(index) => {
                    words.insert(
                        index,
                        Word {
                            byte,
                            claimed: 0,
                            invert: 0,
                            deposits: Vec::new(),
                        },
                    );
                    index
                }
            };
            let word = &mut words[index];
            word.claimed |= mask << to;
            word.invert |= ((piece.invert >> done) & mask) << to;
            word.deposits.push(Deposit {
                mask,
                field: piece.field,
                from: piece.to + done as u8,
                to: to as u8,
            });
            done += run;
        }
    }
    words
}

impl Tables {
    /// The tables of a shape, where they pay: bits scattered, and entries enough to earn their making.
    fn worth(area: &Area, relative: &[RelativeBit], pieces: usize, users: usize) -> Option<Self> {
        let mut bytes: Vec<u32> = relative.iter().map(|r| r.0 / 8).collect();
        bytes.sort_unstable();
        bytes.dedup();
        let mut packed = Vec::with_capacity(area.fields.len());
        let (mut word, mut used) = (0u32, 0u32);
        for f in &area.fields {
            let width = u32::from(f.width);
            if used + width > 64 {
                word += 1;
                used = 0;
            }
            packed.push((word, used as u8, low_mask(f.width)));
            used += width;
        }
        let words = word as usize + 1;
        if words > TABLE_WORDS || bytes.len() > 8 * TABLE_WORDS {
            return None;
        }
        // Every table is made with TABLE_WORDS words a row: the loops over them then have a fixed length.
        let cost = table::cost(bytes.len() + 8 * words, TABLE_WORDS);
        let scattered = pieces > 2 * area.fields.len() && pieces > 2 * bytes.len();
        if !scattered || cost > TABLE_COST || users * pieces < cost {
            return None;
        }
        let mut moves = Vec::with_capacity(relative.len());
        let mut claimed: Vec<(u32, u8)> = bytes.iter().map(|b| (*b, 0)).collect();
        let mut back = Vec::with_capacity(relative.len());
        for (f, &(word, shift, _)) in area.fields.iter().zip(&packed) {
            for k in 0..f.width {
                let (from, inverted) = relative[f.first + usize::from(k)];
                let to = word * 64 + u32::from(shift + k);
                moves.push(Move { from, to, inverted });
                let row = bytes.partition_point(|b| *b < from / 8);
                claimed[row].1 |= 1 << (from % 8);
                back.push(Move {
                    from: to,
                    to: row as u32 * 8 + from % 8,
                    inverted,
                });
            }
        }
        let mut held = [(0, 0); TABLE_WORDS];
        for (i, range) in held.iter_mut().enumerate() {
            let start = packed.partition_point(|p| (p.0 as usize) < i);
            *range = (start, packed.partition_point(|p| p.0 as usize <= i));
        }
        Some(Self {
            held,
            decode: BitTable::new(&moves, TABLE_WORDS),
            encode: BitTable::new(&back, TABLE_WORDS),
            packed,
            claimed,
        })
    }

    fn extract(&self, record: &[u8], out: &mut [u64], invert: bool) {
        let words = self.decode.apply::<TABLE_WORDS>(record, invert);
        for (code, &(word, shift, mask)) in out.iter_mut().zip(&self.packed) {
            *code = (words[word as usize % TABLE_WORDS] >> shift) & mask;
        }
    }

    fn deposit(&self, codes: &[u64], record: &mut [u8]) {
        let mut bytes = [0u8; 8 * TABLE_WORDS];
        for (to, &(start, end)) in bytes.chunks_exact_mut(8).zip(&self.held) {
            let mut word = 0u64;
            for (code, &(_, shift, mask)) in codes[start..end].iter().zip(&self.packed[start..end])
            {
                word |= (code & mask) << shift;
            }
            to.copy_from_slice(&word.to_le_bytes());
        }
        let out = self.encode.apply::<TABLE_WORDS>(&bytes, true);
        for (i, &(byte, mask)) in self.claimed.iter().enumerate() {
            let new = (out[i / 8 % TABLE_WORDS] >> (i % 8 * 8)) as u8;
            let cell = &mut record[byte as usize];
            *cell = (*cell & !mask) | (new & mask);
        }
    }
}
