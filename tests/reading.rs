//! Readings on the disk: loading, writing, and everything that may be wrong with the files.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use std::fs;

use cellkeep::finding::worst;
use cellkeep::image::ChipImage;
use cellkeep::reading::{ChipReading, Origin, Reading, ReadingSpec, WriteOptions, load, write};

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
    let reading = load(&ReadingSpec::path(dir.path()), None).unwrap();
    let ids: Vec<_> = reading.chips.iter().map(|c| c.id.as_str()).collect();
    assert_eq!(ids, ["U1", "U2"]);
    assert_eq!(
        reading.chips[0].image,
        ChipImage::from_cells(8, &[1, 2, 3, 4]).unwrap()
    );
    assert_eq!(worst(&reading.findings), None);
    // SHA-256 of 01 02 03 04: from `printf '\1\2\3\4' | sha256sum` (GNU coreutils 9.1).
    let digest = "9f64a747e1b97f131fabb6b447296c9b6f0201e79fb3c5356e6c77e89b6a806a";
    assert_eq!(reading.chips[0].sha256(), digest);
    assert_eq!(reading.chips[0].source.as_ref().unwrap().sha256, digest);
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
