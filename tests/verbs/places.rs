//! Outputs that would go over an input, or over one another; and files whose own record says how they hold the cells.

use std::fs;
use std::path::Path;
use std::process::Command;

use super::board::TEXT;

/// A folder with the board's layout and three readings of it, each with its `reading.json`: `one`, `two` and `three`.
fn bench() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path();
    fs::write(path.join("board.toml"), TEXT).unwrap();
    for (name, level) in [("one", 1u8), ("two", 2), ("three", 3)] {
        fs::create_dir(path.join("raw")).unwrap();
        fs::write(path.join("raw/U1.bin"), [level; 32]).unwrap();
        let (code, says) = run(
            path,
            &["blank", "raw", "-l", "board.toml", "preset=6", "-o", name],
        );
        assert_eq!(code, 0, "{says}");
        fs::remove_dir_all(path.join("raw")).unwrap();
    }
    folder
}

/// The exit status, and everything that was said.
fn run(at: &Path, words: &[&str]) -> (i32, String) {
    let out = Command::new(env!("CARGO_BIN_EXE_cellkeep"))
        .current_dir(at)
        .args(words)
        .output()
        .unwrap();
    let says = [out.stdout, out.stderr].concat();
    (out.status.code().unwrap(), String::from_utf8(says).unwrap())
}

/// The chip and the record of a reading.
fn bytes(at: &Path, reading: &str) -> Vec<Vec<u8>> {
    ["U1.bin", "reading.json"]
        .map(|f| fs::read(at.join(reading).join(f)).unwrap())
        .to_vec()
}

#[test]
fn no_second_input_is_written_over_either() {
    let folder = bench();
    let at = folder.path();
    let held = ["one", "two", "three"].map(|r| bytes(at, r));
    let copy = [
        "copy", "one", "--donor", "two", "--from", "preset=1", "--to", "preset=2",
    ];
    let rest = ["-l", "board.toml", "--replace", "-o", "two"];
    for words in [
        [&copy[..], &rest].concat(),
        [&["settle", "one", "two", "three"][..], &rest].concat(),
    ] {
        let (code, says) = run(at, &words);
        assert_eq!(code, 2, "{says}");
        assert!(says.contains("two was read from"), "{says}");
    }
    assert_eq!(["one", "two", "three"].map(|r| bytes(at, r)), held);
    // Somewhere else it is done.
    let (code, says) = run(
        at,
        &[&copy[..], &["-l", "board.toml", "-o", "new"]].concat(),
    );
    assert_eq!(code, 0, "{says}");
}

#[test]
fn two_halves_do_not_go_into_one_file() {
    let folder = bench();
    let at = folder.path();
    let split = [
        "convert",
        "one/U1.bin",
        "--split",
        "even-odd",
        "--to",
        "bin",
    ];
    let (code, says) = run(
        at,
        &[&split[..], &["-o", "e.bin", "-o", "./e.bin"]].concat(),
    );
    assert_eq!(code, 2, "{says}");
    assert!(says.contains("twice"), "{says}");
    assert!(!at.join("e.bin").exists(), "{says}");
    // Where the second place is taken, the first is not written either.
    fs::write(at.join("o.bin"), b"mine").unwrap();
    let (code, says) = run(at, &[&split[..], &["-o", "e.bin", "-o", "o.bin"]].concat());
    assert_eq!(code, 2, "{says}");
    assert!(!at.join("e.bin").exists(), "{says}");
    assert_eq!(fs::read(at.join("o.bin")).unwrap(), b"mine");
    fs::remove_file(at.join("o.bin")).unwrap();
    let (code, says) = run(at, &[&split[..], &["-o", "e.bin", "-o", "o.bin"]].concat());
    assert_eq!(code, 0, "{says}");
    assert_eq!(fs::read(at.join("o.bin")).unwrap().len(), 16);
}

#[test]
fn a_sheet_does_not_go_over_the_layout_it_is_made_by() {
    let folder = bench();
    let at = folder.path();
    let standby = [
        "standby",
        "-l",
        "board.toml",
        "--battery",
        "cr2032",
        "--chip",
        "6116",
    ];
    for words in [
        [&standby[..], &["--plot", "board.toml", "--replace"]].concat(),
        vec![
            "plan",
            "-l",
            "board.toml",
            "--sheet",
            "board.toml",
            "--replace",
        ],
    ] {
        let (code, says) = run(at, &words);
        assert_eq!(code, 2, "{says}");
        assert_eq!(fs::read_to_string(at.join("board.toml")).unwrap(), TEXT);
    }
}

/// A packing that is said is of the files that were just read; what was written has its own on record.
#[test]
fn a_packing_that_is_said_is_not_of_a_reading_with_a_record() {
    let folder = bench();
    let at = folder.path();
    let four = TEXT
        .replace("id = \"small-board\"", "id = \"four\"")
        .replace("width = 8", "width = 4")
        .split("\n[[area.parameter]]")
        .next()
        .unwrap()
        .replace("stride = 4", "stride = 2")
        .replace("0..23", "0..11")
        + "\n[[area.parameter]]\nkey = \"level\"\nbits = \"0.3..0\"\n";
    fs::write(at.join("four.toml"), four).unwrap();
    fs::create_dir_all(at.join("low")).unwrap();
    fs::write(at.join("low/U1.bin"), [0x05; 32]).unwrap();
    let set = [
        "set",
        "low",
        "-l",
        "four.toml",
        "--at",
        "preset=1",
        "level=#9",
        "-o",
        "written",
    ];
    let (code, says) = run(at, &set);
    assert_eq!(code, 0, "{says}");
    // The programmer gives the same cells in the high halves.
    let written = fs::read(at.join("written/U1.bin")).unwrap();
    fs::create_dir_all(at.join("high")).unwrap();
    let high: Vec<u8> = written.iter().map(|b| b << 4).collect();
    fs::write(at.join("high/U1.bin"), high).unwrap();
    let verify = [
        "verify",
        "written",
        "high",
        "-l",
        "four.toml",
        "--packing",
        "high-nibble",
    ];
    let (code, says) = run(at, &verify);
    assert_eq!(code, 0, "{says}");
    assert!(says.contains("48 of 48 bits"), "{says}");
}

/// What is printed to be pasted can be pasted, whatever the folders are called.
#[cfg(unix)]
#[test]
fn a_printed_command_does_what_it_says() {
    let folder = bench();
    let at = folder.path();
    for name in ["sp ace", "do$HOME", "it's", "-d3"] {
        let output = format!("--output={name}");
        let set = [
            "set",
            "one",
            "-l",
            "board.toml",
            "--at",
            "preset=1",
            "level=#9",
            &output,
        ];
        let (code, says) = run(at, &set);
        assert_eq!(code, 0, "{says}");
        let line = says
            .lines()
            .find_map(|l| l.strip_prefix("next: `"))
            .unwrap();
        let command = line.split_once('`').unwrap().0;
        let program = env!("CARGO_BIN_EXE_cellkeep");
        let command = command.replacen("cellkeep", program, 1);
        let out = Command::new("sh")
            .current_dir(at)
            .args(["-c", &command])
            .output()
            .unwrap();
        assert_eq!(out.status.code(), Some(1), "{name}: {command}: {out:?}");
        let told = String::from_utf8(out.stdout).unwrap();
        assert!(told.contains("1 parameter in 1 entry changed"), "{told}");
    }
}

/// A reader that leaves, as `| head -1` does, changes nothing about what was found: here that something differs.
#[cfg(unix)]
#[test]
fn a_reader_that_leaves_does_not_change_the_status() {
    let folder = bench();
    let program = env!("CARGO_BIN_EXE_cellkeep");
    let script = format!(
        "{{ {program} compare one two -l board.toml --bits; echo \"status $?\" >&2; }} | true"
    );
    let out = Command::new("sh")
        .current_dir(folder.path())
        .args(["-c", &script])
        .output()
        .unwrap();
    assert_eq!(String::from_utf8(out.stderr).unwrap(), "status 1\n");
}

/// RFC 8259, section 8.1: a reader may ignore a byte order mark.
#[test]
fn a_bank_saved_with_a_byte_order_mark_is_read() {
    let folder = bench();
    let at = folder.path();
    let (code, says) = run(
        at,
        &[
            "decode",
            "one",
            "-l",
            "board.toml",
            "--json",
            "-o",
            "bank.json",
        ],
    );
    assert!(at.join("bank.json").exists(), "{code} {says}");
    let mut bank = vec![0xef, 0xbb, 0xbf];
    bank.extend(fs::read(at.join("bank.json")).unwrap());
    fs::write(at.join("marked.json"), bank).unwrap();
    let (code, says) = run(
        at,
        &[
            "encode",
            "--onto",
            "one",
            "marked.json",
            "-l",
            "board.toml",
            "-o",
            "same",
        ],
    );
    assert_eq!(code, 0, "{says}");
}

/// Two reads that differ in one bit leave it unknown; the files of an edit hold 0 there, and that is no backup.
#[test]
fn an_edit_of_a_reading_with_unknown_bits_says_so() {
    let folder = bench();
    let at = folder.path();
    for (name, last) in [("first", 5u8), ("second", 4)] {
        fs::create_dir(at.join(name)).unwrap();
        let mut cells = [5u8; 32];
        cells[20] = last;
        fs::write(at.join(name).join("U1.bin"), cells).unwrap();
    }
    let (_, says) = run(
        at,
        &[
            "settle",
            "first",
            "second",
            "-l",
            "board.toml",
            "-o",
            "settled",
        ],
    );
    assert!(at.join("settled").exists(), "{says}");
    let (code, says) = run(
        at,
        &[
            "blank",
            "settled",
            "-l",
            "board.toml",
            "preset=1",
            "-o",
            "emptied",
        ],
    );
    assert_eq!(code, 0, "{says}");
    assert!(
        says.contains("caution: of settled 1 bit is not known"),
        "{says}"
    );
    assert!(
        says.contains("once what is not known is read or mended"),
        "{says}"
    );
    let (code, says) = run(
        at,
        &[
            "blank",
            "first",
            "-l",
            "board.toml",
            "preset=1",
            "-o",
            "whole",
        ],
    );
    assert_eq!(code, 0, "{says}");
    assert!(!says.contains("not known"), "{says}");
}

/// A bank that knows less than the reading it is put onto: the chip file keeps what was read, and everything that reads the new
/// folder knows that nobody vouches for it. What the bank says of where a value came from goes along.
#[test]
fn what_the_bank_does_not_know_is_not_known_afterwards() {
    let folder = bench();
    let at = folder.path();
    let with = |words: &[&str]| run(at, &[words, &["-l", "board.toml"]].concat());
    let (_, says) = with(&["decode", "two", "--json", "-o", "whole.json"]);
    assert!(says.contains("wrote whole.json"), "{says}");
    let text = fs::read_to_string(at.join("whole.json")).unwrap();
    let mut bank: serde_json::Value = serde_json::from_str(&text).unwrap();
    let values = bank["areas"][0]["entries"][1]["parameters"]
        .as_array_mut()
        .unwrap();
    values.retain(|v| v["applies"] != false);
    for value in &mut *values {
        value["known"] = 0.into();
        value.as_object_mut().unwrap().remove("setting");
    }
    let n = values.len();
    fs::write(at.join("less.json"), bank.to_string()).unwrap();
    let (code, says) = with(&["encode", "less.json", "--onto", "two", "-o", "new"]);
    assert_eq!(code, 0, "{says}");
    assert_eq!(says.matches("left out: ").count(), n, "{says}");
    // That nobody vouches for them is said once, however many they are.
    assert!(n > 1, "{says}");
    assert_eq!(
        says.matches("the files hold what was read there").count(),
        1,
        "{says}"
    );
    assert!(!says.contains("reads there, and nobody"), "{says}");
    assert!(
        says.contains("next: nothing was changed, and what was left out is not settled by it"),
        "{says}"
    );
    assert!(says.contains("cellkeep mend new -l board.toml"), "{says}");
    assert!(!says.contains("nothing differs"), "{says}");
    assert_eq!(bytes(at, "new")[0], bytes(at, "two")[0]);
    let (code, says) = with(&["decode", "new"]);
    assert_eq!(code, 1);
    assert!(
        says.contains("in 1 of 6 entries: preset 2 [value.unknown]"),
        "{says}"
    );
    let (code, says) = with(&["verify", "new", "./new"]);
    assert_eq!(code, 2);
    assert!(says.contains("it agrees with itself"), "{says}");
    let (code, says) = with(&["verify", "new", "two"]);
    assert_eq!(code, 1);
    assert!(says.contains("are not proved by it"), "{says}");

    // Whoever changed the code, the bank says that it was entered by hand.
    let mut bank: serde_json::Value = serde_json::from_str(&text).unwrap();
    let value = &mut bank["areas"][0]["entries"][1]["parameters"][0];
    value["code"] = 77.into();
    value["origin"] = "entered by hand".into();
    value.as_object_mut().unwrap().remove("setting");
    fs::write(at.join("more.json"), bank.to_string()).unwrap();
    let (code, says) = with(&["encode", "more.json", "--onto", "two", "-o", "newer"]);
    assert_eq!(code, 0, "{says}");
    let record = fs::read_to_string(at.join("newer/reading.json")).unwrap();
    assert!(
        record.contains("the bank says so; there it is marked as entered by hand"),
        "{record}"
    );
    // What was changed on purpose is not taken for a knob that was saved again.
    let (_, says) = with(&["compare", "two", "newer"]);
    assert!(
        says.contains("(edited)")
            && says.contains("next: each of these values says how it came about"),
        "{says}"
    );
}

/// The last byte of the chip belongs to nothing, and is not known: no preset is in doubt for that, and no clean bill is given of
/// what nobody has read.
#[test]
fn no_clean_bill_is_given_of_what_is_not_known() {
    let folder = bench();
    let at = folder.path();
    let (code, says) = run(
        at,
        &[
            "blank",
            "one",
            "preset=1-6",
            "-l",
            "board.toml",
            "-o",
            "all",
        ],
    );
    assert_eq!(code, 0, "{says}");
    let examined = || run(at, &["examine", "all", "-l", "board.toml"]).1;
    let says = examined();
    assert!(
        says.contains("nothing speaks against this reading"),
        "{says}"
    );
    let record = at.join("all/reading.json");
    let text = fs::read_to_string(&record).unwrap();
    let mut document: serde_json::Value = serde_json::from_str(&text).unwrap();
    document["chips"][0]["unknown"] = serde_json::json!([{ "first": 31, "last": 31 }]);
    fs::write(&record, document.to_string()).unwrap();
    let says = examined();
    assert!(
        says.contains(
            "nothing speaks against what is known of this reading; cells marked ? are not known"
        ),
        "{says}"
    );
}

#[test]
fn a_reading_compared_with_itself_is_said_to_be_one() {
    let folder = bench();
    let at = folder.path();
    let (code, says) = run(at, &["compare", "two", "./two", "-l", "board.toml"]);
    assert_eq!(code, 0, "{says}");
    assert!(says.contains("both are one reading"), "{says}");
    let (_, says) = run(at, &["compare", "one", "two", "-l", "board.toml"]);
    assert!(!says.contains("both are one reading"), "{says}");
}
