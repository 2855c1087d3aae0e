//! Tracing on a published map: the set-up bytes of AT clock memory (Linux drivers/char/nvram.c), written by `nvramtool`
//! of Debian's coreboot-utils from a layout of its own. The solver sees the plan and the images, nothing of the map.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod tools;

use std::fmt::Write as _;
use std::path::Path;

use cellkeep::image::ChipImage;
use cellkeep::reading::{ChipReading, Reading};
use cellkeep::trace::panel::{Kind, Panel, PanelControl};
use cellkeep::trace::plan::{Effort, Plan};

/// Name, width and the published first bit (lowest, counted from bit 0 of byte 0), as in Linux drivers/char/nvram.c.
const PUBLISHED: &[(&str, u32, u32)] = &[
    ("diagnostics", 8, 0x0e * 8),
    ("shutdown", 8, 0x0f * 8),
    ("floppy-1", 4, 0x10 * 8),
    ("disk-1", 4, 0x12 * 8),
    ("disk-0", 4, 0x12 * 8 + 4),
    ("coprocessor", 1, 0x14 * 8 + 1),
    ("display", 2, 0x14 * 8 + 4),
    ("floppies", 2, 0x14 * 8 + 6),
    ("base-memory", 16, 0x15 * 8),
    ("extended-memory", 16, 0x17 * 8),
    ("century", 8, 0x32 * 8),
];

fn control(name: &str, width: u32) -> PanelControl {
    PanelControl {
        key: name.to_owned(),
        label: String::new(),
        group: None,
        kind: Kind::Number,
        per_voice: false,
        positions: vec![],
        low: Some(0),
        high: Some((1 << width) - 1),
        chars: None,
        when: None,
    }
}

fn nvramtool(file: &Path, lines: &str) {
    let map = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("tests/outside/layouts/at-cmos-clock-ram.cmos-layout");
    let (map, file) = (map.to_string_lossy(), file.to_string_lossy());
    let arguments = ["-y", &*map, "-D", &*file, "-i"];
    let out = tools::run("nvramtool", "coreboot-utils", &arguments, lines.as_bytes());
    let errors = String::from_utf8_lossy(&out.stderr);
    assert!(out.status.success() && errors.is_empty(), "{errors}");
}

#[test]
fn the_clock_memory_map_is_recovered() {
    let panel = Panel {
        name: "AT clock memory".into(),
        presets: 1,
        voices: 1,
        axis: "preset".into(),
        chips: vec![],
        controls: PUBLISHED.iter().map(|c| control(c.0, c.1)).collect(),
    };
    let plan = Plan::with(&panel, Effort::FULL);
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("cmos.bin");
    // What no setting reaches holds something that is neither all 0 nor all 1.
    let fill: Vec<u8> = (0..128u8).map(|i| i.wrapping_mul(37) ^ 0x5a).collect();
    std::fs::write(&file, fill).unwrap();
    let mut readings = Vec::new();
    for save in &plan.saves {
        let mut lines = String::new();
        for (c, position) in PUBLISHED.iter().zip(&plan.settings[save.setting].positions) {
            writeln!(lines, "{} = {position:#x}", c.0).unwrap();
        }
        nvramtool(&file, &lines);
        let bytes = std::fs::read(&file).unwrap();
        let image = ChipImage::from_cells(8, &bytes[..128]).unwrap();
        readings.push(Reading::new(vec![ChipReading::new("CMOS", image)]));
    }
    let solved = cellkeep::trace::solve(&plan, &readings).unwrap();
    let mut right = Vec::new();
    for field in &solved.fields {
        let (name, width, first) = PUBLISHED[field.control];
        let published = field.bits.len() == width as usize
            && field.code == "unsigned"
            && field.bits.iter().enumerate().all(|(k, bit)| {
                let [home] = &bit.homes[..] else { return false };
                let place = &home.places[0];
                place.cell * 8 + u32::from(place.line) == first + k as u32 && !place.inverted
            });
        println!(
            "{name}: {published}, certain {}, sure {:.4}",
            field.certain(),
            field.chance()
        );
        assert!(published || !field.certain(), "{name} is called certain");
        if published {
            right.push(name);
        }
    }
    let all: Vec<&str> = PUBLISHED.iter().map(|c| c.0).collect();
    assert_eq!(right, all, "{} settings", plan.settings.len());
}
