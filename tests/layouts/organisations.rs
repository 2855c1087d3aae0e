//! Every organisation the language must express, each with places worked out by hand beside the check.

use cellkeep::layout::model::{BitPlace, Layout};

fn layout(name: &str) -> Layout {
    let path = format!(
        "{}/tests/layouts/valid/{name}.toml",
        env!("CARGO_MANIFEST_DIR")
    );
    match cellkeep::layout::load(&path) {
        Ok(layout) => layout,
        Err(e) => panic!("{e}"),
    }
}

/// The places of a parameter at an index along each axis, least significant bit first, as chip:cell:line with !
/// where inverted.
fn places(layout: &Layout, area: &str, indices: &[usize], key: &str) -> Vec<String> {
    let area = layout.area(area).unwrap();
    let entry = area.entry(indices).unwrap();
    let parameter = &area.parameters[area.parameter(key).unwrap()];
    parameter
        .fields
        .clone()
        .flat_map(|f| area.field_places(entry, f).to_vec())
        .map(|p| show(layout, p))
        .collect()
}

fn show(layout: &Layout, p: BitPlace) -> String {
    let mark = if p.inverted { "!" } else { "" };
    format!(
        "{mark}{}:{}:{}",
        layout.chips[usize::from(p.chip)].id,
        p.cell,
        p.line
    )
}

#[test]
fn serial_msb_first() {
    let l = layout("01-serial-msb-first");
    // Preset 6 is counter 5, voice 2 is position 1 of CH12: cell = step + 8 x slot + 128 x 1 + 256 x 5.
    // Slot 5 begins at 40; the word begins at step 1 with bit 5, so bit 0 is at step 6: 1408 + 40 + 6 = 1454.
    assert_eq!(
        places(&l, "presets", &[5, 1], "filter.cutoff"),
        [
            "!CH12:1454:0",
            "!CH12:1453:0",
            "!CH12:1452:0",
            "!CH12:1451:0",
            "!CH12:1450:0",
            "!CH12:1449:0"
        ]
    );
    // Voice 3 is the second position of CH34, so its counter is 1; slot 6, bits 2 to 5 at steps 4 to 1.
    assert_eq!(
        places(&l, "presets", &[5, 2], "filter.emphasis"),
        ["CH34:1460:0", "CH34:1459:0", "CH34:1458:0", "CH34:1457:0"]
    );
    // Voice 4 is the first position there: counter 0. Slot 6 bit 0 is at step 6: 1280 + 48 + 6.
    assert_eq!(places(&l, "presets", &[5, 3], "glide.on"), ["CH34:1334:0"]);
}
