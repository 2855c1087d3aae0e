//! Sheets without a browser: size, escaping, what is arranged where, and the command's manners.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod builder;
mod demo;

use std::path::Path;
use std::process::{Command, Output};

use builder::{hand_group, mark, page, small_panel, subject};
use cellkeep::bank::{Bank, Decoded};
use cellkeep::finding::{CellRun, ChipPlace, Finding, Severity};
use cellkeep::sheet::arrange::{Source, pages};
use cellkeep::sheet::patch::{Options, patch};
use cellkeep::sheet::report::{Report, report};
use cellkeep::sheet::view::{Mark, Page};
use cellkeep::sheet::{Paper, memory};

const EVIL: &str = "<script>alert('x')</script>&\"\u{1b}[2J";

/// The worst case of the stated size: 64 presets of a panel of 20 controls whose six voices all differ.
#[test]
fn sixty_four_presets_of_six_voices_stay_under_two_megabytes() {
    let panel = small_panel();
    let pages: Vec<Page> = (0..64).map(|p| page(&panel, p, 6, 1)).collect();
    let sheet = patch(&subject("Six voices"), &pages, Options::default());
    assert!(sheet.html.len() < 2_000_000, "{} bytes", sheet.html.len());
    assert_eq!(sheet.html.matches("<section class=\"preset\"").count(), 64);
}

/// Nothing a document shows may act: names, notes and labels are text.
#[test]
fn text_from_dumps_and_notes_is_escaped() {
    let mut one = page(&small_panel(), 0, 1, 1);
    one.name = EVIL.to_owned();
    one.title = EVIL.to_owned();
    one.remarks = vec![EVIL.to_owned()];
    one.groups[0].heading = EVIL.to_owned();
    one.groups[0].items[0].label = EVIL.to_owned();
    one.groups[0].items[0].values[0].stand.setting = EVIL.to_owned();
    let mut about = subject(EVIL);
    about.facts.push((EVIL.to_owned(), EVIL.to_owned()));
    let patches = patch(&about, &[one.clone(), one], Options::default());
    let told = Report {
        subject: about.clone(),
        complaint: Some(EVIL.to_owned()),
        notes: vec![EVIL.to_owned()],
        findings: vec![Finding::new("x.y", Severity::Damage, EVIL)],
        ..Report::default()
    };
    let mut layout = demo::layout("quillon-72");
    layout.name = EVIL.to_owned();
    layout.chips[0].id = EVIL.to_owned();
    layout.areas[0].name = EVIL.to_owned();
    layout.areas[0].parameters[0].label = EVIL.to_owned();
    let source = memory::Source {
        layout: &layout,
        reading: None,
        before: None,
        findings: &[],
    };
    for html in [
        patches.html,
        report(&told, Paper::A4).html,
        memory::memory(&about, source, Paper::A4).html,
    ] {
        assert!(!html.contains("<script>alert") && !html.contains('\u{1b}'));
        assert!(
            !html.contains("&\""),
            "a quotation mark that ends an attribute"
        );
        assert!(html.contains("&lt;script&gt;alert"));
    }
}

/// Self-contained: no address of anything outside the file.
#[test]
fn a_sheet_needs_nothing_beside_it() {
    let layout = demo::layout("wrenfield-strings");
    for html in [
        demo::patch_sheet(&layout, "today-1", Options::default(), None).html,
        demo::comparison_sheet(&layout, "earlier", "today-1").html,
        demo::memory_sheet(&layout, "today-1", "earlier").html,
    ] {
        for outside in [
            "http:", "https:", "src=", "@import", "<link", "url(\"", "file:",
        ] {
            let found = html.replace("http://www.w3.org/2000/svg", "");
            assert!(!found.contains(outside), "{outside}");
        }
    }
}

fn arranged(id: &str, which: &str, findings: &[Finding]) -> Vec<Page> {
    let layout = demo::layout(id);
    let decoded = Decoded::new(&layout, &demo::load(&layout, which)).unwrap();
    let bank = Bank::new(&decoded);
    pages(Source {
        layout: &layout,
        bank: &bank,
        findings,
        form: None,
        only: None,
    })
}

/// A page a preset, then the areas that have none; a control of four voices is one where they agree.
#[test]
fn presets_come_first_and_voices_that_agree_share_a_control() {
    let pages = arranged("aldermoor-four", "today-1", &[]);
    let titles: Vec<&str> = pages.iter().map(|p| p.title.as_str()).collect();
    assert_eq!(titles.len(), 16);
    assert_eq!((titles[0], titles[15]), ("Preset 1", "Preset 16"));
    let values = |p: &Page| -> Vec<usize> {
        let items = p.groups.iter().flat_map(|g| &g.items);
        items.map(|i| i.values.len()).collect()
    };
    assert!(
        pages
            .iter()
            .any(|p| values(p).iter().all(|n| *n == 1 || *n == 4))
    );
    for page in &pages {
        for item in page.groups.iter().flat_map(|g| &g.items) {
            let named = item.values.iter().all(|v| !v.of.is_empty());
            assert_eq!(item.values.len() > 1, named, "{}", item.label);
        }
    }
    let sequence = arranged("quillon-72", "today-1", &[]);
    assert_eq!(sequence[0].strips[0].labels.len(), 72);
    assert_eq!(sequence[0].strips[0].labels[71], "72");
}

/// An unknown bit takes the pointer away, and a finding marks what it names.
#[test]
fn unknown_and_suspect_values_are_marked() {
    let layout = demo::layout("pellow-six");
    let mut reading = demo::load(&layout, "today-1");
    // Preset 12 begins at 20h + 30; its byte 12 is made unread.
    for line in 0..8 {
        reading.chips[0].image.set_bit(0x20 + 30 + 12, line, None);
    }
    let decoded = Decoded::new(&layout, &reading).unwrap();
    let mut bank = Bank::new(&decoded);
    // What an edit changed, and what a person entered in place of what was damaged.
    for (key, origin) in [
        ("filter-env.decay", "set"),
        ("filter-env.attack", "entered by hand"),
    ] {
        let area = bank.areas.iter_mut().find(|a| a.name == "presets").unwrap();
        let entry = area.entries.iter_mut().find(|e| e.at == ["14"]).unwrap();
        let mut values = entry.parameters.iter_mut();
        let value = values.find(|v| *v.key == *key).unwrap();
        value.origin = Some(origin.to_owned());
    }
    let mut finding = Finding::new("field.odd", Severity::Caution, "odd");
    finding.place.entries = vec!["preset 13".to_owned()];
    finding.place.parameters = vec!["filter-env.decay".to_owned()];
    let pages = pages(Source {
        layout: &layout,
        bank: &bank,
        findings: &[finding],
        form: None,
        only: None,
    });
    let value = |preset: &str, group: &str, label: &str| {
        let page = pages.iter().find(|p| p.title == preset).unwrap();
        let group = page.groups.iter().find(|g| g.heading == group).unwrap();
        let item = group.items.iter().find(|i| i.label == label).unwrap();
        item.values[0].clone()
    };
    // Byte 12, bits 6 to 0, is the attack of the filter envelope.
    let attack = value("Preset 12", "Filter envelope", "Attack");
    assert_eq!(attack.marks, [Mark::Unknown]);
    assert_eq!(
        (attack.stand.number, attack.stand.setting.as_str()),
        (None, "")
    );
    assert_eq!(value("Preset 11", "Filter envelope", "Attack").marks, []);
    assert_eq!(
        value("Preset 13", "Filter envelope", "Decay").marks,
        [Mark::Suspect]
    );
    assert_eq!(value("Preset 13", "Filter envelope", "Attack").marks, []);
    let entered = value("Preset 14", "Filter envelope", "Attack");
    assert_eq!(entered.marks, [Mark::Entered]);
    let set = value("Preset 14", "Filter envelope", "Decay");
    assert_eq!(set.marks, [Mark::Edited]);
}

/// Every mark is told by a shape and a word.
#[test]
fn marks_have_a_shape_and_a_word() {
    let mut one = page(&small_panel(), 0, 1, 1);
    one.groups.push(hand_group());
    mark(&mut one);
    let html = patch(&subject("x"), &[one], Options::default()).html;
    for word in [
        "unknown",
        "suspect",
        "illegal",
        "mended",
        "entered",
        "edited",
        "settled",
        "by hand",
        "not in use",
    ] {
        let told = format!("</svg>{word}</span>");
        assert!(html.contains(&told), "{word}");
    }
}

/// A finding's cells are framed where they lie: 200h to 2FFh of a 2048 x 8 chip, 64 columns wide, are four rows.
#[test]
fn findings_are_framed_in_the_memory_picture() {
    let layout = demo::layout("pellow-six");
    let reading = demo::load(&layout, "today-1").aligned(&layout);
    let mut finding = Finding::new("cells.odd", Severity::Damage, "odd cells");
    finding.place.chips = vec![ChipPlace {
        chip: "IC14".to_owned(),
        data_lines: vec![5],
        cells: vec![CellRun {
            first: 0x200,
            last: 0x2ff,
        }],
        ..ChipPlace::default()
    }];
    let source = memory::Source {
        layout: &layout,
        reading: Some(&reading),
        before: None,
        findings: &[finding],
    };
    let html = memory::memory(&subject("x"), source, Paper::A4).html;
    assert_eq!(
        html.matches("d=\"M0 8h64v4h-64z\"").count(),
        1,
        "on D5 alone"
    );
}

fn cellkeep(folder: &Path, arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_cellkeep"))
        .current_dir(folder)
        .args(arguments)
        .output()
        .unwrap()
}

#[test]
fn the_command_writes_once_and_says_what_is_next() {
    let folder = tempfile::tempdir().unwrap();
    let reading = demo::folder("wrenfield-strings").join("today-1");
    let reading = reading.to_str().unwrap();
    let call = [
        "sheet",
        "patch",
        reading,
        "-l",
        "wrenfield-strings",
        "--paper",
        "letter",
        "-o",
        "w.html",
    ];
    let first = cellkeep(folder.path(), &call);
    assert_eq!(first.status.code(), Some(0));
    let said = String::from_utf8(first.stdout).unwrap();
    assert!(
        said.ends_with("it prints on 16 pages of Letter\n"),
        "{said}"
    );
    let again = cellkeep(folder.path(), &call);
    assert_eq!(again.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&again.stderr).contains("--replace"));
    let replaced = cellkeep(folder.path(), &[&call[..], &["--replace"]].concat());
    assert_eq!(replaced.status.code(), Some(0));
    let html = std::fs::read_to_string(folder.path().join("w.html")).unwrap();
    assert!(
        html.contains("From today-1") && !html.contains(reading),
        "no path is printed"
    );
}

#[test]
fn bad_calls_are_refused_with_their_reason() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("bank.json"), "{\"kind\": \"reading\"}").unwrap();
    std::fs::write(folder.path().join("r.toml"), "form = \"hand-set\"\n").unwrap();
    let refused = |arguments: &[&str], reason: &str| {
        let out = cellkeep(folder.path(), arguments);
        let said = String::from_utf8_lossy(&out.stderr).into_owned();
        assert_eq!(out.status.code(), Some(2), "{arguments:?}: {said}");
        assert!(said.contains(reason), "{arguments:?}: {said}");
        assert!(
            !folder.path().join("x.html").exists(),
            "nothing is left behind"
        );
    };
    refused(
        &["sheet", "patch", "bank.json", "-o", "x.html"],
        "not a bank",
    );
    refused(
        &[
            "sheet",
            "patch",
            "nowhere",
            "-l",
            "pellow-six",
            "-o",
            "x.html",
        ],
        "nowhere",
    );
    refused(
        &["sheet", "form", "no-such-layout", "-o", "x.html"],
        "no-such-layout",
    );
    let reading = demo::folder("pellow-six").join("today-1");
    let reading = reading.to_str().unwrap();
    refused(
        &[
            "sheet",
            "patch",
            reading,
            "-l",
            "pellow-six",
            "--per-page",
            "9",
            "-o",
            "x.html",
        ],
        "--per-page",
    );
    refused(
        &[
            "sheet",
            "patch",
            reading,
            "-l",
            "pellow-six",
            "--only",
            "preset=99",
            "-o",
            "x.html",
        ],
        "99",
    );
    refused(
        &[
            "sheet",
            "patch",
            reading,
            "-l",
            "pellow-six",
            "--hand-set",
            "r.toml",
            "-o",
            "x.html",
        ],
        "form",
    );
}

/// The report counts what does not read as written. Here by hand: ones in the exclusive-or of two raw dumps of
/// Pellow Six, all of whose 2048 x 8 bits exist.
#[test]
fn the_report_says_what_was_not_restored() {
    let folder = tempfile::tempdir().unwrap();
    let dumps = demo::folder("pellow-six");
    let dump = |name: &str| dumps.join(name).to_str().unwrap().to_owned();
    let run = |arguments: &[&str]| {
        let out = cellkeep(folder.path(), arguments);
        let said = String::from_utf8_lossy(&out.stderr).into_owned();
        assert_eq!(out.status.code(), Some(0), "{arguments:?}: {said}");
    };
    std::fs::write(
        folder.path().join("service.toml"),
        "form = \"service\"\nexceptions = [\"Preset 44 <i>kept</i> as found\"]\n[fitted]\nvoltage = \"3.21 V\"\n",
    )
    .unwrap();
    run(&["shelf", "set-up", "--at", "shelf"]);
    let shelf = ["--at", "shelf", "--by", "bench"];
    let with = |arguments: &[&str]| run(&[arguments, &shelf[..]].concat());
    let (written, read) = (dump("today-1"), dump("damaged/sagging"));
    with(&[
        "shelf",
        "open",
        "--name",
        "job",
        "--instrument",
        "Pellow Six",
        "--layout",
        "pellow-six",
        "--complaint",
        "<b>Loses</b> presets",
        "--as-found",
        &written,
    ]);
    with(&["shelf", "put", "job", "--as", "read-back", &read]);
    with(&["shelf", "put", "job", "--as", "paper", "service.toml"]);
    with(&["shelf", "note", "job", "Ours alone"]);
    with(&[
        "shelf",
        "note",
        "job",
        "Told to the owner",
        "--for-customer",
    ]);
    run(&[
        "sheet",
        "report",
        "job",
        "--shelf",
        "shelf",
        "-o",
        "report.html",
    ]);
    let html = std::fs::read_to_string(folder.path().join("report.html")).unwrap();

    let bytes = |folder: &str| {
        let mut files = std::fs::read_dir(folder).unwrap();
        std::fs::read(files.next().unwrap().unwrap().path()).unwrap()
    };
    let (one, other) = (bytes(&written), bytes(&read));
    assert_eq!((one.len(), other.len()), (2048, 2048), "raw dumps");
    let wrong: u32 = one
        .iter()
        .zip(&other)
        .map(|(a, b)| (a ^ b).count_ones())
        .sum();
    assert!(wrong > 0);
    assert!(html.contains(&format!("{wrong} of 16384 bits do not read as written")));
    for told in [
        "3.21 V",
        "Told to the owner",
        "&lt;b&gt;Loses&lt;/b&gt;",
        "&lt;i&gt;kept&lt;/i&gt;",
    ] {
        assert!(html.contains(told), "{told}");
    }
    assert!(
        !html.contains("Ours alone"),
        "the shop's own notes stay there"
    );
}
