use cellkeep::identify::{FITS, score};

use super::board::{self, PRESETS, decoded};

#[test]
fn the_right_layout_explains_more_than_a_wrong_one() {
    let right = board::layout();
    let good = score(&decoded(&right, &PRESETS));
    assert!(good.shape_fits && good.share >= FITS, "{good:?}");
    assert!(
        good.reasons.iter().any(|r| r == "6 of 6 checks hold"),
        "{good:?}"
    );
    // The same board with the bytes in another order: no check holds but that of the blank preset.
    let text = board::TEXT
        .replace("3.7..0", "1.7..0")
        .replace("bits = \"1.6..4\"", "bits = \"3.6..4\"");
    let text = text
        .replace("bits = \"1.3..0\"", "bits = \"3.3..0\"")
        .replace("\"0..2\"", "\"0\", \"2..3\"");
    let wrong = cellkeep::layout::from_text("a test", &text).unwrap_or_else(|e| panic!("{e}"));
    let bad = score(&decoded(&wrong, &PRESETS));
    assert!(bad.bits_saved < good.bits_saved, "{bad:?} {good:?}");
}
