//! Voices as an axis: where what each voice has of its own lies alike in every voice.
//!
//! Each voice is traced by itself. Afterwards their places are compared: a control lies alike where every bit of every
//! voice lies on the same line as in the first voice, as many addresses on (or with the same address lines turned), in
//! the same chip or in one chip for another. What most controls agree on is the axis; a control that lies otherwise, or of
//! which a voice was not found whole, stays voice by voice.

mod align;

pub(crate) use align::align;

use super::columns::Column;
use super::explain::Explained;
use super::fields::Found;
use super::groups::{self, Group};
use super::panel::Panel;
use super::solution::{CERTAIN, FoundField};
use super::space::gcd;

/// Least chance of every voice of a control that is taken to lie with the others.
const LIKELY: f64 = 0.5;
/// Least number of bits, by the voices of which the axis is seen at all.
const LEAST: usize = 4;
/// Controls that are certain in every voice by which the axis itself is beyond doubt.
const SHOWN: usize = 3;

/// What tells the voices of a board apart.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum Apart {
    /// So many addresses for each step of the counter; nought where a board keeps one voice.
    Stride(u32),
    /// The bits of the slot that each bit of the counter turns.
    Lines(Vec<u32>),
}

/// The voices that one set of chips keeps.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Board {
    /// Structures, in the same order on every board.
    pub(crate) structures: Vec<usize>,
    /// Voices, from 0, with their counters, in the order of the latter.
    pub(crate) voices: Vec<(usize, u32)>,
}

/// Voices of a group of chips as an axis.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct VoiceAxis {
    pub(crate) boards: Vec<Board>,
    pub(crate) apart: Apart,
    /// Controls that lie by it: for each the index of every voice's part among the fields found.
    pub(crate) members: Vec<Vec<usize>>,
    /// Enough controls are certain in every voice that the axis itself is beyond doubt.
    pub(crate) shown: bool,
}

/// A home of a code bit in the terms of its group.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
struct Spot {
    structure: usize,
    /// Against the pin as written.
    turned: bool,
    line: u8,
    unit: u32,
}

/// A control of which every voice was found whole.
struct Member {
    /// Index among the fields found, a voice each.
    fields: Vec<usize>,
    bits: usize,
    certain: bool,
    /// How far each voice's units are from the first one's: added, or exclusive-ored.
    by: Vec<i64>,
    /// For each voice the structures of the first, and those that they become.
    becomes: Vec<Vec<(usize, usize)>>,
}

/// What is looked at.
pub(crate) struct Look<'a> {
    pub(crate) panel: &'a Panel,
    pub(crate) structures: &'a [Explained],
    pub(crate) columns: &'a [Column],
    pub(crate) groups: &'a [Group],
    /// The fields found, without the lanes of which nothing was.
    pub(crate) found: Vec<&'a Found>,
    pub(crate) fields: &'a [FoundField],
}

impl Look<'_> {
    /// The voice axis of a group, if its voices lie alike. `single`: they must share their chips, for something else in
    /// the group covers all of its lines.
    pub(crate) fn axis(&self, group: usize, single: bool) -> Option<VoiceAxis> {
        if self.panel.voices < 2 {
            return None;
        }
        let xor = self.structures[self.groups[group].structures[0]].map.xor;
        let members: Vec<Member> = (0..self.panel.controls.len())
            .filter(|c| self.panel.controls[*c].per_voice)
            .flat_map(|c| self.members(group, c, xor))
            .collect();
        // What most bits agree on.
        let mut kinds: Vec<&Vec<i64>> = members.iter().map(|m| &m.by).collect();
        kinds.sort_unstable();
        kinds.dedup();
        let bits = |by: &&Vec<i64>| -> usize {
            let like = members.iter().filter(|m| m.by == **by);
            like.map(|m| m.bits).sum()
        };
        let best = kinds.into_iter().max_by_key(bits)?;
        if bits(&best) < LEAST {
            return None;
        }
        let mut becomes: Vec<Vec<(usize, usize)>> = vec![Vec::new(); self.panel.voices];
        let mut alike: Vec<&Member> = Vec::new();
        for m in members.iter().filter(|m| m.by == *best) {
            let mut all = becomes.clone();
            let fits = all.iter_mut().zip(&m.becomes);
            if fits.fold(true, |fits, (all, more)| join(all, more) && fits) {
                becomes = all;
                alike.push(m);
            }
        }
        self.keep_together(&mut alike);
        if alike.is_empty() {
            return None;
        }
        let (boards, apart) = boards(best, &becomes, xor)?;
        let ordered = |b: &Board| (0..).zip(&b.voices).all(|(n, v)| v.1 == n);
        // An order of its own is no accident only where several controls bear it out.
        if (single && boards.len() > 1) || (alike.len() < SHOWN && !boards.iter().all(ordered)) {
            return None;
        }
        Some(VoiceAxis {
            boards,
            apart,
            shown: alike.iter().filter(|m| m.certain).count() >= SHOWN,
            members: alike.into_iter().map(|m| m.fields.clone()).collect(),
        })
    }

    /// Leaves voice by voice what hangs on a control that is, and what decides of such a one: a parameter and what decides
    /// of it stand in one area.
    fn keep_together(&self, alike: &mut Vec<&Member>) {
        let control = |m: &Member| &self.panel.controls[self.fields[m.fields[0]].control];
        loop {
            let keys: Vec<&str> = alike.iter().map(|m| control(m).key.as_str()).collect();
            let apart = |m: &&Member| {
                let c = control(m);
                let alone = |key: &str| !keys.contains(&key);
                let hangs = c.when.as_ref().is_some_and(|w| alone(&w.key));
                let found = |key: &str| {
                    let of = |f: &FoundField| self.panel.controls[f.control].key == key;
                    self.fields.iter().any(of)
                };
                let decides = self.panel.controls.iter().any(|o| {
                    let of_this = o.when.as_ref().is_some_and(|w| w.key == c.key);
                    of_this && alone(&o.key) && found(&o.key)
                });
                hangs || decides
            };
            let before = alike.len();
            let stay: Vec<&Member> = alike.iter().copied().filter(|m| !apart(m)).collect();
            *alike = stay;
            if alike.len() == before {
                return;
            }
        }
    }

    /// A control in the group, a character each, where all its voices were found whole and lie alike.
    fn members(&self, group: usize, control: usize, xor: bool) -> Vec<Member> {
        let of = |voice: usize, character: Option<usize>| {
            let at = |f: &FoundField| {
                (f.control, f.voice, f.character) == (control, Some(voice), character)
            };
            self.fields.iter().position(at)
        };
        let characters: Vec<Option<usize>> = match self.panel.controls[control].chars {
            Some(n) => (0..n).map(Some).collect(),
            None => vec![None],
        };
        let one = |character: Option<usize>| -> Option<Member> {
            let fields: Vec<usize> = (0..self.panel.voices)
                .map(|v| of(v, character))
                .collect::<Option<_>>()?;
            let coded = |f: &usize| {
                let (found, field) = (self.found[*f], &self.fields[*f]);
                (found.hypothesis, &found.table, field.code)
            };
            if fields.iter().any(|f| coded(f) != coded(&fields[0])) {
                return None;
            }
            let spots: Vec<Vec<Vec<Spot>>> = fields
                .iter()
                .map(|f| self.spots(group, *f))
                .collect::<Option<_>>()?;
            let mut out = Member {
                bits: spots[0].len(),
                certain: fields.iter().all(|f| self.fields[*f].certain()),
                fields,
                by: Vec::new(),
                becomes: Vec::new(),
            };
            for spots_of_voice in &spots {
                let (by, becomes) = from(&spots[0], spots_of_voice, xor)?;
                out.by.push(by);
                out.becomes.push(becomes);
            }
            Some(out)
        };
        characters.into_iter().filter_map(one).collect()
    }

    /// Where the bits of a field lie in the group, the homes of each together; `None` where one lies nowhere, elsewhere,
    /// or is not likely.
    fn spots(&self, group: usize, field: usize) -> Option<Vec<Vec<Spot>>> {
        let (found, told) = (self.found[field], &self.fields[field]);
        let bits = found.bits.iter().zip(&told.bits).filter(|(_, b)| !b.idle);
        if told.chance() < LIKELY {
            return None;
        }
        let home = |m: &super::fields::Match| {
            let column = &self.columns[m.column];
            let spot = groups::spot(self.groups, self.structures, column, m.inverted)?;
            (spot.group == group).then_some(Spot {
                structure: column.structure,
                turned: spot.turned,
                line: column.line,
                unit: spot.unit,
            })
        };
        bits.map(|(bit, _)| {
            let mut homes: Vec<Spot> = bit.homes.iter().map(home).collect::<Option<_>>()?;
            homes.sort_unstable();
            (!homes.is_empty()).then_some(homes)
        })
        .collect()
    }
}

/// How the bits of a voice lie beside those of the first: how far the units are apart, and what the structures become.
fn from(first: &[Vec<Spot>], voice: &[Vec<Spot>], xor: bool) -> Option<(i64, Vec<(usize, usize)>)> {
    let mut becomes: Vec<(usize, usize)> = Vec::new();
    let mut by: Option<i64> = None;
    for (a, b) in first.iter().zip(voice) {
        if a.len() != b.len() {
            return None;
        }
        for (a, b) in a.iter().zip(b) {
            let apart = match xor {
                true => i64::from(a.unit ^ b.unit),
                false => i64::from(b.unit) - i64::from(a.unit),
            };
            if (a.line, a.turned) != (b.line, b.turned) || *by.get_or_insert(apart) != apart {
                return None;
            }
            if !join(&mut becomes, &[(a.structure, b.structure)]) {
                return None;
            }
        }
    }
    (first.len() == voice.len()).then_some((by?, becomes))
}

/// Adds what structures become; false where one would become two, or two one.
fn join(all: &mut Vec<(usize, usize)>, more: &[(usize, usize)]) -> bool {
    for (a, b) in more {
        match all.iter().find(|(x, y)| x == a || y == b) {
            Some(known) if *known == (*a, *b) => {}
            Some(_) => return false,
            None => all.push((*a, *b)),
        }
    }
    all.sort_unstable();
    true
}

/// The boards that keep the voices, and what tells the voices of a board apart; `None` where no axis says so.
fn boards(by: &[i64], becomes: &[Vec<(usize, usize)>], xor: bool) -> Option<(Vec<Board>, Apart)> {
    let chips = |voice: usize| -> Vec<usize> { becomes[voice].iter().map(|b| b.1).collect() };
    let mut boards: Vec<Board> = Vec::new();
    for voice in 0..by.len() {
        let structures = chips(voice);
        match boards.iter_mut().find(|b| b.structures == structures) {
            Some(board) => board.voices.push((voice, 0)),
            None => boards.push(Board {
                structures,
                voices: vec![(voice, 0)],
            }),
        }
    }
    for (i, b) in boards.iter().enumerate() {
        let shares = |o: &Board| o.structures.iter().any(|s| b.structures.contains(s));
        if boards[..i].iter().any(shares) {
            return None;
        }
    }
    if xor {
        return wired(by, boards);
    }
    let least = by.iter().min()?;
    let steps: Vec<u32> = (by.iter())
        .map(|b| u32::try_from(b - least).ok())
        .collect::<Option<_>>()?;
    let stride = steps.iter().copied().fold(0, gcd);
    let many = boards.len() > 1;
    for board in &mut boards {
        for (voice, counter) in &mut board.voices {
            *counter = steps[*voice] / stride.max(1);
        }
        board.voices.sort_by_key(|v| v.1);
        let mut each = (0..).zip(&board.voices);
        // Two voices in one place are none; on a board of several the counter is the place in its list.
        if board.voices.windows(2).any(|w| w[0].1 == w[1].1)
            || (many && !each.all(|(n, v)| v.1 == n))
        {
            return None;
        }
    }
    Some((boards, Apart::Stride(stride)))
}

/// Voices on address lines of their own.
fn wired(by: &[i64], mut boards: Vec<Board>) -> Option<(Vec<Board>, Apart)> {
    let most = boards.iter().map(|b| b.voices.len()).max()?;
    let at = |voice: usize| u32::try_from(by[voice]).ok();
    let largest = boards.iter().find(|b| b.voices.len() == most)?;
    let start = at(largest.voices[0].0)?;
    let mut lines: Vec<u32> = Vec::new();
    for bit in 0..most.next_power_of_two().trailing_zeros() {
        lines.push(at(largest.voices[1 << bit].0)? ^ start);
    }
    for board in &mut boards {
        for (place, (voice, counter)) in board.voices.iter_mut().enumerate() {
            *counter = place as u32;
            let turned = lines.iter().enumerate();
            let turned = turned.filter(|(k, _)| place >> k & 1 == 1);
            // The first of every board lies as the first of all.
            if turned.fold(0, |o, (_, l)| o ^ l) != at(*voice)? {
                return None;
            }
        }
        if lines.contains(&0) {
            return None;
        }
    }
    Some((boards, Apart::Lines(lines)))
}

impl VoiceAxis {
    /// The field that is written for a control: that of the voice whose counter is nought on the first board.
    pub(crate) fn written<'m>(&self, member: &'m [usize]) -> &'m usize {
        let first = self.boards.iter().flat_map(|b| &b.voices);
        let first = first.min_by_key(|v| v.1).map_or(0, |v| v.0);
        &member[first]
    }

    /// True where each board keeps a part of the voices.
    pub(crate) fn split(&self) -> bool {
        self.boards.len() > 1
    }

    /// What it is, in words.
    pub(crate) fn says(&self) -> String {
        let voices: usize = self.boards.iter().map(|b| b.voices.len()).sum();
        let mut out = format!("{voices} voices");
        if self.split() {
            out.push_str(&format!(" on {} boards", self.boards.len()));
        }
        match &self.apart {
            Apart::Stride(0) => {}
            Apart::Stride(n) => out.push_str(&format!(", {n} addresses apart")),
            Apart::Lines(lines) if lines.is_empty() => {}
            Apart::Lines(_) => out.push_str(", on address lines of their own"),
        }
        out
    }
}

/// Makes the voices of a control as sure as the surest of them, part by part, where the axis is beyond doubt: that a voice
/// was found, by what it held itself, just where another that is certain says it should lie is no chance. Nothing that
/// rests on a structure in doubt gains.
pub(crate) fn join_chances(axis: &VoiceAxis, structures: &[Explained], fields: &mut [FoundField]) {
    let doubted = |b: &Board| b.structures.iter().any(|s| structures[*s].doubt.is_some());
    if !axis.shown || axis.boards.iter().any(doubted) {
        return;
    }
    for member in &axis.members {
        let most = |part: &dyn Fn(&FoundField) -> f64| -> Option<f64> {
            let each = member.iter().map(|f| part(&fields[*f]));
            Some(each.fold(0.0, f64::max)).filter(|most| *most >= CERTAIN)
        };
        let coding = most(&|f: &FoundField| f.sure);
        let bits: Vec<Option<f64>> = (0..fields[member[0]].bits.len())
            .map(|k| most(&|f: &FoundField| f.bits.get(k).map_or(0.0, |b| b.sure)))
            .collect();
        for f in member {
            let field = &mut fields[*f];
            field.sure = coding.unwrap_or(field.sure);
            for (bit, most) in field.bits.iter_mut().zip(&bits) {
                bit.sure = most.filter(|_| !bit.homes.is_empty()).unwrap_or(bit.sure);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]
    use super::*;

    fn voices(board: &Board) -> Vec<(usize, u32)> {
        board.voices.clone()
    }

    /// By hand: four voices 30 addresses apart, the third before the others: counters 1, 2, 0, 3.
    #[test]
    fn steps_by_hand() {
        let same = vec![vec![(0, 0)]; 4];
        let (found, apart) = boards(&[0, 30, -30, 60], &same, false).unwrap();
        assert_eq!(apart, Apart::Stride(30));
        assert_eq!(voices(&found[0]), [(2, 0), (0, 1), (1, 2), (3, 3)]);
        // Two voices in one place are no axis.
        assert_eq!(boards(&[0, 30, 30, 60], &same, false), None);
    }

    /// By hand: voices 1 and 2 on one board, 3 and 4 on another, the second of each with slot bit 5 turned; and the same
    /// where the second board has them the other way round, which its list would have to say and the lines do not.
    #[test]
    fn boards_by_hand() {
        let becomes = [vec![(0, 0)], vec![(0, 0)], vec![(0, 1)], vec![(0, 1)]];
        let (found, apart) = boards(&[0, 32, 0, 32], &becomes, true).unwrap();
        assert_eq!(apart, Apart::Lines(vec![32]));
        assert_eq!(found.len(), 2);
        assert_eq!(voices(&found[1]), [(2, 0), (3, 1)]);
        assert_eq!(boards(&[0, 32, 32, 0], &becomes, true), None);
        // By steps a board may list them in any order.
        let (found, _) = boards(&[0, 32, 32, 0], &becomes, false).unwrap();
        assert_eq!(voices(&found[1]), [(3, 0), (2, 1)]);
    }

    /// Six voices on three lines of their own; and a board per voice, which nothing needs to tell apart.
    #[test]
    fn lines_of_their_own() {
        let same = vec![vec![(0, 0)]; 6];
        let (found, apart) = boards(&[0, 4, 16, 20, 8, 12], &same, true).unwrap();
        assert_eq!(apart, Apart::Lines(vec![4, 16, 8]));
        assert_eq!(found[0].voices[5], (5, 5));
        let each: Vec<Vec<(usize, usize)>> = (0..3).map(|v| vec![(0, v)]).collect();
        let (found, apart) = boards(&[0, 0, 0], &each, true).unwrap();
        assert_eq!((found.len(), apart), (3, Apart::Lines(Vec::new())));
    }

    /// Where a voice shares one chip of two with another, no board keeps it.
    #[test]
    fn voices_across_boards_are_none() {
        let becomes = [vec![(0, 0), (1, 1)], vec![(0, 0), (1, 2)]];
        assert_eq!(boards(&[0, 0], &becomes, true), None);
    }

    /// A voice alone is 90 % sure of one bit and of its coding; another that is certain of both makes it so, unless the axis
    /// is not shown.
    #[test]
    fn voices_are_as_sure_as_the_surest() {
        use super::super::solution::{FoundBit, Home};
        let field = |voice: usize, sure: f64| FoundField {
            control: 0,
            voice: Some(voice),
            character: None,
            code: "unsigned",
            bits: vec![FoundBit {
                homes: vec![Home { places: Vec::new() }],
                sure,
                by_neighbours: false,
                could_be: Vec::new(),
                idle: false,
            }],
            table: None,
            sure,
            when: None,
            written: true,
        };
        let mut axis = VoiceAxis {
            boards: Vec::new(),
            apart: Apart::Stride(1),
            members: vec![vec![0, 1]],
            shown: false,
        };
        let mut fields = [field(0, 0.9), field(1, 0.9995)];
        join_chances(&axis, &[], &mut fields);
        assert_eq!(fields[0].chance(), 0.9);
        axis.shown = true;
        join_chances(&axis, &[], &mut fields);
        assert_eq!((fields[0].sure, fields[0].bits[0].sure), (0.9995, 0.9995));
        // Of what no voice is certain each keeps its own.
        let mut fields = [field(0, 0.9), field(1, 0.98)];
        join_chances(&axis, &[], &mut fields);
        assert_eq!(fields[0].chance(), 0.9);
    }
}
