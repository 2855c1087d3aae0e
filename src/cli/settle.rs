//! `settle`: one reading out of several reads.

use super::open::{OutputArgs, ReadingArgs, same_place};
use super::output::{number, place, print_text, say};
use super::{Outcome, Status, findings};
use crate::blame::{Blame, Who};
use crate::document::to_json;
use crate::finding::Severity;
use crate::reading::Reading;
use crate::settle::{Agreement, Forecast, Rules, Settlement, settle};
use crate::shelf::Role;

/// The file in the new folder that records the votes.
pub(crate) const RECORD: &str = "settlement.json";
/// Dissenting bits listed before the rest is only counted.
const LISTED: usize = 24;

/// One read given twice, which would count as two that agree.
#[derive(Debug, thiserror::Error)]
#[error("{first} and {again} are one read, which counts once")]
struct SameRead {
    first: String,
    again: String,
}

impl Blame for SameRead {
    fn who(&self) -> Who {
        Who::Caller
    }

    fn hint(&self) -> Option<String> {
        Some("read the chips again into another folder: only a fresh read shows whether the first is good".into())
    }
}

/// Make one reading out of several reads of the same chips.
#[derive(clap::Args)]
#[command(after_help = "\
Where reads differ, the reason is looked for before there is a vote: a data pin, an address pin, one chip, one read.
Bits over which such a fault makes the reads differ, and bits the votes leave in doubt, become unknown; they are
never guessed. What all reads agree on becomes unknown too where such a fault may have hit each of them: on a bad
data pin, in a chip or cells that dissent, and over a bad address pin in cells that read as their partner does;
--doubt does not change that, --vote-over-faults does.
Exit status 1 means that something was found or is left open.

Examples:
  cellkeep settle read1 read2 read3 -l aldermoor-four -o settled
  cellkeep settle read1 read2 -o settled                   bare chips, without a layout
  cellkeep settle r1 r2 r3 r4 r5 -o settled --vote-over-faults

What no repetition shows is a line that reads steadily wrong: run `cellkeep examine` on the result.")]
pub(crate) struct Args {
    /// The reads, two or more
    #[arg(required = true, value_name = "READ")]
    reads: Vec<String>,
    #[command(flatten)]
    files: ReadingArgs,
    #[command(flatten)]
    output: OutputArgs,
    /// Leave a bit unknown when the reads differ on it and their majority is wrong with more than this chance
    #[arg(long, value_name = "CHANCE", default_value_t = 0.01, value_parser = chance)]
    doubt: f64,
    /// Vote even where the dissent shares a pin, a chip or a moment; a read that is odd as a whole is set aside all the same
    #[arg(long)]
    vote_over_faults: bool,
    /// Print the votes as JSON
    #[arg(long)]
    json: bool,
}

fn chance(text: &str) -> Result<f64, String> {
    text.parse()
        .ok()
        .filter(|c| (0.0..=0.5).contains(c))
        .ok_or_else(|| "write a chance from 0 to 0.5, such as 0.01".to_owned())
}

pub(crate) fn run(args: &Args) -> Outcome {
    let layout = match args.reads.first() {
        Some(first) => args.files.layout_if_named(first)?,
        None => None,
    };
    for (at, name) in args.reads.iter().enumerate() {
        if let Some(first) = args.reads[..at].iter().find(|one| same_place(one, name)) {
            return Err(SameRead {
                first: first.clone(),
                again: name.clone(),
            }
            .into());
        }
    }
    let mut reads: Vec<(String, Reading)> = Vec::new();
    for name in &args.reads {
        let read = match reads.first() {
            Some((_, first)) => args.files.aligned_with(name, layout.as_ref(), first)?,
            None => args.files.aligned(name, layout.as_ref())?,
        };
        reads.push((name.clone(), read));
    }
    let rules = Rules {
        doubt: args.doubt,
        over_faults: args.vote_over_faults,
        ..Rules::default()
    };
    let (reading, settlement) = settle(&reads, layout.as_ref(), rules)?;
    let text = to_json(&settlement)?;
    let also = vec![(RECORD.to_owned(), text.clone().into_bytes())];
    let written = args
        .output
        .write_as(Role::Settled, (&reading, layout.as_ref()), also)?;
    let status = match findings::status(&settlement.findings) {
        Status::Clean if settlement.unsettled == 0 => Status::Clean,
        _ => Status::Findings,
    };
    if args.json {
        print_text(&text);
        return Ok(status);
    }
    let again = args.files.again_from(&args.reads[0], layout.as_ref());
    print(&settlement, args, &written, &again);
    Ok(status)
}

/// `again` is what the next command needs to read the settled reading.
fn print(s: &Settlement, args: &Args, written: &[String], again: &str) {
    let aside = s.reads.iter().filter(|r| r.set_aside.is_some()).count();
    if aside > 0 {
        let all = s.reads.len();
        say!(
            "of {} of the {all} reads, without what was set aside:",
            all - aside
        );
    }
    say!("agreement   bits        dissenting  place");
    for a in s.agreement.iter().filter(|a| shown(a, &s.agreement)) {
        let share = 100.0 * a.agreed as f64 / a.bits.max(1) as f64;
        say!(
            "{share:8.3} %  {:<10}  {:<10}  {}",
            a.bits,
            a.bits - a.agreed,
            a.place
        );
    }
    if !s.dissents.is_empty() {
        say!();
        say!("               reads that saw\nchip  cell    line    0       1    settled  doubt");
        for d in s.dissents.iter().take(LISTED) {
            let settled = d.settled.map_or("unknown".to_owned(), |v| v.to_string());
            say!(
                "{:<5} {:#06x}  D{:<4} {:>3}     {:>3}    {settled:<8} {:.3}",
                d.chip,
                d.cell,
                d.line,
                d.zeros,
                d.ones,
                d.doubt
            );
        }
        if s.dissents.len() > LISTED {
            say!(
                "... and {} more, all in {RECORD}",
                s.dissents.len() - LISTED
            );
        }
    }
    if !s.findings.is_empty() {
        say!();
        findings::print(&s.findings);
    }
    say!();
    let mut sum = format!(
        "{} settled against a dissent, {} left unknown",
        number(s.settled, "bit"),
        s.unsettled
    );
    if s.comparable && !s.voted_over {
        sum.push_str(&format!(
            "; {:.2} settled bits are expected to be wrong still",
            s.expected_wrong
        ));
    }
    say!("{sum}");
    for line in further(s) {
        say!("{line}");
    }
    let folder = args.output.place(Role::Settled);
    say!("wrote {} to {folder}", written.join(", "));
    if s.afresh {
        say!("next: do what the findings say, read afresh, and settle the fresh reads");
    } else if s.without_a_read {
        say!(
            "next: settle again without the read that the findings name, or with another in its place"
        );
    } else if reads_again(s) {
        say!("next: do what the findings say, read again, and settle all reads together");
    } else {
        say!(
            "next: `cellkeep examine {}{again}` looks for what every read shows alike",
            place(&folder)
        );
    }
}

/// Whether more reads are asked for: not where an odd one is all that was found and the others settle everything.
fn reads_again(s: &Settlement) -> bool {
    let mut others = s.findings.iter().filter(|f| f.code != "settle.odd-read");
    let found = others.any(|f| f.severity > Severity::Note);
    let odd = s.reads.iter().any(|r| r.set_aside.is_some());
    found || (odd && s.further_reads_to_settle != Some(0))
}

/// What further reads would do, in words.
fn further(s: &Settlement) -> Vec<String> {
    if !s.comparable {
        return vec![
            "what further reads would do is not foretold: these do not look like reads of the same chips"
                .to_owned(),
        ];
    }
    if s.voted_over {
        return vec![
            "what further reads would do is not foretold: a fault was voted over, and its dissent is not by chance"
                .to_owned(),
        ];
    }
    if s.afresh {
        return vec![match s.further_reads_to_settle {
            Some(n) => format!(
                "once that is mended, {n} fresh reads, settled by themselves, would leave less than one bit wrong or unknown"
            ),
            None if s.forecast.is_empty() => {
                "once that is mended, two fresh reads or more; they tell how many it takes".to_owned()
            }
            None => "once that is mended, forty fresh reads are not sure to leave less than one bit wrong or unknown"
                .to_owned(),
        }];
    }
    let without = if s.without_a_read {
        "without the read that the findings name, "
    } else {
        ""
    };
    let mut out = vec![match s.further_reads {
        Some(0) if reads_again(s) => {
            "settled wrongly is less than one bit, as the votes go".to_owned()
        }
        Some(0) => "settled wrongly is less than one bit: no further read is needed".to_owned(),
        Some(n) if s.once > 0 => format!(
            "{without}{} or more, of all cells, would bear out what was read once only",
            reads(n)
        ),
        Some(n) => format!(
            "settled wrongly: {without}less than one bit after {}",
            reads(n)
        ),
        None => format!(
            "settled wrongly: {without}perhaps one bit or more even after forty further reads"
        ),
    }];
    if s.unsettled > 0 {
        out.push(format!("{}: {without}{}", unknown(s), settles(s)));
    }
    out
}

/// Of what is unknown it is told how many further reads settle it.
fn unknown(s: &Settlement) -> &'static str {
    match (s.further_reads_to_settle, s.likely) {
        (Some(0), _) | (None, None) => "unknown",
        _ => "unknown or settled wrongly",
    }
}

/// How many further reads would settle what is unknown; where that hangs on what the noise is, both ways are told.
fn settles(s: &Settlement) -> String {
    let percent = |chance: f64| (100.0 * chance).round().clamp(1.0, 99.0);
    match (s.further_reads_to_settle, s.likely) {
        (Some(0), _) => "none, and no further read is needed".to_owned(),
        (Some(n), Some(likely)) if likely.reads < n => format!(
            "less than one bit after {}, and with a chance of {:.0} % after {} already",
            reads(n),
            percent(likely.chance),
            likely.reads
        ),
        (Some(n), _) => format!("less than one bit after {}", reads(n)),
        (None, Some(likely)) => format!(
            "with a chance of {:.0} % less than one bit after {} (less on an old chip, where some cell seldom holds still); \
             otherwise some cells do not hold still, and there are {}",
            percent(likely.chance),
            reads(likely.reads),
            some(s, |f| f.otherwise)
        ),
        (None, None) => format!(
            "{}; the next read tells whether the reads are noisy or some cells do not hold still",
            some(s, |f| f.open)
        ),
    }
}

/// What is foretold of a few numbers of reads.
fn some(s: &Settlement, bits: impl Fn(&Forecast) -> f64) -> String {
    let some = s.forecast.iter().filter(|f| matches!(f.reads, 1 | 3 | 10));
    let some: Vec<String> = some
        .filter(|f| bits(f) >= 0.5)
        .map(|f| format!("about {:.0} bits after {}", bits(f), reads(f.reads)))
        .collect();
    some.join(", ")
}

fn reads(n: u32) -> String {
    number(n, "further read")
}

/// Chips and areas are always listed, lines of a chip where their dissent stands out; the record has all.
fn shown(a: &Agreement, all: &[Agreement]) -> bool {
    let chip = all.iter().find(|of| {
        a.place
            .strip_prefix(&of.place)
            .is_some_and(|r| r.starts_with(' '))
    });
    chip.is_none_or(|of| a.stands_out(of))
}
