//! How findings are printed, by every command that has some.

use std::fmt::Write;

use super::Status;
use crate::finding::{Finding, Severity, worst};

/// Findings as text, the worst first: how much each matters, what was noticed, what it means and what to do. Those about
/// the files come before the others, since what they say of the reading holds only for the right files.
pub(crate) fn text(findings: &[Finding]) -> String {
    let mut sorted: Vec<&Finding> = findings.iter().collect();
    let of_file = |f: &Finding| f.severity > Severity::Note && f.code.starts_with("file.");
    sorted.sort_by_key(|f| (!of_file(f), std::cmp::Reverse(f.severity)));
    let mut out = String::new();
    for finding in sorted {
        let line = finding
            .place
            .line
            .map(|n| format!("line {n}: "))
            .unwrap_or_default();
        let word = finding.severity.word();
        let _ = writeln!(out, "{word:<8} {line}{} [{}]", finding.says, finding.code);
        for figure in &finding.evidence {
            let _ = writeln!(out, "{:8} - {figure}", "");
        }
        if let Some(means) = &finding.means {
            let _ = writeln!(out, "{:8} means: {means}", "");
        }
        if !finding.otherwise.is_empty() {
            let _ = writeln!(out, "{:8} or else: {}", "", finding.otherwise.join("; "));
        }
        if let Some(act) = &finding.act {
            let _ = writeln!(out, "{:8} do: {act}", "");
        }
    }
    out
}

/// Prints findings to standard output.
pub(crate) fn print(findings: &[Finding]) {
    super::output::print_text(&text(findings));
}

/// Prints findings to standard error, so that a listing on standard output stays a listing.
pub(crate) fn to_stderr(findings: &[Finding]) {
    for line in text(findings).lines() {
        super::output::error_line(format_args!("{line}"));
    }
}

/// "2 damages, 1 caution", or nothing where there are none above a note.
pub(crate) fn tally(findings: &[Finding]) -> Option<String> {
    worst(findings)?;
    let count = |s: Severity| findings.iter().filter(|f| f.severity == s).count();
    let part = |n: usize, one: &str, many: &str| {
        (n > 0).then(|| format!("{n} {}", if n == 1 { one } else { many }))
    };
    let parts = [
        part(count(Severity::Damage), "damage", "damages"),
        part(count(Severity::Caution), "caution", "cautions"),
    ];
    Some(parts.into_iter().flatten().collect::<Vec<_>>().join(", "))
}

/// The status that findings lead to: only those above a note count.
pub(crate) fn status(findings: &[Finding]) -> Status {
    if worst(findings).is_some() {
        Status::Findings
    } else {
        Status::Clean
    }
}
