//! The table of causes: each says what a read would show of given contents, and what can be told of the contents
//! from what is seen.
//!
//! A cause is a small generative model. It knows nothing of the other causes and has no threshold: [`length`]
//! is its prior (bits to name it, by kind and place), [`forward`] and [`undo`] are its physics, and the scorer
//! weighs them. Adding one means one more type here and one more line in [`candidates`].
//!
//! Line faults carry the names of the memory-test literature: stuck-at faults, bridging faults and address
//! decoder faults (A. J. van de Goor, "Testing Semiconductor Memories: Theory and Practice", 1991; from memory).
//!
//! [`length`]: Cause::length
//! [`forward`]: Cause::forward
//! [`undo`]: Cause::undo

mod address;
mod chip;
mod converter;
mod decay;
mod line;
mod order;
mod region;

use std::fmt::Debug;
use std::sync::Arc;

pub use address::Address;
pub use chip::{Filler, WholeChip};
pub use converter::StuckCode;
pub use decay::Decay;
pub(crate) use decay::{SCATTERED, sagged};
pub use line::Line;
pub use order::Order;
pub(crate) use order::{crossings, slip_by_strain};
pub use region::Region;

use crate::finding::{CellRun, ChipPlace, Finding, Place, Severity};
use crate::image::ChipImage;
use crate::layout::model::Layout;

/// One possible cause, fully placed.
pub trait Cause: Debug + Send + Sync {
    /// The stable code of its finding.
    fn code(&self) -> &'static str;

    /// Bits to name the cause and its place: minus log2 of its prior chance.
    fn length(&self, chips: &[ChipImage]) -> f64;

    /// What a read shows of these contents; a bit the cause leaves open becomes unknown.
    fn forward(&self, chips: &mut [ChipImage]);

    /// What was there, given what is seen; lost bits become unknown.
    ///
    /// With `plausible`, a bit that is only likely is kept too: right for weighing a single reading, wrong for
    /// saying what is known.
    fn undo(&self, chips: &mut [ChipImage], plausible: bool);

    /// Whether undoing it keeps bits that are only likely, where those are asked for.
    fn guesses(&self) -> bool {
        false
    }

    /// Changes guessed contents where they cannot have led to what is seen, since an owner edited them meanwhile.
    fn reconcile(&self, _truth: &mut [ChipImage], _seen: &[ChipImage]) {}

    /// Whether it only puts contents in another order, so that nothing is lost.
    fn rearranges(&self) -> bool {
        false
    }

    /// The bit of every knob's code, from the top, that tells nothing although the memory kept it faithfully.
    fn still(&self) -> Option<u8> {
        None
    }

    /// Share of all bits flipped, where it is not known which.
    fn flipped(&self) -> f64 {
        0.0
    }

    /// The chips it concerns; none where it is not about chips.
    fn chips(&self) -> Vec<usize>;

    /// Whether it leaves bits open: noise, which predicts nothing.
    fn open(&self) -> bool {
        false
    }

    /// Chips whose cells follow this cause only loosely, so that exceptions there belong to it.
    fn loose(&self) -> Vec<usize> {
        Vec::new()
    }

    /// The same cause a little elsewhere, weighed where this one is among the best: where it begins may be in doubt.
    fn neighbours(&self) -> Vec<Shared> {
        Vec::new()
    }

    /// The stretch of cells it overwrote, where that is what it is.
    fn stretch(&self) -> Option<Region> {
        None
    }

    /// The finding, without figures: place, meaning, what to do.
    fn tell(&self, names: &Names) -> Finding;
}

/// A cause that can be shared between explanations.
pub type Shared = Arc<dyn Cause>;

/// How chips are called.
#[derive(Clone, Debug)]
pub struct Names {
    /// The chips' ids.
    pub ids: Vec<String>,
}

impl Names {
    /// A chip's id.
    pub fn of(&self, chip: usize) -> &str {
        self.ids.get(chip).map_or("?", String::as_str)
    }

    /// The place of a whole chip.
    pub fn place(&self, chip: usize) -> ChipPlace {
        ChipPlace {
            chip: self.of(chip).to_owned(),
            ..ChipPlace::default()
        }
    }
}

/// What candidates are proposed from.
pub struct Scene<'a> {
    /// What was read.
    pub seen: &'a [ChipImage],
    /// What the causes already accepted predict from the earlier reading, where there is one.
    pub expected: Option<&'a [ChipImage]>,
    /// The layout, where there is one.
    pub layout: Option<&'a Layout>,
    /// For each chip and cell, whether an area of the layout keeps something there, where there is a layout.
    pub held: Option<&'a [Vec<bool>]>,
    /// For each chip and cell, bits beyond nonsense that it takes to hold the seen bits for sound; empty where
    /// there is no model of sound contents.
    pub strain: &'a [Vec<f32>],
    /// For each chip, beside an earlier reading, stretches that noise would tell better than what is known does.
    pub dear: &'a [Vec<(u32, u32)>],
    /// Whether the contents break promises of the layout, so that rearrangements are worth trying.
    pub strained: bool,
    /// Whether crossed lines, of which there are many, are weighed at once.
    pub crossings: bool,
    /// Whether causes were accepted already.
    pub further: bool,
}

/// Every cause worth weighing for a scene.
pub fn candidates(scene: &Scene) -> Vec<Shared> {
    let mut out = Vec::new();
    decay::propose(scene, &mut out);
    // A chip that reads one value says nothing about its lines.
    let dead = chip::propose(scene, &mut out);
    let mut finer = Vec::new();
    line::propose(scene, &mut finer);
    address::propose(scene, &mut finer);
    order::propose(scene, &mut finer);
    finer.retain(|c| !c.chips().iter().any(|c| dead.contains(c)));
    out.extend(finer);
    region::propose(scene, &mut out);
    converter::propose(scene, &mut out);
    out
}

/// Bits to name one fault among the kinds of fault: the table's length, and how rarely anything is wrong (common practice, no source).
pub(crate) const FAULT: f64 = 10.0;

/// Bits to say that all bits flipped, falling in proportion to the share that did: the prior of the share is an
/// exponential with a mean of one in a hundred.
pub(crate) const RARE: f64 = 144.0;

/// Share of what is wrong that a cause must explain to be worth weighing: what explains less can wait until the rest
/// is explained.
pub(crate) const LITTLE: f64 = 0.02;

/// Number of address lines of a chip.
pub(crate) fn address_lines(image: &ChipImage) -> u32 {
    image.words().next_power_of_two().trailing_zeros()
}

/// A finding of a cause, with the place in one chip.
fn finding(code: &'static str, place: ChipPlace, says: String) -> Finding {
    Finding::new(code, Severity::Damage, says).at(Place {
        chips: vec![place],
        ..Place::default()
    })
}

fn runs(first: u32, last: u32) -> Vec<CellRun> {
    vec![CellRun { first, last }]
}

/// Adds what else a finding could be.
fn otherwise(mut f: Finding, list: &[&str]) -> Finding {
    f.otherwise = list.iter().map(|s| (*s).to_owned()).collect();
    f
}

/// Cells to look at when judging quickly whether a cause is worth weighing: all of a small chip, an even sample
/// of a large one (an odd stride, so that every address line moves).
fn sample(words: u32) -> impl ExactSizeIterator<Item = u32> {
    let stride = if words <= 4096 { 1 } else { (words / 4096) | 1 };
    (0..words).step_by(stride as usize)
}
