//! `layout map`: which bits belong to what, as a picture of each chip; where one value lives; who owns one bit.

use std::path::{Path, PathBuf};

use super::super::inputs::write_file;
use super::super::output::{counted, print_text, say};
use super::super::{Outcome, Status};
use super::check::coverage;
use super::picture;
use crate::blame::{Blame, Who};
use crate::document::to_json;
use crate::edit::Selector;
use crate::layout;
use crate::layout::explain::{self, BitOwner, BitOwners, Explained, ValuePlace};
use crate::layout::model::Layout;
use crate::layout::owners::Owners;
use crate::layout::report::LayoutMap;
use crate::sheet::view::Subject;
use crate::sheet::{Paper, memory};

/// Show which bits belong to what, where one value lives, or who owns one bit.
#[derive(clap::Args)]
#[command(after_help = "\
Places are written CHIP:CELL:LINE, cells as the chip counts them, line 0 being D0, the most significant code bit
first; ! marks a bit that the cell holds inverted.

Examples:
  cellkeep layout map aldermoor-four
  cellkeep layout map aldermoor-four --explain filter.cutoff --at preset=12,voice=3
  cellkeep layout map pellow-six --explain IC17:0x12:3
  cellkeep layout map quillon-72 --html quillon-72.html   drawn, each bit named under the pointer
  cellkeep layout map quillon-72 --json > quillon-72.map.json")]
pub(crate) struct Args {
    /// The layout, by id or by path
    layout: String,
    /// Where this parameter or check lives (KEY or AREA/KEY), or who owns this bit (CHIP:CELL:LINE)
    #[arg(long, value_name = "KEY|CHIP:CELL:LINE")]
    explain: Option<String>,
    /// The entry meant, as preset=12,voice=3; the first if not given
    #[arg(long, value_name = "AXIS=LABEL,...")]
    at: Option<Selector>,
    /// Draw the map as a sheet in this HTML file
    #[arg(long, value_name = "FILE", value_parser = super::super::inputs::html_file, conflicts_with_all = ["explain", "json"])]
    html: Option<PathBuf>,
    /// Replace the file if it is there
    #[arg(long, requires = "html")]
    replace: bool,
    /// Print a JSON document instead of text
    #[arg(long)]
    json: bool,
}

#[derive(Debug, thiserror::Error)]
enum MapError {
    #[error("{text:?} is no bit of the layout: {says}")]
    NoBit { text: String, says: String },
    #[error("no parameter or check has the key {key:?}{}", .near.as_ref().map_or_else(String::new, |n| format!("; did you mean {n:?}?")))]
    NoKey { key: String, near: Option<String> },
}

impl Blame for MapError {
    fn who(&self) -> Who {
        Who::Caller
    }

    fn hint(&self) -> Option<String> {
        Some(match self {
            MapError::NoBit { .. } => "a bit is CHIP:CELL:LINE, as in IC17:0x12:3; `cellkeep layout map LAYOUT` lists the chips".to_owned(),
            MapError::NoKey { .. } => "`cellkeep layout map LAYOUT` lists the keys".to_owned(),
        })
    }
}

pub(crate) fn run(args: &Args) -> Outcome {
    let layout = super::super::open::layout_named(&args.layout)?;
    match &args.explain {
        Some(what) => explain(args, &layout, what),
        None if args.json => {
            print_text(&to_json(&LayoutMap::new(&layout))?);
            Ok(Status::Clean)
        }
        None => match &args.html {
            Some(path) => draw(args, &layout, path),
            None => whole(args, &layout),
        },
    }
}

fn draw(args: &Args, layout: &Layout, path: &Path) -> Outcome {
    let subject = Subject {
        instrument: layout.name.clone(),
        facts: vec![
            ("Layout".to_owned(), layout.id.clone()),
            ("Revision".to_owned(), layout.revision.clone()),
        ],
    };
    let source = memory::Source {
        layout,
        reading: None,
        before: None,
        findings: &[],
    };
    let sheet = memory::memory(&subject, source, Paper::A4);
    write_file(path, sheet.html.as_bytes(), args.replace)?;
    say!("written: {}", path.display());
    say!("next: open it in a browser; the pointer or the arrow keys name each bit");
    Ok(Status::Clean)
}

/// The entry of an area that `--at` means, by those of the axes that the area has; the first where it has none of them.
fn entry(args: &Args, layout: &Layout, area: usize) -> Result<usize, super::super::Failure> {
    let Some(selector) = &args.at else {
        return Ok(0);
    };
    selector.resolve(layout)?; // an axis that nobody has is a slip
    let area = &layout.areas[area];
    let mut own = selector.clone().in_area(Some(&area.name));
    own.at
        .retain(|(axis, _)| area.axes.iter().any(|x| x.name == *axis));
    let found = own.resolve(layout)?;
    Ok(found
        .iter()
        .find_map(|(_, e)| e.first().copied())
        .unwrap_or(0))
}

fn whole(args: &Args, layout: &Layout) -> Outcome {
    say!(
        "{} ({}), revision {}",
        layout.name,
        layout.id,
        layout.revision
    );
    if let Some(notes) = &layout.notes {
        say!("{notes}");
    }
    say!();
    coverage(&layout::owners::coverage(layout));
    picture::chips(layout);
    for (i, area) in layout.areas.iter().enumerate() {
        let entry = entry(args, layout, i)?;
        say!();
        let count = counted(area.entries(), "entry");
        say!(
            "{}: {count} of {} bits; here {}",
            area.name,
            area.bits_per_entry,
            area.entry_label(entry)
        );
        picture::entry(layout, i, entry);
    }
    say!();
    say!(
        "next: cellkeep layout map {} --explain KEY, or CHIP:CELL:LINE",
        args.layout
    );
    Ok(Status::Clean)
}

fn explain(args: &Args, layout: &Layout, what: &str) -> Outcome {
    let mut out = Explained {
        layout: layout.id.clone(),
        values: Vec::new(),
        bit: None,
    };
    if what.matches(':').count() == 2 {
        out.bit = Some(bit(layout, what)?);
    } else {
        out.values = values(args, layout, what)?;
    }
    if args.json {
        print_text(&to_json(&out)?);
        return Ok(Status::Clean);
    }
    for value in &out.values {
        show_value(value);
    }
    if let Some(bit) = &out.bit {
        show_bit(bit);
    }
    if let Some(first) = out.values.first().and_then(|v| v.bits.first()) {
        say!(
            "next: cellkeep layout map {} --explain {}:{:#x}:{} says who else owns a bit",
            args.layout,
            first.chip,
            first.cell,
            first.line
        );
    } else {
        say!(
            "next: cellkeep layout map {} --explain KEY shows where a value lives",
            args.layout
        );
    }
    Ok(Status::Clean)
}

fn bit(layout: &Layout, what: &str) -> Result<BitOwners, MapError> {
    let wrong = |says: String| MapError::NoBit {
        text: what.to_owned(),
        says,
    };
    let parts: Vec<&str> = what.split(':').map(str::trim).collect();
    let [chip, cell, line] = parts[..] else {
        return Err(wrong("it has not three parts".to_owned()));
    };
    let chip = layout
        .chip(chip)
        .ok_or_else(|| wrong(format!("no chip is named {chip:?}")))?;
    let number = |text: &str| match text.strip_prefix("0x").or_else(|| text.strip_prefix("0X")) {
        Some(hex) => u32::from_str_radix(hex, 16).ok(),
        None => text.parse().ok(),
    };
    let line_text = line.trim_start_matches(['D', 'd']);
    let (Some(cell), Some(line)) = (
        number(cell),
        number(line_text).and_then(|l| u8::try_from(l).ok()),
    ) else {
        return Err(wrong(
            "cell and line are numbers, decimal or hexadecimal after 0x".to_owned(),
        ));
    };
    let shape = layout
        .chips
        .get(chip)
        .map_or((0, 0), |c| (c.words, c.width));
    explain::bit_owners(layout, &Owners::new(layout), chip, cell, line).ok_or_else(|| {
        wrong(format!(
            "the chip has {} cells of {} lines",
            shape.0, shape.1
        ))
    })
}

/// A parameter or check in every area that has it.
fn values(
    args: &Args,
    layout: &Layout,
    what: &str,
) -> Result<Vec<ValuePlace>, super::super::Failure> {
    let (wanted, key) = match what.rsplit_once('/') {
        Some((area, key)) => (Some(area), key),
        None => (None, what),
    };
    let mut out = Vec::new();
    let mut keys: Vec<&str> = Vec::new();
    for (i, area) in layout.areas.iter().enumerate() {
        if wanted.is_some_and(|w| w != area.name) {
            continue;
        }
        let parameter = area.parameter(key);
        let check = area.checks.iter().position(|c| c.key == key);
        keys.extend(area.parameters.iter().map(|p| p.key.as_str()));
        keys.extend(area.checks.iter().map(|c| c.key.as_str()));
        if parameter.is_none() && check.is_none() {
            continue;
        }
        let entry = entry(args, layout, i)?;
        out.extend(
            parameter
                .map(|p| explain::parameter_places(layout, i, p, entry))
                .into_iter()
                .flatten(),
        );
        out.extend(
            check
                .map(|c| explain::check_places(layout, i, c, entry))
                .into_iter()
                .flatten(),
        );
    }
    if out.is_empty() {
        let near = layout::nearest_name(key, keys).map(str::to_owned);
        return Err(MapError::NoKey {
            key: what.to_owned(),
            near,
        }
        .into());
    }
    Ok(out)
}

fn show_value(value: &ValuePlace) {
    let copy = value
        .copy
        .as_ref()
        .map_or_else(String::new, |c| format!(", copy {c}"));
    let label = if value.label.is_empty() {
        String::new()
    } else {
        format!(" ({})", value.label)
    };
    say!(
        "{} {}{label} of {}, {}{copy}",
        value.what,
        value.key,
        value.area,
        value.entry
    );
    say!("  {}", explain::runs(&value.bits));
    // Characters of a text follow each other, each with its highest bit first.
    let highest = value.bits.first().map_or(0, |b| b.bit);
    let several = value.bits.iter().filter(|b| b.bit == highest).count() > 1;
    let mut character = 0;
    for b in &value.bits {
        if several && b.bit == highest {
            character += 1;
            say!("  character {character}");
        }
        let inverted = if b.inverted { "  held inverted" } else { "" };
        say!(
            "  code bit {:>2}  {}  cell {:#05x} ({})  D{}{inverted}",
            b.bit,
            b.chip,
            b.cell,
            b.cell,
            b.line
        );
    }
}

fn show_bit(bit: &BitOwners) {
    say!(
        "{}:{:#05x}:{} is {}",
        bit.chip,
        bit.cell,
        bit.line,
        match bit.class.as_str() {
            "unknown" => "unknown: nobody claims it, and it is kept as it is".to_owned(),
            "absent" => "absent: it does not exist or is tied off".to_owned(),
            class => format!("a {class} bit"),
        }
    );
    for owner in &bit.owners {
        say!("  {}", owner_words(owner));
    }
    for check in &bit.checks {
        say!("  counted in by {check}");
    }
}

fn owner_words(owner: &BitOwner) -> String {
    let mut out = format!("bit {} of {}", owner.bit, owner.key);
    if let Some(character) = owner.character {
        out += &format!(", character {}", character + 1);
    }
    match &owner.entry {
        Some(entry) if *entry != owner.area => out += &format!(", {} {entry}", owner.area),
        Some(_) => out += &format!(", {}", owner.area),
        None => out += &format!(", all of {}", owner.area),
    }
    if let Some(copy) = &owner.copy {
        out += &format!(", copy {copy}");
    }
    if owner.inverted {
        out += ", held inverted";
    }
    if let Some(when) = &owner.when {
        out += &format!(", {when}");
    }
    if owner.alias {
        out += ", as an alias";
    }
    out
}
