//! The layout language on published layouts, against the programs that others wrote for them:
//!
//! - the clock memory of AT computers (MC146818 data sheet; Linux drivers/char/nvram.c) against `nvramtool` of
//!   Debian's coreboot-utils, which reads and writes a plain file by a layout of its own;
//! - the base block of VESA E-EDID against Debian's `edid-decode`, which reads.
//!
//! Random valid values, both directions: what the other program wrote or reads is decoded here, and what is encoded
//! here is read by the other program, its check sums included.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod tools;

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use cellkeep::codec::{Codec, Memory, checks};
use cellkeep::image::ChipImage;
use cellkeep::layout::model::Layout;
use tools::{Random, run};

/// Random cases for each direction of each layout.
const CASES: u64 = 150;

/// One published layout: its chip's bytes as codes by name, `area/key` or `area/key/character`.
struct Bench {
    layout: Layout,
    codec: Codec,
}

impl Bench {
    fn new(name: &str) -> Self {
        let path = folder().join(format!("{name}.toml"));
        let layout = match cellkeep::layout::load(&path.to_string_lossy()) {
            Ok(layout) => layout,
            Err(e) => panic!("{e}"),
        };
        Self {
            codec: Codec::new(&layout),
            layout,
        }
    }

    fn memory(&self, bytes: &[u8]) -> Memory {
        let image = ChipImage::from_cells(8, bytes).unwrap();
        Memory::of_images(&self.layout, &[&image]).unwrap()
    }

    fn field(&self, area: &str, key: &str) -> (usize, usize) {
        let a = self
            .layout
            .areas
            .iter()
            .position(|a| a.name == area)
            .unwrap();
        let area = &self.layout.areas[a];
        let parameter = area
            .parameter(key)
            .unwrap_or_else(|| panic!("{key} is no parameter"));
        (a, area.parameters[parameter].fields.start)
    }

    fn code(&self, bytes: &[u8], area: &str, key: &str) -> u64 {
        let codes = self.codec.decode(&self.memory(bytes));
        let (a, field) = self.field(area, key);
        codes.areas[a].code(0, field).unwrap()
    }

    /// The bytes with these codes encoded onto them and the checks brought up to date.
    fn encode(&self, bytes: &[u8], codes: &BTreeMap<(&str, &str), u64>) -> Vec<u8> {
        let before = self.memory(bytes);
        let mut all = self.codec.decode(&before);
        for (&(area, key), &code) in codes {
            let (a, field) = self.field(area, key);
            all.areas[a].set(0, field, code);
        }
        let mut memory = before.clone();
        self.codec.encode(&all, &mut memory).unwrap();
        checks::bring_in_line(&self.layout, &before, &mut memory);
        memory.images().unwrap()[0].values().to_vec()
    }

    fn checks_hold(&self, bytes: &[u8]) -> bool {
        let results = checks::verify(&self.layout, &self.memory(bytes));
        assert!(!results.is_empty());
        results.iter().all(|r| r.verdict == checks::Verdict::Holds)
    }
}

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/outside/layouts")
}

fn nvramtool(file: &Path, arguments: &[&str], input: &str) -> String {
    let map = folder().join("at-cmos-clock-ram.cmos-layout");
    let (map, file) = (map.to_string_lossy(), file.to_string_lossy());
    let mut all = vec!["-y", &*map, "-D", &*file];
    all.extend(arguments);
    let out = run("nvramtool", "coreboot-utils", &all, input.as_bytes());
    let errors = String::from_utf8_lossy(&out.stderr).into_owned();
    assert!(
        out.status.success() && errors.is_empty(),
        "{arguments:?}: {errors}"
    );
    String::from_utf8(out.stdout).unwrap()
}

/// Parameters of the set-up bytes with the highest code that is valid.
const SETUP: &[(&str, u64)] = &[
    ("diagnostics", 255),
    ("shutdown", 255),
    ("floppy-0", 4),
    ("floppy-1", 15),
    ("disk-0", 15),
    ("disk-1", 15),
    ("floppies", 3),
    ("display", 3),
    ("coprocessor", 1),
    ("floppy-fitted", 1),
    ("base-memory", 0xffff),
    ("extended-memory", 0xffff),
    ("century", 255),
];

/// A code as nvramtool writes it: enumerations by name.
fn spelt(key: &str, code: u64) -> String {
    let names: &[&str] = match key {
        "floppy-0" => &["none", "360K", "1.2M", "720K", "1.44M"],
        "floppy-fitted" => &["No", "Yes"],
        _ => return format!("{code:#x}"),
    };
    names[code as usize].to_owned()
}

fn setup_codes(random: &mut Random) -> BTreeMap<(&'static str, &'static str), u64> {
    SETUP
        .iter()
        .map(|&(key, top)| (("setup", key), random.within(0, top)))
        .collect()
}

#[test]
fn what_nvramtool_writes_is_decoded() {
    let bench = Bench::new("at-cmos-clock-ram");
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("cmos.bin");
    let mut random = Random(0x2f6b_11d5_93aa_70e7);
    for _ in 0..CASES {
        let codes = setup_codes(&mut random);
        // Other content, so that a bit read from a wrong place shows.
        std::fs::write(&file, random.bytes(128)).unwrap();
        let mut lines = String::new();
        for (&(_, key), &code) in &codes {
            writeln!(lines, "{key} = {}", spelt(key, code)).unwrap();
        }
        nvramtool(&file, &["-i"], &lines);
        let bytes = std::fs::read(&file).unwrap();
        let bytes = &bytes[..128];
        for (&(area, key), &code) in &codes {
            assert_eq!(bench.code(bytes, area, key), code, "{key}");
        }
        assert!(bench.checks_hold(bytes), "the sum nvramtool wrote");
    }
}

#[test]
fn what_is_encoded_nvramtool_reads() {
    let bench = Bench::new("at-cmos-clock-ram");
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("cmos.bin");
    let mut random = Random(0x9d1c_74e2_0b36_58af);
    for _ in 0..CASES {
        let before = random.bytes(128);
        let codes = setup_codes(&mut random);
        let bytes = bench.encode(&before, &codes);
        std::fs::write(&file, &bytes).unwrap();
        // A wrong sum would be warned of, which `nvramtool` above takes for a failure.
        let shown = nvramtool(&file, &["-a"], "");
        let shown: BTreeMap<&str, &str> =
            shown.lines().filter_map(|l| l.split_once(" = ")).collect();
        for (&(_, key), &code) in &codes {
            assert_eq!(shown.get(key), Some(&spelt(key, code).as_str()), "{key}");
        }
        // What the layout does not claim is as it was.
        assert_eq!(bytes[0x33..], before[0x33..]);
        assert_eq!(bytes[0x19..0x2e], before[0x19..0x2e]);
    }
}

/// 23:59:58 on Saturday, 31 December 99, as the data sheet's table of register contents has it in binary-coded
/// decimal.
#[test]
fn the_clock_counts_in_decimal() {
    let bench = Bench::new("at-cmos-clock-ram");
    let mut bytes = vec![0; 128];
    bytes[..10].copy_from_slice(&[0x58, 0, 0x59, 0, 0x23, 0, 7, 0x31, 0x12, 0x99]);
    let area = bench.layout.area("clock").unwrap();
    let mut shown = Vec::new();
    for p in &area.parameters {
        let code = bench.code(&bytes, "clock", &p.key);
        let number =
            cellkeep::codec::coding::number(&p.coding, area.fields[p.fields.start].width, code);
        shown.push((p.key.as_str(), number));
    }
    let expected = [
        ("second", 58),
        ("minute", 59),
        ("hour", 23),
        ("afternoon", 0),
        ("weekday", 7),
        ("day", 31),
        ("month", 12),
        ("year", 99),
    ]
    .map(|(key, n)| (key, Some(n)));
    assert_eq!(shown, expected);
}

fn edid_decode(bytes: &[u8]) -> String {
    let out = run(
        "edid-decode",
        "edid-decode",
        &["--skip-hex-dump", "-"],
        bytes,
    );
    assert!(
        out.status.success(),
        "{}",
        String::from_utf8_lossy(&out.stderr)
    );
    String::from_utf8(out.stdout).unwrap()
}

type Block = BTreeMap<(&'static str, &'static str), u64>;

/// Random codes that make a valid block.
fn block(random: &mut Random) -> Block {
    let mut out = Block::new();
    let mut base = |key, low, high| {
        let code = random.within(low, high);
        out.insert(("base", key), code);
    };
    base("maker.first", 1, 26);
    base("maker.second", 1, 26);
    base("maker.third", 1, 26);
    base("product", 1, 0xffff);
    base("serial", 0x0200_0000, 0xffff_ffff);
    base("made.week", 1, 53);
    base("made.year", 10, 30);
    base("version", 1, 1);
    base("revision", 3, 3);
    base("input.digital", 1, 1);
    base("input.other", 0, 0);
    base("size.width", 1, 255);
    base("size.height", 1, 255);
    base("gamma", 0, 254);
    base("features.standby", 0, 1);
    base("features.suspend", 0, 1);
    base("features.off", 0, 1);
    base("features.other", 10, 10);
    for key in [
        "red.x", "red.y", "green.x", "green.y", "blue.x", "blue.y", "white.x", "white.y",
    ] {
        base(key, 0, 1023);
    }
    base("extensions", 0, 0);
    let mut timing = |key, low, high| {
        let code = random.within(low, high);
        out.insert(("timing", key), code);
        code
    };
    timing("clock", 1000, 0xffff);
    timing("across.active", 64, 4095);
    timing("down.active", 64, 4095);
    let (front, sync) = (
        timing("across.front", 1, 1023),
        timing("across.sync", 1, 1023),
    );
    timing("across.blank", front + sync + 1, 4095);
    let (front, sync) = (timing("down.front", 1, 63), timing("down.sync", 1, 63));
    timing("down.blank", front + sync + 1, 4095);
    timing("across.millimetres", 1, 4095);
    timing("down.millimetres", 1, 4095);
    timing("border.across", 0, 0);
    timing("border.down", 0, 0);
    // Digital separate synchronisation: bits 4 and 3 of the last byte.
    timing("flags", 0b00110, 0b00110);
    timing("down.positive", 0, 1);
    timing("across.positive", 0, 1);
    out
}

/// The lines edid-decode prints for a block, written from the codes.
fn expected(block: &Block) -> Vec<String> {
    let b = |key| block[&("base", key)];
    let t = |key| block[&("timing", key)];
    let letter = |key| char::from(b'@' + b(key) as u8);
    let colour = |x, y| {
        // Four places, cut off and not rounded, as edid-decode prints them.
        let part = |key| format!("0.{:04}", b(key) * 10_000 / 1024);
        format!("{}, {}", part(x), part(y))
    };
    let sign = |key| if t(key) == 1 { 'P' } else { 'N' };
    let mut standby = String::new();
    for (key, word) in [
        ("features.standby", " Standby"),
        ("features.suspend", " Suspend"),
        ("features.off", " Off"),
    ] {
        if b(key) == 1 {
            standby += word;
        }
    }
    let across_back = t("across.blank") - t("across.front") - t("across.sync");
    let down_back = t("down.blank") - t("down.front") - t("down.sync");
    let mut out = vec![
        format!(
            "Manufacturer: {}{}{}",
            letter("maker.first"),
            letter("maker.second"),
            letter("maker.third")
        ),
        format!("Model: {}", b("product")),
        format!("Serial Number: {}", b("serial")),
        format!(
            "Made in: week {} of {}",
            b("made.week"),
            1990 + b("made.year")
        ),
        "EDID Structure Version & Revision: 1.3".to_owned(),
        format!(
            "Maximum image size: {} cm x {} cm",
            b("size.width"),
            b("size.height")
        ),
        format!("Gamma: {:.2}", (b("gamma") + 100) as f64 / 100.0),
        format!("Red  : {}", colour("red.x", "red.y")),
        format!("Green: {}", colour("green.x", "green.y")),
        format!("Blue : {}", colour("blue.x", "blue.y")),
        format!("White: {}", colour("white.x", "white.y")),
        format!("DTD 1: {:>5}x{:<4}", t("across.active"), t("down.active")),
        format!("{:.6} MHz", t("clock") as f64 / 100.0),
        format!(
            "({} mm x {} mm)",
            t("across.millimetres"),
            t("down.millimetres")
        ),
        format!(
            "Hfront {:4} Hsync {:3} Hback {:4} Hpol {}",
            t("across.front"),
            t("across.sync"),
            across_back,
            sign("across.positive")
        ),
        format!(
            "Vfront {:4} Vsync {:3} Vback {:4} Vpol {}",
            t("down.front"),
            t("down.sync"),
            down_back,
            sign("down.positive")
        ),
        "Display Product Name: 'BENCH 7'".to_owned(),
        "Display Product Serial Number: 'SN-0042'".to_owned(),
    ];
    if !standby.is_empty() {
        out.push(format!("DPMS levels:{standby}"));
    }
    out
}

fn squeezed(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// The parts of a block that are always so: the header, unused standard timings, two texts and a dummy.
fn frame() -> Vec<u8> {
    let mut bytes = vec![0; 128];
    bytes[1..7].fill(0xff);
    bytes[38..54].fill(0x01);
    bytes[75] = 0xfc;
    bytes[77..90].copy_from_slice(b"BENCH 7\n     ");
    bytes[93] = 0x10;
    bytes[111] = 0xff;
    bytes[113..126].copy_from_slice(b"SN-0042\n     ");
    bytes
}

#[test]
fn what_is_encoded_edid_decode_reads() {
    let bench = Bench::new("e-edid-base-block");
    let mut random = Random(0x51ce_83d0_4477_19ab);
    for _ in 0..CASES {
        let block = block(&mut random);
        let bytes = bench.encode(&frame(), &block);
        let shown = edid_decode(&bytes);
        let plain = squeezed(&shown);
        for line in expected(&block) {
            assert!(
                plain.contains(&squeezed(&line)),
                "{line:?} is not in\n{shown}"
            );
        }
        assert!(
            shown.contains(&format!("Checksum: {:#04x}\n", bytes[127])),
            "{shown}"
        );
        assert!(!shown.contains("should be"), "the sum is wrong:\n{shown}");
    }
}

/// A block put together by the byte table of the standard (VESA E-EDID release A, tables 3.1, 3.18 and on), without
/// the layout; edid-decode confirms that it says what was meant.
#[test]
fn what_edid_decode_reads_is_decoded() {
    let bench = Bench::new("e-edid-base-block");
    let mut random = Random(0xe4b7_2a16_c85d_30f9);
    for _ in 0..CASES {
        let block = block(&mut random);
        let bytes = by_hand(&block);
        let shown = edid_decode(&bytes);
        let plain = squeezed(&shown);
        for line in expected(&block) {
            assert!(
                plain.contains(&squeezed(&line)),
                "{line:?} is not in\n{shown}"
            );
        }
        for (&(area, key), &code) in &block {
            assert_eq!(bench.code(&bytes, area, key), code, "{area} {key}");
        }
        assert!(bench.checks_hold(&bytes));
        // And back: encoding the same codes onto the bare frame gives the same bytes.
        assert_eq!(bench.encode(&frame(), &block), bytes);
    }
}

fn by_hand(block: &Block) -> Vec<u8> {
    let b = |key| block[&("base", key)];
    let t = |key| block[&("timing", key)];
    let mut bytes = frame();
    let maker = b("maker.first") << 10 | b("maker.second") << 5 | b("maker.third");
    bytes[8..10].copy_from_slice(&(maker as u16).to_be_bytes());
    bytes[10..12].copy_from_slice(&(b("product") as u16).to_le_bytes());
    bytes[12..16].copy_from_slice(&(b("serial") as u32).to_le_bytes());
    let features = b("features.standby") << 7
        | b("features.suspend") << 6
        | b("features.off") << 5
        | b("features.other");
    let digital = b("input.digital") << 7 | b("input.other");
    let single = [
        b("made.week"),
        b("made.year"),
        b("version"),
        b("revision"),
        digital,
        b("size.width"),
        b("size.height"),
        b("gamma"),
        features,
    ];
    for (byte, value) in bytes[16..25].iter_mut().zip(single) {
        *byte = value as u8;
    }
    let colours = ["red", "green", "blue", "white"].map(|c| {
        let part = |axis: &str| {
            let key = format!("{c}.{axis}");
            *block
                .iter()
                .find(|((a, k), _)| *a == "base" && *k == key)
                .unwrap()
                .1
        };
        (part("x"), part("y"))
    });
    let low = |i: usize| (colours[i].0 & 3) << 2 | colours[i].1 & 3;
    bytes[25] = (low(0) << 4 | low(1)) as u8;
    bytes[26] = (low(2) << 4 | low(3)) as u8;
    for (i, (x, y)) in colours.iter().enumerate() {
        bytes[27 + 2 * i] = (x >> 2) as u8;
        bytes[28 + 2 * i] = (y >> 2) as u8;
    }
    bytes[126] = b("extensions") as u8;
    let d = &mut bytes[54..72];
    d[..2].copy_from_slice(&(t("clock") as u16).to_le_bytes());
    let high = |a: u64, b: u64| (a >> 8 << 4 | b >> 8) as u8;
    for (at, active, blank) in [
        (2, "across.active", "across.blank"),
        (5, "down.active", "down.blank"),
    ] {
        d[at] = t(active) as u8;
        d[at + 1] = t(blank) as u8;
        d[at + 2] = high(t(active), t(blank));
    }
    let (hf, hs) = (t("across.front"), t("across.sync"));
    let (vf, vs) = (t("down.front"), t("down.sync"));
    d[8] = hf as u8;
    d[9] = hs as u8;
    d[10] = ((vf & 15) << 4 | vs & 15) as u8;
    d[11] = (hf >> 8 << 6 | hs >> 8 << 4 | vf >> 4 << 2 | vs >> 4) as u8;
    d[12] = t("across.millimetres") as u8;
    d[13] = t("down.millimetres") as u8;
    d[14] = high(t("across.millimetres"), t("down.millimetres"));
    d[17] = (0b11000 | t("down.positive") << 2 | t("across.positive") << 1) as u8;
    let sum = bytes[..127].iter().fold(0u8, |s, b| s.wrapping_add(*b));
    bytes[127] = sum.wrapping_neg();
    bytes
}
