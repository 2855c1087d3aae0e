//! `mend`: propose values for what is damaged; apply what was accepted.

use std::path::{Path, PathBuf};

use super::examine::votes_beside;
use super::inputs::write_file;
use super::open::{OutputArgs, ReadingArgs, WrittenArgs, same_place};
use super::output::{are, are_of, number, place, print_text, quoted, say};
use super::shelved::ShelfArgs;
use super::{Failure, Outcome, Status};
use crate::bank;
use crate::blame::{Blame, Who};
use crate::document::to_json;
use crate::examine::{add_votes, examine};
use crate::layout::model::Layout;
use crate::mend::{self, MendPlan, Sources};
use crate::reading::Reading;
use crate::shelf::{Role, incoming_bytes};

/// Proposals and losses listed before the rest is only counted.
const LISTED: usize = 20;

/// The file beside a mended reading that says what was done and what is lost.
pub(super) const RECORD: &str = "mend.json";

/// Propose values for damaged parameters, or apply the proposals that were accepted.
#[derive(clap::Args)]
#[command(after_help = "\
The plan is a TOML file to read and edit: each proposal says what it would set, why, and how likely it is right.
Nothing is applied that is not accepted there, unless --at-least takes everything as probable as that.
Every mended bit keeps its provenance in the reading it is written to, and damaged bits for which nothing was accepted are
unknown in it: to keep one as it was read, accept it with the code it has. Exit status 1 means that something is lost.
Without --apply, -o names the new file for the plan; with it, the new folder for the mended reading. --json prints the plan, and
then needs no -o.

Examples:
  cellkeep mend today --earlier last-visit -l pellow-six -o mend.toml
  cellkeep mend today --alike factory -o mend.toml
  cellkeep mend --apply mend.toml today -o mended
  cellkeep mend --apply mend.toml today --at-least 0.99 -o mended
  cellkeep mend --apply mend.toml shelf:quillon-72-0042/settled --shelf quillon-72-0042")]
pub(crate) struct Args {
    /// The reading
    reading: String,
    /// Apply the accepted proposals of this plan
    #[arg(long, value_name = "PLAN")]
    apply: Option<PathBuf>,
    /// With --apply, also take every proposal at least as probable as this
    #[arg(long, value_name = "CHANCE", requires = "apply")]
    at_least: Option<f64>,
    /// An earlier reading of the same instrument; with --apply, only where contents are put back in order by it
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
    /// Another read of the same chips; may be repeated
    #[arg(long = "read", value_name = "READING", conflicts_with = "apply")]
    reads: Vec<String>,
    /// A bank of another instrument of the kind, such as a factory set; may be repeated
    #[arg(long, value_name = "READING", conflicts_with = "apply")]
    alike: Vec<String>,
    #[command(flatten)]
    files: ReadingArgs,
    /// New file for the plan; with --apply, new folder for the mended reading
    #[arg(
        short,
        long,
        value_name = "PLACE",
        required_unless_present_any = ["shelf_job", "json"]
    )]
    output: Option<PathBuf>,
    #[command(flatten)]
    shelf: ShelfArgs,
    #[command(flatten)]
    written: WrittenArgs,
    /// Print the plan, or with --apply what it came to, as JSON
    #[arg(long)]
    json: bool,
}

#[derive(Debug, thiserror::Error)]
#[error("--at-least {0} is no chance")]
struct NoChance(f64);

impl Blame for NoChance {
    fn who(&self) -> Who {
        Who::Caller
    }
    fn hint(&self) -> Option<String> {
        Some("give a number from 0 to 1, such as 0.99".to_owned())
    }
}

/// An earlier reading given to a plan that has no use for it.
#[derive(Debug, thiserror::Error)]
#[error("--earlier {0} changes nothing: the plan holds what was proposed, from {1}")]
struct UnusedEarlier(String, String);

impl Blame for UnusedEarlier {
    fn who(&self) -> Who {
        Who::Caller
    }
    fn hint(&self) -> Option<String> {
        Some(
            "leave it out, or make a new plan with it: `cellkeep mend READING --earlier ...`"
                .to_owned(),
        )
    }
}

/// Refuses another earlier reading than the plan's where it would be passed over in silence. Contents that are put back in
/// order are compared with it once more, wherever it lies now.
fn refuse_unused_earlier(args: &Args, plan: &MendPlan) -> Result<(), UnusedEarlier> {
    let Some(given) = &args.earlier else {
        return Ok(());
    };
    let used = plan.reorder.as_ref().is_some_and(|r| r.accept);
    match &plan.earlier {
        _ if used => Ok(()),
        Some(of_plan) if same_place(of_plan, given) => Ok(()),
        of_plan => Err(UnusedEarlier(
            given.clone(),
            of_plan
                .clone()
                .unwrap_or_else(|| "no earlier reading".to_owned()),
        )),
    }
}

#[derive(Debug, thiserror::Error)]
#[error("{0} needs a place")]
struct NoPlace(&'static str);

impl Blame for NoPlace {
    fn who(&self) -> Who {
        Who::Caller
    }
    fn hint(&self) -> Option<String> {
        Some("name a new file with -o; --shelf puts the plan into the job as well".to_owned())
    }
}

pub(crate) fn run(args: &Args) -> Outcome {
    match &args.apply {
        Some(plan) => apply(args, plan),
        None => propose(args, &args.files.layout_for(&args.reading)?),
    }
}

fn named(args: &Args, list: &[String], layout: &Layout) -> Result<Vec<(String, Reading)>, Failure> {
    list.iter()
        .map(|name| Ok((name.clone(), args.files.aligned(name, Some(layout))?)))
        .collect()
}

#[derive(Debug, thiserror::Error)]
#[error("{0} is given twice, and proves nothing the second time")]
struct Twice(String);

impl Blame for Twice {
    fn who(&self) -> Who {
        Who::Caller
    }
    fn hint(&self) -> Option<String> {
        Some("give each reading once: the reading to mend, and others that may know more".into())
    }
}

/// The earlier reading, its files packed as is said of them.
fn earlier(args: &Args, name: &str, layout: &Layout) -> Result<(String, Reading), Failure> {
    let files = args.files.packed(&args.earlier_packing);
    Ok((name.to_owned(), files.aligned(name, Some(layout))?))
}

/// Refuses a reading that is given twice.
fn refuse_twice(args: &Args) -> Result<(), Twice> {
    let mut given = vec![&args.reading];
    for name in args.earlier.iter().chain(&args.reads).chain(&args.alike) {
        if given.iter().any(|one| same_place(one, name)) {
            return Err(Twice(name.clone()));
        }
        given.push(name);
    }
    Ok(())
}

fn propose(args: &Args, layout: &Layout) -> Outcome {
    refuse_twice(args)?;
    if args.output.is_none() && (!args.json || args.shelf.job.is_some()) {
        return Err(NoPlace("a plan is made to be read and edited, and").into());
    }
    let reading = args.files.aligned(&args.reading, Some(layout))?;
    let earlier = args
        .earlier
        .as_ref()
        .map(|name| earlier(args, name, layout));
    let earlier = earlier.transpose()?;
    let mut examined = examine(&reading, Some(layout), earlier.as_ref().map(|e| &e.1))?;
    // What settling found of contacts is to be mended first, as what examining finds.
    if let Some(votes) = votes_beside(&args.files, &args.reading, &reading)?.0 {
        add_votes(&mut examined, &reading, Some(layout), &votes)?;
    }
    // What the earlier reading lost itself it does not propose.
    let earlier = earlier
        .zip(examined.earlier.clone())
        .map(|((name, mut earlier), images)| {
            for (chip, image) in earlier.chips.iter_mut().zip(images) {
                chip.image = image;
            }
            (name, earlier)
        });
    let sources = Sources {
        earlier,
        reads: named(args, &args.reads, layout)?,
        alike: named(args, &args.alike, layout)?,
    };
    let plan = mend::propose(layout, &args.reading, &reading, &examined, &sources)?;
    if let Some(file) = &args.output {
        let text = mend::to_text(&plan, &line_to_apply(args, file))?;
        write_file(file, text.as_bytes(), args.written.replace)?;
        let kept = incoming_bytes(Role::Findings, "mend.toml", text.into_bytes());
        args.shelf.put(vec![kept], args.written.replace)?;
    }
    let status = if plan.losses.is_empty() {
        Status::Clean
    } else {
        Status::Findings
    };
    match &args.output {
        _ if args.json => print_text(&to_json(&plan)?),
        Some(file) => print(&plan, args, file),
        None => {}
    }
    Ok(status)
}

/// The command that applies a plan, to be pasted.
fn line_to_apply(args: &Args, file: &Path) -> String {
    let layout = args.files.layout.iter();
    let layout: String = layout.map(|l| format!(" -l {}", quoted(l))).collect();
    // The plan knows the earlier reading, and not how its files hold the cells.
    let packing: Vec<String> = args.earlier_packing.iter().map(|p| quoted(p)).collect();
    let earlier = args.earlier.as_ref().filter(|_| !packing.is_empty());
    let earlier = earlier.map_or(String::new(), |name| {
        let packing = packing.join(" --earlier-packing ");
        format!(" --earlier {} --earlier-packing {packing}", quoted(name))
    });
    format!(
        "cellkeep mend --apply {} {}{layout}{}{earlier} -o mended",
        place(&file.display().to_string()),
        place(&args.reading),
        args.files.files_again()
    )
}

fn print(plan: &MendPlan, args: &Args, file: &Path) {
    for says in &plan.read_again {
        say!("read again first: {says}");
    }
    for says in plan.reorder.iter().flat_map(|r| &r.says) {
        say!("to put back in order: {says}");
    }
    for p in plan.proposals.iter().take(LISTED) {
        say!(
            "{:6.2} %  {}, {}: {}  {} -> {} (code {})",
            100.0 * p.probability,
            p.area,
            p.entry,
            p.parameter,
            p.now,
            p.setting,
            p.code
        );
    }
    more(plan.proposals.len(), ("proposal", "proposals"));
    for b in plan.bits.iter().take(LISTED) {
        let lines: Vec<String> = b.lines.iter().map(|l| format!("D{l}")).collect();
        let cells = match b.first == b.last {
            true => format!("{:#06x}", b.first),
            false => format!("{:#06x} to {:#06x}", b.first, b.last),
        };
        say!(
            "{:6.2} %  {}  {} {cells} {}",
            100.0 * b.probability,
            b.what,
            b.chip,
            lines.join(" ")
        );
    }
    let outside = (
        "proposal for bits outside of parameters",
        "proposals for bits outside of parameters",
    );
    more(plan.bits.len(), outside);
    for f in plan.follows.iter().take(LISTED) {
        say!("follows   {f}");
    }
    more(
        plan.follows.len(),
        ("check that follows", "checks that follow"),
    );
    for l in plan.losses.iter().take(LISTED) {
        say!(
            "lost      {}, {}: {}  {}",
            l.area,
            l.entry,
            l.parameter,
            l.lost
        );
    }
    more(plan.losses.len(), ("loss", "losses"));
    let sure = |chances: &mut dyn Iterator<Item = f64>| chances.filter(|c| *c >= 0.99).count();
    say!(
        "{} proposed, {} of them at least 99 % sure; outside of parameters {}, {} of them as sure",
        number(plan.proposals.len(), "value"),
        sure(&mut plan.proposals.iter().map(|p| p.probability)),
        plan.bits.len(),
        sure(&mut plan.bits.iter().map(|b| b.probability)),
    );
    say!(
        "{}; {} lost or left open, each listed in the plan {}",
        match plan.follows.len() {
            0 => "no checks follow".to_owned(),
            1 => "1 check follows where all it covers is accepted".to_owned(),
            n => format!("{n} checks follow where all they cover is accepted"),
        },
        are_of(plan.losses.len(), "thing"),
        file.display()
    );
    if !plan.read_again.is_empty() {
        say!(
            "first: do what `cellkeep examine` advises at the contacts and read again, and mend what a fresh read still shows"
        );
    }
    if plan.proposals.is_empty() && plan.bits.is_empty() && plan.reorder.is_none() {
        say!(
            "next: nothing can be mended from these readings; another read, an earlier reading or a bank alike may know more"
        );
    } else {
        say!(
            "next: read the plan, set accept = true where you agree, then `{}`",
            line_to_apply(args, file)
        );
    }
}

/// How many more of these, one or several, the plan has than are listed.
fn more(all: usize, (one, several): (&str, &str)) {
    match all.saturating_sub(LISTED) {
        0 => {}
        1 => say!("... and 1 more {one} in the plan"),
        n => say!("... and {n} more {several} in the plan"),
    }
}

fn apply(args: &Args, file: &Path) -> Outcome {
    if let Some(chance) = args.at_least.filter(|c| !(0.0..=1.0).contains(c)) {
        return Err(NoChance(chance).into());
    }
    if args.output.is_none() && args.shelf.job.is_none() {
        return Err(NoPlace("a mended reading").into());
    }
    let text = super::shelved::read_text(file)?;
    let plan = mend::from_text(&text)?;
    refuse_unused_earlier(args, &plan)?;
    // The plan knows by which layout it was made.
    let layout = &match &args.files.layout {
        Some(_) => args.files.layout_for(&args.reading)?,
        None => super::open::layout_named(&plan.layout)?,
    };
    let reading = args.files.aligned(&args.reading, Some(layout))?;
    let ordered = match plan.reorder.as_ref().filter(|r| r.accept) {
        Some(_) => {
            let name = args.earlier.clone().or_else(|| plan.earlier.clone());
            let earlier = name.map(|name| earlier(args, &name, layout)).transpose()?;
            let examined = examine(&reading, Some(layout), earlier.as_ref().map(|e| &e.1))?;
            Some(examined.contents.undone)
        }
        None => None,
    };
    let mended = mend::apply(layout, &reading, &plan, args.at_least, ordered.as_deref())?;
    let output = OutputArgs {
        output: args.output.clone(),
        shelf: args.shelf.clone(),
        written: args.written.clone(),
    };
    let also = vec![
        ("mend.toml".to_owned(), text.into_bytes()),
        (RECORD.to_owned(), to_json(&mended.record)?.into_bytes()),
    ];
    let files = output.write_as(Role::Mended, (&mended.reading, Some(layout)), also)?;
    let folder = output.place(Role::Mended);
    let record = &mended.record;
    let whole = record.losses.is_empty() && record.notices.is_empty() && record.unresolved == 0;
    let status = match whole {
        true => Status::Clean,
        false => Status::Findings,
    };
    if args.json {
        print_text(&to_json(&mended.record)?);
        return Ok(status);
    }
    for notice in &mended.record.notices {
        say!("{notice}");
    }
    for made in bank::made_to_fit(layout, &mended.reading) {
        say!("{}", made.says);
    }
    match &plan.reorder {
        Some(r) if r.accept => say!(
            "put back in order: {} another for it",
            are(mended.record.put_in_order)
        ),
        Some(r) => say!(
            "left out of order, since accept = false under [reorder]: {}",
            r.says.join("; ")
        ),
        None => {}
    }
    say!(
        "{} applied, {} of them entered by hand, {} left as they are; {} of checks and copies followed",
        number(mended.record.applied, "proposal"),
        mended.record.by_hand,
        mended.record.left,
        number(mended.record.followed, "bit")
    );
    say!("wrote {} to {folder}", files.join(", "));
    if record.unresolved > 0 || !record.losses.is_empty() {
        say!(
            "{} left unknown; {RECORD} beside the reading lists {} for the customer",
            are_of(record.unresolved, "damaged bit"),
            number(record.losses.len(), "loss")
        );
    }
    say!(
        "next: `cellkeep compare {} {folder}{again}` shows every change; `cellkeep examine {folder}{again}` looks again",
        place(&args.reading),
        folder = place(&folder),
        again = args.files.again_from(&args.reading, Some(layout))
    );
    Ok(status)
}
