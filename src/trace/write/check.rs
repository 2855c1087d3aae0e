//! Checks as the layout language writes them, with their evidence; what it cannot name stays reserved, with a note.

use std::fmt::Write as _;

use super::{Spot, pieces};
use crate::layout::model::Method;
use crate::trace::checks::{Dependent, FoundCheck, Kind, runs, says};
use crate::trace::solution::Solution;

/// Slots and lines, the most significant first, as pieces of `bits`.
fn bits(low_first: &[(u32, u32)]) -> String {
    let spots: Vec<Spot> = low_first
        .iter()
        .rev()
        .map(|&(unit, line)| Spot {
            group: 0,
            structure: 0,
            unit,
            line,
            turned: false,
        })
        .collect();
    pieces(&spots)
}

/// The checks of a group of chips, and the bits that follow from others.
pub(super) fn checks(t: &mut String, solution: &Solution, group: usize) {
    let mut named = 0;
    for check in solution.checks.iter().filter(|c| c.group == group) {
        let _ = write!(
            t,
            "\n# Holds in {} different entries, {:.0} bits of evidence",
            check.entries, check.evidence
        );
        if !check.failing.is_empty() {
            let _ = write!(t, "; not in {}", failing(solution, check).join(", "));
        }
        let _ = writeln!(t, ".");
        for (kind, over) in &check.also {
            let _ = writeln!(t, "# What was read fits as well: {}.", says(kind, over));
        }
        match &check.kind {
            Kind::Named(method) => {
                named += 1;
                let over = runs(&check.over);
                table(t, method, named, &over, check);
            }
            Kind::Halves(method) => {
                named += 1;
                let half = |u: &u32| [format!("{u}.3..0"), format!("{u}.7..4")];
                let over: Vec<String> = check.over.iter().flat_map(half).collect();
                table(t, method, named, &over, check);
            }
            Kind::CarryAround { .. } | Kind::Generator { .. } => {
                reserved(t, &bits(&check.stored), &check.says());
            }
        }
    }
    for d in solution.dependent.iter().filter(|d| d.group == group) {
        reserved(t, &bits(&[d.bit]), &follows(d));
    }
}

fn reserved(t: &mut String, bits: &str, note: &str) {
    let _ = writeln!(t, "\n[[area.reserved]]\nbits = [{bits}]\nnote = {note:?}");
}

/// Entries in which a check does not hold, by name.
pub(crate) fn failing(solution: &Solution, check: &FoundCheck) -> Vec<String> {
    let axis = &solution.solved.experiment.plan.panel.axis;
    let name = |(r, p): &(usize, usize)| format!("{axis} {} of reading {}", p + 1, r + 1);
    check.failing.iter().map(name).collect()
}

/// What a dependent bit follows from, in words.
pub(crate) fn follows(d: &Dependent) -> String {
    let of: Vec<String> = d.of.iter().map(|(u, l)| format!("{u}.{l}")).collect();
    format!(
        "always the {}exclusive-or of bits {}",
        if d.turned { "complement of the " } else { "" },
        of.join(", ")
    )
}

fn table(t: &mut String, method: &Method, number: usize, over: &[String], check: &FoundCheck) {
    let key = if number == 1 {
        "check".to_owned()
    } else {
        format!("check-{number}")
    };
    let _ = write!(t, "[[area.check]]\nkey = {key:?}\n");
    let _ = match method {
        Method::Sum { add: 0 } => writeln!(t, "method = \"sum\""),
        Method::Sum { add } => writeln!(t, "method = \"sum\"\nadd = {add:#x}"),
        Method::SumTwosComplement { add: 0 } => writeln!(t, "method = \"sum-twos-complement\""),
        Method::SumTwosComplement { add } => {
            writeln!(t, "method = \"sum-twos-complement\"\nadd = {add:#x}")
        }
        Method::SumOnesComplement => writeln!(t, "method = \"sum-ones-complement\""),
        Method::Xor { with: 0 } => writeln!(t, "method = \"xor\""),
        Method::Xor { with } => writeln!(t, "method = \"xor\"\nwith = {with:#x}"),
        Method::Crc { name } => writeln!(t, "method = \"crc\"\ncrc = {name:?}"),
        Method::Parity { odd } => writeln!(t, "method = \"parity\"\nodd = {odd}"),
        Method::ComplementCopy | Method::Fixed { .. } => Ok(()),
    };
    let quoted: Vec<String> = over.iter().map(|o| format!("{o:?}")).collect();
    // What is not certain is looked at, never written.
    let policy = if check.certain() { "update" } else { "verify" };
    let _ = writeln!(
        t,
        "over = [{}]\nbits = [{}]\npolicy = {policy:?}",
        quoted.join(", "),
        bits(&check.stored)
    );
}

/// Where a check is kept.
pub(crate) fn place(check: &FoundCheck) -> String {
    bits(&check.stored).replace('"', "")
}
