//! Which known layouts fit a reading.
//!
//! A layout that fits makes the contents *less surprising*: its checks hold, its constants are there, its values
//! repeat as panel settings do. How much less is counted in bits: the length of the contents when every
//! parameter's codes are written with a code that learns them, against their plain length. A layout that does
//! not fit scrambles the values, and saves nothing.

use std::collections::HashMap;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::bank::Decoded;
use crate::codec::checks::Verdict;
use crate::document::Document;
use crate::finding::{Finding, Severity};
use crate::layout::model::{FieldOwner, Policy};

/// How well one layout fits.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Fit {
    /// The layout's id.
    pub layout: String,
    /// The layout's name.
    pub name: String,
    /// Bits of the contents that the layout explains, net: saved by checks, constants and repetition, less what
    /// contradictions cost.
    pub bits_saved: f64,
    /// That, as a share of all bits the layout gives a meaning, 0 to 1 where anything is explained.
    pub share: f64,
    /// Why, one fact a line.
    pub reasons: Vec<String>,
    /// False where the files do not even have the layout's shape.
    pub shape_fits: bool,
}

impl Fit {
    /// Whether the layout is said to fit: the shape is right, and a good part of the contents explained.
    pub fn fits(&self) -> bool {
        self.shape_fits && self.share >= FITS
    }
}

/// The fits of every layout tried, best first.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Identification {
    /// The fits, best first.
    pub fits: Vec<Fit>,
}

impl Document for Identification {
    const KIND: &'static str = "identification";
    const VERSION: u32 = 1;
}

/// Share of explained bits from which a fit is said to be one.
pub const FITS: f64 = 0.10;

/// What a check that fails costs, in bits: about the surprise of one damaged entry among twenty.
const FAILURE: f64 = 4.3;

/// Scores a reading that was loaded by the layout it is tried with.
pub fn score(decoded: &Decoded<'_>) -> Fit {
    let layout = decoded.layout;
    let mut reasons = Vec::new();
    let misfits: Vec<&Finding> = decoded
        .reading
        .findings
        .iter()
        .filter(|f| f.severity > Severity::Note)
        .collect();
    reasons.extend(misfits.iter().map(|f| f.says.clone()));

    let (mut held, mut failed, mut saved) = (0u64, 0u64, 0.0);
    for result in &decoded.checks {
        let width = layout.areas[result.area].checks[result.check].width;
        match result.verdict {
            Verdict::Holds => {
                held += 1;
                saved += f64::from(width);
            }
            Verdict::Fails { .. } => {
                failed += 1;
                saved -= FAILURE;
            }
            Verdict::Undecided => {}
        }
    }
    if held + failed > 0 {
        reasons.push(format!("{held} of {} checks hold", held + failed));
    }
    let mut meaning = 0.0;
    let mut repetition = 0.0;
    for (a, area) in layout.areas.iter().enumerate() {
        for (f, field) in area.fields.iter().enumerate() {
            if matches!(field.owner, FieldOwner::Check(_)) {
                meaning += f64::from(field.width) * area.entries() as f64;
                continue;
            }
            let codes = (0..area.entries()).map(|e| decoded.codes.areas[a].code(e, f));
            let (plain, learnt) = lengths(codes, field.width);
            meaning += plain;
            if matches!(field.owner, FieldOwner::Reserved) {
                continue;
            }
            repetition += plain - learnt;
        }
    }
    saved += repetition;
    for area in &layout.areas {
        for copy in area.copies.iter().filter(|c| c.policy != Policy::Keep) {
            let pairs = area.places.iter().zip(&copy.places);
            let (mut same, mut other) = (0u64, 0u64);
            for (bit, twin) in pairs {
                match (decoded.memory.bit(*bit), decoded.memory.bit(*twin)) {
                    (Some(x), Some(y)) if x == y => same += 1,
                    (Some(_), Some(_)) => other += 1,
                    _ => {}
                }
            }
            let bits = (same + other) as f64;
            meaning += bits;
            saved += bits - agreement_length(same, other);
            reasons.push(format!(
                "{}: {same} of {bits} bits agree with {}",
                copy.name, area.name
            ));
        }
    }
    reasons.push(format!(
        "repetition among settings saves {repetition:.0} of {meaning:.0} bits"
    ));
    // A file that was changed since it was stored may still have the shape.
    let shape_fits = misfits.iter().all(|f| f.code == "reading.digest");
    Fit {
        layout: layout.id.clone(),
        name: layout.name.clone(),
        bits_saved: saved,
        share: if meaning > 0.0 { saved / meaning } else { 0.0 },
        reasons,
        shape_fits,
    }
}

/// The length in bits of saying of each bit of a copy whether it agrees, for a code that learns how many do: about
/// `n` times the entropy, and half a logarithm for learning the share.
fn agreement_length(same: u64, other: u64) -> f64 {
    let (x, y) = (same as f64, other as f64);
    let n = x + y;
    let part = |k: f64| if k > 0.0 { -k * (k / n).log2() } else { 0.0 };
    part(x) + part(y) + 0.5 * (n + 1.0).log2()
}

/// The plain length of codes in bits, and their length under a code that learns which occur.
///
/// Each code costs what a learner gave it before it was seen: a code seen `c` times in `n` has probability
/// `(c - 1/2) / n`, the rest is spread over codes not seen yet (the escape of prediction by partial matching,
/// method D). The code seen last is tried first, with an even chance, since neighbouring entries are often alike.
fn lengths(codes: impl Iterator<Item = Option<u64>>, width: u8) -> (f64, f64) {
    let mut seen: HashMap<u64, u64> = HashMap::new();
    let mut last = None;
    let (mut n, mut plain, mut learnt) = (0u64, 0.0, 0.0);
    let (mut alike, mut unlike) = (1.0, 1.0);
    for code in codes.flatten() {
        plain += f64::from(width);
        if let Some(before) = last {
            let total: f64 = alike + unlike;
            if before == code {
                learnt -= (alike / total).log2();
                alike += 1.0;
            } else {
                learnt -= (unlike / total).log2();
                unlike += 1.0;
            }
        }
        if last != Some(code) {
            learnt += cost(&seen, n, code, width);
        }
        *seen.entry(code).or_insert(0) += 1;
        n += 1;
        last = Some(code);
    }
    (plain, learnt)
}

fn cost(seen: &HashMap<u64, u64>, n: u64, code: u64, width: u8) -> f64 {
    if n == 0 {
        return f64::from(width);
    }
    match seen.get(&code) {
        Some(&count) => -((count as f64 - 0.5) / n as f64).log2(),
        None => {
            let unseen = (2f64.powi(i32::from(width)) - seen.len() as f64).max(1.0);
            -(seen.len() as f64 * 0.5 / n as f64).log2() + unseen.log2()
        }
    }
}

/// Sorts fits, the best first: those that fit before those of the right shape only, these before the others, and alike
/// ones by the bits they save.
pub fn rank(mut fits: Vec<Fit>) -> Identification {
    let class = |f: &Fit| (f.fits(), f.shape_fits);
    fits.sort_by(|x, y| {
        class(y)
            .cmp(&class(x))
            .then(y.bits_saved.total_cmp(&x.bits_saved))
    });
    Identification { fits }
}
