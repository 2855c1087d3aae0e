//! Every organisation the language must express, each with places worked out by hand beside the check.
//!
//! Layouts are in `valid/`. Places are written CHIP:CELL:LINE, the least significant code bit first, with ! where
//! the cell holds the bit inverted. Entries are given by index along each axis, from 0.

use cellkeep::layout::model::{BitPlace, CheckInstance, Layout};

pub(crate) fn layout(name: &str) -> Layout {
    let path = format!(
        "{}/tests/layouts/valid/{name}.toml",
        env!("CARGO_MANIFEST_DIR")
    );
    match cellkeep::layout::load(&path) {
        Ok(layout) => layout,
        Err(e) => panic!("{e}"),
    }
}

fn show(layout: &Layout, p: &BitPlace) -> String {
    let mark = if p.inverted { "!" } else { "" };
    let chip = &layout.chips[usize::from(p.chip)].id;
    format!("{mark}{chip}:{}:{}", p.cell, p.line)
}

fn show_all<'p>(layout: &Layout, places: impl IntoIterator<Item = &'p BitPlace>) -> String {
    let shown: Vec<String> = places.into_iter().map(|p| show(layout, p)).collect();
    shown.join(" ")
}

/// The places of a parameter, characters of a text one after the other.
fn places(layout: &Layout, area: &str, indices: &[usize], key: &str) -> String {
    let area = layout.area(area).unwrap();
    let entry = area.entry(indices).unwrap();
    let parameter = &area.parameters[area.parameter(key).unwrap()];
    let fields = parameter.fields.clone();
    show_all(layout, fields.flat_map(|f| area.field_places(entry, f)))
}

fn check<'l>(layout: &'l Layout, area: &str, key: &str, entry: usize) -> &'l CheckInstance {
    let area = layout.area(area).unwrap();
    let check = area.checks.iter().find(|c| c.key == key).unwrap();
    &check.instances[entry]
}

/// `count` lines of a cell from `line` up.
fn run(chip: &str, cell: u32, line: u8, count: u8) -> String {
    let places: Vec<String> = (line..line + count)
        .map(|l| format!("{chip}:{cell}:{l}"))
        .collect();
    places.join(" ")
}

/// Organisation 1: 1-bit chips, words MSB first, a start offset, a gap.
#[test]
fn serial_msb_first() {
    let l = layout("01-serial-msb-first");
    // cell = step + 8 x slot + 128 x voice counter + 256 x preset counter. Preset 6 has counter 5, voice 2 is
    // position 1 of CH12: 1280 + 128 = 1408. Slot 5 begins at +40, the word at step 1 with bit 5, so bit 0 is at
    // step 6: 1408 + 40 + 6 = 1454.
    assert_eq!(
        places(&l, "presets", &[5, 1], "filter.cutoff"),
        "!CH12:1454:0 !CH12:1453:0 !CH12:1452:0 !CH12:1451:0 !CH12:1450:0 !CH12:1449:0"
    );
    // Voice 3 is the second position of CH34: 1408 again. Slot 6, bits 2 to 5 at steps 4 to 1: 1408 + 48 + 4.
    assert_eq!(
        places(&l, "presets", &[5, 2], "filter.emphasis"),
        "CH34:1460:0 CH34:1459:0 CH34:1458:0 CH34:1457:0"
    );
    // Voice 4 is the first position there: 1280. Slot 6 bit 0 at step 6: 1280 + 48 + 6.
    assert_eq!(places(&l, "presets", &[5, 3], "glide.on"), "CH34:1334:0");
}

/// Organisation 1: LSB first, a word of seven bits, a gap, all in one address counter.
#[test]
fn serial_lsb_first_with_gap() {
    let l = layout("02-serial-lsb-first-with-gap");
    // a = 4 + 100 x 5 + 10 x 3 + 2 + bit = 536 + bit.
    assert_eq!(
        places(&l, "presets", &[5], "attack"),
        "U1:536:0 U1:537:0 U1:538:0 U1:539:0 U1:540:0 U1:541:0 U1:542:0"
    );
    // Slot 9, bits 1 to 4: 4 + 200 + 90 + 2 = 296, plus the bit.
    assert_eq!(
        places(&l, "presets", &[2], "decay"),
        "U1:297:0 U1:298:0 U1:299:0 U1:300:0"
    );
}

/// Organisation 2: nibble pairs across two chips, and which half of a file's byte holds the nibble.
#[test]
fn nibble_pair_across_chips() {
    use cellkeep::layout::model::Packing;
    let l = layout("03-nibble-pair-across-chips");
    // a = 16 + 12 x 2 + 5 = 45. Bits 1 to 3 of the byte are D1 to D3 of LO, bits 4 to 6 are D0 to D2 of HI.
    assert_eq!(
        places(&l, "presets", &[2], "pitch"),
        "LO:45:1 LO:45:2 LO:45:3 HI:45:0 HI:45:1 HI:45:2"
    );
    assert_eq!(l.chips[0].packing, Packing::HighNibble);
    assert_eq!(l.chips[1].packing, Packing::BothNibbles);
}

/// Organisation 2: successive nibbles in one chip, either first.
#[test]
fn successive_nibbles() {
    let l = layout("04-successive-nibbles");
    // Two cells a byte: 16 x 2 + 2 x 3 = 38 holds the low nibble, 39 the high one.
    assert_eq!(
        places(&l, "low first", &[2], "level"),
        format!("{} {}", run("U9", 38, 0, 4), run("U9", 39, 0, 4))
    );
    // 128 + 16 + 6 = 150 holds the high nibble, 151 the low one; bit 3 is the top of the low nibble.
    assert_eq!(
        places(&l, "high first", &[1], "level"),
        "U9:151:3 U9:150:0 U9:150:1 U9:150:2"
    );
}

/// Organisation 3: bit i of every value in chip i.
#[test]
fn bit_planes() {
    use cellkeep::layout::model::Packing;
    let l = layout("05-bit-planes");
    // 30 x 9 + 7 = 277 in every plane.
    assert_eq!(
        places(&l, "presets", &[9], "volume"),
        "P0:277:0 P1:277:0 !P2:277:0"
    );
    let packings: Vec<Packing> = l.chips.iter().map(|c| c.packing).collect();
    assert_eq!(
        packings,
        [
            Packing::Bit(3),
            Packing::PackedLsbFirst,
            Packing::PackedMsbFirst
        ]
    );
}

/// Organisation 4: fields that cross bytes, and bits scattered over bytes and chips.
#[test]
fn fields_across_bytes() {
    let l = layout("06-fields-across-bytes");
    // Preset 2 begins at 32 + 30 = 62. Byte 5 is at 67, odd: ODD cell 33; byte 6 at 68: EVEN cell 34.
    assert_eq!(
        places(&l, "presets", &[1], "glide.time"),
        "EVEN:34:0 EVEN:34:1 ODD:33:4 ODD:33:5 ODD:33:6 ODD:33:7"
    );
    // Preset 1 begins at 32. The last piece is the least significant and runs from bit 1 down to its lowest, bit 3:
    // byte 11 at 43, ODD 21. Then byte 9 at 41, ODD 20; byte 4 at 36, EVEN 18; byte 9 again on top.
    assert_eq!(
        places(&l, "presets", &[0], "scattered"),
        "ODD:21:3 ODD:21:2 ODD:21:1 ODD:20:5 ODD:20:6 EVEN:18:7 ODD:20:0"
    );
}

/// Organisation 5: address pins permuted, inverted, exclusive-ored, tied; Gray and backward counters; a chip enable.
#[test]
fn address_lines() {
    let l = layout("07-address-lines");
    // Bank index 3 counts 3 ^ 1 = 2 (010), so LOW answers; tape index 1 counts 4 - 1 - 1 = 2 (10).
    // Slot 1 (001): A0 = slot.1 = 0, A1 = !slot.0 = 0, A2 = bank.1 = 1, A3 = bank.0 ^ slot.1 = 0, A4 = tape.0 = 0,
    // A5 = tape.1 = 1, A6 = slot.2 = 0, A7 = 1: 4 + 32 + 128 = 164.
    // Slot 6 (110): A0 = 1, A1 = 1, A2 = 1, A3 = 0 ^ 1 = 1, A4 = 0, A5 = 1, A6 = 1, A7 = 1: 239.
    assert_eq!(places(&l, "presets", &[3, 1], "pan"), "LOW:164:0 LOW:239:0");
    // Bank index 5 counts 5 ^ 2 = 7 (111), so HIGH answers; tape index 3 counts 0. A7 is !x ^ 1 ^ x = 0.
    // Slot 1: A0 = 1, A3 = bank.0 = 1, A4 = bank.1 = 1: 25. Slot 6: A1, A2, A3, A4: 30.
    assert_eq!(places(&l, "presets", &[5, 3], "pan"), "HIGH:25:0 HIGH:30:0");
}

/// Organisation 6: data pins permuted and inverted per chip; separate in and out pins; a pin not wired.
#[test]
fn data_lines() {
    let l = layout("08-data-lines");
    // a = 16 x 3 + 2 = 50. A: D0 = !q.2, D1 = q.0, D2 = q.3, D3 = !q.1; B: D0 = q.6, D2 = q.4, D3 = !q.5.
    assert_eq!(
        places(&l, "presets", &[3], "rate"),
        "A:50:1 !A:50:3 !A:50:0 A:50:2 B:50:2 !B:50:3 B:50:0"
    );
    // Bits 1 to 3 of slot 3, the value itself inverted: twice inverted is straight.
    assert_eq!(
        places(&l, "presets", &[3], "depth"),
        "A:51:3 A:51:0 !A:51:2"
    );
    assert_eq!(l.absent, [(1, 0..=255, 0b0010)]);
}

/// Organisation 7: one board per pair of voices, interleaved; an axis split over boards; preset order by a table.
#[test]
fn voices_on_boards() {
    let l = layout("09-voices-on-boards");
    // cell = voice counter + 2 x slot + 8 x preset counter. Preset "2" is index 2, counter 7; voice C is position 1
    // of B1: 1 + 4 + 56.
    assert_eq!(places(&l, "presets", &[2, 2], "tone"), "B1:61:3 B1:61:4");
    // Preset "4" counts 5; voice D is position 0 of B2: 4 + 40.
    assert_eq!(places(&l, "presets", &[4, 3], "tone"), "B2:44:3 B2:44:4");
    // Preset "0" counts 4; voice B is position 1 of B2: 1 + 4 + 32.
    assert_eq!(places(&l, "presets", &[0, 1], "tone"), "B2:37:3 B2:37:4");
    let area = l.area("presets").unwrap();
    assert_eq!(
        area.entry_label(area.entry(&[4, 3]).unwrap()),
        "preset 4, voice D"
    );
}

/// Organisation 8: parameter-major and preset-major.
#[test]
fn parameter_major_and_preset_major() {
    let l = layout("10-parameter-major");
    // 16 + 7 + 10 x 2 = 43; 64 + 3 x 7 + 2 = 87.
    assert_eq!(
        places(&l, "by parameter", &[7], "level"),
        "RAM:43:6 RAM:43:7"
    );
    assert_eq!(places(&l, "by preset", &[7], "level"), "RAM:87:6 RAM:87:7");
}

/// Organisation 9: areas with different axes in one instrument.
#[test]
fn several_areas() {
    let l = layout("11-several-areas");
    // Bank B, preset 4: 128 + 48 + 15.
    assert_eq!(
        places(&l, "presets", &[1, 3], "vco.pitch"),
        "MAIN:191:5 MAIN:191:6 MAIN:191:7"
    );
    assert_eq!(places(&l, "shared", &[], "tune"), run("MAIN", 259, 0, 4));
    // Voice 3: 272 + 4 = 276 holds the low byte, 277 the upper two bits.
    assert_eq!(
        places(&l, "calibration", &[2], "offset"),
        format!("{} MAIN:277:0 MAIN:277:1", run("MAIN", 276, 0, 8))
    );
    // The edit buffer is a preset without an axis: 288 + 15.
    assert_eq!(
        places(&l, "edit", &[], "vco.pitch"),
        "MAIN:303:5 MAIN:303:6 MAIN:303:7"
    );
    // Step 11: 8 + 50 + 3 and + 4; nibble 4 is the upper part.
    assert_eq!(
        places(&l, "sequence", &[10], "note"),
        "SEQ:61:0 SEQ:62:0 SEQ:62:1 SEQ:62:2 SEQ:62:3"
    );
}

/// Organisation 10: what each check covers, in order, and where it is stored.
#[test]
fn checks() {
    use cellkeep::layout::model::{Method, Policy};
    let l = layout("12-checks");
    let word = |i: &CheckInstance, n: usize| show_all(&l, i.words.get(n).expect("a word"));
    let stored = |i: &CheckInstance| show_all(&l, &i.stored);
    // Preset 2 begins at 16 + 20 = 36.
    let sum = check(&l, "presets", "sum", 1);
    assert_eq!(sum.entry, Some(1));
    assert_eq!(sum.words.len(), 6);
    assert_eq!(word(sum, 0), run("RAM", 36, 0, 8));
    assert_eq!(word(sum, 5), run("RAM", 41, 0, 8));
    assert_eq!(stored(sum), run("RAM", 42, 0, 8));
    // Slots 0, 1, 3 whole and seven bits of 4; the upper half of the check in slot 7, the lower in slot 8.
    let negative = check(&l, "presets", "negative", 1);
    assert_eq!(negative.words.len(), 4);
    assert_eq!(word(negative, 2), run("RAM", 39, 0, 8));
    assert_eq!(word(negative, 3), run("RAM", 40, 0, 7));
    assert_eq!(
        stored(negative),
        format!("{} {}", run("RAM", 44, 0, 4), run("RAM", 43, 4, 4))
    );
    // A parameter a word: two has its upper eight bits in slot 1; each character is a word. Low byte first in
    // memory: slot 9 holds bits 0 to 7.
    let ones = check(&l, "presets", "ones", 1);
    assert_eq!(ones.words.len(), 4);
    assert_eq!(
        word(ones, 0),
        format!("{} {}", run("RAM", 38, 4, 4), run("RAM", 37, 0, 8))
    );
    assert_eq!(word(ones, 3), run("RAM", 41, 0, 7));
    assert_eq!(
        stored(ones),
        format!("{} {}", run("RAM", 45, 0, 8), run("RAM", 46, 0, 8))
    );
    // The complement is itself held as a complement.
    let mirror = check(&l, "presets", "mirror", 0);
    assert!(
        mirror
            .stored
            .iter()
            .all(|p| p.inverted && p.cell == 16 + 14)
    );
    // Parity leaves its own bit out of slot 15.
    let even = check(&l, "presets", "even", 1);
    assert_eq!(word(even, 0), run("RAM", 51, 0, 7));
    assert_eq!(stored(even), "RAM:51:7");
    // Written the other way round, bit 7 of the cell is the lowest.
    let mark = check(&l, "presets", "mark", 1);
    assert_eq!(
        stored(mark),
        "RAM:52:7 RAM:52:6 RAM:52:5 RAM:52:4 RAM:52:3 RAM:52:2 RAM:52:1 RAM:52:0"
    );
    // One for the area: addresses 0x10 to 0x5f and 0x62, 80 + 1 words; high byte first in memory.
    let total = check(&l, "all", "total", 0);
    assert_eq!(total.entry, None);
    assert_eq!(total.words.len(), 81);
    assert_eq!(word(total, 0), run("RAM", 16, 0, 8));
    assert_eq!(word(total, 80), run("RAM", 98, 0, 8));
    assert_eq!(
        stored(total),
        format!("{} {}", run("RAM", 97, 0, 8), run("RAM", 96, 0, 8))
    );
    let kinds: Vec<(&str, &Method, Policy, u8)> = l
        .area("presets")
        .unwrap()
        .checks
        .iter()
        .map(|c| (c.key.as_str(), &c.method, c.policy, c.width))
        .collect();
    let crc = Method::Crc {
        name: "CRC_16_XMODEM".to_owned(),
    };
    assert_eq!(
        kinds,
        [
            ("sum", &Method::Sum { add: 0x55 }, Policy::Update, 8),
            (
                "negative",
                &Method::SumTwosComplement { add: 0 },
                Policy::Update,
                8
            ),
            ("ones", &Method::SumOnesComplement, Policy::Verify, 16),
            ("xor", &Method::Xor { with: 0xA5 }, Policy::Keep, 8),
            ("crc", &crc, Policy::Update, 16),
            ("mirror", &Method::ComplementCopy, Policy::Update, 8),
            ("even", &Method::Parity { odd: false }, Policy::Update, 1),
            ("mark", &Method::Fixed { value: 0xC5 }, Policy::Update, 8),
        ]
    );
}

/// Organisation 11: codes with the numbers they express, and character sets.
#[test]
fn codes() {
    use cellkeep::layout::model::Coding;
    let l = layout("13-codes");
    let area = l.area("all").unwrap();
    let range = |key: &str| area.parameters[area.parameter(key).unwrap()].range.clone();
    // Five bits: 2^5 codes; two's complement and offset binary reach from -16 to 15, the two others have a second
    // zero instead of -16.
    assert_eq!(range("unsigned"), 0..=31);
    assert_eq!(range("twos"), -16..=15);
    assert_eq!(range("ones"), -15..=15);
    assert_eq!(range("signed"), -15..=15);
    assert_eq!(range("offset"), -16..=15);
    // Twelve bits are three digits, eight bits two; seven bits are a digit and three bits above it: 0 to 79.
    assert_eq!(range("bcd"), 0..=999);
    assert_eq!(range("reversed"), 0..=99);
    assert_eq!(range("part-digit"), 0..=79);
    assert_eq!(range("gray"), 0..=63);
    assert_eq!(range("range"), 0..=4);
    assert_eq!(
        places(&l, "all", &[], "bcd"),
        format!("{} {}", run("RAM", 6, 0, 8), run("RAM", 5, 0, 4))
    );
    // Four characters, every second slot from 16 on.
    let characters: Vec<String> = [16, 18, 20, 22].map(|c| run("RAM", c, 0, 6)).into();
    assert_eq!(places(&l, "all", &[], "name"), characters.join(" "));
    let set = |key: &str| match &area.parameters[area.parameter(key).unwrap()].coding {
        Coding::Text(set) => set.clone(),
        other => panic!("{other:?}"),
    };
    let name = set("name");
    assert_eq!(name.len(), 64);
    assert_eq!(
        name[0..5],
        [Some(' '), Some('A'), Some('B'), Some('C'), None]
    );
    assert_eq!(
        name[39..45],
        [None, Some('0'), Some('1'), Some('2'), Some('3'), None]
    );
    // ASCII: 0x20 to 0x7e are printed.
    let title = set("title");
    assert_eq!((title[0x1f], title[0x20]), (None, Some(' ')));
    assert_eq!(
        (title[0x41], title[0x7e], title[0x7f]),
        (Some('A'), Some('~'), None)
    );
    assert_eq!(title.len(), 256);
}

/// Organisation 12: scales, ranges, labels.
#[test]
fn settings() {
    use cellkeep::layout::model::{Control, Evidence, Scale};
    let l = layout("14-settings");
    let area = l.area("all").unwrap();
    let p = |key: &str| &area.parameters[area.parameter(key).unwrap()];
    let cutoff = p("filter.cutoff-frequency");
    assert_eq!(cutoff.label, "Cutoff frequency");
    assert_eq!(cutoff.group.as_deref(), Some("Filter"));
    assert_eq!(
        (cutoff.range.clone(), cutoff.control),
        (0..=60, Control::Knob)
    );
    let dial = Scale::Dial {
        low: 0.0,
        high: 10.0,
    };
    assert_eq!(cutoff.scale, dial);
    let rate = Scale::Log {
        low: 0.1,
        high: 20.0,
        unit: "Hz".to_owned(),
    };
    assert_eq!(
        (&p("lfo.rate").scale, p("lfo.rate").range.clone()),
        (&rate, 0..=255)
    );
    let tune = p("tune");
    assert_eq!(
        (tune.label.as_str(), tune.group.as_deref()),
        ("Fine tune", Some("Master"))
    );
    assert_eq!(tune.range, -63..=63);
    let attack = Scale::Table {
        values: vec![0.002, 0.01, 0.1, 1.5],
        unit: "s".to_owned(),
    };
    assert_eq!(
        (&p("attack").scale, p("attack").range.clone()),
        (&attack, 0..=3)
    );
    assert_eq!(p("attack").control, Control::Slider);
    let wave = Scale::Steps(vec![
        (0, "saw".to_owned()),
        (2, "pulse".to_owned()),
        (5, "noise".to_owned()),
    ]);
    // Numbers from the lowest step to the highest; those without a name between are illegal.
    assert_eq!((&p("wave").scale, p("wave").range.clone()), (&wave, 0..=5));
    assert_eq!(p("wave").control, Control::Selector);
    assert_eq!(
        (p("sync").control, p("sync").blank),
        (Control::Switch, Some(1))
    );
    assert_eq!(p("split").scale, Scale::Note { base: 36 });
    assert_eq!(p("split").evidence, Evidence::Traced);
    assert_eq!(p("split").note.as_deref(), Some("Read off the keyboard."));
}

/// Organisation 13: selectors, one inside another, and an alias; the shared bits are counted once.
#[test]
fn selectors() {
    let l = layout("15-selectors");
    let area = l.area("presets").unwrap();
    let p = |key: &str| &area.parameters[area.parameter(key).unwrap()];
    let when = |key: &str| {
        let when = p(key).when.clone().unwrap();
        (area.parameters[when.parameter].key.clone(), when.is)
    };
    assert_eq!(when("pulse.width"), ("kind".to_owned(), vec![0]));
    assert_eq!(when("ring.depth"), ("ring.mode".to_owned(), vec![1]));
    assert_eq!(when("noise.colour"), ("kind".to_owned(), vec![2, 3]));
    assert_eq!(p("mode.bit").alias_of, area.parameter("kind"));
    // Two bits of kind and eight shared ones in each of four presets.
    assert_eq!(
        cellkeep::layout::owners::coverage(&l)[0].parameter,
        4 * (2 + 8)
    );
}

/// Organisation 14: the totals of every kind of bit, worked out by hand.
#[test]
fn every_kind_of_bit() {
    let l = layout("16-every-kind-of-bit");
    let coverage = cellkeep::layout::owners::coverage(&l);
    // RAM: cells 0 to 3 and 32 to 63 are not used, (4 + 32) x 8 = 288, and 2 lines of 3 cells are absent besides.
    // Three presets of a 7-bit value, a 4-bit constant, two whole slots and three bits reserved.
    let ram = &coverage[0];
    assert_eq!((ram.bits, ram.absent), (512, 288 + 6));
    assert_eq!((ram.parameter, ram.check, ram.constant), (21, 0, 12));
    assert_eq!((ram.reserved, ram.mirror), (3 * 19, 0));
    assert_eq!(ram.unknown, 512 - 294 - 21 - 12 - 57);
    // AUX: two of four pins carry nothing in sixteen cells.
    let aux = &coverage[1];
    assert_eq!(
        (aux.bits, aux.absent, aux.parameter, aux.unknown),
        (64, 32, 2, 30)
    );
    // q.0 is D0 and q.1 is D2 there.
    assert_eq!(places(&l, "aux", &[], "flags"), "AUX:2:0 AUX:3:2");
    // The constant's upper bit is slot 0 bit 7, the others slot 1 bits 7 to 5.
    let area = l.area("presets").unwrap();
    let constant = area
        .fields
        .iter()
        .position(|f| f.owner == cellkeep::layout::model::FieldOwner::Constant(0b1010))
        .unwrap();
    assert_eq!(
        show_all(&l, area.field_places(2, constant)),
        "RAM:21:5 RAM:21:6 RAM:21:7 RAM:20:7"
    );
}

/// Organisation 15: copies at another address and, inverted, in a chip of their own.
#[test]
fn copies() {
    let l = layout("17-copies");
    let area = l.area("presets").unwrap();
    let level = area.parameters[area.parameter("level").unwrap()]
        .fields
        .start;
    // 4 + 20 + 3 = 27; the shadow begins at 64 in place of 4: 87; the spare at 4 again.
    assert_eq!(places(&l, "presets", &[2], "level"), "MAIN:27:4 MAIN:27:5");
    let at = 2 * area.bits_per_entry + area.fields[level].first;
    let copy = |n: usize| show_all(&l, &area.copies[n].places[at..at + 2]);
    assert_eq!(copy(0), "MAIN:87:4 MAIN:87:5");
    assert_eq!(copy(1), "!SPARE:27:4 !SPARE:27:5");
    let coverage = cellkeep::layout::owners::coverage(&l);
    // Two bits of the value and two of the mark in four presets.
    assert_eq!(
        (coverage[0].parameter, coverage[0].check, coverage[0].mirror),
        (8, 8, 16)
    );
    assert_eq!(coverage[1].mirror, 16);
}

/// Organisation 16: the larger instrument is the smaller one with another board.
#[test]
fn inheritance() {
    let l = layout("18-inheritance");
    assert_eq!((l.id.as_str(), l.revision.as_str()), ("large", "2"));
    assert_eq!(
        l.chips.iter().map(|c| c.id.as_str()).collect::<Vec<_>>(),
        ["B1", "B2", "B3"]
    );
    // cell = slot + 4 x voice counter + 8 x preset. Voice 6 is position 0 of B3, preset 6 counts 5: 3 + 40, with
    // bit 0 on top.
    assert_eq!(
        places(&l, "presets", &[5, 5], "cutoff"),
        "B3:43:3 B3:43:2 B3:43:1 B3:43:0"
    );
    assert_eq!(
        places(&l, "presets", &[5, 4], "emphasis"),
        run("B3", 45, 0, 4)
    );
    assert_eq!(places(&l, "presets", &[5, 1], "drive"), "B1:46:1 B1:46:2");
    let area = l.area("presets").unwrap();
    assert_eq!(area.parameter("portamento"), None);
    assert_eq!(area.entries(), 16 * 6);
    assert_eq!(l.bench.battery.as_deref(), Some("nicd"));
    assert_eq!(l.bench.cells, Some(4));
    assert_eq!(l.hand_set[0].per.as_ref().unwrap().count(), 6);
    assert_eq!(l.source.extends.len(), 1);
    // The smaller one is still itself.
    let small = layout("small");
    assert_eq!(
        places(&small, "presets", &[5, 1], "cutoff"),
        run("B1", 44, 0, 4)
    );
}

/// Organisations 17 and 18: hand-set controls and facts for the bench.
#[test]
fn bench_and_hand_set() {
    use cellkeep::layout::model::{Bench, Control, Evidence, Scale, StandbyCurrent};
    let l = layout("19-bench-and-hand-set");
    let bench = Bench {
        battery: Some("nicd".to_owned()),
        cells: Some(3),
        capacity_mah: Some(110.0),
        blocking: Some("silicon".to_owned()),
        series_ohms: Some(1000.0),
        charge_ohms: Some(4700.0),
        hold_up_farads: Some(0.1),
        supply_volts: Some(5.1),
        exits: vec!["tape".to_owned(), "sysex".to_owned()],
        hold_logic: Some("Hold reset low at TP3.".to_owned()),
        notes: vec!["Leaks.".to_owned()],
    };
    assert_eq!(l.bench, bench);
    let chip = &l.chips[0];
    assert_eq!(chip.aliases, ["u7"]);
    assert_eq!(chip.board.as_deref(), Some("main board"));
    assert_eq!(chip.position.as_deref(), Some("D4"));
    assert_eq!(chip.retention_volts, Some(2.0));
    assert_eq!(chip.evidence, Evidence::Documented);
    let worst = StandbyCurrent {
        microamps: 50.0,
        celsius: 70.0,
        worst: true,
    };
    assert_eq!(chip.standby[1], worst);
    let [resonance, range, volume] = &l.hand_set[..] else {
        panic!("{:?}", l.hand_set)
    };
    assert_eq!(
        resonance.per.as_ref().unwrap().labels,
        ["low", "mid", "high"]
    );
    assert_eq!(
        (resonance.range.clone(), resonance.control),
        (0..=20, Control::Knob)
    );
    assert_eq!(resonance.note.as_deref(), Some("By the board's edge."));
    assert_eq!(range.per.as_ref().unwrap().name, "keyboard");
    assert_eq!(range.per.as_ref().unwrap().labels, ["upper", "lower"]);
    assert_eq!(
        (range.range.clone(), range.control),
        (0..=1, Control::Selector)
    );
    let dial = Scale::Dial {
        low: 0.0,
        high: 10.0,
    };
    assert_eq!((volume.per.as_ref(), &volume.scale), (None, &dial));
}
