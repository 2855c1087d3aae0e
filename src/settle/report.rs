//! What settling found, as it is recorded.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::document::Document;
use crate::evidence::marked;
use crate::finding::Finding;
use crate::reading::ChipDigest;

/// Agreement of one place, counted in bits.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Agreement {
    /// The place: a chip, a line, an area.
    pub place: String,
    /// Bits there that at least two reads know.
    pub bits: u64,
    /// Of those, bits on which all reads agree.
    pub agreed: u64,
}

/// A bit on which the reads differ.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Dissent {
    /// The chip's id.
    pub chip: String,
    /// Cell address.
    pub cell: u32,
    /// Data line.
    pub line: u8,
    /// Reads that saw 0.
    pub zeros: u32,
    /// Reads that saw 1.
    pub ones: u32,
    /// What it was settled to; absent where it stays unknown.
    pub settled: Option<u8>,
    /// Chance that the majority is wrong.
    pub doubt: f64,
}

/// What is expected after some further reads; averages are over all that the noise may be.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Forecast {
    /// How many further reads.
    pub reads: u32,
    /// Bits settled wrongly then.
    pub wrong: f64,
    /// Bits left open then.
    pub open: f64,
    /// Chance that less than one bit is wrong or open then, by the model's own prior, to which chips without a shaky cell are usual;
    /// 0 where this was written before it was worked out.
    #[serde(default)]
    pub enough: f64,
    /// Bits wrong or open then where it is one or more, on average; 0 where that cannot be.
    #[serde(default)]
    pub otherwise: f64,
}

/// How many further reads come near to the best chance, within ten, of leaving less than one bit wrong or open. The chance is by the
/// model's own prior; of chips that all have some shaky cells a third of it came true in simulation.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Likely {
    /// How many further reads.
    pub reads: u32,
    /// The chance that they do, 0.1 to 1.
    pub chance: f64,
}

/// One read and what became of it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ReadReport {
    /// Its name as given.
    pub name: String,
    /// Why it was left out of the vote, if it was.
    pub set_aside: Option<String>,
    /// Its chips with their digests; none where this was written before they were recorded.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub chips: Vec<ChipDigest>,
}

/// What settling found.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Settlement {
    /// The reads given.
    pub reads: Vec<ReadReport>,
    /// The chips of the settled reading with their digests; none where this was written before they were recorded.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub chips: Vec<ChipDigest>,
    /// Agreement per chip, data line, address line and area.
    pub agreement: Vec<Agreement>,
    /// Every dissenting bit.
    pub dissents: Vec<Dissent>,
    /// What the dissent shares, and what else was noticed.
    pub findings: Vec<Finding>,
    /// Bits settled against a dissenting vote.
    pub settled: u64,
    /// Bits left unknown.
    pub unsettled: u64,
    /// Of the bits left unknown, those on which all reads agree: a fault that was located may have hit them in each.
    #[serde(default)]
    pub agreed_unknown: u64,
    /// Bits that only one read knows, so that nothing bears them out.
    #[serde(default)]
    pub once: u64,
    /// Settled bits expected to be wrong still, by the model of [`super::vote`].
    pub expected_wrong: f64,
    /// Whether these look like reads of the same chips; where not, what further reads would do is not foretold.
    #[serde(default = "yes")]
    pub comparable: bool,
    /// Whether a pin, a chip or a supply must be mended first: the further reads are then fresh ones, to be settled
    /// without these.
    #[serde(default)]
    pub afresh: bool,
    /// Whether something happened during one of the reads: the further reads are then beside the others, without it.
    #[serde(default)]
    pub without_a_read: bool,
    /// Whether a fault was voted over: what further reads would do is then not foretold.
    #[serde(default)]
    pub voted_over: bool,
    /// What would be left wrong or open after some further reads, by what is known now.
    #[serde(default)]
    pub forecast: Vec<Forecast>,
    /// Further reads that would bring the expected number of wrong bits under one; absent where 40 would not, or
    /// where the reads are not comparable.
    pub further_reads: Option<u32>,
    /// The same for wrong and open bits together.
    pub further_reads_to_settle: Option<u32>,
    /// How many further reads may do, and the chance of it; absent where there hardly is one, or where it is not foretold.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub likely: Option<Likely>,
}

/// Settlements written before the field existed foretold as for comparable reads.
fn yes() -> bool {
    true
}

impl Agreement {
    /// Whether dissent is markedly more frequent here than in a place that holds this one.
    pub fn stands_out(&self, of: &Agreement) -> bool {
        let (here, all) = (self.bits - self.agreed, of.bits - of.agreed);
        let rest = of.bits.saturating_sub(self.bits);
        let saved =
            marked(of.bits, all) - marked(self.bits, here) - marked(rest, all.saturating_sub(here));
        here as f64 * of.bits as f64 > all as f64 * self.bits as f64 && saved > 0.0
    }
}

impl Document for Settlement {
    const KIND: &'static str = "settlement";
    const VERSION: u32 = 1;
}
