//! `layout list`: the layouts there are, and where.

use super::super::output::{counted, print_text, say};
use super::super::{Outcome, Status};
use crate::document::to_json;
use crate::layout;
use crate::layout::model::{Area, Layout};
use crate::layout::report::{LayoutList, ListedLayout};

/// List the layouts there are.
#[derive(clap::Args)]
#[command(after_help = "\
Examples:
  cellkeep layout list
  cellkeep layout list --json")]
pub(crate) struct Args {
    /// Print a JSON document instead of text
    #[arg(long)]
    json: bool,
}

pub(crate) fn run(args: &Args) -> Outcome {
    let mut layouts = Vec::new();
    for listed in layout::list()? {
        let name = match &listed.path {
            Some(path) => path.to_string_lossy().into_owned(),
            None => listed.id.clone(),
        };
        // A built-in layout that the user's folder hides cannot be asked for by its id.
        let (known, errors) = match listed.hidden {
            true => (None, 0),
            false => {
                let checked = layout::check_named(&name)?;
                let errors = checked.problems.errors();
                (checked.layout, errors)
            }
        };
        layouts.push(ListedLayout {
            id: listed.id,
            name: known.as_ref().map(|l| l.name.clone()),
            revision: known.as_ref().map(|l| l.revision.clone()),
            path: listed.path.map(|p| p.to_string_lossy().into_owned()),
            hidden: listed.hidden,
            chips: known.as_ref().map(chips).unwrap_or_default(),
            areas: known
                .map(|l| l.areas.iter().map(area).collect())
                .unwrap_or_default(),
            errors,
        });
    }
    let document = LayoutList {
        folder: layout::user_folder().map(|f| f.to_string_lossy().into_owned()),
        layouts,
    };
    let broken = document.layouts.iter().any(|l| l.errors > 0);
    if args.json {
        print_text(&to_json(&document)?);
    } else {
        show(&document);
    }
    Ok(if broken {
        Status::Findings
    } else {
        Status::Clean
    })
}

fn show(document: &LayoutList) {
    for l in &document.layouts {
        let place = match &l.path {
            Some(path) => path.clone(),
            None if l.hidden => "built in; hidden by the file of the same name".to_owned(),
            None => "built in".to_owned(),
        };
        match &l.name {
            Some(name) => {
                let revision = l.revision.as_deref().unwrap_or_default();
                say!("{:<20} {name}, revision {revision} ({place})", l.id);
                say!("{:<20}   {}", "", l.chips.join(", "));
                for area in &l.areas {
                    say!("{:<20}   {area}", "");
                }
            }
            None if l.errors > 0 => {
                say!("{:<20} {} ({place})", l.id, counted(l.errors, "error"));
            }
            None => say!("{:<20} ({place})", l.id),
        }
    }
    if let Some(folder) = &document.folder {
        say!("your own layouts are looked for in {folder}");
    }
    say!("next: cellkeep layout map LAYOUT shows one; cellkeep layout new begins your own");
}

/// "4 chips of 1024 x 1, CH12 4096 x 1".
fn chips(layout: &Layout) -> Vec<String> {
    let mut groups: Vec<((u32, u8), Vec<&str>)> = Vec::new();
    for chip in &layout.chips {
        let shape = (chip.words, chip.width);
        match groups.iter_mut().find(|g| g.0 == shape) {
            Some(group) => group.1.push(&chip.id),
            None => groups.push((shape, vec![&chip.id])),
        }
    }
    groups
        .into_iter()
        .map(|((words, width), ids)| format!("{words} x {width}: {}", ids.join(" ")))
        .collect()
}

fn area(area: &Area) -> String {
    let axes: Vec<String> = area
        .axes
        .iter()
        .map(|x| format!("{} {}", x.count(), x.name))
        .collect();
    let shape = if axes.is_empty() {
        "once".to_owned()
    } else {
        axes.join(" x ")
    };
    let parameters = counted(area.parameters.len(), "parameter");
    format!("{}: {shape}, {parameters}", area.name)
}
