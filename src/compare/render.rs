//! A comparison as text, and two banks as a unified diff of their listings.

use std::fmt::Write;

use super::{Comparison, Move, MoveKind, ParameterChange, Step};
use crate::bank::Bank;

/// The comparison as lines of text; `bits` adds the physical bits of every changed parameter.
pub fn listing(comparison: &Comparison, bits: bool) -> String {
    let mut out = String::new();
    for m in &comparison.moves {
        let _ = writeln!(out, "{}", sentence(m));
    }
    for area in &comparison.areas {
        for entry in area.entries.iter().filter(|e| !e.explained) {
            let _ = writeln!(out, "{}: {}", area.name, entry.label);
            for change in &entry.parameters {
                parameter(&mut out, change, bits);
            }
        }
    }
    for chip in &comparison.chips {
        let lines: Vec<String> = chip
            .by_line
            .iter()
            .enumerate()
            .filter(|(_, n)| **n > 0)
            .map(|(line, n)| format!("D{line} {n}"))
            .collect();
        let changed: u64 = chip.by_line.iter().sum();
        let _ = write!(
            out,
            "chip {}: {changed} of {} bits {} in {} {}",
            chip.chip,
            chip.compared_bits,
            if changed == 1 { "differs" } else { "differ" },
            chip.cells,
            if chip.cells == 1 { "cell" } else { "cells" }
        );
        if !lines.is_empty() {
            let _ = write!(out, " ({})", lines.join(", "));
        }
        if chip.incomparable_bits > 0 {
            let _ = write!(
                out,
                "; {} {} known in one reading only",
                chip.incomparable_bits,
                if chip.incomparable_bits == 1 {
                    "bit"
                } else {
                    "bits"
                }
            );
        }
        out.push('\n');
    }
    out
}

/// What happened to an entry, as a sentence.
pub fn sentence(m: &Move) -> String {
    let from = m.from.as_deref().unwrap_or("");
    match m.kind {
        MoveKind::Moved => format!("{} holds what {from} held (moved)", m.to),
        MoveKind::Swapped => format!("{} and {from} have changed places", m.to),
        MoveKind::Copied => format!("{} is a copy of {from}", m.to),
        MoveKind::Blanked => format!("{} was emptied", m.to),
    }
}

fn parameter(out: &mut String, change: &ParameterChange, bits: bool) {
    let how = match (change.step, change.by) {
        (Step::Small, Some(by)) => format!("small step, {by:+}"),
        (Step::Jump, Some(by)) => format!("{by:+}"),
        (Step::Incomparable, _) => "unknown in one reading".to_owned(),
        _ => String::new(),
    };
    let origin = change.origin.as_ref();
    let origin = origin.map_or(String::new(), |o| format!("  ({o})"));
    let line = format!(
        "  {:<28} {:>12} -> {:<12} {} -> {}  {how}{origin}",
        change.key,
        change.before.setting,
        change.after.setting,
        change.code_of(&change.before),
        change.code_of(&change.after),
    );
    let _ = writeln!(out, "{}", line.trim_end());
    if bits {
        for bit in &change.bits {
            let _ = writeln!(
                out,
                "      {}:{:#x}:D{}  {} -> {}",
                bit.chip,
                bit.cell,
                bit.line,
                digit(bit.before),
                digit(bit.after)
            );
        }
    }
}

fn digit(bit: Option<bool>) -> char {
    match bit {
        Some(true) => '1',
        Some(false) => '0',
        None => '?',
    }
}

/// A unified diff of two banks' listings, with three lines of context.
pub fn unified(before: &Bank, after: &Bank, names: (&str, &str)) -> String {
    let (old, new) = (crate::bank::listing(before), crate::bank::listing(after));
    similar::TextDiff::from_lines(old.as_str(), new.as_str())
        .unified_diff()
        .context_radius(3)
        .header(names.0, names.1)
        .to_string()
}
