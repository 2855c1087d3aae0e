//! The service report: what came in, what was measured, saved, mended and put back, to sign.

use maud::{Markup, html};

use super::draw::Faces;
use super::patch::grid;
use super::view::{Group, Mark, Subject};
use super::{Paper, Sheet, draw, page};
use crate::caution::{Caution, DEFER};
use crate::compare::verify::Verification;
use crate::finding::{Finding, Severity};
use crate::mend::Loss;
use crate::service::ServiceRecord;

/// Columns of hand-set controls.
const COLUMNS: usize = 10;
/// Most values that do not read as written, or were mended, listed one by one.
const MOST_LISTED: usize = 60;

/// One reading of the job.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct ReadingLine {
    /// What it is: "a reading as the instrument came in".
    pub what: String,
    /// Its files with their digests, lower-case hex.
    pub files: Vec<(String, String)>,
}

/// One value that was changed on purpose.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Changed {
    /// Where: "preset 12, voice 3".
    pub entry: String,
    /// What the panel says.
    pub label: String,
    /// What it reads now.
    pub setting: String,
    /// "mended", "entered by hand", "edited", "settled".
    pub origin: String,
}

/// Everything the report tells.
#[derive(Clone, Debug, Default)]
pub struct Report {
    /// Instrument and the facts of the job, for the head.
    pub subject: Subject,
    /// What the customer complained of.
    pub complaint: Option<String>,
    /// What was noted for the customer, in order.
    pub notes: Vec<String>,
    /// What was found, measured, fitted and done.
    pub record: Option<ServiceRecord>,
    /// The readings, in the order of the job.
    pub readings: Vec<ReadingLine>,
    /// Whether what examining them found is in the job.
    pub examined: bool,
    /// What was noticed in them.
    pub findings: Vec<Finding>,
    /// What could not be mended, or was not.
    pub losses: Vec<Loss>,
    /// What was written into the chips against what was read back.
    pub verified: Option<Verification>,
    /// Names of the two readings compared.
    pub verified_names: (String, String),
    /// Names of what was written after the last reading back.
    pub not_read_back: Vec<String>,
    /// Values that are not what the chips held when they came in.
    pub changed: Vec<Changed>,
    /// Controls that memory does not hold, where they stood.
    pub hand_set: Vec<Group>,
    /// Cautions that go with the instrument.
    pub cautions: Vec<Caution>,
}

/// The report as a sheet.
pub fn report(report: &Report, paper: Paper) -> Sheet {
    let faces = Faces::default();
    let hand_set = hand_set(&report.hand_set, &faces);
    let body = html! {
        (faces.definitions())
        (page::masthead("Service report", &report.subject))
        main {
            (told(report))
            (restored(report))
            (supply(report.record.as_ref()))
            (findings(&report.findings, report.examined))
            (lost(&report.losses))
            (changed(&report.changed))
            (hand_set)
            (readings(&report.readings))
            (cautions(&report.cautions))
            (signatures())
        }
    };
    Sheet {
        html: page::document(
            paper,
            "Service report",
            &report.subject,
            "patch service ab1",
            &body,
        ),
        pages: None,
        per_page: None,
    }
}

fn told(report: &Report) -> Markup {
    let list = |title: &str, lines: &[String]| {
        html! {
            @if !lines.is_empty() {
                h2.sub { (title) }
                ul.plain { @for line in lines { li { (line) } } }
            }
        }
    };
    let work = report.record.as_ref().map_or(&[][..], |r| &r.work);
    html! {
        @if let Some(complaint) = &report.complaint { section { h2.sub { "Complaint" } p { (complaint) } } }
        @if !work.is_empty() || !report.notes.is_empty() {
            section { (list("Work done", work)) (list("Notes", &report.notes)) }
        }
    }
}

/// What was put back and what was not.
fn restored(report: &Report) -> Markup {
    let exceptions = report.record.as_ref().map_or(&[][..], |r| &r.exceptions);
    let (written, read) = &report.verified_names;
    html! {
        section {
            h2.sub { "Presets" }
            @match &report.verified {
                Some(v) if v.compared_bits == 0 => {
                    p { "What was read back has nothing to be compared with, so nothing is proved to be back." }
                    p.note { "Compared: " (written) " with " (read) "." }
                }
                Some(v) if v.wrong_bits == 0 => {
                    p.lead { "Put back and proved: every one of " (v.compared_bits) " bits reads as written." }
                    p.note { "Compared: " (written) " with " (read) "." }
                }
                Some(v) => {
                    p.lead { (v.wrong_bits) " of " (v.compared_bits) " bits do not read as written; "
                        (v.parameters.len()) @if v.parameters.len() == 1 { " setting is" } @else { " settings are" } " concerned." }
                    p.note { "Compared: " (written) " with " (read) "." }
                    (mismatches(v))
                }
                None => { p { "Nothing was read back after writing, so nothing is proved to be back." } }
            }
            @if let Some(v) = &report.verified {
                @if v.unasked_bits > 0 {
                    p.note { (v.unasked_bits) " bits were not known when they were written and are not among those proved." }
                }
            }
            @if !report.not_read_back.is_empty() {
                p.note { "Written later and not read back yet: " (report.not_read_back.join(", ")) "." }
            }
            @if !exceptions.is_empty() {
                p.label { "Not restored, or not as it was" }
                ul.plain { @for line in exceptions { li { (line) } } }
            }
        }
    }
}

fn mismatches(v: &Verification) -> Markup {
    html! {
        div.wide data-scroll tabindex="0" role="group" aria-label="Settings that do not read as written" {
            table {
                thead { tr { th scope="col" { "Where" } th scope="col" { "Setting" } th scope="col" { "Written" } th scope="col" { "Read back" } } }
                tbody {
                    @for p in v.parameters.iter().take(MOST_LISTED) {
                        tr { th scope="row" { (p.entry) } td { (p.key) } td { (p.written) } td { (p.read) } }
                    }
                }
            }
        }
        (more(v.parameters.len()))
    }
}

fn more(count: usize) -> Markup {
    html! { @if count > MOST_LISTED { p.note { "And " (count - MOST_LISTED) " more." } } }
}

fn supply(record: Option<&ServiceRecord>) -> Markup {
    let Some(record) = record else {
        return html! {};
    };
    let dash = |text: &str| {
        if text.is_empty() {
            "\u{2013}".to_owned()
        } else {
            text.to_owned()
        }
    };
    let lines = record.found.lines().into_iter().zip(record.fitted.lines());
    let lines: Vec<_> = lines
        .filter(|(a, b)| !a.1.is_empty() || !b.1.is_empty())
        .collect();
    html! {
        @if !lines.is_empty() {
            section {
                h2.sub { "Battery" }
                table.pairs {
                    thead { tr { td {} th scope="col" { "Found" } th scope="col" { "Fitted" } } }
                    tbody {
                        @for ((label, found), (_, fitted)) in &lines {
                            tr { th scope="row" { (label) } td { (dash(found)) } td { (dash(fitted)) } }
                        }
                    }
                }
            }
        }
    }
}

/// Findings in plain words, the worst first.
fn findings(findings: &[Finding], examined: bool) -> Markup {
    let mut sorted: Vec<&Finding> = findings.iter().collect();
    sorted.sort_by_key(|f| std::cmp::Reverse(f.severity));
    html! {
        section {
            h2.sub { "What was noticed" }
            @if sorted.is_empty() {
                p { @if examined { "Nothing out of order." } @else { "No examination of the readings is in this job." } }
            }
            @else {
                ul.findings {
                    @for finding in sorted {
                        li {
                            span class={ "tag t" (severity(finding.severity) as u8) } {
                                (draw::mark(severity(finding.severity))) (finding.severity.word())
                            }
                            div {
                                p { (finding.says) }
                                @if let Some(means) = &finding.means { p.soft { (means) } }
                                @if let Some(act) = &finding.act { p.soft { "To do: " (act) } }
                            }
                        }
                    }
                }
            }
        }
    }
}

/// What the memory no longer holds of the customer's settings.
fn lost(losses: &[Loss]) -> Markup {
    html! {
        @if !losses.is_empty() {
            section {
                h2.sub { "Lost" }
                p { "What could not be mended, or was not: what the memory holds there is not to be relied on." }
                div.wide data-scroll tabindex="0" role="group" aria-label="What is lost" {
                    table {
                        thead { tr { th scope="col" { "Where" } th scope="col" { "Setting" } th scope="col" { "Lost" } } }
                        tbody {
                            @for loss in losses.iter().take(MOST_LISTED) {
                                tr { th scope="row" { (loss.entry) } td { (loss.parameter) } td { (loss.lost) } }
                            }
                        }
                    }
                }
                (more(losses.len()))
            }
        }
    }
}

/// The shape that stands for a severity.
fn severity(severity: Severity) -> Mark {
    match severity {
        Severity::Damage => Mark::Illegal,
        Severity::Caution => Mark::Suspect,
        Severity::Note => Mark::ByHand,
    }
}

fn changed(changed: &[Changed]) -> Markup {
    html! {
        @if !changed.is_empty() {
            section {
                h2.sub { "Values that are not as they came in" }
                div.wide data-scroll tabindex="0" role="group" aria-label="Changed values" {
                    table {
                        thead { tr { th scope="col" { "Where" } th scope="col" { "Control" } th scope="col" { "Now" } th scope="col" { "How" } } }
                        tbody {
                            @for c in changed.iter().take(MOST_LISTED) {
                                tr { th scope="row" { (c.entry) } td { (c.label) } td { (c.setting) } td { (c.origin) } }
                            }
                        }
                    }
                }
                (more(changed.len()))
            }
        }
    }
}

fn hand_set(groups: &[Group], faces: &Faces) -> Markup {
    html! {
        @if !groups.is_empty() {
            section {
                h2.sub { "Controls that memory does not hold, as they stood" }
                div class={ "d" (COLUMNS) } { (grid(groups, COLUMNS, faces)) }
            }
        }
    }
}

fn readings(readings: &[ReadingLine]) -> Markup {
    html! {
        @if !readings.is_empty() {
            section {
                h2.sub { "Kept on the shelf" }
                div.wide data-scroll tabindex="0" role="group" aria-label="Files kept" {
                    table.kept {
                        thead { tr { th scope="col" { "File" } th scope="col" { "SHA-256" } } }
                        @for reading in readings {
                            tbody {
                                tr { th scope="rowgroup" colspan="2" { (reading.what) } }
                                @for (name, digest) in &reading.files { tr { td { (name) } td.digest { (digest) } } }
                            }
                        }
                    }
                }
            }
        }
    }
}

fn cautions(cautions: &[Caution]) -> Markup {
    html! {
        @if !cautions.is_empty() {
            section {
                h2.sub { "Cautions" }
                ul.plain { @for c in cautions { li { b { (c.title) } " " (c.text) } } }
                p.note { (DEFER) }
            }
        }
    }
}

fn signatures() -> Markup {
    html! {
        div.sign {
            p.note { "Signed below: the instrument was handed over as described, exceptions included." }
            div.lines.two { p.fill { span { "Bench, date" } } p.fill { span { "Customer, date" } } }
        }
    }
}
