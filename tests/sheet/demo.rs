//! The demonstration instruments' readings, decoded for sheets.

#![allow(dead_code)]

use std::path::{Path, PathBuf};

use cellkeep::bank::{Bank, Decoded, findings};
use cellkeep::compare::compare;
use cellkeep::hand_set::read_form;
use cellkeep::layout::{self, model::Layout};
use cellkeep::reading::{self, Reading, ReadingSpec};
use cellkeep::sheet::arrange::{Source, pages};
use cellkeep::sheet::patch::{Options, patch};
use cellkeep::sheet::view::Subject;
use cellkeep::sheet::{self, Paper, Sheet};

/// The instruments with dumps.
pub(crate) const INSTRUMENTS: [&str; 6] = [
    "aldermoor-four",
    "aldermoor-eight",
    "pellow-six",
    "quillon-72",
    "wrenfield-strings",
    "tessaly-nine",
];

pub(crate) fn folder(instrument: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("demo-dumps")
        .join(instrument)
}

pub(crate) fn load(layout: &Layout, which: &str) -> Reading {
    let spec = ReadingSpec::path(folder(&layout.id).join(which));
    reading::load(&spec, Some(layout)).unwrap_or_else(|e| panic!("{which}: {e}"))
}

pub(crate) fn subject(layout: &Layout, which: &str) -> Subject {
    Subject {
        instrument: layout.name.clone(),
        facts: vec![("Reading".to_owned(), which.to_owned())],
    }
}

/// Entries by area, as a selection of presets.
pub(crate) type Only = Vec<(usize, Vec<usize>)>;

/// The first presets, and every area without presets.
pub(crate) fn first_presets(layout: &Layout, count: usize) -> Only {
    let entries = |area: &cellkeep::layout::model::Area| {
        let axis = area.axes.iter().position(|a| a.name == "preset");
        (0..area.entries())
            .filter(|&e| axis.is_none_or(|a| area.indices(e)[a] < count))
            .filter(|_| axis.is_some() || layout.id == "quillon-72")
            .collect()
    };
    layout.areas.iter().map(entries).enumerate().collect()
}

pub(crate) fn patch_sheet(
    layout: &Layout,
    which: &str,
    options: Options,
    only: Option<&Only>,
) -> Sheet {
    let decoded = Decoded::new(layout, &load(layout, which)).unwrap();
    let bank = Bank::new(&decoded);
    let found = findings(&decoded);
    let form = std::fs::read_to_string(folder(&layout.id).join("hand-set.toml")).unwrap();
    let (form, _) = read_form(layout, &form).unwrap();
    let pages = pages(Source {
        layout,
        bank: &bank,
        findings: &found,
        form: Some(&form),
        only: only.map(Vec::as_slice),
    });
    patch(&subject(layout, which), &pages, options)
}

pub(crate) fn comparison_sheet(layout: &Layout, before: &str, after: &str) -> Sheet {
    let before = Decoded::new(layout, &load(layout, before)).unwrap();
    let after = Decoded::new(layout, &load(layout, after)).unwrap();
    let result = compare(&before, &after);
    sheet::compare::comparison(
        &subject(layout, "earlier and today-1"),
        layout,
        &result,
        Paper::A4,
    )
}

pub(crate) fn memory_sheet(layout: &Layout, which: &str, before: &str) -> Sheet {
    let before = load(layout, before).aligned(layout);
    let reading = load(layout, which).aligned(layout);
    let source = sheet::memory::Source {
        layout,
        reading: Some(&reading),
        before: Some(&before),
        findings: &[],
    };
    sheet::memory::memory(&subject(layout, which), source, Paper::A4)
}

pub(crate) fn layout(id: &str) -> Layout {
    layout::load(id).unwrap_or_else(|e| panic!("{id}: {e}"))
}

/// The damaged readings of an instrument, by name.
pub(crate) fn damaged(instrument: &str) -> Vec<String> {
    let folder = folder(instrument).join("damaged");
    let mut names: Vec<String> = std::fs::read_dir(folder)
        .unwrap()
        .map(|e| e.unwrap().file_name().into_string().unwrap())
        .collect();
    names.sort();
    names
}
