//! What a solved plan comes to, as a document: fields with their evidence, findings, what stays open.

mod findings;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::checks::{FoundCheck, says};
use super::groups;
use super::plan::Cost;
use super::solution::{FoundBit, Home, SHOWN, Solution};
use super::solve::MEASURED;
use super::write::check;
use crate::document::Document;
use crate::finding::Finding;

/// One code bit, as found.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct BitReport {
    /// Bit of the code, 0 the least significant.
    pub bit: usize,
    /// Where it is for the first preset: "U1 cell 0x02f D3", with "inverted" where it is.
    pub homes: Vec<String>,
    /// The chance that this is right, 0 to 1.
    pub sure: f64,
    /// Where it could be, when it has no home.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub could_be: Vec<String>,
}

/// One control, or one voice's part of it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct FieldReport {
    /// The control's key, with its voice or character.
    pub name: String,
    /// How positions become codes.
    pub code: String,
    /// Bits, the least significant first.
    pub bits: Vec<BitReport>,
    /// How many bits, from the top down, are shown by what was held; the rest is open.
    #[serde(default)]
    pub shown: usize,
    /// The chance that these are right, 0 to 1.
    #[serde(default)]
    pub sure_of_shown: f64,
    /// The chance that all of it is right, 0 to 1; 0 where a bit is open.
    pub sure: f64,
    /// Nothing but a further experiment would do better.
    pub certain: bool,
}

impl FieldReport {
    /// How many bits there are, and how many of them are shown: "8 bits", "the upper 5 of 8 bits".
    pub fn bits_shown(&self) -> String {
        let all = self.bits.len();
        match (self.shown, all) {
            (1, 1) => "1 bit".to_owned(),
            (shown, all) if shown < all && self.sure < SHOWN => {
                format!("the upper {shown} of {all} bits")
            }
            _ => format!("{all} bits"),
        }
    }
}

/// A check that makes every entry hold.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CheckReport {
    /// What it is: "sum of slots 0..28".
    pub says: String,
    /// Where an entry keeps it, the most significant bits first: "29.7..0" is slot 29, lines 7 to 0.
    pub stored: String,
    /// Different entries it holds in.
    pub entries: usize,
    /// Bits by which that is better than chance, after all that was tried.
    pub evidence: f64,
    /// Entries in which it does not hold.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub failing: Vec<String>,
    /// What fits the same readings as well.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub could_be: Vec<String>,
    /// Nothing else fits, and every entry holds.
    pub certain: bool,
}

/// A solved plan.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Report {
    /// The instrument.
    pub instrument: String,
    /// How presets are spread over the cells, a sentence for each structure.
    pub structure: Vec<String>,
    /// How voices lie where what each has of its own lies alike in all, a sentence for each group of chips.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub voices: Vec<String>,
    /// What was found of each control.
    pub fields: Vec<FieldReport>,
    /// Lanes of which nothing was found, or nothing that is likelier than chance.
    pub not_found: Vec<String>,
    /// Sums, CRCs and parities that make every entry hold.
    pub checks: Vec<CheckReport>,
    /// Other bits that follow from bits of controls, a sentence each.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub dependent: Vec<String>,
    /// Share of saves in which a dial's code was one off, 0 to 1; absent where too few dials are known for that.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub jitter: Option<f64>,
    /// Bits of an entry that held one value in every save: never seen to move, which does not mean unused.
    pub never_seen: usize,
    /// Bits of an entry that move and belong to no control of the panel and to no check.
    pub unexplained: usize,
    /// What the plan cost.
    pub cost: Cost,
    /// What was noticed.
    pub findings: Vec<Finding>,
}

impl Document for Report {
    const KIND: &'static str = "trace-solution";
    const VERSION: u32 = 1;
}

impl Solution<'_> {
    /// A home in the first preset, in words.
    pub(crate) fn home(&self, home: &Home) -> String {
        home.places.first().map_or_else(String::new, |p| {
            let chip = self
                .solved
                .experiment
                .chips
                .get(usize::from(p.chip))
                .map_or("?", |c| &c.id);
            let not = if p.inverted { " inverted" } else { "" };
            format!("{chip} cell {:#05x} D{}{not}", p.cell, p.line)
        })
    }

    fn bit_report(&self, bit: usize, b: &FoundBit) -> BitReport {
        BitReport {
            bit,
            homes: b.homes.iter().map(|h| self.home(h)).collect(),
            sure: b.sure,
            could_be: b.could_be.iter().map(|h| self.home(h)).collect(),
        }
    }

    /// The document.
    pub fn report(&self) -> Report {
        let experiment = &self.solved.experiment;
        let panel = experiment.panel();
        let name = |lane: usize| panel.lane_name(experiment.lanes[lane]);
        let fields: Vec<FieldReport> = self
            .solved
            .found
            .iter()
            .flatten()
            .zip(&self.fields)
            .map(|(f, field)| FieldReport {
                name: name(f.lane),
                code: field.code.to_owned(),
                bits: field
                    .bits
                    .iter()
                    .enumerate()
                    .map(|(i, b)| self.bit_report(i, b))
                    .collect(),
                shown: field.told().0,
                sure_of_shown: field.told().1,
                sure: field.chance(),
                certain: field.certain(),
            })
            .collect();
        let findings = self.findings(&fields);
        let (fields, by_chance): (Vec<_>, Vec<_>) = fields.into_iter().partition(|f| f.shown > 0);
        let lanes = 0..experiment.lanes.len();
        let nothing = lanes.filter(|&l| self.solved.found[l].is_none()).map(name);
        let not_found = nothing
            .chain(by_chance.into_iter().map(|f| f.name))
            .collect();
        let mut used = vec![false; self.solved.columns.len()];
        for m in self
            .solved
            .found
            .iter()
            .flatten()
            .flat_map(|f| &f.bits)
            .flat_map(|b| &b.homes)
        {
            used[m.column] = true;
        }
        self.mark_checks(&mut used);
        let still = |c: &&super::columns::Column| !c.moves();
        let (all, one) = self.solved.stepped;
        Report {
            instrument: panel.name.clone(),
            structure: self.structure(),
            voices: self.voices(),
            not_found,
            checks: self.checks.iter().map(|c| self.check_report(c)).collect(),
            dependent: self
                .dependent
                .iter()
                .map(|d| format!("bit {}.{} is {}", d.bit.0, d.bit.1, check::follows(d)))
                .collect(),
            jitter: (all >= MEASURED).then(|| one / all),
            never_seen: self.solved.columns.iter().filter(still).count(),
            unexplained: self
                .solved
                .columns
                .iter()
                .zip(&used)
                .filter(|(c, used)| !**used && c.moves())
                .count(),
            cost: experiment.plan.cost(),
            findings,
            fields,
        }
    }

    fn check_report(&self, c: &FoundCheck) -> CheckReport {
        CheckReport {
            says: c.says(),
            stored: check::place(c),
            entries: c.entries,
            evidence: c.evidence,
            failing: check::failing(self, c),
            could_be: c.also.iter().map(|(k, over)| says(k, over)).collect(),
            certain: c.certain(),
        }
    }

    /// Marks the columns that hold a check or follow from others.
    fn mark_checks(&self, used: &mut [bool]) {
        let checks = self.checks.iter().map(|c| (c.group, &c.stored[..]));
        let others = self
            .dependent
            .iter()
            .map(|d| (d.group, std::slice::from_ref(&d.bit)));
        let owned: Vec<(usize, &[(u32, u32)])> = checks.chain(others).collect();
        for (column, used) in self.solved.columns.iter().zip(used) {
            let Some(s) = groups::spot(&self.groups, &self.solved.structures, column, false) else {
                continue;
            };
            *used |= owned
                .iter()
                .any(|(g, bits)| *g == s.group && bits.contains(&(s.unit, s.line)));
        }
    }
}
