//! What is damaged, what the sources say about it, and the proposals that follow.

use std::collections::{HashMap, HashSet};
use std::ops::Range;

use super::weigh::{self, Belief, Says, Seen};
use super::witness::{Witness, testimony};
use super::{Loss, MendError, MendPlan, PlanChip, Proposal, Reorder, Sources};
use crate::codec::{Codes, Memory, checks, low_mask, setting};
use crate::examine::{Content, Examined, Kind};
use crate::image::ChipImage;
use crate::layout::model::{Check, CheckInstance, Layout};
use crate::reading::Reading;

/// A value field of an entry: area, entry, field.
type Spot = (usize, usize, usize);

/// A source laid out for comparison.
struct Source {
    who: String,
    witness: Witness,
    codes: Codes,
    /// Chance that it holds the truth, by area, measured where the truth is known.
    reliable: Vec<f64>,
}

/// Chance above which a value is proposed rather than called lost: a toss of a coin is no proposal.
const PROPOSED: f64 = 0.5;
/// Chance that a few odd cells among sound ones are damage: an owner who turns many knobs at once looks alike.
const ODD: f64 = 0.97;
/// Weight of the whole bank's agreement beside that of the entry at hand, in values.
const WHOLE: f64 = 6.0;

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
    let bench = Bench::new(&content, reading, examined, sources)?;
    let mut beliefs: HashMap<Spot, Belief> = HashMap::new();
    let mut says: HashMap<Spot, Vec<Says>> = HashMap::new();
    for spot in bench.damaged() {
        let list = bench.says(spot);
        beliefs.insert(spot, bench.belief(spot, &list));
        says.insert(spot, list);
    }
    let checked = bench.apply_checks(&mut beliefs);
    let mut plan = MendPlan {
        reading: name.to_owned(),
        layout: layout.id.clone(),
        earlier: sources.earlier.as_ref().map(|e| e.0.clone()),
        chips: reading
            .chips
            .iter()
            .map(|c| PlanChip {
                chip: c.id.clone(),
                sha256: c.sha256(),
            })
            .collect(),
        reorder: reorder(examined),
        proposals: Vec::new(),
        losses: Vec::new(),
    };
    let mut spots: Vec<Spot> = beliefs.keys().copied().collect();
    spots.sort_unstable();
    for spot in spots {
        bench.tell(spot, &beliefs[&spot], &says[&spot], &checked, &mut plan);
    }
    plan.proposals
        .sort_by(|a, b| b.probability.total_cmp(&a.probability));
    Ok(plan)
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

/// What is expected of a source before anything is compared: a rate of agreement, and how many values of
/// experience it is worth. Between visits owners edit one value in a hundred.
const SAME: (f64, f64) = (0.99, 40.0);
/// The same for a source of which nothing is known beforehand.
const UNSURE: (f64, f64) = (0.5, 2.0);

fn expected_counts((rate, weight): (f64, f64)) -> (f64, f64, f64) {
    (rate * weight, weight, 0.1 * weight)
}

struct Bench<'a> {
    content: &'a Content<'a>,
    /// Contents with everything doubtful unknown.
    firm: Memory,
    codes: Codes,
    /// As read, put in order, lost bits unknown.
    seen: Codes,
    /// As read, put in order.
    shown: Codes,
    /// Cells whose contents an owner may have saved, however odd they look.
    odd: HashSet<(u16, u32)>,
    told: crate::examine::Told,
    flip: f64,
    /// Chance that a bit turned, where bits look flipped.
    turned: f64,
    /// Whether what looks flipped may be an edit instead: only an earlier reading shows edits.
    edits_are_told: bool,
    sources: Vec<Source>,
    copies: f64,
    siblings: f64,
}

impl<'a> Bench<'a> {
    fn new(
        content: &'a Content<'a>,
        reading: &Reading,
        examined: &Examined,
        sources: &Sources,
    ) -> Result<Self, MendError> {
        let memory = |images: &[ChipImage]| {
            Memory::of_images(content.layout, &images.iter().collect::<Vec<_>>())
        };
        let seen = content.codec.decode(&memory(&examined.undone)?);
        let shown = content.codec.decode(&memory(&examined.shown)?);
        let mut images = examined.undone.clone();
        for (chip, cell, line) in &examined.flips {
            if let Some(c) = images.get_mut(*chip) {
                c.set_bit(*cell, *line, None);
            }
        }
        if sources.earlier.is_none() {
            doubt_differing_copies(content.layout, &mut images);
        }
        let firm = memory(&images)?;
        let codes = content.codec.decode(&firm);
        let told = content.tell(&firm);
        let mut bench = Self {
            content,
            codes,
            seen,
            shown,
            odd: odd_cells(content.layout, examined),
            told,
            flip: examined.flip_rate.max(1e-4),
            turned: turned(examined),
            edits_are_told: sources.earlier.is_some(),
            sources: Vec::new(),
            copies: 0.9,
            siblings: 0.0,
            firm,
        };
        bench.ask(reading, (&images, &examined.shown), sources)?;
        let areas = 0..content.layout.areas.len();
        bench.siblings = bench.agreement(UNSURE, areas, |a, e, f| {
            let first = bench.content.shape.areas[a].first_voice[e];
            (first != e).then(|| bench.codes.areas[a].get(first, f))
        });
        bench.copies = bench.copy_agreement();
        Ok(bench)
    }

    /// Hears every other reading, as far as it can speak for what is damaged.
    fn ask(
        &mut self,
        reading: &Reading,
        contents: (&[ChipImage], &[ChipImage]),
        sources: &Sources,
    ) -> Result<(), MendError> {
        let earlier = sources.earlier.as_ref().map(|e| &e.1);
        let named = sources
            .earlier
            .iter()
            .map(|e| (Witness::Earlier, e))
            .chain(sources.reads.iter().map(|r| (Witness::Read, r)))
            .chain(sources.alike.iter().map(|r| (Witness::Alike, r)));
        let layout = self.content.layout;
        let read = Memory::of(layout, reading)?;
        for (witness, (name, other)) in named {
            let memory = Memory::of(layout, other).map_err(|e| MendError::Other {
                name: name.clone(),
                says: e.to_string(),
            })?;
            if witness != Witness::Earlier && memory == read {
                return Err(MendError::Same { name: name.clone() });
            }
            let images = testimony(layout, (name, other), witness, contents, earlier)?;
            let memory = Memory::of_images(layout, &images.iter().collect::<Vec<_>>())?;
            let expected = match witness {
                Witness::Alike => UNSURE,
                _ => SAME,
            };
            let codes = self.content.codec.decode(&memory);
            let reliable = self.by_area(expected, |a, e, f| Some(codes.areas[a].get(e, f)));
            self.sources.push(Source {
                who: match witness {
                    Witness::Earlier => format!("the earlier reading {name} holds it"),
                    Witness::Read => format!("the read {name} shows it"),
                    Witness::Alike => format!("the bank {name} holds it"),
                },
                witness,
                codes,
                reliable,
            });
        }
        Ok(())
    }

    /// Chance that a source holds the truth, by area. Each area is edited at its own rate: that others agree well says
    /// nothing for it, that they agree badly speaks against the source everywhere.
    fn by_area(
        &self,
        (rate, weight): (f64, f64),
        other: impl Fn(usize, usize, usize) -> Option<(u64, u64)>,
    ) -> Vec<f64> {
        let areas = 0..self.content.shape.areas.len();
        let whole = self.agreement((rate, weight), areas.clone(), &other);
        let expected = (rate.min(whole), weight);
        areas
            .map(|a| self.agreement(expected, a..a + 1, &other))
            .collect()
    }

    /// Chance that a source holds the truth in some areas, from the values where the truth is known.
    fn agreement(
        &self,
        expected: (f64, f64),
        areas: Range<usize>,
        other: impl Fn(usize, usize, usize) -> Option<(u64, u64)>,
    ) -> f64 {
        let (mut same, mut n, mut by_chance) = expected_counts(expected);
        for a in areas {
            let shape = &self.content.shape.areas[a];
            for &f in &shape.values {
                let full = low_mask(shape.fields[f].width);
                for e in 0..shape.entries {
                    let Some((x, kx)) = other(a, e, f) else {
                        continue;
                    };
                    let Some(truth) = self.codes.areas[a].code(e, f) else {
                        continue;
                    };
                    if kx == full {
                        n += 1.0;
                        same += f64::from(u8::from(x == truth));
                        by_chance += 1.0 / shape.fields[f].legal_codes.max(2.0);
                    }
                }
            }
        }
        corrected(same, n, by_chance)
    }

    fn copy_agreement(&self) -> f64 {
        let (mut same, mut n) = (1.0, 2.0);
        for area in &self.content.layout.areas {
            for copy in &area.copies {
                for (p, q) in area.places.iter().zip(&copy.places) {
                    if let (Some(x), Some(y)) = (self.firm.bit(*p), self.firm.bit(*q)) {
                        n += 1.0;
                        same += f64::from(u8::from(x == y));
                    }
                }
            }
        }
        same / n
    }

    /// Value fields with lost or doubtful bits, or with a code that cannot be set.
    fn damaged(&self) -> Vec<Spot> {
        let mut out = Vec::new();
        for (a, shape) in self.content.shape.areas.iter().enumerate() {
            for e in 0..shape.entries {
                for &f in &shape.values {
                    let (code, known) = self.codes.areas[a].get(e, f);
                    let full = low_mask(shape.fields[f].width);
                    if known != full || !shape.fields[f].legal(code) {
                        out.push((a, e, f));
                    }
                }
            }
        }
        out
    }

    /// What every source says of a field.
    fn says(&self, (a, e, f): Spot) -> Vec<Says> {
        let shape = &self.content.shape.areas[a].fields[f];
        let full = low_mask(shape.width);
        let (read, firm) = self.codes.areas[a].get(e, f);
        // Bits that are open: a code that cannot be is doubtful as a whole.
        let open = if firm == full && !shape.legal(read) {
            full
        } else {
            full & !firm
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
            if known != 0 {
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

    /// What the other voices of the preset say, as one source: they were dialled together, so that their agreement
    /// with each other proves nothing.
    fn voices_say(&self, (a, e, f): Spot) -> Option<Says> {
        let shape = &self.content.shape.areas[a];
        let area = &self.content.layout.areas[a];
        let full = low_mask(shape.fields[f].width);
        let mates: Vec<(usize, u64)> = (0..shape.entries)
            .filter(|o| *o != e && shape.first_voice[*o] == shape.first_voice[e])
            .filter_map(|o| Some((o, self.codes.areas[a].code(o, f)?)))
            .filter(|(_, code)| shape.fields[f].legal(*code))
            .collect();
        let votes = |code: u64| mates.iter().filter(|m| m.1 == code).count();
        let &(best, code) = mates
            .iter()
            .max_by_key(|m| (votes(m.1), std::cmp::Reverse(m.0)))?;
        let share = votes(code) as f64 / mates.len() as f64;
        let here = self.here(a, e, self.siblings, |f| {
            Some(self.codes.areas[a].get(best, f))
        });
        let names: Vec<String> = mates
            .iter()
            .filter(|m| m.1 == code)
            .map(|m| area.entry_label(m.0))
            .collect();
        Some(Says {
            who: format!("held by {}", names.join(" and ")),
            code,
            known: full,
            reliable: here * share,
        })
    }

    /// How reliable a source is for one entry: its agreement over the bank, weighed with its agreement there.
    fn here(
        &self,
        a: usize,
        e: usize,
        whole: f64,
        other: impl Fn(usize) -> Option<(u64, u64)>,
    ) -> f64 {
        let shape = &self.content.shape.areas[a];
        let (mut same, mut n, mut by_chance) = (0.0, 0.0, 0.0);
        for &f in &shape.values {
            let (x, kx) = self.codes.areas[a].get(e, f);
            let Some((y, ky)) = other(f) else { continue };
            let known = kx & ky;
            if known == 0 {
                continue;
            }
            n += 1.0;
            same += f64::from(u8::from((x ^ y) & known == 0));
            by_chance += f64::from(known.count_ones()).exp2().recip();
        }
        let chance = if n > 0.0 { by_chance / n } else { 0.5 };
        let expected = whole + (1.0 - whole) * chance;
        // The bank's experience smooths already.
        let rate = (same + WHOLE * expected) / (n + WHOLE);
        ((rate - chance) / (1.0 - chance)).clamp(0.0, 0.999_99)
    }

    fn belief(&self, (a, e, f): Spot, says: &[Says]) -> Belief {
        let shape = &self.content.shape.areas[a].fields[f];
        let (code, known) = self.codes.areas[a].get(e, f);
        let mut prior = match &self.told.models[a][f] {
            Some(model) => model.chances(shape),
            None => Vec::new(),
        };
        if prior.is_empty() {
            // Too wide to count: only what somebody holds, each as unlikely as any.
            let any = f64::from(shape.width).exp2().recip();
            let seen = self.seen.areas[a].code(e, f);
            let mut codes: Vec<u64> = says.iter().map(|s| s.code).chain(seen).collect();
            codes.sort_unstable();
            codes.dedup();
            prior = codes.into_iter().map(|c| (c, any)).collect();
        }
        let (read, shown) = self.seen.areas[a].get(e, f);
        let seen = Seen {
            code: code | read & shown & !known,
            firm: known,
            flip: self.flip,
            doubtful: match self.edits_are_told {
                true => (shown & !known, self.turned),
                false => (0, 0.5),
            },
        };
        Belief::of(&prior, seen, says)
    }

    /// Brings beliefs in line with the checks over them; returns the spots a check spoke for.
    fn apply_checks(&self, beliefs: &mut HashMap<Spot, Belief>) -> HashMap<Spot, String> {
        let mut spoke = HashMap::new();
        for (a, area) in self.content.layout.areas.iter().enumerate() {
            let doubtful = self.doubtful_bits(a, beliefs);
            for check in &area.checks {
                for instance in &check.instances {
                    self.apply_check(check, instance, &doubtful, beliefs, &mut spoke);
                }
            }
        }
        spoke
    }

    /// For each place with a damaged owner, the owner.
    fn doubtful_bits(
        &self,
        a: usize,
        beliefs: &HashMap<Spot, Belief>,
    ) -> HashMap<(u16, u32, u8), Spot> {
        let area = &self.content.layout.areas[a];
        let mut out = HashMap::new();
        for spot in beliefs.keys().filter(|s| s.0 == a) {
            for p in area.field_places(spot.1, spot.2) {
                out.insert((p.chip, p.cell, p.line), *spot);
            }
        }
        out
    }

    fn apply_check(
        &self,
        check: &Check,
        instance: &CheckInstance,
        doubtful: &HashMap<(u16, u32, u8), Spot>,
        beliefs: &mut HashMap<Spot, Belief>,
        spoke: &mut HashMap<Spot, String>,
    ) {
        let full = low_mask(instance.stored.len().min(64) as u8);
        if self.firm.gather(&instance.stored).1 != full {
            return;
        }
        let mut spots: Vec<Spot> = instance
            .words
            .bits()
            .iter()
            .filter_map(|p| doubtful.get(&(p.chip, p.cell, p.line)).copied())
            .collect();
        spots.sort_unstable();
        spots.dedup();
        let mut taken: Vec<(Spot, Belief)> = spots
            .iter()
            .filter_map(|s| Some((*s, beliefs.remove(s)?)))
            .collect();
        if taken.is_empty() {
            return;
        }
        let mut memory = self.firm.clone();
        let spots: Vec<Spot> = taken.iter().map(|t| t.0).collect();
        let mut list: Vec<&mut Belief> = taken.iter_mut().map(|t| &mut t.1).collect();
        let mut held = false;
        weigh::check(&mut list, check.width, |codes| {
            for ((a, e, f), code) in spots.iter().zip(codes) {
                memory.scatter(self.content.layout.areas[*a].field_places(*e, *f), *code);
            }
            let holds = checks::verdict(check, instance, &memory) == checks::Verdict::Holds;
            held |= holds;
            holds
        });
        for (spot, belief) in taken {
            beliefs.insert(spot, belief);
            if held {
                spoke.insert(spot, format!("the check {} holds with it", check.key));
            }
        }
    }

    /// The code as read, where it lies in odd cells and can be set.
    fn may_be_saved(&self, (a, e, f): Spot) -> Option<u64> {
        let field = &self.content.shape.areas[a].fields[f];
        let places = self.content.layout.areas[a].field_places(e, f);
        let odd = places.iter().any(|p| self.odd.contains(&(p.chip, p.cell)));
        let code = self.shown.areas[a].code(e, f)?;
        (odd && field.legal(code)).then_some(code)
    }

    fn tell(
        &self,
        (a, e, f): Spot,
        belief: &Belief,
        says: &[Says],
        checked: &HashMap<Spot, String>,
        plan: &mut MendPlan,
    ) {
        let area = &self.content.layout.areas[a];
        let shape = &self.content.shape.areas[a].fields[f];
        let Kind::Value(p) = shape.kind else { return };
        let parameter = &area.parameters[p];
        let (code, known) = self.codes.areas[a].get(e, f);
        let lost = shape.width - known.count_ones() as u8;
        let now = bits(self.seen.areas[a].get(e, f).0, known, shape.width);
        let head = (
            area.name.clone(),
            area.entry_label(e),
            parameter.key.clone(),
        );
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
                evidence.extend(checked.get(&(a, e, f)).cloned());
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
                    setting: setting::show(parameter, shape.width, best),
                    // Nothing is certain, however many nines there are.
                    probability: ((chance * 1e4).round() / 1e4).min(0.9999),
                    evidence,
                });
            }
            best => plan.losses.push(Loss {
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
            }),
        }
    }
}

/// An agreement with what chance alone would give taken out, and smoothed by one agreement and one dissent.
fn corrected(same: f64, n: f64, by_chance: f64) -> f64 {
    let rate = (same + 0.5) / (n + 1.0);
    let chance = if n > 0.0 { by_chance / n } else { 0.5 };
    ((rate - chance) / (1.0 - chance)).clamp(0.0, 0.999_99)
}

/// Chance that a bit turned on a data line on which bits look flipped.
fn turned(examined: &Examined) -> f64 {
    let mut by_line: HashMap<(usize, u8), f64> = HashMap::new();
    for (chip, _, line) in &examined.flips {
        *by_line.entry((*chip, *line)).or_default() += 1.0;
    }
    let of = |chip: usize| {
        let image = examined.undone.get(chip);
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
fn bits(code: u64, known: u64, width: u8) -> String {
    (0..width)
        .rev()
        .map(|b| match (known >> b & 1, code >> b & 1) {
            (0, _) => '?',
            (_, 0) => '0',
            _ => '1',
        })
        .collect()
}

/// Without an earlier reading, a bit whose mirrored copy differs may be either.
fn doubt_differing_copies(layout: &Layout, images: &mut [ChipImage]) {
    let mut doubtful = Vec::new();
    for area in &layout.areas {
        for copy in &area.copies {
            for (p, q) in area.places.iter().zip(&copy.places) {
                let bit = |p: &crate::layout::model::BitPlace| {
                    let raw = images.get(usize::from(p.chip))?.bit(p.cell, p.line)?;
                    Some(raw != p.inverted)
                };
                if let (Some(x), Some(y)) = (bit(p), bit(q))
                    && x != y
                {
                    doubtful.push(*p);
                    doubtful.push(*q);
                }
            }
        }
    }
    for p in doubtful {
        if let Some(image) = images.get_mut(usize::from(p.chip)) {
            image.set_bit(p.cell, p.line, None);
        }
    }
}
