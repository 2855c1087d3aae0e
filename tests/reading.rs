//! Readings on the disk: loading, writing, and everything that may be wrong with the files.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use std::fs;

use cellkeep::blame::{Blame, Who};
use cellkeep::finding::{Finding, Severity, worst};
use cellkeep::image::form::{self, WriteForm};
use cellkeep::image::{ChipImage, Form, Packing, SparseBytes};
use cellkeep::layout::model::{Bench, Chip, Evidence, Layout, Source as LayoutSource};
use cellkeep::reading::{
    ChipReading, Origin, Reading, ReadingSpec, WriteError, WriteOptions, load, write,
};

fn origin() -> Origin {
    Origin {
        verb: "mended".to_owned(),
        why: "both other copies agree".to_owned(),
        from: Some("preset 3".to_owned()),
    }
}

#[test]
fn a_folder_of_binaries_without_a_layout() {
    let dir = tempfile::tempdir().unwrap();
    fs::write(dir.path().join("U1.bin"), [1, 2, 3, 4]).unwrap();
    fs::write(dir.path().join("U2.BIN"), vec![0x5a; 256]).unwrap();
    fs::write(dir.path().join("notes.md"), "read twice").unwrap();
    fs::write(dir.path().join("notes.txt"), "both reads are the same\n").unwrap();
    let reading = load(&ReadingSpec::path(dir.path()), None).unwrap();
    let ids: Vec<_> = reading.chips.iter().map(|c| c.id.as_str()).collect();
    assert_eq!(ids, ["U1", "U2"]);
    assert_eq!(
        reading.chips[0].image,
        ChipImage::from_cells(8, &[1, 2, 3, 4]).unwrap()
    );
    assert_eq!(codes(&reading), ["reading.extra"]);
    assert!(reading.findings[0].says.ends_with("notes.md, notes.txt"));
    assert_eq!(worst(&reading.findings), None);
    // SHA-256 of 01 02 03 04: from `printf '\1\2\3\4' | sha256sum` (GNU coreutils 9.1).
    let digest = "9f64a747e1b97f131fabb6b447296c9b6f0201e79fb3c5356e6c77e89b6a806a";
    assert_eq!(reading.chips[0].sha256(), digest);
    assert_eq!(reading.chips[0].source.as_ref().unwrap().sha256, digest);
}

/// A static RAM has 2^n words, n being its address lines (6116: 11 and 2048 by its data sheets).
#[test]
fn a_binary_that_is_no_chips_size_may_be_cut_short() {
    let dir = tempfile::tempdir().unwrap();
    fs::write(dir.path().join("whole.bin"), vec![7; 2048]).unwrap();
    fs::write(dir.path().join("short.bin"), vec![7; 2000]).unwrap();
    let reading = load(&ReadingSpec::path(dir.path()), None).unwrap();
    assert_eq!(codes(&reading), ["file.geometry-guessed"]);
    let told = finding(&reading, "file.geometry-guessed");
    assert_eq!(told.severity, Severity::Caution);
    assert!(
        told.says.contains("chip short") && told.says.contains("cut short"),
        "{told:?}"
    );
}

#[test]
fn what_is_written_is_loaded_again_with_unknown_bits_and_origins() {
    let dir = tempfile::tempdir().unwrap();
    let mut image = ChipImage::from_cells(4, &[1, 2, 3, 4, 5, 6]).unwrap();
    image.set_bit(2, 1, None);
    image.set_cell(4, 0, 0);
    let mut chip = ChipReading::new("IC 3/4", image);
    assert!(chip.set_bit(1, 0, Some(true), &origin()));
    assert!(chip.set_bit(1, 3, Some(true), &origin()));
    let reading = Reading::new(vec![chip]);
    let place = dir.path().join("out");
    let written = write(&reading, &place, &WriteOptions::default()).unwrap();
    assert_eq!(written.files, ["IC 3_4.bin", "reading.json"]);
    let back = load(&ReadingSpec::path(&place), None).unwrap();
    assert_eq!(back.findings, []);
    assert_eq!(back.chips[0].image, reading.chips[0].image);
    assert_eq!(back.chips[0].provenance, reading.chips[0].provenance);
    assert_eq!(back.chips[0].origin_of(1, 3), Some(&origin()));
    assert_eq!(back.chips[0].origin_of(1, 1), None);
    // A file changed behind the document's back is noticed.
    fs::write(place.join("IC 3_4.bin"), [1, 3, 3, 4, 5, 7]).unwrap();
    let back = load(&ReadingSpec::path(&place), None).unwrap();
    assert_eq!(back.findings[0].code, "reading.digest");
}

/// A layout of chips `(id, alias, words, width, packing)` with nothing in them: readings need no more.
fn layout(chips: &[(&str, &str, u32, u8, Packing)]) -> Layout {
    let chip = |&(id, alias, words, width, packing): &(&str, &str, u32, u8, Packing)| Chip {
        id: id.to_owned(),
        aliases: vec![alias.to_owned()],
        board: None,
        position: None,
        part: None,
        words,
        width,
        packing,
        retention_volts: None,
        standby: Vec::new(),
        fill: None,
        evidence: Evidence::Unstated,
    };
    Layout {
        id: "wrenfield-strings".to_owned(),
        name: "Wrenfield Strings".to_owned(),
        revision: "1".to_owned(),
        notes: None,
        chips: chips.iter().map(chip).collect(),
        areas: Vec::new(),
        absent: Vec::new(),
        hand_set: Vec::new(),
        bench: Bench::default(),
        source: LayoutSource {
            origin: "a test".to_owned(),
            text: String::new(),
            extends: Vec::new(),
            sha256: "00".repeat(32),
        },
    }
}

/// Three chips: 1024 x 4, 1024 x 4 and 256 x 8.
fn three() -> Layout {
    layout(&[
        ("CH12", "U7", 1024, 4, Packing::Low),
        ("CH34", "U8", 1024, 4, Packing::Low),
        ("SEQ", "U9", 256, 8, Packing::Low),
    ])
}

fn folder(files: &[(&str, Vec<u8>)]) -> tempfile::TempDir {
    let dir = tempfile::tempdir().unwrap();
    for (name, bytes) in files {
        fs::write(dir.path().join(name), bytes).unwrap();
    }
    dir
}

/// Bytes without a pattern and within four bits.
fn noise(length: usize, seed: u32) -> Vec<u8> {
    let mut state = seed;
    let mut next = || {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        (state >> 24) as u8 & 15
    };
    (0..length).map(|_| next()).collect()
}

fn codes(reading: &Reading) -> Vec<&str> {
    reading.findings.iter().map(|f| f.code.as_str()).collect()
}

fn finding<'a>(reading: &'a Reading, code: &str) -> &'a Finding {
    let found = reading.findings.iter().find(|f| f.code == code);
    found.unwrap_or_else(|| unreachable!("{code} in {:?}", reading.findings))
}

fn failure(spec: &ReadingSpec, layout: Option<&Layout>) -> String {
    load(spec, layout).expect_err("refused").to_string()
}

#[test]
fn files_are_matched_by_id_or_alias_and_stand_in_the_layouts_order() {
    let dir = folder(&[
        ("seq.bin", vec![7; 256]),
        ("u8.BIN", noise(1024, 8)),
        ("Ch12.hex", hex_of(&noise(1024, 7))),
        (".hidden", vec![0]),
    ]);
    let reading = load(&ReadingSpec::path(dir.path()), Some(&three())).unwrap();
    assert_eq!(codes(&reading), [""; 0], "{:?}", reading.findings);
    let ids: Vec<_> = reading.chips.iter().map(|c| c.id.as_str()).collect();
    assert_eq!(ids, ["CH12", "CH34", "SEQ"]);
    assert_eq!(reading.chips[0].image.values(), noise(1024, 7));
    assert_eq!(
        reading.chips[0].source.as_ref().unwrap().form,
        Form::IntelHex
    );
    assert_eq!(reading.chips[1].image.values(), noise(1024, 8));
    assert_eq!(
        (
            reading.chips[2].image.words(),
            reading.chips[2].image.width()
        ),
        (256, 8)
    );
}

fn hex_of(bytes: &[u8]) -> Vec<u8> {
    let how = WriteForm {
        form: Form::IntelHex,
        ..WriteForm::default()
    };
    form::write(&SparseBytes::from_run(0, bytes.to_vec()), 0, &how).unwrap()
}

#[test]
fn everything_unexpected_is_told_in_one_go() {
    let twice = [noise(1024, 1), noise(1024, 1)].concat();
    let dir = folder(&[
        ("CH12.bin", twice),
        ("SEQ.bin", vec![9; 128]),
        ("other.bin", vec![1; 9]),
    ]);
    let reading = load(&ReadingSpec::path(dir.path()), Some(&three())).unwrap();
    assert_eq!(
        codes(&reading),
        [
            "file.long",
            "file.short",
            "reading.missing",
            "reading.extra"
        ]
    );
    let said: Vec<_> = reading.findings.iter().map(|f| f.says.as_str()).collect();
    assert_eq!(
        said,
        [
            "chip CH12, file CH12.bin: 2048 bytes, 1024 bytes expected for 1024 x 4, packing low; the file holds the same contents 2 times, the first is used",
            "chip SEQ, file SEQ.bin: 128 bytes, 256 bytes expected for 256 x 8, packing low; 128 are unknown",
            "chip CH34 is missing: all 1024 x 4 bits are unknown",
            "files that belong to no chip of layout wrenfield-strings: other.bin",
        ]
    );
    assert_eq!(reading.chips[0].image.unknown_bits(), 0);
    assert_eq!(reading.chips[1].image.unknown_bits(), 4096);
    assert_eq!(reading.chips[2].image.unknown_bits(), 128 * 8);
    assert_eq!(reading.chips[2].image.bit(127, 0), Some(true));
}

#[test]
fn a_longer_file_that_differs_and_a_file_packed_otherwise() {
    let dir = folder(&[
        ("CH12.bin", noise(1500, 1)),
        ("CH34.bin", noise(512, 2)),
        ("SEQ.bin", vec![1; 256]),
    ]);
    let reading = load(&ReadingSpec::path(dir.path()), Some(&three())).unwrap();
    assert!(
        finding(&reading, "file.long")
            .says
            .contains("476 bytes beyond the chip are left out")
    );
    let short = finding(&reading, "file.short");
    assert!(
        short.means.as_ref().unwrap().contains("2 cells a byte"),
        "{short:?}"
    );
    // Told the packing, all cells are there: the even one in the low half.
    let mut spec = ReadingSpec::path(dir.path());
    spec.chip_packing = vec![("u8".to_owned(), Packing::NibblesLowFirst)];
    let reading = load(&spec, Some(&three())).unwrap();
    assert_eq!(reading.chips[1].image.unknown_bits(), 0);
    assert_eq!(reading.chips[1].image.values()[..2], [noise(1, 2)[0], 0]);
}

#[test]
fn swapped_names_and_wrong_chips() {
    let dir = folder(&[
        ("CH12.bin", vec![0x5a; 256]),
        ("CH34.bin", noise(1024, 2)),
        ("SEQ.bin", noise(1024, 3)),
    ]);
    let reading = load(&ReadingSpec::path(dir.path()), Some(&three())).unwrap();
    let swapped = finding(&reading, "reading.swapped");
    assert!(
        swapped.says.contains("chips CH12 and SEQ"),
        "{}",
        swapped.says
    );
    // The wrong chip's file has bits that chip CH12 has no lines for.
    assert!(codes(&reading).contains(&"file.spare-bits"));
}

#[test]
fn what_leaves_no_value_is_refused_with_what_was_expected() {
    let layout = three();
    let dir = folder(&[("CH12.bin", vec![0; 1024]), ("u7.bin", vec![1; 1024])]);
    let said = failure(&ReadingSpec::path(dir.path()), Some(&layout));
    assert!(said.contains("chip CH12 has two files"), "{said}");
    let dir = folder(&[("one.bin", vec![0; 4])]);
    let said = failure(&ReadingSpec::path(dir.path()), Some(&layout));
    assert!(
        said.contains("CH12 (or U7), CH34 (or U8), SEQ (or U9)") && said.contains("one.bin"),
        "{said}"
    );
    let said = failure(
        &ReadingSpec::path(dir.path().join("one.bin")),
        Some(&layout),
    );
    assert!(
        said.contains("is one file, layout wrenfield-strings has 3 chips"),
        "{said}"
    );
    let pair = format!("CH99={}", dir.path().join("one.bin").display());
    let said = failure(&pair.parse().unwrap(), Some(&layout));
    assert!(said.contains("no chip CH99"), "{said}");
    let said = failure(
        &ReadingSpec::path(dir.path().join("nowhere")),
        Some(&layout),
    );
    assert!(said.contains("cannot read"), "{said}");
    assert!("=x".parse::<ReadingSpec>().is_err());
    let empty = folder(&[]);
    assert!(failure(&ReadingSpec::path(empty.path()), None).contains("holds no chip file"));
}

#[test]
fn broken_files_are_all_named_with_every_wrong_line() {
    let mut one = hex_of(&noise(1024, 1));
    one[20] = b'x';
    let dir = folder(&[
        ("CH12.hex", one),
        ("CH34.bin", b"Dear Sir,\nthe presets are gone\n".to_vec()),
        ("SEQ.bin", Vec::new()),
    ]);
    let said = failure(&ReadingSpec::path(dir.path()), Some(&three()));
    for part in [
        "CH12.hex: 1 line is not right",
        "line 1: 'x' is no hex digit",
        "CH34.bin: the file is text",
        "SEQ.bin: the file is empty",
    ] {
        assert!(said.contains(part), "{part} in {said}");
    }
    // A binary that is said to be text: each line is wrong, none is skipped in silence.
    let dir = folder(&[("SEQ.bin", (0..=255).collect())]);
    let mut spec = ReadingSpec::path(dir.path());
    spec.form = Some(Form::IntelHex);
    assert!(failure(&spec, Some(&three())).contains("a record begins with ':'"));
    // With leave to skip wrong lines their bytes are unknown.
    let mut broken = hex_of(&vec![0x11; 256]);
    broken[12] = b'2';
    let dir = folder(&[("SEQ.hex", broken)]);
    let mut spec = ReadingSpec::path(dir.path());
    spec.skip_wrong_lines = true;
    let reading = load(&spec, Some(&three())).unwrap();
    assert!(codes(&reading).contains(&"file.wrong-line"));
    assert_eq!(reading.chip("seq").unwrap().image.unknown_bits(), 16 * 8);
}

#[test]
fn a_load_offset_is_found_or_given() {
    let how = WriteForm {
        form: Form::SRecord,
        ..WriteForm::default()
    };
    let bytes = SparseBytes::from_run(0x9c10, vec![3; 0x20]);
    let dir = folder(&[("SEQ.s19", form::write(&bytes, 0, &how).unwrap())]);
    let reading = load(&ReadingSpec::path(dir.path()), Some(&three())).unwrap();
    let seq = reading.chip("SEQ").unwrap();
    assert_eq!(seq.source.as_ref().unwrap().load_offset, 0x9c00);
    assert_eq!(
        (seq.image.bit(0x10, 0), seq.image.bit(0x0f, 0)),
        (Some(true), None)
    );
    assert!(codes(&reading).contains(&"file.load-offset"));
    let mut spec = ReadingSpec::path(dir.path());
    spec.load_offset = Some(0x9c10);
    let reading = load(&spec, Some(&three())).unwrap();
    assert_eq!(reading.chip("SEQ").unwrap().image.bit(0, 0), Some(true));
}

#[test]
fn a_reading_is_aligned_with_another_layout() {
    let dir = folder(&[
        ("U7.bin", noise(1024, 1)),
        ("X.bin", vec![1; 16]),
        ("SEQ.bin", vec![2; 128]),
    ]);
    let bare = load(&ReadingSpec::path(dir.path()), None).unwrap();
    let reading = bare.aligned(&three());
    let shapes: Vec<_> = reading
        .chips
        .iter()
        .map(|c| (c.id.as_str(), c.image.words(), c.image.width()))
        .collect();
    assert_eq!(
        shapes,
        [("CH12", 1024, 4), ("CH34", 1024, 4), ("SEQ", 256, 8)]
    );
    assert_eq!(reading.chips[0].image.values(), noise(1024, 1));
    assert_eq!(reading.chips[2].image.unknown_bits(), 128 * 8);
    let told = codes(&reading);
    let of = |code| told.iter().filter(|c| **c == code).count();
    assert_eq!(
        (
            of("reading.geometry"),
            of("reading.missing"),
            of("reading.extra")
        ),
        (2, 1, 1)
    );
}

/// Every form and packing: what is written is loaded again, unknown bits included.
#[test]
fn every_form_and_packing_is_loaded_again() {
    let dir = tempfile::tempdir().unwrap();
    let cases = [
        (8, Packing::Low),
        (5, Packing::Low),
        (4, Packing::HighNibble),
        (4, Packing::BothNibbles),
        (4, Packing::NibblesLowFirst),
        (4, Packing::NibblesHighFirst),
        (1, Packing::Bit(3)),
        (1, Packing::PackedLsbFirst),
        (1, Packing::PackedMsbFirst),
    ];
    for (n, (width, packing)) in cases.into_iter().enumerate() {
        let cells = (0..203u32)
            .map(|i| (i * 37 % 251) as u8)
            .collect::<Vec<_>>();
        let mut image = ChipImage::from_cells(width, &cells).unwrap();
        image.set_cell(50, 0, 0);
        image.set_bit(100, width - 1, None);
        for cell in 160..190 {
            image.set_cell(cell, 0, 0);
        }
        let reading = Reading::new(vec![ChipReading::new("A", image)]);
        for (form, name, ending) in Form::ALL {
            let options = WriteOptions {
                form: WriteForm {
                    form,
                    ..WriteForm::default()
                },
                packing: Some(packing),
                ..WriteOptions::default()
            };
            let place = dir.path().join(format!("{n}-{name}"));
            let written = write(&reading, &place, &options).unwrap();
            assert_eq!(written.files[0], format!("A.{ending}"));
            let back = load(&ReadingSpec::path(&place), None).unwrap();
            assert_eq!(
                back.chips[0].image, reading.chips[0].image,
                "{packing} {name}"
            );
            assert_eq!(codes(&back), [""; 0], "{packing} {name}");
        }
    }
}

#[test]
fn nothing_is_written_over() {
    let dir = folder(&[("A.bin", vec![1, 2, 3, 4])]);
    let reading = load(&ReadingSpec::path(dir.path()), None).unwrap();
    let replace = WriteOptions {
        replace: true,
        ..WriteOptions::default()
    };
    // Onto the input, around it, and onto something that is no reading.
    assert!(matches!(
        write(&reading, dir.path(), &replace),
        Err(WriteError::OntoInput(_))
    ));
    let parent = dir.path().parent().unwrap();
    assert!(matches!(
        write(&reading, parent, &replace),
        Err(WriteError::OntoInput(_))
    ));
    let other = folder(&[("thesis.txt", b"years of work".to_vec())]);
    assert!(matches!(
        write(&reading, other.path(), &replace),
        Err(WriteError::NotAReading(_))
    ));
    assert_eq!(
        fs::read(other.path().join("thesis.txt")).unwrap(),
        b"years of work"
    );
    // A taken place is refused without leave to replace, and replaced with it.
    let place = other.path().join("out");
    write(&reading, &place, &WriteOptions::default()).unwrap();
    let again = write(&reading, &place, &WriteOptions::default());
    assert!(matches!(again, Err(WriteError::Disk(_))), "{again:?}");
    let changed = Reading::new(vec![ChipReading::new(
        "B",
        ChipImage::from_cells(8, &[9]).unwrap(),
    )]);
    write(&changed, &place, &replace).unwrap();
    let back = load(&ReadingSpec::path(&place), None).unwrap();
    assert_eq!(back.chips[0].id, "B");
    // No litter stays beside it.
    let left: Vec<_> = fs::read_dir(other.path())
        .unwrap()
        .map(|e| e.unwrap().file_name())
        .collect();
    assert_eq!(left.len(), 2, "{left:?}");
    // Notes that somebody laid into the folder are not taken along with the old reading.
    fs::write(place.join("notes.txt"), "read at 4.8 V").unwrap();
    let error = write(&reading, &place, &replace).unwrap_err();
    assert!(error.to_string().contains("notes.txt"), "{error}");
    assert!(place.join("B.bin").is_file() && place.join("notes.txt").is_file());
}

#[test]
fn a_broken_record_is_the_files_fault() {
    let dir = folder(&[("A.bin", vec![1])]);
    for text in [
        "{",
        "{\"kind\":\"bank\",\"version\":1,\"chips\":[]}",
        "{\"kind\":\"reading\",\"version\":9,\"chips\":[]}",
    ] {
        fs::write(dir.path().join("reading.json"), text).unwrap();
        let said = failure(&ReadingSpec::path(dir.path()), None);
        assert!(said.contains("reading.json cannot be used"), "{said}");
    }
    // A file name that leads out of the folder is not followed.
    let chip = r#"{"id":"A","file":"../A.bin","form":"bin","packing":"low","words":1,"width":8,"sha256":""}"#;
    fs::write(
        dir.path().join("reading.json"),
        format!(r#"{{"kind":"reading","version":1,"chips":[{chip}]}}"#),
    )
    .unwrap();
    assert!(failure(&ReadingSpec::path(dir.path()), None).contains("no plain file name"));
}

/// Runs of one origin are kept together while bits are set one by one, and what is set later has the word.
#[test]
fn origins_of_many_bits_are_few_runs() {
    let mut chip = ChipReading::new("A", ChipImage::from_cells(4, &[0; 100]).unwrap());
    for cell in 10..60 {
        for line in 0..4 {
            assert!(chip.set_bit(cell, line, Some(true), &origin()));
        }
    }
    let later = Origin {
        verb: "set".to_owned(),
        ..origin()
    };
    assert!(chip.set_bit(20, 2, Some(false), &later));
    assert!(!chip.set_bit(100, 0, Some(true), &later));
    let runs: Vec<_> = chip
        .joined_provenance()
        .iter()
        .map(|r| (r.cells.first, r.cells.last, r.lines))
        .collect();
    assert_eq!(runs, [(10, 59, 0xf), (20, 20, 4)]);
    assert!(chip.provenance.len() <= 3);
    assert_eq!(chip.origin_of(20, 2), Some(&later));
    assert_eq!(chip.origin_of(20, 1), Some(&origin()));
    assert_eq!(chip.origin_of(9, 0), None);
}

/// A pipe that nobody writes to would be waited for without end, and a device read without end.
#[cfg(unix)]
#[test]
fn only_plain_files_are_read() {
    let folder = tempfile::tempdir().expect("a folder");
    let pipe = folder.path().join("IC14.bin");
    let made = std::process::Command::new("mkfifo").arg(&pipe).status();
    assert!(made.expect("mkfifo of POSIX").success());
    for path in [pipe.as_path(), std::path::Path::new("/dev/zero")] {
        let error = load(&ReadingSpec::path(path), None).expect_err("no plain file");
        assert_eq!(error.who(), Who::Caller);
        let says = error.to_string();
        assert!(says.ends_with("only plain files are read"), "{says}");
    }
}
