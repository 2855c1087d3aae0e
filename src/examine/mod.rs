//! Examining: what is damaged, what most likely caused it, and what to do at the bench.
//!
//! One idea throughout: whatever explains what is seen in the fewest bits is the likeliest. A sound bank is told
//! by a model of plausible contents (`content`), by an earlier reading with the owner's edits (`given`), or,
//! without a layout, by runs and habits (`bare`). A cause from the table in [`cause`] is taken up when telling
//! the cause and what it leaves over takes fewer bits than telling everything as sound. The difference is the
//! logarithm of the odds, so every finding can say how sure it is.

mod alike;
mod bare;
mod belonging;
pub mod cause;
mod changed;
mod content;
mod earlier;
mod edits;
mod entries;
mod facts;
mod field;
mod flips;
mod given;
mod many;
mod misses;
mod propose;
mod redundancy;
mod report;
mod saves;
mod search;
mod shape;
mod since;
mod spent;
mod unread;
mod verdict;
mod voices;
mod votes;
mod weigh;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::bank;
use crate::blame::{Blame, Who};
use crate::codec::CodecError;
use crate::document::Document;
use crate::finding::Finding;
use crate::image::ChipImage;
use crate::layout::model::Layout;
use crate::reading::{ChipDigest, Reading};

pub use belonging::{Belonging, shown_by_none, votes_belong};
pub(crate) use content::{Content, Told};
use earlier::Past;
pub(crate) use shape::Kind;
pub use verdict::{EntryVerdict, Picture, PictureRow, Verdict};
pub use votes::add_votes;

/// Why a reading could not be examined.
#[derive(Debug, thiserror::Error)]
pub enum ExamineError {
    /// The reading has no chips.
    #[error("the reading has no chips")]
    Empty,
    /// The earlier reading has other chips.
    #[error("the earlier reading does not match: {0}")]
    Earlier(String),
    /// The votes are of another reading.
    #[error("the reads do not match: {0}")]
    Votes(String),
    /// The reading does not fit the layout.
    #[error(transparent)]
    Layout(#[from] CodecError),
}

impl Blame for ExamineError {
    fn who(&self) -> Who {
        Who::Caller
    }

    fn hint(&self) -> Option<String> {
        match self {
            ExamineError::Empty => Some("give a folder or file with at least one chip".to_owned()),
            ExamineError::Earlier(_) => Some(
                "give an earlier reading of the same instrument with its files named alike, or name the chips: CHIP=FILE,CHIP=FILE".to_owned(),
            ),
            ExamineError::Votes(_) => Some(
                "give the reads that this reading was settled from with their files named alike, or the record that settling wrote"
                    .to_owned(),
            ),
            ExamineError::Layout(e) => e.hint(),
        }
    }
}

/// One way to explain what is seen.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Ranked {
    /// Codes of its causes; empty for a sound reading.
    pub causes: Vec<String>,
    /// Bits it takes to tell everything this way.
    pub bits: f64,
    /// Its share of the belief among the explanations listed, 0 to 1.
    pub sure: f64,
}

/// What examining found.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Examination {
    /// The layout's id, if one was given.
    pub layout: Option<String>,
    /// The chips examined, with their digests; none where this was written before they were recorded.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub chips: Vec<ChipDigest>,
    /// Whether an earlier reading was compared with; not where one was given and is too damaged itself.
    pub earlier: bool,
    /// Names of the reads that the reading was settled from, where they were given.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub reads: Vec<String>,
    /// Findings, the likeliest cause first.
    pub findings: Vec<Finding>,
    /// The best explanations, best first.
    pub explanations: Vec<Ranked>,
    /// The verdict on each entry, where there is a layout.
    pub entries: Vec<EntryVerdict>,
    /// Each chip drawn.
    pub pictures: Vec<Picture>,
}

impl Document for Examination {
    const KIND: &'static str = "examination";
    const VERSION: u32 = 1;
}

/// What the chips hold by one explanation.
#[derive(Clone, Debug)]
pub struct Contents {
    /// What the chips hold once the causes are undone: lost bits unknown. Differs from what was read only where a
    /// cause put contents in another order, or lost them.
    pub undone: Vec<ChipImage>,
    /// The same with lost bits as they were read: contents put in order, nothing else.
    pub shown: Vec<ChipImage>,
    /// Bits of [`Contents::undone`] that are probably flipped, as `(chip, cell, line)`.
    pub flips: Vec<(usize, u32, u8)>,
    /// Share of all bits that flipped.
    pub flip_rate: f64,
}

/// Another explanation that may be the true one.
#[derive(Clone, Debug)]
pub struct Rival {
    /// Codes of its causes; empty for a sound reading.
    pub causes: Vec<String>,
    /// The chance that it is the true one, 0 to 1.
    pub sure: f64,
    /// What the chips hold by it.
    pub contents: Contents,
}

/// An examination with what mending needs of it.
#[derive(Clone, Debug)]
pub struct Examined {
    /// The findings and verdicts.
    pub examination: Examination,
    /// What the chips hold by the best explanation.
    pub contents: Contents,
    /// The other explanations that are worth a thought, best first: each at least one in ten thousand.
    pub rivals: Vec<Rival>,
    /// Codes of the causes that only put contents in another order.
    pub reordered: Vec<String>,
    /// What was compared with: the earlier reading without what it lost itself; nothing where it was left aside.
    pub earlier: Option<Vec<ChipImage>>,
}

/// Examines a reading, with its layout and an earlier reading where there are.
///
/// With a layout, the reading is taken as aligned to it: chips in its order, with its geometry. The earlier reading is
/// examined too, by itself: its own damage is told, and does not hide the same damage in the reading.
///
/// # Errors
/// When the reading is empty or does not fit the layout, or the earlier reading has other chips.
pub fn examine(
    reading: &Reading,
    layout: Option<&Layout>,
    earlier: Option<&Reading>,
) -> Result<Examined, ExamineError> {
    if reading.chips.is_empty() {
        return Err(ExamineError::Empty);
    }
    let mut examined = judged(reading, layout, earlier)?;
    if let Some(layout) = layout {
        let made = bank::made_to_fit(layout, reading);
        examined.examination.findings.extend(made);
    }
    examined.examination.chips = reading.digests();
    Ok(examined)
}

fn judged(
    reading: &Reading,
    layout: Option<&Layout>,
    earlier: Option<&Reading>,
) -> Result<Examined, ExamineError> {
    let seen: Vec<ChipImage> = reading.chips.iter().map(|c| c.image.clone()).collect();
    let before = earlier.map(|e| matched(reading, e)).transpose()?;
    let content = layout.map(Content::new);
    let ids: Vec<String> = reading.chips.iter().map(|c| c.id.clone()).collect();
    let content = content.as_ref();
    let Some(before) = before else {
        return report::examine(&seen, &ids, content, None);
    };
    // An earlier reading is mostly sound: the comparison with it need not wait until that is known.
    let (past, compared) = rayon::join(
        || report::examine(&before, &ids, content, None),
        || report::examine(&seen, &ids, content, Some(&before)),
    );
    let past = Past::new(&before, past?);
    if past.is_sound() {
        let mut examined = compared?;
        examined.earlier = Some(before);
        return Ok(examined);
    }
    let alone = report::examine(&seen, &ids, content, None)?;
    if let Some(alone) = past.by_itself(alone) {
        return Ok(alone);
    }
    let left = past.left();
    let mut examined = report::examine(&seen, &ids, content, Some(&left))?;
    examined.earlier = Some(left);
    examined.examination.findings.extend(past.compared());
    Ok(examined)
}

/// The earlier reading's images in the order of the reading.
fn matched(reading: &Reading, earlier: &Reading) -> Result<Vec<ChipImage>, ExamineError> {
    reading
        .chips
        .iter()
        .map(|chip| {
            let other = earlier
                .chip(&chip.id)
                .ok_or_else(|| ExamineError::Earlier(format!("it has no chip {}", chip.id)))?;
            let (a, b) = (&chip.image, &other.image);
            if a.words() != b.words() || a.width() != b.width() {
                return Err(ExamineError::Earlier(format!(
                    "its chip {} is {} x {}, here it is {} x {}",
                    chip.id,
                    b.words(),
                    b.width(),
                    a.words(),
                    a.width()
                )));
            }
            Ok(b.clone())
        })
        .collect()
}
