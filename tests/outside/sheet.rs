//! Sheets in a real browser: Chromium through playwright-core, axe-core, and the Nu HTML checker.
//!
//! What is right is said by others: WCAG 2 as axe-core reads it, the HTML standard as the Nu checker (vnu) reads
//! it, page counts as poppler's `pdfinfo` counts them, and dial angles by arithmetic done here from the stored
//! codes and the convention written in DEVELOPERS.md (300 degrees, 0 at 150 left of the top).

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

#[path = "../sheet/builder.rs"]
mod builder;
#[path = "../sheet/demo.rs"]
mod demo;

use std::path::{Path, PathBuf};
use std::process::Command;

use builder::*;
use cellkeep::sheet::patch::{Options, patch};
use cellkeep::sheet::{Paper, Sheet};
use serde_json::Value as Json;

/// Where `tests/run` puts the node packages.
fn node_folder() -> PathBuf {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/.cache/node");
    assert!(
        folder.join("node_modules/playwright-core").is_dir(),
        "the browser checks need node packages: run tests/run, or\n  mkdir -p tests/.cache/node && \
         cp tests/outside/package*.json tests/.cache/node && npm ci --prefix tests/.cache/node"
    );
    folder
}

/// A program of Debian, or how to get it.
fn program(names: &[&str], package: &str) -> PathBuf {
    let path = std::env::var_os("PATH").unwrap_or_default();
    std::env::split_paths(&path)
        .flat_map(|folder| names.iter().map(move |n| folder.join(n)))
        .find(|p| p.is_file())
        .unwrap_or_else(|| panic!("{names:?} is missing: apt-get install {package}"))
}

fn run(command: &mut Command) -> String {
    let out = command.output().expect("the program starts");
    assert!(
        out.status.success(),
        "{command:?} failed:\n{}{}",
        String::from_utf8_lossy(&out.stdout),
        String::from_utf8_lossy(&out.stderr)
    );
    String::from_utf8(out.stdout).expect("text")
}

/// A folder of sheets to look at together.
struct Bench {
    folder: tempfile::TempDir,
    files: Vec<PathBuf>,
}

impl Bench {
    fn new() -> Self {
        Self {
            folder: tempfile::tempdir().unwrap(),
            files: Vec::new(),
        }
    }

    fn put(&mut self, name: &str, html: &str) {
        let path = self.folder.path().join(name);
        std::fs::write(&path, html).unwrap();
        self.files.push(path);
    }

    /// What the browser saw, by file name.
    fn look(&self) -> Json {
        let report = run(Command::new(program(&["node"], "nodejs"))
            .arg(Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/outside/sheet.mjs"))
            .arg(node_folder())
            .arg(program(&["chromium", "chromium-browser"], "chromium"))
            .args(&self.files));
        let report: Json = serde_json::from_str(&report).unwrap();
        let by_name = self.files.iter().map(|f| {
            let name = f.file_name().unwrap().to_str().unwrap().to_owned();
            (name, report[f.to_str().unwrap()].clone())
        });
        Json::Object(by_name.collect())
    }

    /// Messages of the Nu HTML checker.
    fn validate(&self) -> Vec<String> {
        let jar = node_folder().join("node_modules/vnu-jar/build/dist/vnu.jar");
        let out = Command::new(program(&["java"], "default-jre-headless"))
            .arg("-jar")
            .arg(jar)
            .args(["--format", "json", "--exit-zero-always"])
            .args(&self.files)
            .output()
            .unwrap();
        let text = [out.stdout, out.stderr].concat();
        let report: Json = serde_json::from_slice(&text).expect("the checker's JSON");
        let messages = report["messages"].as_array().expect("messages");
        messages.iter().map(Json::to_string).collect()
    }

    /// Pages of the PDF that the browser printed beside a sheet.
    fn pdf_pages(&self, name: &str) -> usize {
        let pdf = self.folder.path().join(name.replace(".html", ".pdf"));
        let text = run(Command::new(program(&["pdfinfo"], "poppler-utils")).arg(pdf));
        let line = text
            .lines()
            .find(|l| l.starts_with("Pages:"))
            .expect("Pages");
        line[6..].trim().parse().unwrap()
    }
}

fn strings(list: &Json) -> Vec<&str> {
    list.as_array()
        .expect("a list")
        .iter()
        .filter_map(Json::as_str)
        .collect()
}

/// Everything a browser, axe-core and the layout complain of.
fn faults(name: &str, seen: &Json) -> Vec<String> {
    let mut all = Vec::new();
    let mut add = |what: &str, list: &Json| {
        all.extend(strings(list).iter().map(|f| format!("{name}: {what}: {f}")));
    };
    add("console", &seen["console"]);
    add("network", &seen["requests"]);
    for (view, faults) in seen["axe"].as_object().unwrap() {
        add(&format!("axe-core, {view}"), faults);
    }
    let views = seen["layout"].as_object().unwrap();
    assert_eq!(views.len(), 5, "wide, dark, narrow, zoomed, print");
    for (view, faults) in views {
        add(&format!("layout, {view}"), faults);
    }
    let keys = &seen["keyboard"];
    if keys["wanted"] != keys["reached"] || keys["ringless"] != 0 {
        all.push(format!("{name}: keyboard: {keys}"));
    }
    all
}

fn assert_sound(seen: &Json) {
    let seen = seen.as_object().unwrap();
    let all: Vec<String> = seen.iter().flat_map(|(n, s)| faults(n, s)).collect();
    assert!(all.is_empty(), "{}", all.join("\n"));
}

#[test]
fn patch_sheets_are_sound_on_screen_and_paper() {
    let small = small_panel();
    let mut pages: Vec<_> = (0..6).map(|p| page(&small, p, 1, 1)).collect();
    for p in &mut pages {
        p.groups.push(hand_group());
    }
    mark(&mut pages[1]);
    pages[1].name = "<script>alert(1)</script>".to_owned();
    pages[1].remarks = vec!["The check fails: <b>stored</b> 3A, computed 3B.".to_owned()];
    let voices: Vec<_> = (0..3).map(|p| page(&small, p, 4, 3)).collect();
    let large = vec![page(&large_panel(), 0, 1, 1)];
    let sheets: Vec<(&str, Sheet)> = vec![
        ("a4.html", &pages, Paper::A4, 1),
        ("letter.html", &pages, Paper::Letter, 1),
        ("two.html", &pages, Paper::A4, 2),
        ("four.html", &pages, Paper::A4, 4),
        ("voices.html", &voices, Paper::Letter, 1),
        ("large.html", &large, Paper::A4, 1),
    ]
    .into_iter()
    .map(|(name, pages, paper, per_page)| {
        let options = Options { paper, per_page };
        (name, patch(&subject("Pellow Six"), pages, options))
    })
    .collect();
    let mut bench = Bench::new();
    for (name, sheet) in &sheets {
        bench.put(name, &sheet.html);
    }
    assert_eq!(bench.validate(), Vec::<String>::new(), "valid HTML");
    let seen = bench.look();
    assert_sound(&seen);
    for (name, sheet) in &sheets {
        assert_eq!(seen[name]["scripts"], 0, "{name} needs no script");
        if let Some(pages) = sheet.pages {
            assert_eq!(bench.pdf_pages(name), pages, "{name}: printed pages");
        }
    }
    // One page a preset, and two where two were asked for: worked out by hand from the samples.
    assert_eq!(bench.pdf_pages("a4.html"), 6);
    assert_eq!(bench.pdf_pages("letter.html"), 6);
    assert_eq!(bench.pdf_pages("two.html"), 3);
    assert_eq!(bench.pdf_pages("voices.html"), 3);
    assert!(bench.pdf_pages("large.html") <= 4, "200 controls");
    let names: Vec<&str> = seen["a4.html"]["controls"]
        .as_array()
        .unwrap()
        .iter()
        .map(|c| c["preset"].as_str().unwrap())
        .collect();
    assert!(
        names.contains(&"Preset 2 <script>alert(1)</script>"),
        "shown as text"
    );

    // Pointers as laid out, against the codes beside them. Widths of the made-up panel, in bits.
    let bits = |label: &str| match label {
        "Pulse width" | "Fine tune" | "Cutoff" | "Resonance" | "Contour amount" | "Attack"
        | "Decay" | "Sustain" | "Release" | "Rate" | "Depth to pitch" | "Depth to filter" => {
            Some(6)
        }
        "Key follow" => Some(4),
        _ => None,
    };
    let mut checked = 0;
    for file in ["a4.html", "voices.html", "large.html"] {
        for control in seen[file]["controls"].as_array().unwrap() {
            let label = control["label"].as_str().unwrap();
            let Some(code) = control["code"].as_str().map(|c| c.parse::<f64>().unwrap()) else {
                continue;
            };
            let pointer = &control["pointers"][0];
            if let Some(bits) = bits(label) {
                let top = f64::from((1 << bits) - 1);
                let expected = code * 300.0 / top - 150.0;
                let seen = pointer["angle"].as_f64().unwrap();
                assert!((seen - expected).abs() < 0.01, "{file} {control}");
                checked += 1;
            }
            if label == "Wave" {
                // A selector with seven detents: 50 degrees from one to the next.
                let seen = pointer["angle"].as_f64().unwrap();
                assert!((seen - (code * 50.0 - 150.0)).abs() < 0.01, "{control}");
                checked += 1;
            }
            if label == "Level" {
                // A cap travels from 17 below the middle to 17 above.
                let seen = pointer["y"].as_f64().unwrap();
                assert!(
                    (seen - (17.0 - 34.0 * code / 63.0)).abs() < 0.01,
                    "{control}"
                );
                checked += 1;
            }
        }
    }
    assert!(checked > 200, "only {checked} pointers compared");
}

#[test]
fn the_other_sheets_of_demonstration_instruments_are_sound() {
    let mut bench = Bench::new();
    for (id, kinds) in [
        ("aldermoor-eight", "patch form report"),
        ("pellow-six", "patch compare plots"),
        ("quillon-72", "patch memory"),
        ("wrenfield-strings", "form memory"),
        ("tessaly-nine", "patch"),
    ] {
        let layout = demo::layout(id);
        for kind in kinds.split(' ') {
            let sheet = match kind {
                "patch" => {
                    let only = demo::first_presets(&layout, 2);
                    demo::patch_sheet(&layout, "today-1", Options::default(), Some(&only))
                }
                "compare" => demo::comparison_sheet(&layout, "earlier", "today-1"),
                "plots" => demo::plots_sheet(&layout),
                "report" => demo::report_sheet(&layout),
                "memory" => demo::memory_sheet(&layout, "today-1", "earlier"),
                _ => cellkeep::sheet::form::form(&layout, false, Paper::A4),
            };
            bench.put(&format!("{id}-{kind}.html"), &sheet.html);
        }
    }
    for (command, option, name) in [
        ("standby", "--plot", "quillon-72-standby.html"),
        ("plan", "--sheet", "quillon-72-plan.html"),
    ] {
        let path = bench.folder.path().join(name);
        let out = Command::new(env!("CARGO_BIN_EXE_cellkeep"))
            .args([command, "--layout", "quillon-72", option])
            .arg(&path)
            .output()
            .unwrap();
        // A verdict that is tight or bad is told by status 1; the sheet is written all the same.
        assert!(out.status.code() < Some(2), "{command}: {out:?}");
        bench.files.push(path);
    }
    assert_eq!(bench.validate(), Vec::<String>::new(), "valid HTML");
    let seen = bench.look();
    assert_sound(&seen);
    for (name, seen) in seen.as_object().unwrap() {
        // Only the memory picture has a script, beside the data it looks things up in.
        let expected = if name.ends_with("memory.html") { 2 } else { 0 };
        assert_eq!(seen["scripts"], expected, "{name}: scripts");
    }
    let pages = |name: &str| bench.pdf_pages(&format!("{name}.html"));
    assert_eq!(pages("wrenfield-strings-form"), 1);
    assert_eq!(pages("aldermoor-eight-report"), 2);
    assert_eq!(pages("pellow-six-patch"), 2);
    assert_eq!(pages("aldermoor-eight-patch"), 2);
    assert_eq!(pages("quillon-72-patch"), 3, "sequence, settings, chain");
    ghosts(&seen);
    told(&seen["quillon-72-memory.html"]);
}

/// Data bytes of an Intel HEX text of 00 records.
fn hex_bytes(text: &str) -> Vec<u8> {
    let mut bytes = vec![0; 2048];
    for line in text.lines().filter(|l| l.get(7..9) == Some("00")) {
        let byte = |i: usize| usize::from_str_radix(&line[i..i + 2], 16).unwrap();
        let address = byte(3) << 8 | byte(5);
        for i in 0..byte(1) {
            bytes[address + i] = byte(9 + 2 * i) as u8;
        }
    }
    bytes
}

/// In a comparison the firm pointer stands at the later code and the ghost at the earlier one. The codes are taken
/// from the dumps by hand: Pellow Six keeps preset 11 + 10 d + u (d, u from 0 to 7) at 20h + 30 (8 d + u), and
/// the filter envelope in bits 6..0 of its bytes 12 to 15.
fn ghosts(seen: &Json) {
    let folder = demo::folder("pellow-six");
    let before = hex_bytes(&std::fs::read_to_string(folder.join("earlier/ram.hex")).unwrap());
    let after = std::fs::read(folder.join("today-1/IC14.bin")).unwrap();
    let mut checked = 0;
    for control in seen["pellow-six-compare.html"]["controls"]
        .as_array()
        .unwrap()
    {
        let byte = match control["label"].as_str().unwrap() {
            "Attack" => 12,
            "Decay" => 13,
            "Sustain" => 14,
            "Release" => 15,
            _ => continue,
        };
        if control["group"] != "Filter envelope" {
            continue;
        }
        let preset = control["preset"].as_str().unwrap();
        let number: usize = preset.strip_prefix("Preset ").unwrap().parse().unwrap();
        let at = 0x20 + 30 * (8 * (number / 10 - 1) + number % 10 - 1) + byte;
        let expected = |bytes: &[u8]| f64::from(bytes[at] & 0x7f) * 300.0 / 127.0 - 150.0;
        let [old, new] = control["pointers"].as_array().unwrap().as_slice() else {
            panic!("two pointers: {control}");
        };
        for (pointer, bytes) in [(old, &before), (new, &after)] {
            let seen = pointer["angle"].as_f64().unwrap();
            assert!((seen - expected(bytes)).abs() < 0.01, "{control}");
        }
        checked += 1;
    }
    assert!(checked >= 5, "only {checked} ghosts");
}

/// The read-out of the memory picture. Quillon 72 lays the notes of its 72 steps in bytes 0 to 71 and the lengths
/// after them, and IC5 holds the low nibbles in order of address, so by hand: cell 0 is step 1, one to the right
/// step 2, one down (16 columns) step 18; cell 72 = 48h is the length of step 1.
fn told(seen: &Json) {
    let told = strings(&seen["told"]);
    let expected = [
        ("IC5 cell 000 D0", "step 1, Step: Note, bit 0"),
        ("IC5 cell 001 D0", "step 2, Step: Note, bit 0"),
        ("IC5 cell 011 D0", "step 18, Step: Note, bit 0"),
    ];
    assert_eq!(told.len(), expected.len());
    for (told, (place, owner)) in told.iter().zip(expected) {
        assert!(told.starts_with(place), "{told}");
        assert!(told.ends_with(owner), "{told}");
        assert!(
            told.contains("holds 0") || told.contains("holds 1"),
            "{told}"
        );
    }
}

#[test]
fn the_measures_notice_what_is_wrong() {
    let mut bench = Bench::new();
    bench.put(
        "bad.html",
        r#"<!DOCTYPE html><html><head><title>x</title><style>body{width:400px}</style></head><body>
        <p style="color:#ccc;background:#fff">pale</p><img src="https://example.invalid/x.png">
        <div style="position:absolute;top:90px">over</div><div style="position:absolute;top:90px">under</div>
        <div style="overflow:hidden;width:20px;white-space:nowrap">clipped away</div>
        <a href="x" style="outline:none">link</a><script>console.error("oh")</script></body></html>"#,
    );
    let seen = &bench.look()["bad.html"];
    assert!(strings(&seen["console"]).contains(&"oh"));
    assert_eq!(
        strings(&seen["requests"])[0],
        "https://example.invalid/x.png"
    );
    let axe = strings(&seen["axe"]["wide"]).join("\n");
    for rule in ["color-contrast", "html-has-lang", "image-alt"] {
        assert!(axe.contains(rule), "{rule} in {axe}");
    }
    let wide = strings(&seen["layout"]["wide"]).join("\n");
    assert!(
        wide.contains("overlap") && wide.contains("is clipped"),
        "{wide}"
    );
    let narrow = strings(&seen["layout"]["narrow"]).join("\n");
    assert!(narrow.contains("page is"), "{narrow}");
    assert_eq!(seen["keyboard"]["ringless"], 1);
    assert!(!bench.validate().is_empty());
}
