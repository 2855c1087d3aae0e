//! Layouts with defects: the name of each file in `invalid/` states the defect, and beside it lies the text that
//! `cellkeep layout check` prints. After a deliberate change, `CELLKEEP_GOLDEN=update cargo test --test layouts`
//! writes the texts anew; read the difference before committing it.

use std::collections::BTreeSet;
use std::fs;
use std::path::Path;
use std::process::Command;

use cellkeep::layout::problem::RULES;

/// What the program prints for one layout, and its exit status.
fn check(name: &str) -> (String, Option<i32>) {
    let out = Command::new(env!("CARGO_BIN_EXE_cellkeep"))
        .args(["layout", "check", &format!("invalid/{name}.toml")])
        .current_dir(folder())
        .env("CELLKEEP_LAYOUTS", "bases")
        .env("NO_COLOR", "1")
        .output()
        .unwrap();
    let mut text = String::from_utf8(out.stdout).unwrap();
    text += &String::from_utf8(out.stderr).unwrap();
    // Paths are joined as the system joins them.
    (text.replace("bases\\", "bases/"), out.status.code())
}

fn folder() -> &'static Path {
    Path::new(concat!(env!("CARGO_MANIFEST_DIR"), "/tests/layouts"))
}

#[test]
fn every_defect_is_reported_as_written_down() {
    let update = std::env::var_os("CELLKEEP_GOLDEN").is_some_and(|v| v == "update");
    let mut names = BTreeSet::new();
    for entry in fs::read_dir(folder().join("invalid")).unwrap() {
        let path = entry.unwrap().path();
        let suffix = path.extension().and_then(|e| e.to_str());
        assert!(
            matches!(suffix, Some("toml" | "txt")),
            "{} is neither a layout nor its text",
            path.display()
        );
        let name = path.file_stem().unwrap().to_str().unwrap().to_owned();
        names.insert(name);
    }
    let mut codes = BTreeSet::new();
    let mut wrong = Vec::new();
    for name in &names {
        let (text, status) = check(name);
        assert_eq!(status, Some(1), "{name} has no finding:\n{text}");
        let golden = folder().join("invalid").join(format!("{name}.txt"));
        if update {
            fs::write(&golden, &text).unwrap();
        }
        let expected = fs::read_to_string(&golden)
            .unwrap_or_default()
            .replace('\r', "");
        if expected != text {
            wrong.push(format!(
                "== {name}\n-- expected\n{expected}\n-- found\n{text}"
            ));
        }
        let found = RULES
            .iter()
            .filter(|r| text.contains(&format!("[{}]", r.code)));
        codes.extend(found.map(|r| r.code));
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
    let unseen: Vec<&str> = RULES
        .iter()
        .map(|r| r.code)
        .filter(|c| !codes.contains(c))
        .collect();
    assert!(
        unseen.is_empty(),
        "no layout breaks these rules: {unseen:?}"
    );
}
