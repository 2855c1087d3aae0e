//! Plain facts: failed checks, impossible codes, mirrored areas that differ. What a cause explains is counted with
//! that cause; what no cause explains is a finding of its own.

use std::collections::BTreeMap;

use super::content::Content;
use super::shape::{Kind, verified};
use crate::codec::{Memory, checks};
use crate::finding::{Finding, Place, Severity};

/// One broken promise and where it is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Broken {
    /// Area and entry; no entry for a whole area.
    pub at: (usize, Option<usize>),
    /// What kind: the finding's code.
    pub code: &'static str,
    /// The parameter, check or copy.
    pub key: String,
    /// What is seen, in a few words.
    pub says: String,
}

/// Most broken promises listed one by one in a finding.
const LISTED: usize = 8;

/// Every broken promise of some contents.
pub(super) fn broken(content: &Content, memory: &Memory) -> Vec<Broken> {
    let codes = content.codec.decode(memory);
    let mut out = Vec::new();
    for (a, area) in content.layout.areas.iter().enumerate() {
        let shape = &content.shape.areas[a];
        for (f, field) in shape.fields.iter().enumerate() {
            for e in 0..shape.entries {
                let (code, known) = codes.areas[a].get(e, f);
                match field.kind {
                    Kind::Value(p) if known == content.full(a, f) && !field.legal(code) => {
                        out.push(Broken {
                            at: (a, Some(e)),
                            code: "code.impossible",
                            key: area.parameters[p].key.clone(),
                            says: format!("code {code}"),
                        });
                    }
                    Kind::Constant(value) if (code ^ value) & known != 0 => out.push(Broken {
                        at: (a, Some(e)),
                        code: "constant.wrong",
                        key: format!("constant {f}"),
                        says: format!("{code:#x}, must be {value:#x}"),
                    }),
                    _ => {}
                }
            }
        }
        for (c, check) in content.verified(a) {
            for (i, instance) in check.instances.iter().enumerate() {
                if let checks::Verdict::Fails { stored, computed } =
                    content.checks[a][c].verdict(i, memory)
                {
                    out.push(Broken {
                        at: (a, instance.entry),
                        code: "check.mismatch",
                        key: check.key.clone(),
                        says: format!("stored {stored:#x}, computed {computed:#x}"),
                    });
                }
            }
        }
        for copy in area.copies.iter().filter(|c| verified(c.policy)) {
            let per = area.bits_per_entry.max(1);
            let mut differ: BTreeMap<usize, usize> = BTreeMap::new();
            for (i, (p, q)) in area.places.iter().zip(&copy.places).enumerate() {
                if let (Some(x), Some(y)) = (memory.bit(*p), memory.bit(*q))
                    && x != y
                {
                    *differ.entry(i / per).or_default() += 1;
                }
            }
            for (e, bits) in differ {
                out.push(Broken {
                    at: (a, Some(e)),
                    code: "copy.differs",
                    key: copy.name.clone(),
                    says: format!("{bits} bits differ"),
                });
            }
        }
    }
    out
}

/// The findings for broken promises that no cause explains, one a kind and key.
pub(super) fn findings(content: &Content, memory: &Memory, list: &[Broken]) -> Vec<Finding> {
    let mut groups: BTreeMap<(&str, usize, &str), Vec<&Broken>> = BTreeMap::new();
    for b in list {
        groups.entry((b.code, b.at.0, &b.key)).or_default().push(b);
    }
    groups
        .into_iter()
        .map(|((code, a, key), group)| {
            let area = &content.layout.areas[a];
            let n = group.len();
            let (says, act) = match code {
                "check.mismatch" => (
                    format!("{} check {key} fails {n} times", area.name),
                    "Compare with another read or an earlier reading; mend proposes a change only where one stands out.",
                ),
                "copy.differs" => (
                    format!("{} differs from its copy {key:?} in {n} entries", area.name),
                    "One of the two is the truth: mend proposes which.",
                ),
                "constant.wrong" => (
                    format!("{} {key} does not hold {n} times", area.name),
                    "Either the layout is wrong here or the entry is damaged.",
                ),
                _ => (
                    format!("{key} holds a code that cannot be set, {n} times"),
                    "Look at these presets first: no panel can produce such a value.",
                ),
            };
            let mut f = Finding::new(code, Severity::Caution, says).act(act).at(Place {
                entries: group
                    .iter()
                    .filter_map(|b| Some(area.entry_label(b.at.1?)))
                    .collect(),
                parameters: if code == "code.impossible" {
                    vec![key.to_owned()]
                } else {
                    Vec::new()
                },
                ..Place::default()
            });
            f.evidence = group
                .iter()
                .take(LISTED)
                .map(|b| match b.at.1 {
                    Some(e) => format!("{}: {}", area.entry_label(e), b.says),
                    None => b.says.clone(),
                })
                .collect();
            if code == "check.mismatch"
                && let [only] = group.as_slice()
            {
                f.evidence.push(smallest_change(content, memory, only));
            }
            f
        })
        .collect()
}

/// The smallest change that satisfies a failed check, in words.
fn smallest_change(content: &Content, memory: &Memory, b: &Broken) -> String {
    let area = &content.layout.areas[b.at.0];
    let found = area
        .checks
        .iter()
        .zip(&content.checks[b.at.0])
        .filter(|(c, _)| c.key == b.key)
        .find_map(|(check, plan)| {
            let at = check.instances.iter().position(|i| i.entry == b.at.1)?;
            let flips = plan.single_flips(at, &check.instances[at], memory);
            let names: Vec<String> = flips
                .iter()
                .take(3)
                .map(|p| {
                    let chip = &content.layout.chips[usize::from(p.chip)].id;
                    format!("{chip} cell {:#06x} D{}", p.cell, p.line)
                })
                .collect();
            Some((flips.len(), names.join(" or ")))
        });
    match found {
        Some((0, _)) | None => "no single bit satisfies it".to_owned(),
        Some((1, name)) => format!("one flipped bit satisfies it: {name}"),
        Some((n, names)) => format!("{n} single bits would satisfy it, among them {names}"),
    }
}
