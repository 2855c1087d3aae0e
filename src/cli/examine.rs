//! `examine`: look for damage and name its likely cause.

use super::open::{ReadingArgs, settlement};
use super::output::{number, place, print_text, quoted, say};
use super::settle::RECORD;
use super::shelved::ShelfArgs;
use super::{Failure, Outcome, Status, findings, mend};
use crate::document::to_json;
use crate::examine::{
    Belonging, EntryVerdict, Examination, ExamineError, Picture, Verdict, add_votes, examine,
    shown_by_none, votes_belong,
};
use crate::finding::{Finding, Severity, worst};
use crate::layout::model::Layout;
use crate::reading::Reading;
use crate::settle::{Rules, Settlement, settle};
use crate::shelf::{Role, incoming_bytes};

/// Look for damage in a reading, name its likely cause, and say what to do at the bench.
#[derive(clap::Args)]
#[command(after_help = "\
Every cause is weighed by how many bits it saves in describing what was read; ten bits are odds of a thousand to one.
An earlier reading of the same instrument makes everything sharper, and tells edits from damage.
The reads that a reading was settled from tell what holds still from what comes and goes: a fault of the memory from one
of contact, supply or bus. A folder that `settle` wrote brings their votes along.
Without a layout, line and chip faults are still found. Exit status 1 means that something above a note was found.

Examples:
  cellkeep examine settled
  cellkeep examine today --earlier last-visit -l aldermoor-four
  cellkeep examine read1 --settled-from read1 read2 read3  one read, beside its fellows
  cellkeep examine dump.bin                                bare chips, without a layout

In the pictures `.` is intact, `?` was not read, `~` differs between the reads, `x` marks flipped bits, a letter the finding of that letter.")]
pub(crate) struct Args {
    /// The reading
    reading: String,
    /// An earlier reading of the same instrument
    #[arg(long, value_name = "READING")]
    earlier: Option<String>,
    /// How the files of the earlier reading hold the cells, where it is not as those of the reading
    #[arg(
        long,
        value_name = "PACKING",
        requires = "earlier",
        help_heading = "Files"
    )]
    earlier_packing: Vec<String>,
    /// The reads it was settled from, two or more, or the record that settling wrote
    #[arg(long, value_name = "READ", num_args = 1..)]
    settled_from: Vec<String>,
    #[command(flatten)]
    files: ReadingArgs,
    /// Draw every chip, intact ones too
    #[arg(long)]
    pictures: bool,
    /// List every entry, sound ones too
    #[arg(long)]
    entries: bool,
    /// Print the examination as JSON
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    shelf: ShelfArgs,
    /// Let it take the place of an examination that is in the job already
    #[arg(long, requires = "shelf_job")]
    replace: bool,
}

pub(crate) fn run(args: &Args) -> Outcome {
    let layout = args.files.layout_if_named(&args.reading)?;
    let reading = args.files.aligned(&args.reading, layout.as_ref())?;
    let earlier = match &args.earlier {
        Some(text) => {
            let files = args.files.packed(&args.earlier_packing);
            Some(files.aligned_with(text, layout.as_ref(), &reading)?)
        }
        None => None,
    };
    let mut examined = examine(&reading, layout.as_ref(), earlier.as_ref())?;
    let (votes, unsure) = votes(args, layout.as_ref(), &reading)?;
    if let Some(votes) = votes {
        add_votes(&mut examined, &reading, layout.as_ref(), &votes)?;
    }
    examined.examination.findings.extend(unsure);
    let mut examined = examined.examination;
    // What was noticed about the files belongs to the picture of damage too, and comes first: where the file is another
    // chip's, all that follows is.
    let of_files = reading.findings.iter().cloned();
    let of_earlier = earlier.iter().flat_map(|e| &e.findings).map(of_earlier);
    examined.findings.splice(0..0, of_files.chain(of_earlier));
    let status = match doubted(&examined) {
        true => Status::Findings,
        false => findings::status(&examined.findings),
    };
    if args.shelf.job.is_some() {
        let document = to_json(&examined)?.into_bytes();
        let file = incoming_bytes(Role::Findings, "examination.json", document);
        args.shelf.put(vec![file], args.replace)?;
    }
    if args.json {
        print_text(&to_json(&examined)?);
        return Ok(status);
    }
    print(&examined, args, part_of(args)?);
    Ok(status)
}

/// The part that the reading plays in a job, told by the records that lie beside it.
fn part_of(args: &Args) -> Result<Role, Failure> {
    Ok(
        if args.files.beside(&args.reading, mend::RECORD)?.is_some() {
            Role::Mended
        } else if args.files.beside(&args.reading, RECORD)?.is_some() {
            Role::Settled
        } else {
            Role::AsFound
        },
    )
}

/// What was noticed about the files of the earlier reading; they are not what is examined.
fn of_earlier(finding: &Finding) -> Finding {
    let mut finding = finding.clone();
    finding.says = format!("the earlier reading: {}", finding.says);
    finding.severity = finding.severity.min(Severity::Caution);
    finding
}

/// The votes of the reads that were named, or else those that lie beside the reading, with a caution where it cannot be
/// known whether they are about it. A record that lies beside other contents is left out.
fn votes(
    args: &Args,
    layout: Option<&Layout>,
    reading: &Reading,
) -> Result<(Option<Settlement>, Option<Finding>), Failure> {
    match args.settled_from.as_slice() {
        [] => return votes_beside(&args.files, &args.reading, reading),
        [one] => {
            if let Some(found) = record(&args.files, one)? {
                return match votes_belong(reading, &found) {
                    Belonging::Fits => Ok((Some(found), None)),
                    Belonging::Unsure(caution) => Ok((Some(found), Some(*caution))),
                    Belonging::Other(chip) => Err(ExamineError::Votes(others(&chip)).into()),
                };
            }
        }
        _ => {}
    }
    let mut reads = Vec::new();
    for name in &args.settled_from {
        let read = args.files.aligned_with(name, layout, reading)?;
        reads.push((name.clone(), read));
    }
    let mut votes = settle(&reads, layout, Rules::default())?.1;
    // What sets the reading apart is told of it, not left out with it.
    if let Some(odd) = odd_itself(reading, &votes) {
        let rules = Rules {
            keep_odd: true,
            ..Rules::default()
        };
        votes = settle(&reads, layout, rules)?.1;
        votes.findings.insert(0, odd);
    }
    match shown_by_none(reading, &reads) {
        Some(says) => Err(ExamineError::Votes(says).into()),
        None => Ok((Some(votes), None)),
    }
}

/// The record of settling beside a reading called so, if there is one.
fn record(files: &ReadingArgs, text: &str) -> Result<Option<Settlement>, Failure> {
    match files.beside(text, RECORD)? {
        Some(bytes) => settlement(&bytes, text).map(Some),
        None => Ok(None),
    }
}

/// The votes that lie beside a reading called so, with a caution where it cannot be known whether they are about it, or where they
/// are left out because they are not.
pub(super) fn votes_beside(
    files: &ReadingArgs,
    text: &str,
    reading: &Reading,
) -> Result<(Option<Settlement>, Option<Finding>), Failure> {
    let Some(found) = record(files, text)? else {
        return Ok((None, None));
    };
    Ok(match votes_belong(reading, &found) {
        Belonging::Fits => (Some(found), None),
        Belonging::Unsure(caution) => (Some(found), Some(*caution)),
        Belonging::Other(chip) => (None, Some(left_out(&others(&chip)))),
    })
}

fn others(chip: &str) -> String {
    format!("their record is about other contents: chip {chip} differs")
}

/// The finding where the reading is itself the odd one of the reads, so that settling set it aside.
fn odd_itself(reading: &Reading, votes: &Settlement) -> Option<Finding> {
    let own = |chips: &[_]| reading.differs_from(chips).is_none();
    let mut odd = votes.reads.iter().filter(|r| r.set_aside.is_some());
    let odd = odd.find(|r| own(&r.chips))?;
    let why = odd.set_aside.as_deref().unwrap_or_default();
    let says = format!(
        "this reading, {}, is the odd one of {} reads: {why}",
        odd.name,
        votes.reads.len()
    );
    let f = Finding::new("settle.odd-read", Severity::Caution, says)
        .means("The other reads agree with each other, and settling leaves this one out.")
        .act("Check which chip was clipped and how it sat; go on with what the others settle to.");
    Some(f)
}

/// The caution where the record of settling that lies beside a reading is another's.
fn left_out(why: &str) -> Finding {
    let says = format!("the votes beside the reading are left out: {why}");
    Finding::new("votes.other", Severity::Caution, says)
        .means("The chip files were changed since they were settled, or are not those that were written.")
        .act("Settle the reads again into a new folder.")
}

fn print(e: &Examination, args: &Args, part: Role) {
    findings::print(&e.findings);
    let mut above = !e.findings.is_empty();
    // A blank line between two parts, none before the first.
    let mut part_begins = || {
        if std::mem::replace(&mut above, true) {
            say!();
        }
    };
    for picture in &e.pictures {
        let marked = picture.rows.iter().any(|r| r.marks.contains(|c| c != '.'));
        if marked || args.pictures {
            part_begins();
            draw(picture);
        }
    }
    let odd: Vec<&EntryVerdict> = e
        .entries
        .iter()
        .filter(|v| args.entries || matches!(v.verdict, Verdict::Suspect | Verdict::Damaged))
        .collect();
    if !odd.is_empty() {
        part_begins();
        for v in odd {
            say!(
                "{:<8} {}, {}: {}",
                v.verdict.word(),
                v.area,
                v.entry,
                why(v)
            );
        }
    }
    part_begins();
    for line in closing(e, args, part) {
        say!("{line}");
    }
}

/// The command that makes a plan for mending, to be pasted.
fn line_to_mend(args: &Args) -> String {
    let option = |name: &str, value: &Option<String>| {
        let given = value.iter();
        given
            .map(|v| format!(" {name} {}", quoted(v)))
            .collect::<String>()
    };
    format!(
        "cellkeep mend {}{}{}{} -o mend.toml",
        place(&args.reading),
        option("--earlier", &args.earlier),
        option("-l", &args.files.layout),
        args.files.files_again()
    )
}

fn why(v: &EntryVerdict) -> String {
    const SHOWN: usize = 4;
    let mut out = v.why.clone();
    if !v.parameters.is_empty() && v.parameters.len() <= SHOWN {
        out.push_str(&format!(" in {}", v.parameters.join(", ")));
    } else if v.parameters.len() > SHOWN {
        out.push_str(&format!(" in {} parameters", v.parameters.len()));
    }
    out
}

fn draw(picture: &Picture) {
    say!("{}, {} cells a mark", picture.chip, picture.cells_a_mark);
    for row in &picture.rows {
        let marks: String = row
            .marks
            .chars()
            .map(|c| match c {
                '.' => ".".to_owned(),
                '?' | '~' => format!("\u{1b}[33m{c}\u{1b}[0m"),
                c => format!("\u{1b}[31m{c}\u{1b}[0m"),
            })
            .collect();
        super::output::print_styled(&format!("  {:>5} {marks}\n", row.label));
    }
}

/// Whether an entry is in doubt, whatever the weight of the finding.
fn doubted(e: &Examination) -> bool {
    e.entries.iter().any(|v| v.verdict > Verdict::Blank)
}

fn closing(e: &Examination, args: &Args, part: Role) -> Vec<String> {
    let count = |v: Verdict| e.entries.iter().filter(|x| x.verdict == v).count();
    let mut lines = Vec::new();
    if !e.entries.is_empty() {
        lines.push(format!(
            "{} sound, {} blank, {} suspect, {} damaged",
            number(count(Verdict::Sound), "entry"),
            count(Verdict::Blank),
            count(Verdict::Suspect),
            count(Verdict::Damaged)
        ));
    }
    if !e.reads.is_empty() {
        lines.push(format!(
            "judged beside the {} reads it was settled from",
            e.reads.len()
        ));
    }
    if e.layout.is_none() {
        lines.push(
            "without a layout only lines and chips can be judged: name one with --layout"
                .to_owned(),
        );
    }
    let doubted = doubted(e);
    match worst(&e.findings) {
        None if !doubted => {
            let rows = e.pictures.iter().flat_map(|p| &p.rows);
            let open = rows.into_iter().any(|r| r.marks.contains('?'));
            lines.push(if e.layout.is_some() && open {
                "nothing speaks against what is known of this reading; cells marked ? are not known, and nothing is said of them".to_owned()
            } else if e.layout.is_some() {
                "nothing speaks against this reading; if a voice or preset still sounds wrong, the fault is not in the memory".to_owned()
            } else {
                "no line or chip fault shows".to_owned()
            });
            lines.push(if crate::shelf::Reference::is_one(&args.reading) {
                "next: it is on the shelf; `cellkeep shelf audit` before anything is unsoldered".to_owned()
            } else {
                format!(
                    "next: keep it before anything is unsoldered: `cellkeep shelf put JOB --as {} {}`",
                    part.word(),
                    place(&args.reading)
                )
            });
        }
        Some(_) if !doubted && !e.entries.is_empty() => {
            lines.push("next: do what the findings say; by them no entry is damaged".to_owned());
        }
        _ if e.layout.is_some() => lines.push(format!(
            "next: do what the findings say and read again; `{}` proposes values for what stays damaged",
            line_to_mend(args)
        )),
        _ => lines.push("next: do what the findings say and read again".to_owned()),
    }
    lines
}
