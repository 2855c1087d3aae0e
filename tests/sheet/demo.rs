//! The demonstration instruments' readings, decoded for sheets.

#![allow(dead_code)]

use std::path::{Path, PathBuf};

use cellkeep::bank::{Bank, Decoded, findings};
use cellkeep::caution;
use cellkeep::compare::{compare, verify::verify};
use cellkeep::hand_set::read_form;
use cellkeep::layout::{self, model::Layout};
use cellkeep::reading::{self, Reading, ReadingSpec};
use cellkeep::service;
use cellkeep::sheet::arrange::{Source, pages};
use cellkeep::sheet::patch::{Options, patch};
use cellkeep::sheet::report::{Changed, ReadingLine, Report};
use cellkeep::sheet::view::Subject;
use cellkeep::sheet::{self, Paper, Sheet};
use cellkeep::tally;

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

/// Plots of everything: three reads that differ, and what became of an earlier reading.
pub(crate) fn plots_sheet(layout: &Layout) -> Sheet {
    let names = [
        "damaged/contact-1",
        "damaged/contact-2",
        "damaged/contact-3",
    ];
    let reads: Vec<Reading> = names
        .iter()
        .map(|n| load(layout, n).aligned(layout))
        .collect();
    let today = load(layout, "today-1").aligned(layout);
    let earlier = load(layout, "earlier").aligned(layout);
    let told = sheet::plots::Plots {
        histograms: tally::histograms(&Decoded::new(layout, &today).unwrap()),
        dissent: Some((
            names.map(str::to_owned).to_vec(),
            tally::dissent(&reads.iter().collect::<Vec<_>>()),
        )),
        directions: tally::directions(&earlier, &today),
    };
    sheet::plots::plots(&subject(layout, "three reads"), &told, Paper::A4)
}

/// A report with something under every heading.
pub(crate) fn report_sheet(layout: &Layout) -> Sheet {
    let decoded = |which: &str| Decoded::new(layout, &load(layout, which)).unwrap();
    let form = std::fs::read_to_string(folder(&layout.id).join("hand-set.toml")).unwrap();
    let (form, findings) = read_form(layout, &form).unwrap();
    let record = "form = \"service\"\nwork = [\"Battery changed\"]\n\
                  [found]\nbattery = \"3 x NiCd\"\n[fitted]\nvoltage = \"3.2 V\"\n";
    let told = Report {
        subject: subject(layout, "today-1"),
        complaint: Some("Loses its presets over night".to_owned()),
        notes: vec!["Two presets had been saved over in June.".to_owned()],
        record: Some(service::read(record).unwrap()),
        readings: vec![ReadingLine {
            what: "as-found: a reading as the instrument came in".to_owned(),
            files: vec![("CH12.bin".to_owned(), "0123456789abcdef".repeat(4))],
        }],
        examined: true,
        findings,
        losses: vec![cellkeep::mend::Loss {
            area: "presets".to_owned(),
            entry: "preset 5".to_owned(),
            parameter: "filter.cutoff".to_owned(),
            lost: "2 of 6 bits".to_owned(),
        }],
        verified: Some(verify(&decoded("today-1"), &decoded("read-back"))),
        verified_names: ("as-found".to_owned(), "read-back".to_owned()),
        not_read_back: vec!["as-written/edited".to_owned()],
        changed: vec![Changed {
            entry: "preset 3".to_owned(),
            label: "Filter: Cutoff".to_owned(),
            setting: "412 Hz".to_owned(),
            origin: "mended".to_owned(),
        }],
        hand_set: sheet::arrange::hand_set(layout, Some(&form)),
        cautions: caution::pick(&["primary-lithium", "mains"]),
    };
    sheet::report::report(&told, Paper::Letter)
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
