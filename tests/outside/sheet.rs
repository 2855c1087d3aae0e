//! Sheets in a real browser: Chromium through playwright-core, axe-core, and the Nu HTML checker.
//!
//! What is right is said by others: WCAG 2 as axe-core reads it, the HTML standard as the Nu checker (vnu) reads
//! it, page counts as poppler's `pdfinfo` counts them, and dial angles by arithmetic done here from the stored
//! codes and the convention written in DEVELOPERS.md (300 degrees, 0 at 150 left of the top).

#[path = "../sheet/builder.rs"]
mod builder;

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

/// Nothing a browser, axe-core or the layout complains of.
fn assert_sound(name: &str, seen: &Json) {
    assert_eq!(strings(&seen["console"]), [""; 0], "{name}: console");
    assert_eq!(strings(&seen["requests"]), [""; 0], "{name}: network");
    for (view, faults) in seen["axe"].as_object().unwrap() {
        assert_eq!(strings(faults), [""; 0], "{name}: axe-core, {view}");
    }
    let views = seen["layout"].as_object().unwrap();
    assert_eq!(views.len(), 5, "wide, dark, narrow, zoomed, print");
    for (view, faults) in views {
        assert_eq!(strings(faults), [""; 0], "{name}: layout, {view}");
    }
    let keys = &seen["keyboard"];
    assert_eq!(keys["wanted"], keys["reached"], "{name}: keyboard");
    assert_eq!(keys["ringless"], 0, "{name}: focus is visible");
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
    for (name, sheet) in &sheets {
        assert_sound(name, &seen[name]);
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
