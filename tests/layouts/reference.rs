//! `formats/README.md` is true: its tutorial makes a layout that passes, its output is what the program prints, and
//! it names every key and every rule.

use std::process::Command;

use cellkeep::layout::problem::RULES;

const README: &str = include_str!("../../formats/README.md");

/// The fenced blocks of a text, each with the word behind the fence.
fn blocks(text: &str) -> Vec<(String, String)> {
    let mut out = Vec::new();
    let mut lines = text.lines();
    while let Some(line) = lines.next() {
        let Some(word) = line.strip_prefix("```") else {
            continue;
        };
        let body: Vec<&str> = lines.by_ref().take_while(|l| *l != "```").collect();
        out.push((word.to_owned(), body.join("\n") + "\n"));
    }
    out
}

fn tutorial() -> String {
    let start = README.find("<!-- tutorial -->").unwrap();
    let end = README.find("<!-- /tutorial -->").unwrap();
    let parts: Vec<String> = blocks(&README[start..end])
        .into_iter()
        .filter(|(word, _)| word == "toml")
        .map(|(_, body)| body)
        .collect();
    parts.join("\n")
}

#[test]
fn the_tutorial_says_what_the_program_prints() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("practice-board.toml");
    let text = tutorial();
    let mut sessions = 0;
    for (_, body) in blocks(README) {
        let Some((command, expected)) = body.split_once('\n') else {
            continue;
        };
        let Some(command) = command.strip_prefix("$ cellkeep ") else {
            continue;
        };
        let broken = text.replace("6.1..0", "6.2..0");
        let text = if expected.contains("error[") {
            &broken
        } else {
            &text
        };
        std::fs::write(&file, text).unwrap();
        let out = Command::new(env!("CARGO_BIN_EXE_cellkeep"))
            .args(command.split(' '))
            .current_dir(folder.path())
            .env("NO_COLOR", "1")
            .output()
            .unwrap();
        assert_eq!(
            String::from_utf8(out.stdout).unwrap(),
            expected,
            "{command}"
        );
        sessions += 1;
    }
    assert_eq!(sessions, 3);
}

#[test]
fn every_key_and_rule_is_in_the_reference() {
    let schema = cellkeep::layout::schema();
    let mut keys: Vec<String> = Vec::new();
    let tables = schema["$defs"]
        .as_object()
        .unwrap()
        .values()
        .chain([&schema]);
    for table in tables {
        let properties = table["properties"].as_object().unwrap();
        keys.extend(properties.keys().cloned());
    }
    assert!(keys.len() > 100);
    keys.extend(RULES.iter().map(|r| r.code.to_owned()));
    let missing: Vec<&String> = keys
        .iter()
        .filter(|k| !README.contains(&format!("`{k}`")))
        .collect();
    assert!(missing.is_empty(), "not in formats/README.md: {missing:?}");
}

#[test]
fn rules_have_one_code_each() {
    let mut codes: Vec<&str> = RULES.iter().map(|r| r.code).collect();
    codes.sort_unstable();
    let n = codes.len();
    codes.dedup();
    assert_eq!(codes.len(), n);
}

/// What `layout new` writes passes the check, for boards of every kind it can begin.
#[test]
fn scaffolds_are_sound() {
    use cellkeep::layout::{Answers, ChipAnswer, from_text, scaffold};
    let answers =
        |chips: &[(&str, u32, u8)], axes: &[(&str, u32)], split: Option<&str>, word| Answers {
            id: "a-board".to_owned(),
            name: "A board".to_owned(),
            chips: chips
                .iter()
                .map(|&(id, words, width)| ChipAnswer {
                    id: id.to_owned(),
                    words,
                    width,
                })
                .collect(),
            axes: axes.iter().map(|&(n, c)| (n.to_owned(), c)).collect(),
            split: split.map(str::to_owned),
            word,
        };
    let preset = ("preset", 16);
    let cases = [
        answers(&[("IC7", 2048, 8)], &[("preset", 32)], None, 8),
        answers(&[("IC7", 2048, 8)], &[], None, 16),
        answers(&[("HI", 256, 4), ("LO", 256, 4)], &[preset], None, 8),
        answers(&[("IC7", 1024, 4)], &[preset, ("voice", 4)], None, 8),
        answers(
            &[("P0", 1024, 1), ("P1", 1024, 1), ("P2", 1024, 1)],
            &[preset],
            None,
            3,
        ),
        answers(
            &[("CH12", 4096, 1), ("CH34", 4096, 1)],
            &[preset, ("voice", 4)],
            Some("voice"),
            6,
        ),
        answers(
            &[("A", 2048, 8), ("B", 2048, 8)],
            &[("bank", 2), preset],
            Some("bank"),
            8,
        ),
        answers(&[("CH", 1000, 1)], &[("preset", 5)], None, 7),
    ];
    for case in cases {
        let text = scaffold(&case).unwrap();
        let layout = from_text("scaffold", &text).unwrap_or_else(|e| panic!("{e}\n{text}"));
        let places = &layout.areas[0].places;
        let entries: u32 = case.axes.iter().map(|a| a.1).product();
        assert_eq!(places.len(), (entries * case.word) as usize, "{text}");
    }
    let refused = [
        answers(&[], &[], None, 8),
        answers(&[("IC7", 16, 8)], &[("preset", 17)], None, 8),
        answers(&[("IC7", 64, 8), ("ic7", 64, 8)], &[], None, 8),
        answers(&[("A", 64, 8), ("B", 64, 8)], &[preset], Some("voice"), 8),
        answers(&[("A\"", 64, 8)], &[], None, 8),
    ];
    for case in refused {
        assert!(scaffold(&case).is_err(), "{case:?}");
    }
}
