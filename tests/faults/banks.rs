//! Healthy banks for any layout: what people dial, with everything that is legitimately odd about it (constant
//! lines, repeated and blank presets, voices that differ on purpose, processors' scratch cells).

use cellkeep::codec::{Memory, checks, setting::legal};
use cellkeep::image::ChipImage;
use cellkeep::layout::model::*;

use crate::rng::Rng;

/// How the values of one field are dialled.
enum Habit {
    Constant(u64),
    /// Each legal code alike.
    Even,
    /// A few favourites, now and then something else.
    Few(Vec<u64>),
    /// Ends of the travel are common.
    Ends,
    /// Near the low end.
    Low,
}

/// What the owner did since the earlier reading.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(crate) enum Edits {
    None,
    /// Now and then something is done to many presets at once.
    Some,
    /// As [`Edits::Some`], and one control was set alike in many presets.
    #[allow(dead_code)] // Asked for by the long form only.
    Alike,
}

impl From<bool> for Edits {
    fn from(edited: bool) -> Self {
        if edited { Self::Some } else { Self::None }
    }
}

/// Chance that an owner who edits does something to many presets at once.
pub(crate) const MANY: f64 = 0.15;

/// What an owner did since the earlier reading.
#[derive(Clone)]
#[allow(dead_code)] // Asked by the observer of the long form.
pub(crate) struct Done {
    /// The bank after what was done to many presets at once, before the rest.
    pub(crate) base: Memory,
    /// Whether something was done to many.
    pub(crate) mass: bool,
    /// Entries edited after that: area and entry.
    pub(crate) entries: Vec<(usize, usize)>,
}

struct FieldPlan {
    area: usize,
    field: usize,
    legal: Vec<u64>,
    habit: Habit,
}

pub(crate) struct Maker<'a> {
    pub(crate) layout: &'a Layout,
    plans: Vec<FieldPlan>,
}

fn legal_codes(area: &Area, field: &Field) -> Vec<u64> {
    let FieldOwner::Parameter(p) = field.owner else {
        return Vec::new();
    };
    let width = field.width.min(12);
    let codes: Vec<u64> = (0..1u64 << width)
        .filter(|c| legal(&area.parameters[p], field.width, *c))
        .collect();
    if codes.is_empty() { vec![0] } else { codes }
}

impl<'a> Maker<'a> {
    /// Draws up how this owner dials each parameter.
    pub(crate) fn new(layout: &'a Layout, rng: &mut Rng) -> Self {
        let mut plans = Vec::new();
        for (a, area) in layout.areas.iter().enumerate() {
            let mut taken = vec![false; area.bits_per_entry];
            for (f, field) in area.fields.iter().enumerate() {
                let range = field.first..field.first + usize::from(field.width);
                if taken[range.clone()].iter().any(|t| *t) {
                    continue;
                }
                taken[range].fill(true);
                let legal = legal_codes(area, field);
                let draw = rng.unit();
                let habit = match field.owner {
                    FieldOwner::Parameter(_) if draw < 0.06 => Habit::Constant(*rng.pick(&legal)),
                    FieldOwner::Parameter(_) if draw < 0.5 => Habit::Even,
                    FieldOwner::Parameter(_) if draw < 0.7 => {
                        Habit::Few((0..rng.between(1, 3)).map(|_| *rng.pick(&legal)).collect())
                    }
                    FieldOwner::Parameter(_) if draw < 0.9 => Habit::Ends,
                    FieldOwner::Parameter(_) => Habit::Low,
                    _ => Habit::Constant(rng.next()),
                };
                plans.push(FieldPlan {
                    area: a,
                    field: f,
                    legal,
                    habit,
                });
            }
        }
        Self { layout, plans }
    }

    fn value(&self, plan: &FieldPlan, rng: &mut Rng) -> u64 {
        let legal = &plan.legal;
        match &plan.habit {
            Habit::Constant(c) => *c,
            Habit::Even => *rng.pick(legal),
            Habit::Few(few) if rng.chance(0.85) => *rng.pick(few),
            Habit::Few(_) => *rng.pick(legal),
            Habit::Ends => match rng.below(10) {
                0..=2 => legal[0],
                3..=4 => legal[legal.len() - 1],
                _ => *rng.pick(legal),
            },
            Habit::Low => {
                let a = rng.below(legal.len());
                legal[a.min(rng.below(legal.len())).min(rng.below(legal.len()))]
            }
        }
    }

    /// The codes of one field that a panel can give, in order, and the chance that a patch holds this one.
    #[allow(dead_code)] // Asked by the observer of the long form.
    pub(crate) fn dialled(&self, area: usize, field: usize, code: u64) -> (&[u64], f64) {
        let mut plans = self.plans.iter();
        let plan = plans.find(|p| p.area == area && p.field == field);
        let Some(FieldPlan { legal, habit, .. }) = plan else {
            return (&[], 0.0);
        };
        let n = legal.len() as f64;
        let at = legal.binary_search(&code).ok();
        let any = if at.is_some() { 1.0 / n } else { 0.0 };
        let of = |k: usize| f64::from(u8::from(legal.get(k) == Some(&code)));
        let chance = match habit {
            Habit::Constant(c) => f64::from(u8::from(*c == code)),
            Habit::Even => any,
            Habit::Few(few) => {
                let of_these = few.iter().filter(|c| **c == code).count() as f64;
                0.85 * of_these / few.len() as f64 + 0.15 * any
            }
            Habit::Ends => 0.3 * of(0) + 0.2 * of(legal.len() - 1) + 0.5 * any,
            // The lowest of three.
            Habit::Low => at.map_or(0.0, |k| {
                let from = |k: usize| ((n - k as f64) / n).powi(3);
                from(k) - from(k + 1)
            }),
        };
        (legal, chance)
    }

    /// The codes of one sensible patch, one for each planned field of an area.
    pub(crate) fn patch(&self, area: usize, rng: &mut Rng) -> Vec<(usize, u64)> {
        self.plans
            .iter()
            .filter(|p| p.area == area)
            .map(|p| {
                let field = &self.layout.areas[area].fields[p.field];
                let code = match field.owner {
                    FieldOwner::Constant(v) => v,
                    _ => self.value(p, rng),
                };
                (p.field, code)
            })
            .collect()
    }

    /// A legal code of one field other than `now`, if there is one.
    pub(crate) fn other(&self, area: usize, field: usize, now: u64, rng: &mut Rng) -> Option<u64> {
        let plan = self
            .plans
            .iter()
            .find(|p| p.area == area && p.field == field)?;
        let others: Vec<u64> = plan.legal.iter().copied().filter(|c| *c != now).collect();
        (!others.is_empty()).then(|| *rng.pick(&others))
    }

    /// Codes of one field that a panel can give.
    pub(crate) fn legal(&self, area: usize, field: usize) -> Vec<u64> {
        let mut plans = self.plans.iter();
        plans
            .find(|p| p.area == area && p.field == field)
            .map_or_else(Vec::new, |p| p.legal.clone())
    }

    /// Fields of an area that hold values.
    pub(crate) fn values(&self, area: usize) -> Vec<usize> {
        self.plans
            .iter()
            .filter(|p| p.area == area)
            .map(|p| p.field)
            .filter(|f| {
                matches!(
                    self.layout.areas[area].fields[*f].owner,
                    FieldOwner::Parameter(_)
                )
            })
            .collect()
    }

    pub(crate) fn write(
        &self,
        memory: &mut Memory,
        area: usize,
        entry: usize,
        patch: &[(usize, u64)],
    ) {
        for (f, code) in patch {
            let places = self.layout.areas[area].field_places(entry, *f);
            memory.scatter(places, *code);
        }
    }

    /// A whole healthy bank.
    pub(crate) fn bank(&self, rng: &mut Rng) -> Memory {
        let images: Vec<ChipImage> = self
            .layout
            .chips
            .iter()
            .map(|c| {
                let fill = c.fill.unwrap_or(0);
                let mut cells = vec![fill; c.words as usize];
                if c.width == 8 && rng.chance(0.4) {
                    // Scratch of a processor: a stretch of whatever it left there.
                    let from = rng.below(cells.len());
                    let to = (from + rng.below(200)).min(cells.len());
                    cells[from..to]
                        .iter_mut()
                        .for_each(|c| *c = rng.next() as u8);
                }
                ChipImage::from_cells(c.width, &cells).expect("a chip of the layout")
            })
            .collect();
        let refs: Vec<&ChipImage> = images.iter().collect();
        let mut memory = Memory::of_images(self.layout, &refs).expect("images of the layout");
        let fresh = rng.chance(0.02);
        for a in 0..self.layout.areas.len() {
            self.fill(&mut memory, a, fresh, rng);
        }
        self.settle_promises(&mut memory);
        memory
    }

    fn fill(&self, memory: &mut Memory, a: usize, fresh: bool, rng: &mut Rng) {
        let area = &self.layout.areas[a];
        let voice = area.axes.iter().position(|x| x.name == "voice");
        let together = *rng.pick(&[1.0, 1.0, 0.9, 0.6, 0.0]);
        let used = if rng.chance(0.7) {
            area.entries()
        } else {
            rng.between(1, area.entries())
        };
        let blank = self.patch(a, rng);
        let mut patches: Vec<Vec<(usize, u64)>> = Vec::new();
        for e in 0..area.entries() {
            let first = voice.map(|v| {
                let mut at = area.indices(e);
                at[v] = 0;
                area.entry(&at).expect("an index of the area")
            });
            let patch = match first {
                _ if fresh || e >= used => blank.clone(),
                Some(first) if first != e && rng.chance(together) => {
                    let mut same: Vec<(usize, u64)> = patches[first].clone();
                    if rng.chance(0.1) {
                        let other = self.patch(a, rng);
                        let at = rng.below(same.len());
                        same[at] = other[at];
                    }
                    same
                }
                _ if e > 0 && rng.chance(0.06) => patches[rng.below(e)].clone(),
                _ => self.patch(a, rng),
            };
            self.write(memory, a, e, &patch);
            patches.push(patch);
        }
    }

    /// Computes every check and writes every mirrored copy, as the instrument would.
    pub(crate) fn settle_promises(&self, memory: &mut Memory) {
        for area in &self.layout.areas {
            for check in &area.checks {
                for instance in &check.instances {
                    if let Some(code) = checks::compute(check, instance, memory) {
                        memory.scatter(&instance.stored, code);
                    }
                }
            }
            for copy in &area.copies {
                for (p, q) in area.places.iter().zip(&copy.places) {
                    if let Some(bit) = memory.bit(*p) {
                        memory.set_bit(*q, bit);
                    }
                }
            }
        }
    }

    /// The owner empties a stretch of entries, or sets one control alike in many of them; only the latter where it is to be
    /// `alike`.
    pub(crate) fn edit_many(&self, memory: &mut Memory, alike: bool, rng: &mut Rng) {
        let areas = 0..self.layout.areas.len();
        // The presets: what has most values to set.
        let presets = areas
            .filter(|a| self.layout.areas[*a].entries() > 3)
            .max_by_key(|a| self.values(*a).len() * self.layout.areas[*a].entries());
        let Some(a) = presets else { return };
        let area = &self.layout.areas[a];
        let n = rng.between(2, area.entries() - 1);
        let from = rng.below(area.entries() - n + 1);
        let empty = |field: usize| {
            let blank = match area.fields[field].owner {
                FieldOwner::Parameter(p) => area.parameters[p].blank,
                _ => None,
            };
            (field, blank.unwrap_or_else(|| self.legal(a, field)[0]))
        };
        let values = self.values(a);
        let patch: Vec<(usize, u64)> = if rng.chance(0.7) && !alike {
            values.into_iter().map(empty).collect()
        } else {
            let field = *rng.pick(&values);
            vec![(field, *rng.pick(&self.legal(a, field)))]
        };
        for e in from..from + n {
            self.write(memory, a, e, &patch);
        }
        self.settle_promises(memory);
    }

    /// The owner edits some presets: a few values here, a new patch there, now and then many alike.
    pub(crate) fn edit(&self, memory: &mut Memory, edits: Edits, rng: &mut Rng) -> Done {
        let mut done = Done {
            base: memory.clone(),
            mass: false,
            entries: Vec::new(),
        };
        if edits == Edits::None {
            return done;
        }
        let alike = edits == Edits::Alike;
        // Drawn apart, so that what else is edited does not depend on it.
        let mut apart = rng.clone();
        done.mass = apart.chance(MANY) || alike;
        if done.mass {
            self.edit_many(memory, alike, &mut apart);
            done.base = memory.clone();
        }
        let presets: Vec<usize> = (0..self.layout.areas.len())
            .filter(|a| !self.values(*a).is_empty())
            .collect();
        for _ in 0..rng.between(1, 4) {
            let a = *rng.pick(&presets);
            let area = &self.layout.areas[a];
            let e = rng.below(area.entries());
            done.entries.push((a, e));
            if rng.chance(0.3) {
                let patch = self.patch(a, rng);
                self.write(memory, a, e, &patch);
            } else {
                let values = self.values(a);
                for _ in 0..rng.between(1, 4) {
                    let f = *rng.pick(&values);
                    let places = area.field_places(e, f);
                    let now = memory.gather(places).0;
                    if let Some(code) = self.other(a, f, now, rng) {
                        memory.scatter(places, code);
                    }
                }
            }
        }
        self.settle_promises(memory);
        done
    }
}
