//! Hex forms against srec_cat (srecord), objcopy (binutils), intelhex and bincopy (PyPI), and listings against
//! xxd, hexdump and od: what they write is read here, what is written here they read.
//!
//! Where the tools disagree among themselves the specification decides, and the test says so.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod tools;

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use cellkeep::image::form::{
    AddressSize, Addressing, LineEnd, ReadOptions, Style, WriteForm, read, write,
};
use cellkeep::image::{Contents, Form, SparseBytes};
use tools::venv;

/// Images and files, each as every reader sees it: runs of address and bytes in hex.
type Seen = BTreeMap<String, BTreeMap<String, Vec<(u32, String)>>>;

const IMAGES: usize = 60;

fn start(program: &str, package: &str) -> Command {
    let found = std::env::split_paths(&std::env::var_os("PATH").unwrap_or_default())
        .any(|folder| folder.join(program).is_file());
    assert!(
        found,
        "{program} is missing: apt-get install {package}, or run tests/run"
    );
    Command::new(program)
}

fn output(command: &mut Command) -> Output {
    command
        .output()
        .unwrap_or_else(|e| panic!("{command:?}: {e}"))
}

fn run(command: &mut Command) -> String {
    let out = output(command);
    let errors = String::from_utf8_lossy(&out.stderr);
    assert!(out.status.success(), "{command:?} failed:\n{errors}");
    String::from_utf8(out.stdout).unwrap()
}

fn srec_cat(arguments: &[&str]) -> Output {
    output(start("srec_cat", "srecord").args(arguments))
}

/// Runs the Python side of these checks.
fn python(arguments: &[&str]) -> Seen {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests");
    let script = root.join("outside/hex.py");
    serde_json::from_str(&run(Command::new(venv("python"))
        .arg(script)
        .args(arguments)))
    .unwrap()
}

fn sparse(runs: &[(u32, String)]) -> SparseBytes {
    let mut bytes = SparseBytes::default();
    for (address, hex) in runs {
        let digit = |i: usize| u8::from_str_radix(&hex[i..i + 2], 16).unwrap();
        let run: Vec<u8> = (0..hex.len()).step_by(2).map(digit).collect();
        assert!(bytes.append(*address, &run));
    }
    bytes
}

fn runs(bytes: &SparseBytes) -> Vec<(u32, String)> {
    let hex = |b: &[u8]| b.iter().map(|b| format!("{b:02x}")).collect();
    bytes
        .segments()
        .iter()
        .map(|s| (s.start, hex(&s.bytes)))
        .collect()
}

fn parse(path: &Path) -> Contents {
    read(&fs::read(path).unwrap(), ReadOptions::default())
        .unwrap_or_else(|e| panic!("{}: {e}", path.display()))
}

/// Random images written by the Python libraries, with their contents.
fn random_images(folder: &Path, seed: u32) -> Vec<SparseBytes> {
    let made = python(&[
        "make",
        folder.to_str().unwrap(),
        &seed.to_string(),
        &IMAGES.to_string(),
    ]);
    assert_eq!(made.len(), IMAGES);
    (0..IMAGES)
        .map(|n| sparse(&made[&n.to_string()]["image"]))
        .collect()
}

#[test]
fn what_the_tools_write_is_read() {
    let dir = tempfile::tempdir().unwrap();
    let images = random_images(dir.path(), 1);
    let at = |n: usize, name: &str| dir.path().join(format!("{n}.{name}"));
    for (n, image) in images.iter().enumerate() {
        let from = at(n, "bincopy.srec");
        let from = from.to_str().unwrap();
        let mut files = vec![
            at(n, "bincopy.hex"),
            at(n, "bincopy.srec"),
            at(n, "bincopy.ti"),
            at(n, "intelhex.hex"),
        ];
        // Segment addresses reach 20 bits; srec_cat's records of odd length are asked for on purpose.
        let mut options: Vec<(&str, Vec<&str>)> = vec![
            ("srec_cat.hex", vec!["-intel"]),
            ("srec_cat.srec", vec!["-motorola", "-obs=16"]),
            ("srec_cat.ti", vec!["-ti-txt"]),
        ];
        if image.end() <= 1 << 20 {
            options.push(("srec_cat20.hex", vec!["-intel", "-address-length=3"]));
        }
        if image.end() <= 1 << 16 {
            options.push(("srec_cat16.hex", vec!["-intel", "-address-length=2"]));
        }
        for (name, how) in options {
            let to = at(n, name);
            let mut arguments = vec![from, "-motorola", "-o", to.to_str().unwrap()];
            arguments.extend(how);
            let out = srec_cat(&arguments);
            assert!(
                out.status.success(),
                "{arguments:?}: {}",
                String::from_utf8_lossy(&out.stderr)
            );
            files.push(to);
        }
        for (name, form) in [("objcopy.hex", "ihex"), ("objcopy.srec", "srec")] {
            let to = at(n, name);
            run(start("objcopy", "binutils")
                .args(["-I", "srec", "-O", form, from])
                .arg(&to));
            files.push(to);
        }
        for file in files {
            let contents = parse(&file);
            let name = file.file_name().unwrap().to_str().unwrap();
            if name.ends_with("bincopy.hex") && codes(&contents).contains(&"file.segment-wrap") {
                // bincopy lets a record run past the end of its segment and means the next one; by the specification
                // the record wraps, so here the file holds other addresses than bincopy meant.
                let crosses =
                    |s: &cellkeep::image::Segment| u64::from(s.start >> 16) != (s.end() - 1) >> 16;
                assert!(image.segments().iter().any(crosses), "{name}");
                assert_eq!(contents.bytes.count(), image.count(), "{name}");
                continue;
            }
            assert_eq!(&contents.bytes, image, "{}", file.display());
            let form = match file.extension().unwrap().to_str().unwrap() {
                "hex" => Form::IntelHex,
                "srec" => Form::SRecord,
                _ => Form::TiTxt,
            };
            assert_eq!(contents.form, form, "{}", file.display());
            let damage = cellkeep::finding::worst(&contents.findings);
            assert_eq!(damage, None, "{}: {:?}", file.display(), contents.findings);
        }
    }
}

#[test]
fn what_is_written_the_tools_read() {
    let made = tempfile::tempdir().unwrap();
    let images = random_images(made.path(), 2);
    let dir = tempfile::tempdir().unwrap();
    let mut wanted: BTreeMap<String, Vec<(u32, String)>> = BTreeMap::new();
    let mut readings = 0;
    for (n, image) in images.iter().enumerate() {
        let record_length = [1, 5, 16, 32, 200, 255][n % 6];
        let line_end = if n % 2 == 0 {
            LineEnd::Lf
        } else {
            LineEnd::CrLf
        };
        let base = WriteForm {
            record_length,
            line_end,
            ..WriteForm::default()
        };
        let form = |form| WriteForm {
            form,
            ..base.clone()
        };
        let mut forms = vec![
            ("linear.hex", form(Form::IntelHex)),
            ("shortest.srec", form(Form::SRecord)),
            (
                "s3.srec",
                WriteForm {
                    address_size: AddressSize::S3,
                    header: Some("U12".into()),
                    ..form(Form::SRecord)
                },
            ),
            (
                "own.ti",
                WriteForm {
                    record_length: 16,
                    ..form(Form::TiTxt)
                },
            ),
        ];
        if image.end() <= 1 << 20 {
            forms.push((
                "segment.hex",
                WriteForm {
                    addressing: Addressing::Segment,
                    ..form(Form::IntelHex)
                },
            ));
        }
        for (name, how) in forms {
            let name = format!("{n}.{name}");
            let path = dir.path().join(&name);
            fs::write(&path, write(image, 0, &how).unwrap()).unwrap();
            let own = path.to_str().unwrap().to_owned();
            let kind = match how.form {
                Form::IntelHex => "-intel",
                Form::SRecord => "-motorola",
                _ => "-ti-txt",
            };
            // srec_cat and objcopy read it and write an S-record, which bincopy then reads.
            let by_srec_cat = format!("{own}.srec_cat.srec");
            let out = srec_cat(&[&own, kind, "-o", &by_srec_cat, "-motorola"]);
            let errors = String::from_utf8_lossy(&out.stderr).into_owned();
            // A header is optional, and TI-TXT of larger parts has more than 16 address bits; srec_cat warns and
            // reads all the same.
            let harmless = ["warning: no header record", "too large"];
            // It breaks long messages into lines.
            let words = errors.split_whitespace().collect::<Vec<_>>().join(" ");
            let mut messages = words.split("srec_cat: ").filter(|m| !m.is_empty());
            let warned = messages.any(|m| !harmless.iter().any(|h| m.trim_end().ends_with(h)));
            assert!(out.status.success() && !warned, "srec_cat {name}: {errors}");
            wanted.insert(format!("{name}.srec_cat.srec"), runs(image));
            if how.form != Form::TiTxt {
                let by_objcopy = format!("{own}.objcopy.srec");
                let kind = if how.form == Form::IntelHex {
                    "ihex"
                } else {
                    "srec"
                };
                run(start("objcopy", "binutils").args([
                    "-I",
                    kind,
                    "-O",
                    "srec",
                    &own,
                    &by_objcopy,
                ]));
                wanted.insert(format!("{name}.objcopy.srec"), runs(image));
            }
            wanted.insert(name, runs(image));
        }
    }
    let seen = python(&["read", dir.path().to_str().unwrap()]);
    assert_eq!(seen.len(), wanted.len());
    for (name, readers) in &seen {
        for (reader, got) in readers {
            assert_eq!(got, &wanted[name], "{name} by {reader}");
            readings += 1;
        }
    }
    assert!(
        readings > 10 * IMAGES,
        "only {readings} readings were compared"
    );
}

/// A file of some bytes.
fn file(dir: &Path, name: &str, text: &str) -> PathBuf {
    let path = dir.join(name);
    fs::write(&path, text).unwrap();
    path
}

fn codes(contents: &Contents) -> Vec<&str> {
    contents.findings.iter().map(|f| f.code.as_str()).collect()
}

/// Intel's specification: in segment mode an address is `SBA + ((offset + index) mod 64K)`. srec_cat does so, the
/// other three run on into the next segment; the specification decides.
#[test]
fn disagreement_segment_wrap() {
    let dir = tempfile::tempdir().unwrap();
    let text = ":020000021000EC\n:10FFF800000102030405060708090A0B0C0D0E0F81\n:00000001FF\n";
    let path = file(dir.path(), "wrap.hex", text);
    let ours = runs(&parse(&path).bytes);
    assert_eq!(
        ours,
        [
            (0x10000, "08090a0b0c0d0e0f".to_owned()),
            (0x1fff8, "0001020304050607".to_owned())
        ]
    );
    let to = dir.path().join("wrap.hex.srec");
    let out = srec_cat(&[
        path.to_str().unwrap(),
        "-intel",
        "-o",
        to.to_str().unwrap(),
        "-motorola",
    ]);
    assert!(out.status.success());
    let seen = python(&["read", dir.path().to_str().unwrap()]);
    assert_eq!(seen["wrap.hex.srec"]["bincopy"], ours, "srec_cat wraps");
    let on = [(0x1fff8, "000102030405060708090a0b0c0d0e0f".to_owned())];
    assert_eq!(seen["wrap.hex"]["bincopy"], on);
    assert_eq!(seen["wrap.hex"]["intelhex"], on);
}

/// What some tools refuse and others let pass is a finding or a wrong line here.
#[test]
fn disagreements_about_damage() {
    let dir = tempfile::tempdir().unwrap();
    let accepts = |path: &Path, kind: &str| {
        let to = dir.path().join("out.srec");
        let (own, to) = (path.to_str().unwrap(), to.to_str().unwrap());
        let by_srec_cat = srec_cat(&[own, &format!("-{kind}"), "-o", to, "-motorola"])
            .status
            .success();
        let kind = if kind == "intel" { "ihex" } else { "srec" };
        let by_objcopy =
            output(start("objcopy", "binutils").args(["-I", kind, "-O", "srec", own, to]));
        (by_srec_cat, by_objcopy.status.success())
    };
    // srec_motorola(5): S5 holds the number of data records. srec_cat refuses a wrong one, objcopy ignores it.
    let path = file(
        dir.path(),
        "count.srec",
        "S1070000DEADBEEFC0\nS5030002FA\nS9030000FC\n",
    );
    assert_eq!(accepts(&path, "motorola"), (false, true));
    assert_eq!(codes(&parse(&path)), ["file.count"]);
    // The same bytes named twice with other values: srec_cat refuses, objcopy keeps both.
    let path = file(
        dir.path(),
        "twice.hex",
        ":04000000DEADBEEFC4\n:02000200BEEE50\n:00000001FF\n",
    );
    assert_eq!(accepts(&path, "intel"), (false, true));
    assert!(codes(&parse(&path)).contains(&"file.overlap-differs"));
    // A wrong checksum and an undefined type: both refuse, and so do we.
    for text in [
        ":04000000DEADBEEFC5\n:00000001FF\n",
        ":00000006FA\n:04000000DEADBEEFC4\n:00000001FF\n",
    ] {
        let path = file(dir.path(), "wrong.hex", text);
        assert_eq!(accepts(&path, "intel"), (false, false), "{text}");
        assert!(read(text.as_bytes(), ReadOptions::default()).is_err());
    }
    // A reserved S4: srec_cat refuses, objcopy skips it.
    let path = file(
        dir.path(),
        "s4.srec",
        "S404000000FB\nS1070000DEADBEEFC0\nS9030000FC\n",
    );
    assert_eq!(accepts(&path, "motorola"), (false, true));
    assert!(read(&fs::read(&path).unwrap(), ReadOptions::default()).is_err());
}

/// Bytes with repeated rows, printable and other characters, not a multiple of sixteen.
fn listed() -> Vec<u8> {
    let mut bytes: Vec<u8> = (0..=255).collect();
    bytes.extend([0; 100]);
    bytes.extend(b"Patch 12  |x|  >y<  AB CD 00 11 *");
    bytes.extend([0xff; 333]);
    bytes
}

#[test]
fn listings_are_printed_as_the_tools_print_them() {
    let dir = tempfile::tempdir().unwrap();
    let bytes = listed();
    let path = dir.path().join("bytes.bin");
    fs::write(&path, &bytes).unwrap();
    let image = SparseBytes::from_run(0, bytes.clone());
    let tools = [
        (Style::Hexdump, "hexdump", "bsdextrautils", vec!["-v", "-C"]),
        (Style::Xxd, "xxd", "xxd", vec![]),
        (Style::Od, "od", "coreutils", vec!["-v", "-t", "x1"]),
    ];
    for (style, program, package, arguments) in tools {
        let theirs = run(start(program, package).args(arguments).arg(&path));
        let how = WriteForm {
            form: Form::Listing,
            style,
            ..WriteForm::default()
        };
        let ours = String::from_utf8(write(&image, 0, &how).unwrap()).unwrap();
        assert_eq!(ours, theirs, "{program}");
        if style == Style::Xxd {
            let listing = file(dir.path(), "ours.xxd", &ours);
            let back = output(start("xxd", "xxd").arg("-r").arg(listing)).stdout;
            assert_eq!(back, bytes);
        }
    }
}

#[test]
fn listings_of_the_tools_are_read() {
    let dir = tempfile::tempdir().unwrap();
    let printers: [(&str, &str, &[&str]); 14] = [
        ("xxd", "xxd", &[]),
        ("xxd", "xxd", &["-u", "-c", "8", "-g", "1"]),
        ("xxd", "xxd", &["-c", "32", "-g", "4"]),
        ("xxd", "xxd", &["-p"]),
        ("hexdump", "bsdextrautils", &["-C"]),
        ("hexdump", "bsdextrautils", &["-v", "-C"]),
        ("hexdump", "bsdextrautils", &[]),
        ("od", "coreutils", &["-t", "x1"]),
        ("od", "coreutils", &["-v", "-t", "x1z"]),
        ("od", "coreutils", &["-A", "x", "-t", "x1z"]),
        ("od", "coreutils", &["-A", "d", "-t", "x1"]),
        ("od", "coreutils", &["-v", "-A", "n", "-t", "x1"]),
        ("od", "coreutils", &["-x"]),
        ("od", "coreutils", &["-A", "x", "-t", "x1", "-w5"]),
    ];
    let all = listed();
    // Every length of a last line, so that each cut between hex and text is met.
    for length in (1..=40).chain([256, 300, all.len()]) {
        let bytes = &all[..length];
        let path = dir.path().join("bytes.bin");
        fs::write(&path, bytes).unwrap();
        for (program, package, arguments) in printers {
            let words = arguments == ["-x"] || (program, arguments.len()) == ("hexdump", 0);
            if words && length % 2 == 1 {
                continue; // the tools print a byte that is not there
            }
            let text = run(start(program, package).args(arguments).arg(&path));
            let contents = read(text.as_bytes(), ReadOptions::default())
                .unwrap_or_else(|e| panic!("{program} {arguments:?}: {e}\n{text}"));
            assert_eq!(contents.form, Form::Listing);
            let want = SparseBytes::from_run(0, bytes.to_vec());
            assert_eq!(
                contents.bytes, want,
                "{program} {arguments:?} {length}\n{text}"
            );
            let told = if words { vec!["file.words"] } else { vec![] };
            assert_eq!(
                codes(&contents),
                told,
                "{program} {arguments:?} {length}\n{text}"
            );
        }
    }
}
