//! Mending tried on the demonstration dumps, whose truth is known: what was damaged is the first read of today.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod applying;
mod copies;
mod evidence;
mod hand;
mod places;
mod whose;

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use cellkeep::codec::Memory;
use cellkeep::examine::examine;
use cellkeep::layout::{self, model::Layout};
use cellkeep::mend::{self, MendError, MendPlan, Sources};
use cellkeep::reading::{self, Reading, ReadingSpec};

/// A demonstration dump by its path below `demo-dumps`.
fn dump(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("demo-dumps")
        .join(path)
}

/// An instrument of the demonstration with one of its damaged readings.
struct Case {
    layout: Layout,
    truth: Reading,
    damaged: Reading,
    earlier: Reading,
}

fn load(layout: &Layout, path: &Path) -> Reading {
    reading::load(&ReadingSpec::path(path), Some(layout))
        .unwrap_or_else(|e| panic!("{}: {e}", path.display()))
        .aligned(layout)
}

impl Case {
    fn new(instrument: &str, damage: &str) -> Self {
        let layout = layout::load(instrument).expect("a layout of ours");
        let load = |of: &str| load(&layout, &dump(&format!("{instrument}/{of}")));
        Self {
            truth: load("today-1"),
            damaged: load(&format!("damaged/{damage}")),
            earlier: load("earlier"),
            layout,
        }
    }

    fn plan(&self, sources: &Sources) -> Result<MendPlan, MendError> {
        let earlier = sources.earlier.as_ref().map(|e| &e.1);
        let examined = examine(&self.damaged, Some(&self.layout), earlier).expect("it fits");
        mend::propose(&self.layout, "damaged", &self.damaged, &examined, sources)
    }

    fn earlier(&self) -> Option<(String, Reading)> {
        Some(("earlier".to_owned(), self.earlier.clone()))
    }

    /// Proposals at least this sure, and how many of them are wrong.
    fn judged(&self, plan: &MendPlan, least: f64) -> (usize, usize) {
        let truth = Memory::of(&self.layout, &self.truth).expect("it fits");
        let (mut all, mut wrong) = (0, 0);
        for p in plan.proposals.iter().filter(|p| p.probability >= least) {
            let area = self.layout.area(&p.area).expect("an area");
            let entry = (0..area.entries())
                .find(|e| area.entry_label(*e) == p.entry)
                .expect("an entry");
            let parameter = &area.parameters[area.parameter(&p.parameter).expect("a parameter")];
            let field = parameter.fields.start + p.character.map_or(0, |c| c - 1);
            all += 1;
            wrong += usize::from(truth.gather(area.field_places(entry, field)).0 != p.code);
        }
        (all, wrong)
    }
}

/// The program, in a folder.
fn program(folder: &Path, args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_cellkeep"))
        .args(args)
        .current_dir(folder)
        .output()
        .expect("the program runs")
}

fn said(output: &Output) -> String {
    let both = [&output.stdout[..], &output.stderr[..]].concat();
    String::from_utf8(both).expect("plain text")
}
