//! What is damaged, what the sources say about it, and the proposals that follow.

use std::collections::{HashMap, HashSet};

use super::damage::Damaged;
use super::reconsider::{Copied, Second, doubt_differing_copies};
use super::rivals::{Another, mixed};
use super::sources::Source;
use super::voices::{Voices, habits};
use super::weigh::{Belief, Prior, Says, Seen};
use super::witness::Witness;
use super::{Loss, MendError, MendPlan, Proposal, Reorder, Sources};
use crate::codec::{Codes, Memory, low_mask, setting};
use crate::examine::{Content, Contents, Examined, Kind, Told};
use crate::image::ChipImage;
use crate::layout::model::{BitPlace, Layout};
use crate::reading::Reading;

/// A value field of an entry: area, entry, field.
pub(super) type Spot = (usize, usize, usize);

/// One bit of a chip: chip, cell, line.
type Key = (u16, u32, u8);

/// Chance above which a value is proposed rather than called lost: a toss of a coin is no proposal.
const PROPOSED: f64 = 0.5;
/// Chance that a few odd cells among sound ones are damage: an owner who turns many knobs at once looks alike.
const ODD: f64 = 0.97;

/// Proposes values for everything damaged in a reading that was examined with the same layout.
///
/// # Errors
/// When the reading or a source does not fit the layout.
pub fn propose(
    layout: &Layout,
    name: &str,
    reading: &Reading,
    examined: &Examined,
    sources: &Sources,
) -> Result<MendPlan, MendError> {
    let content = Content::new(layout);
    let mut bench = Bench::new(&content, reading, &examined.contents, sources)?;
    bench.odd = odd_cells(layout, examined);
    let (sure, others) = Another::of(&content, reading, examined, sources)?;
    let mut plan = MendPlan {
        reading: name.to_owned(),
        layout: layout.id.clone(),
        layout_sha256: layout.source.sha256.clone(),
        earlier: sources.earlier.as_ref().map(|e| e.0.clone()),
        read_again: read_again(examined),
        chips: reading.digests(),
        reorder: reorder(examined),
        follows: Vec::new(),
        proposals: Vec::new(),
        bits: Vec::new(),
        losses: Vec::new(),
        damage: bench.damaged.runs(layout),
    };
    let mut memory = bench.tell_rest((sure, &others), &mut plan);
    let outside = std::mem::take(&mut plan.losses);
    let heard = bench.hear(&memory);
    let mut spots: Vec<Spot> = heard.beliefs.keys().copied().collect();
    spots.sort_unstable();
    let mut taken: HashMap<Key, bool> = HashMap::new();
    for spot in spots {
        let (belief, against) = mixed((sure, &heard.beliefs[&spot]), &others, spot);
        let proposed = bench.tell(spot, &belief, &heard, against, &mut plan);
        let Some(code) = proposed else { continue };
        let places = layout.areas[spot.0].field_places(spot.1, spot.2);
        // Parameters may share bits, and be believed to hold different ones.
        let set: Vec<(Key, bool)> = places
            .iter()
            .enumerate()
            .map(|(k, p)| ((p.chip, p.cell, p.line), (code >> k & 1 == 1) != p.inverted))
            .collect();
        if set
            .iter()
            .any(|(p, bit)| taken.get(p).is_some_and(|b| b != bit))
        {
            if let Some(p) = plan.proposals.pop() {
                plan.losses.push(Loss {
                    area: p.area,
                    entry: p.entry,
                    parameter: p.parameter,
                    lost: format!(
                        "shares bits with a proposal that sets them otherwise; alone {} would be likely",
                        p.setting
                    ),
                });
            }
            continue;
        }
        taken.extend(set);
        memory.scatter(places, code);
    }
    bench.tell_checks(&memory, &mut plan);
    bench.confirm_bits(&memory, &mut plan)?;
    plan.losses.extend(outside);
    plan.proposals
        .sort_by(|a, b| b.probability.total_cmp(&a.probability));
    plan.bits
        .sort_by(|a, b| b.probability.total_cmp(&a.probability));
    Ok(plan)
}

/// What a fresh read may well show again: the findings of contacts, supply and drivers.
fn read_again(examined: &Examined) -> Vec<String> {
    let findings = examined.examination.findings.iter();
    findings
        .filter(|f| f.read_again_first)
        .map(|f| f.says.clone())
        .collect()
}

fn reorder(examined: &Examined) -> Option<Reorder> {
    let says: Vec<String> = examined
        .examination
        .findings
        .iter()
        .filter(|f| examined.reordered.contains(&f.code))
        .map(|f| f.says.clone())
        .collect();
    (!says.is_empty()).then_some(Reorder {
        accept: false,
        says,
    })
}

/// What is believed of the damaged fields.
pub(super) struct Heard {
    pub beliefs: HashMap<Spot, Belief>,
    /// What the sources say of each.
    says: HashMap<Spot, Vec<Says>>,
    /// Where a check spoke, and how.
    checked: HashMap<Spot, String>,
}

/// Everything that proposals are weighed by.
pub(super) struct Bench<'a> {
    pub content: &'a Content<'a>,
    /// Contents with everything doubtful unknown.
    pub firm: Memory,
    /// The codes of that.
    pub codes: Codes,
    /// As read, put in order, lost bits unknown.
    pub undone: Memory,
    seen: Codes,
    /// As read, put in order.
    pub read: Memory,
    shown: Codes,
    /// What is damaged.
    pub damaged: Damaged,
    /// Cells whose contents an owner may have saved, however odd they look.
    odd: HashSet<(u16, u32)>,
    told: Told,
    flip: f64,
    /// Chance that a bit turned, where bits look flipped.
    pub turned: f64,
    /// Bits that may as well be what they are read as as not, since their mirrored copies differ.
    either: Damaged,
    /// Whether what looks flipped may be an edit instead: only an earlier reading shows edits.
    pub edits_are_told: bool,
    /// Other readings.
    pub sources: Vec<Source>,
    /// Chance that a copy holds what the original does.
    pub copies: f64,
    /// How the voices of each area are dialled.
    pub voices: Vec<Voices>,
}

impl<'a> Bench<'a> {
    /// What to weigh by where the chips hold these contents.
    pub(super) fn new(
        content: &'a Content<'a>,
        reading: &Reading,
        contents: &Contents,
        sources: &Sources,
    ) -> Result<Self, MendError> {
        let memory = |images: &[ChipImage]| {
            Memory::of_images(content.layout, &images.iter().collect::<Vec<_>>())
        };
        let undone = memory(&contents.undone)?;
        let seen = content.codec.decode(&undone);
        let read = memory(&contents.shown)?;
        let shown = content.codec.decode(&read);
        let mut images = contents.undone.clone();
        for (chip, cell, line) in &contents.flips {
            if let Some(c) = images.get_mut(*chip) {
                c.set_bit(*cell, *line, None);
            }
        }
        let copied = match &sources.earlier {
            None => Copied {
                flipped: Vec::new(),
                either: doubt_differing_copies(content.layout, &mut images),
            },
            Some((name, earlier)) => {
                let second = Second {
                    layout: content.layout,
                    undone: &undone,
                    earlier: &Memory::of(content.layout, earlier).map_err(|e| {
                        MendError::Other {
                            name: name.clone(),
                            says: e.to_string(),
                        }
                    })?,
                };
                let copied = second.of_copies(&mut images);
                second.thoughts(&mut images);
                copied
            }
        };
        let mut either = Damaged::nothing(content.layout);
        copied.either.iter().for_each(|p| either.add(p));
        let firm = memory(&images)?;
        let codes = content.codec.decode(&firm);
        let told = content.tell(&firm);
        let mut bench = Self {
            content,
            voices: habits(content, &codes, &told),
            codes,
            undone,
            seen,
            read,
            shown,
            damaged: Damaged::unknown(content.layout, &images),
            odd: HashSet::new(),
            told,
            flip: contents.flip_rate.max(1e-4),
            turned: turned(contents, &copied.flipped),
            either,
            edits_are_told: sources.earlier.is_some(),
            sources: Vec::new(),
            copies: 0.9,
            firm,
        };
        for (a, e, f) in bench.spots() {
            if bench.impossible((a, e, f)) {
                let places = content.layout.areas[a].field_places(e, f);
                places.iter().for_each(|p| bench.damaged.add(p));
            }
        }
        bench.ask(reading, (&images, &contents.shown), sources)?;
        bench.copies = bench.copy_agreement();
        Ok(bench)
    }

    /// What is believed of every damaged field. `base` holds what is firm, and what is proposed outside of parameters.
    pub(super) fn hear(&self, base: &Memory) -> Heard {
        let (mut beliefs, mut says) = (HashMap::new(), HashMap::new());
        for spot in self.spots() {
            let list = self.says(spot);
            beliefs.insert(spot, self.belief(spot, &list));
            says.insert(spot, list);
        }
        let checked = self.apply_checks(base, &mut beliefs);
        Heard {
            beliefs,
            says,
            checked,
        }
    }

    /// The code of a field as it is firm, where nothing of it is damaged.
    pub(super) fn code(&self, (a, e, f): Spot) -> Option<u64> {
        self.codes.areas[a].code(e, f)
    }

    /// Value fields with lost or doubtful bits, or with a code that cannot be set.
    fn spots(&self) -> Vec<Spot> {
        let mut out = Vec::new();
        for (a, shape) in self.content.shape.areas.iter().enumerate() {
            for e in 0..shape.entries {
                for &f in &shape.values {
                    let full = low_mask(shape.fields[f].width);
                    let known = self.codes.areas[a].get(e, f).1;
                    if known != full || self.impossible((a, e, f)) {
                        out.push((a, e, f));
                    }
                }
            }
        }
        out
    }

    /// Whether all of a code is firm and yet cannot be.
    fn impossible(&self, (a, e, f): Spot) -> bool {
        let code = self.codes.areas[a].code(e, f);
        code.is_some_and(|code| !self.content.shape.areas[a].fields[f].legal(code))
    }

    /// What every source says of a field.
    fn says(&self, (a, e, f): Spot) -> Vec<Says> {
        let shape = &self.content.shape.areas[a].fields[f];
        let full = low_mask(shape.width);
        // Bits that are open: a code that cannot be is doubtful as a whole.
        let open = match self.impossible((a, e, f)) {
            true => full,
            false => full & !self.codes.areas[a].get(e, f).1,
        };
        let mut out = Vec::new();
        for s in &self.sources {
            let (code, mut known) = s.codes.areas[a].get(e, f);
            if s.witness == Witness::Read {
                // What a read shows beside the damage, it shows of the same cells.
                known &= open;
            }
            if known & open != 0 && (known != full || shape.legal(code)) {
                let reliable = self.here(a, e, s.reliable[a], |f| Some(s.codes.areas[a].get(e, f)));
                out.push(Says {
                    who: s.who.clone(),
                    code: code & known,
                    known,
                    reliable,
                });
            }
        }
        let area = &self.content.layout.areas[a];
        out.extend(self.voices_say((a, e, f)));
        for copy in &area.copies {
            let at = e * area.bits_per_entry + area.fields[f].first;
            let places = &copy.places[at..at + usize::from(area.fields[f].width)];
            let (code, known) = self.firm.gather(places);
            if known & open != 0 {
                out.push(Says {
                    who: format!("the copy {:?} holds it", copy.name),
                    code,
                    known,
                    reliable: self.copies.powi(known.count_ones() as i32),
                });
            }
        }
        out
    }

    fn belief(&self, (a, e, f): Spot, says: &[Says]) -> Belief {
        let shape = &self.content.shape.areas[a].fields[f];
        let (code, known) = self.codes.areas[a].get(e, f);
        let (read, shown) = self.seen.areas[a].get(e, f);
        let places = self.content.layout.areas[a].field_places(e, f);
        let either = places
            .iter()
            .enumerate()
            .filter(|(_, p)| self.either.has(p));
        let either = either.fold(0, |mask, (k, _)| mask | 1u64 << k);
        let seen = Seen {
            code: code | read & shown & !known,
            firm: known,
            flip: self.flip,
            doubtful: match self.edits_are_told {
                true => (shown & !known & !either, self.turned),
                false => (0, 0.5),
            },
            impossible: self.impossible((a, e, f)),
        };
        let counted = match &self.told.models[a][f] {
            Some(model) => model.chances(shape),
            None => Vec::new(),
        };
        let prior = match counted.is_empty() {
            true => Prior::too_wide(shape.width, seen, says),
            false => Prior::listed(counted),
        };
        Belief::of(&prior, seen, says)
    }

    /// The code as read, where it lies in odd cells and can be set.
    fn may_be_saved(&self, (a, e, f): Spot) -> Option<u64> {
        let field = &self.content.shape.areas[a].fields[f];
        let places = self.content.layout.areas[a].field_places(e, f);
        let odd = places.iter().any(|p| self.odd.contains(&(p.chip, p.cell)));
        let code = self.shown.areas[a].code(e, f)?;
        (odd && field.legal(code)).then_some(code)
    }

    /// The proposal or loss of a field; gives the code proposed.
    fn tell(
        &self,
        (a, e, f): Spot,
        belief: &Belief,
        heard: &Heard,
        against: Option<String>,
        plan: &mut MendPlan,
    ) -> Option<u64> {
        let area = &self.content.layout.areas[a];
        let shape = &self.content.shape.areas[a].fields[f];
        let Kind::Value(p) = shape.kind else {
            return None;
        };
        let parameter = &area.parameters[p];
        let (code, known) = self.codes.areas[a].get(e, f);
        let lost = shape.width - known.count_ones() as u8;
        let now = bits(self.seen.areas[a].get(e, f).0, known, shape.width);
        let head = (
            area.name.clone(),
            area.entry_label(e),
            parameter.key.clone(),
        );
        let says = heard.says.get(&(a, e, f)).map_or(&[][..], Vec::as_slice);
        let kept = self.may_be_saved((a, e, f));
        let best = belief.best().map(|(best, chance)| match kept {
            Some(kept) if kept != best => (best, chance * ODD),
            _ => (best, chance),
        });
        match best {
            Some((best, chance)) if chance > PROPOSED => {
                let mut evidence: Vec<String> = says
                    .iter()
                    .filter(|s| (s.code ^ best) & s.known == 0)
                    .map(|s| format!("{} (right {:.1} % of the time)", s.who, 100.0 * s.reliable))
                    .collect();
                evidence.extend(
                    says.iter()
                        .filter(|s| (s.code ^ best) & s.known != 0)
                        .map(|s| format!("against it: {} as {}", s.who, s.code)),
                );
                if kept.is_some_and(|kept| kept != best) {
                    evidence.push("against it: what is read there can be set, so that the owner may have saved it".to_owned());
                }
                evidence.extend(against);
                evidence.extend(heard.checked.get(&(a, e, f)).cloned());
                if lost == 0 {
                    evidence.push(format!("the code read, {code}, cannot be set"));
                } else if known != 0 {
                    evidence.push(format!(
                        "{} of {} bits survive",
                        known.count_ones(),
                        shape.width
                    ));
                }
                plan.proposals.push(Proposal {
                    accept: false,
                    area: head.0,
                    entry: head.1,
                    parameter: head.2,
                    character: (parameter.fields.len() > 1).then(|| f - parameter.fields.start + 1),
                    now,
                    code: best,
                    proposed: best,
                    setting: setting::show(parameter, shape.width, best),
                    // Nothing is certain, however many nines there are.
                    probability: ((chance * 1e4).round() / 1e4).min(0.9999),
                    evidence,
                });
                Some(best)
            }
            best => {
                plan.losses.push(Loss {
                    area: head.0,
                    entry: head.1,
                    parameter: head.2,
                    lost: match best {
                        Some((best, chance)) => format!(
                            "{lost} of {} bits; most likely {} ({:.0} %)",
                            shape.width,
                            setting::show(parameter, shape.width, best),
                            100.0 * chance
                        ),
                        None => format!("{lost} of {} bits", shape.width),
                    },
                });
                None
            }
        }
    }
}

/// Chance that a bit turned on a data line on which bits look flipped, those told by their mirrored copies `also`.
fn turned(contents: &Contents, also: &[BitPlace]) -> f64 {
    let mut by_line: HashMap<(usize, u8), f64> = HashMap::new();
    let flips = contents.flips.iter().map(|(chip, _, line)| (*chip, *line));
    for line in flips.chain(also.iter().map(|p| (usize::from(p.chip), p.line))) {
        *by_line.entry(line).or_default() += 1.0;
    }
    let of = |chip: usize| {
        let image = contents.undone.get(chip);
        image.map_or(1.0, |i| f64::from(i.words()))
    };
    let weighed: f64 = by_line.iter().map(|((chip, _), n)| n * n / of(*chip)).sum();
    let all: f64 = by_line.values().sum();
    (weighed / all.max(1.0)).clamp(1e-4, 0.25)
}

/// Cells that are called damaged only because of what they hold.
fn odd_cells(layout: &Layout, examined: &Examined) -> HashSet<(u16, u32)> {
    let findings = examined.examination.findings.iter();
    findings
        .filter(|f| f.code == "entry.glitched")
        .flat_map(|f| &f.place.chips)
        .filter_map(|place| Some((layout.chip(&place.chip)? as u16, place)))
        .flat_map(|(chip, place)| place.cells.iter().map(move |run| (chip, run)))
        .flat_map(|(chip, run)| (run.first..=run.last).map(move |cell| (chip, cell)))
        .collect()
}

/// A code in binary, most significant bit first, with `?` for bits not known.
pub(super) fn bits(code: u64, known: u64, width: u8) -> String {
    (0..width)
        .rev()
        .map(|b| match (known >> b & 1, code >> b & 1) {
            (0, _) => '?',
            (_, 0) => '0',
            _ => '1',
        })
        .collect()
}
