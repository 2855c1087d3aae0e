//! What changed since a date: readings decoded on the way, moves told apart, and clocks that were wrong.

use std::path::Path;

use cellkeep::shelf::{Act, NewJob, Role, Shelf, incoming_bytes};

use super::common::{Place, shelf_command, text};

fn at(time: &str) -> Act {
    Act {
        by: "bench".into(),
        at: time.parse().unwrap(),
    }
}

/// The only chip of the demonstration's Pellow Six.
fn chip() -> Vec<u8> {
    let place = Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-dumps/pellow-six/earlier");
    let spec = cellkeep::reading::ReadingSpec::path(place);
    let reading = cellkeep::reading::load(&spec, None).unwrap();
    let image = &reading.chips[0].image;
    let bit = |cell, line| u8::from(image.bit(cell, line).unwrap()) << line;
    (0..2048)
        .map(|cell| (0..8).map(|line| bit(cell, line)).sum())
        .collect()
}

fn pellow(name: &str, layout: Option<&str>) -> NewJob {
    NewJob {
        name: Some(name.into()),
        instrument: "Pellow Six".into(),
        serial: Some("0107".into()),
        layout: layout.map(str::to_owned),
        ..NewJob::default()
    }
}

/// Two visits without any bank: presets 11 and 12 exchanged, and the pitch of 13 one code on. The places are those of
/// the layout: 30 bytes a preset from 0x020, the pitch in bits 7 to 2 of the first.
fn two_visits(shelf: &Shelf, layout: Option<&str>) -> (u8, u8) {
    let before = chip();
    let mut after = before.clone();
    for byte in 0x20..0x3e {
        after.swap(byte, byte + 30);
    }
    let code = before[0x5c] >> 2;
    let new = if code < 48 { code + 1 } else { code - 1 };
    after[0x5c] = (new << 2) | (before[0x5c] & 3);
    for (name, bytes, time) in [
        ("v1", before, "2024-03-01T10:00:00Z"),
        ("v2", after, "2025-03-01T10:00:00Z"),
    ] {
        let file = incoming_bytes(Role::AsFound, "IC14.bin", bytes);
        shelf
            .open_job(pellow(name, layout), vec![file], &at(time))
            .unwrap();
    }
    (code, new)
}

#[test]
fn readings_are_decoded_where_there_is_no_bank() {
    let place = Place::new();
    let shelf = Shelf::set_up(&place.join("shelf")).unwrap();
    let (was, is) = two_visits(&shelf, Some("pellow-six"));
    let since = shelf.since("v2", "2025").unwrap();
    assert!(!since.nothing_before);
    let [only] = since.values.as_slice() else {
        panic!("{:?}", since.values);
    };
    assert!(only.what.contains("13: osc-a.pitch"), "{}", only.what);
    assert!(
        only.was
            .as_ref()
            .unwrap()
            .ends_with(&format!("(code {was})"))
    );
    assert!(only.is.as_ref().unwrap().ends_with(&format!("(code {is})")));
    assert_eq!(since.moves.len(), 1, "{:?}", since.moves);
    let compared = since.compared.unwrap();
    assert_eq!(compared.from, "shelf:v1@v1/as-found");
    assert_eq!(compared.to, "shelf:v2@v1/as-found");
}

#[test]
fn what_was_not_compared_is_never_called_equal() {
    let place = Place::new();
    let root = place.join("shelf");
    let shelf = Shelf::set_up(&root).unwrap();
    two_visits(&shelf, None);
    let since = shelf.since("v2", "2024").unwrap();
    assert!(since.nothing_before);
    assert_eq!(
        (since.from.job.as_str(), since.to.job.as_str()),
        ("v1", "v2")
    );
    assert!(since.compared.is_none());
    assert!(since.not_compared.unwrap().contains("layout"));
    let said = text(&shelf_command(&root, &["since", "2024", "v2"]).stdout);
    assert!(said.contains("not compared: "), "{said}");
    assert!(said.contains("no version was made before 2024"), "{said}");
    assert!(!said.contains("values that differ"), "{said}");
}

#[test]
fn a_clock_that_was_wrong_makes_neither_the_start_nor_the_end() {
    let place = Place::new();
    let shelf = Shelf::set_up(&place.join("shelf")).unwrap();
    two_visits(&shelf, Some("pellow-six"));
    // An empty clock circuit, and one set a century on.
    shelf
        .note("v1", "late", false, &at("1999-01-01T00:00:00Z"))
        .unwrap();
    shelf
        .note("v1", "later", false, &at("2125-01-01T00:00:00Z"))
        .unwrap();
    let since = shelf.since("v1", "2025").unwrap();
    assert_eq!((since.from.job.as_str(), since.from.version), ("v1", 3));
    assert_eq!((since.to.job.as_str(), since.to.version), ("v2", 1));
    assert_eq!(since.doubts.len(), 2, "{:?}", since.doubts);
    // Made last, though the job was opened first.
    shelf
        .note("v1", "last", false, &at("2025-06-01T00:00:00Z"))
        .unwrap();
    let since = shelf.since("v2", "2025").unwrap();
    assert_eq!((since.to.job.as_str(), since.to.version), ("v1", 4));
}
