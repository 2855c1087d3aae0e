//! What a noisy converter and a slip of the hand leave: dials found down to their lowest bits, and what is open said to be.

use std::collections::BTreeMap;

use cellkeep::layout;
use cellkeep::trace::plan::{Effort, Plan};
use cellkeep::trace::simulate::{self, Hand};

use crate::judge::{Verdict, judge};

fn verdicts(text: &str, hand: Hand, seed: u64) -> Vec<Verdict> {
    let hidden = layout::from_text("small", text).unwrap();
    let (panel, targets) = simulate::panel_of(&hidden).unwrap();
    let plan = Plan::with(&panel, Effort::FULL);
    let readings = simulate::dial(&hidden, &targets, &plan, hand, seed).unwrap();
    let solved = cellkeep::trace::solve(&plan, &readings).unwrap();
    layout::from_text("found", &solved.layout_toml("found")).unwrap();
    // No column is a home of two controls, nor of two bits of one.
    let mut homes: BTreeMap<(u16, u32, u8), usize> = BTreeMap::new();
    let bits = solved.fields.iter().flat_map(|f| &f.bits);
    for home in bits.flat_map(|b| &b.homes) {
        let p = &home.places[0];
        *homes.entry((p.chip, p.cell, p.line)).or_default() += 1;
    }
    assert!(homes.values().all(|n| *n == 1), "{homes:?}");
    judge(&hidden, &targets, &plan, Some(&solved))
}

/// Twelve dials of four bits, in one chip of four lines or each line in a chip of its own.
pub(crate) fn small(chips: usize, presets: usize) -> String {
    let lines = presets.next_power_of_two().trailing_zeros() as usize;
    let mut text = "cellkeep = 1\nid = \"small\"\nname = \"Small\"\n".to_owned();
    let ids: Vec<String> = (1..=chips).map(|c| format!("\"U{c}\"")).collect();
    for (c, id) in ids.iter().enumerate() {
        text.push_str(&format!(
            "[[chip]]\nid = {id}\nwords = {}\nwidth = {}\n",
            16 << lines,
            4 / chips
        ));
        text.push_str("address = [\"slot.0\", \"slot.1\", \"slot.2\", \"slot.3\", ");
        // The counter's lines in another order.
        let counter: Vec<String> = (0..lines)
            .map(|l| format!("\"preset.{}\"", (l + 2) % lines))
            .collect();
        text.push_str(&format!("{}]\n", counter.join(", ")));
        let data: Vec<String> = (c * 4 / chips..(c + 1) * 4 / chips)
            .map(|l| format!("\"q.{l}\""))
            .collect();
        text.push_str(&format!("data = [{}]\n", data.join(", ")));
    }
    text.push_str(&format!(
        "[[area]]\nname = \"presets\"\nchips = [{}]\naxes = {{ preset = {{ count = {presets} }} }}\nlines = 4\n",
        ids.join(", ")
    ));
    for dial in 0..12 {
        text.push_str(&format!(
            "[[area.parameter]]\nkey = \"dial-{dial}\"\nbits = \"{dial}.3..0\"\nscale = {{ dial = [0, 10] }}\n\
             control = \"knob\"\n"
        ));
    }
    text
}

const JITTER: Hand = Hand {
    jitter: true,
    slips: 0.0,
};

/// A converter whose every code is one low, right or one high with equal chances: each dial is found with its order,
/// code and width, the lowest bit by what the carries of the others leave for it.
#[test]
fn low_bits_are_found_under_jitter() {
    let all = verdicts(&small(1, 16), JITTER, 11);
    assert_eq!(all.len(), 12);
    let wrong = all.iter().filter(|v| !v.right).map(|v| &v.says[..]);
    assert_eq!(wrong.collect::<Vec<_>>(), [""; 0]);
}

/// A chip that holds the lowest bits of all dials shows nothing by itself under jitter: it is taken to be addressed as
/// the chips like it.
#[test]
fn a_plane_of_low_bits_is_addressed_like_the_others() {
    let all = verdicts(&small(4, 16), JITTER, 11);
    let wrong = all.iter().filter(|v| !v.right).map(|v| &v.says[..]);
    assert_eq!(wrong.collect::<Vec<_>>(), [""; 0]);
    assert!(all.iter().all(|v| !v.certain), "nothing shows it");
}

/// Six voices of two dials in one's complement, whose codes are those of two's complement but for one that never comes:
/// a voice's own settings hardly tell them apart under jitter, those of all voices do.
#[test]
fn voices_of_one_control_are_coded_alike() {
    let mut text = "cellkeep = 1\nid = \"voices\"\nname = \"Voices\"\n\
        [[chip]]\nid = \"U1\"\nwords = 512\nwidth = 8\n\
        [[area]]\nname = \"presets\"\nlines = 8\n\
        axes = { preset = { count = 16, stride = 24 }, voice = { count = 6, stride = 4 } }\n"
        .to_owned();
    for (dial, bits, code) in [
        (0, 7, "unsigned"),
        (1, 3, "ones-complement"),
        (2, 4, "ones-complement"),
    ] {
        text.push_str(&format!(
            "[[area.parameter]]\nkey = \"dial-{dial}\"\nbits = \"{dial}.{bits}..0\"\nscale = {{ dial = [0, 10] }}\n\
             code = \"{code}\"\ncontrol = \"knob\"\n"
        ));
    }
    for seed in [3, 4] {
        let all = verdicts(&text, JITTER, seed);
        assert_eq!(all.len(), 18);
        let wrong = all.iter().filter(|v| !v.right).map(|v| &v.says[..]);
        assert_eq!(wrong.collect::<Vec<_>>(), [""; 0], "hand {seed}");
    }
}
