//! What a person enters in a plan, and what a plan says to do before.

use cellkeep::bank::{self, Bank, Decoded};
use cellkeep::compare;
use cellkeep::edit::Editor;
use cellkeep::image::ChipImage;
use cellkeep::layout;
use cellkeep::reading::{ChipReading, WriteOptions};

use super::*;

/// Three presets of two values and a sum over both.
const BOARD: &str = r#"
cellkeep = 1
id = "three"
name = "Three presets"
revision = "1"

[[chip]]
id = "U1"
words = 16
width = 8
used = "0..8"

[[area]]
name = "presets"
axes = { preset = { count = 3, stride = 3, first = 1 } }

[[area.parameter]]
key = "level"
bits = "0.7..0"
scale = { dial = [0, 10] }

[[area.parameter]]
key = "tune"
bits = "1.7..0"
scale = { dial = [0, 10] }

[[area.check]]
key = "sum"
method = "sum"
over = ["0..1"]
bits = ["2.7..0"]
policy = "update"
"#;

fn board(cells: &[u8]) -> Reading {
    let mut cells = cells.to_vec();
    cells.resize(16, 0);
    let image = ChipImage::from_cells(8, &cells).unwrap();
    Reading::new(vec![ChipReading::new("U1", image)])
}

/// What a person adds to a plan: `reads` is what is read there now.
fn by_hand(entry: &str, parameter: &str, reads: u64, code: u64) -> mend::Proposal {
    let text = format!(
        "accept = true\narea = \"presets\"\nentry = \"{entry}\"\nparameter = \"{parameter}\"\ncode = {code}\nproposed = {reads}"
    );
    toml::from_str(&text).unwrap()
}

/// Preset 2 is 20 30 with the sum 50; bit 3 of the level flipped, so that it reads 28. Nothing but the sum shows it, and
/// any bit under the sum may be the flipped one: nothing is called damaged.
#[test]
fn a_value_is_entered_by_hand_where_only_a_failed_check_shows_the_damage() {
    let layout = layout::from_text("a test", BOARD).unwrap();
    let read = board(&[0x01, 0x02, 0x03, 0x28, 0x30, 0x50, 0x11, 0x22, 0x33]);
    let examined = examine(&read, Some(&layout), None).unwrap();
    let plan = mend::propose(&layout, "three", &read, &examined, &Sources::default()).unwrap();
    assert!(plan.damage.is_empty() && plan.proposals.is_empty());
    // As the head of the file says, a proposal is added at its end.
    let added = format!(
        "{}\n[[proposal]]\naccept = true\narea = \"presets\"\nentry = \"preset 2\"\nparameter = \"level\"\ncode = 32\nproposed = 40\n",
        mend::to_text(&plan, "cellkeep").unwrap()
    );
    let added = mend::from_text(&added).unwrap();
    assert_eq!(added.proposals, [by_hand("preset 2", "level", 0x28, 0x20)]);
    let applied = |p: mend::Proposal| {
        let mut plan = plan.clone();
        plan.proposals.push(p);
        mend::apply(&layout, &read, &plan, None, None)
    };
    let mended = applied(by_hand("preset 2", "level", 0x28, 0x20)).unwrap();
    assert_eq!((mended.record.applied, mended.record.by_hand), (1, 1));
    let right = [0x01, 0x02, 0x03, 0x20, 0x30, 0x50, 0x11, 0x22, 0x33];
    assert_eq!(mended.reading.chips[0].image.values()[..9], right);
    // The plan has the failing sum among what is lost; the sum holds now, and the customer is not told otherwise.
    assert_eq!(plan.losses.len(), 1, "{:?}", plan.losses);
    assert!(mended.record.losses.is_empty(), "{:?}", mended.record);
    let [origin] = mended.reading.chips[0].provenance.as_slice() else {
        panic!("{:?}", mended.reading.chips[0].provenance);
    };
    assert!(origin.origin.why.contains("entered by hand"), "{origin:?}");
    assert!(mended.record.notices.is_empty(), "{:?}", mended.record);

    // A code the sum does not bear out leaves it failing, and never makes it fit.
    let mended = applied(by_hand("preset 2", "level", 0x28, 0x21)).unwrap();
    assert_eq!(mended.record.losses, plan.losses);
    assert_eq!(mended.reading.chips[0].image.values()[5], 0x50);
    let [notice] = mended.record.notices.as_slice() else {
        panic!("{:?}", mended.record.notices);
    };
    assert!(notice.contains("check sum is left failing"), "{notice}");

    // What is not read there is of another value: so is a proposal under a mistyped name.
    for other in [
        by_hand("preset 2", "level", 0x30, 0x20),
        mend::Proposal {
            now: "00110000".to_owned(),
            ..by_hand("preset 2", "level", 0x28, 0x20)
        },
    ] {
        let error = applied(other).unwrap_err().to_string();
        assert!(
            error.contains("the reading holds 00101000, code 40"),
            "{error}"
        );
    }

    // Over the sound presets no check fails.
    let error = applied(by_hand("preset 1", "level", 0x01, 0x20)).unwrap_err();
    assert!(
        error.to_string().contains("no check over it fails"),
        "{error}"
    );
}

/// The level of preset 2 lost its bit 3. A wrong code entered by hand takes the sum with it: from then on the sum holds over
/// whatever was entered, and everything that looks at the reading later says so.
#[test]
fn a_check_made_to_fit_a_value_entered_by_hand_is_told_ever_after() {
    let layout = layout::from_text("a test", BOARD).unwrap();
    let read = board(&[0x01, 0x02, 0x03, 0x28, 0x30, 0x50, 0x11, 0x22, 0x33]);
    let examined = examine(&read, Some(&layout), None).unwrap();
    let mut plan = mend::propose(&layout, "three", &read, &examined, &Sources::default()).unwrap();
    plan.damage = vec![mend::Damage {
        chip: "U1".to_owned(),
        first: 3,
        last: 3,
        lines: vec![3],
    }];
    plan.proposals = vec![mend::Proposal {
        proposed: 0x20,
        now: "0010?000".to_owned(),
        ..by_hand("preset 2", "level", 0x28, 0x20)
    }];
    let told = |reading: &Reading| -> Vec<String> {
        let examined = examine(reading, Some(&layout), None).unwrap();
        let found = examined.examination.findings.into_iter();
        let made = found.filter(|f| f.code == "check.made-to-fit");
        made.map(|f| f.says).collect()
    };
    let listed = |reading: &Reading| {
        let decoded = Decoded::new(&layout, reading).unwrap();
        bank::listing(&Bank::new(&decoded))
    };

    // What was proposed is listed as mended, and the sum that holds with it is proof.
    let mended = mend::apply(&layout, &read, &plan, None, None).unwrap();
    assert_eq!((mended.record.applied, mended.record.by_hand), (1, 0));
    let list = listed(&mended.reading);
    assert!(
        list.contains("(mended)") && !list.contains("by hand"),
        "{list}"
    );
    assert!(told(&mended.reading).is_empty());

    plan.proposals[0].code = 0x21;
    let mended = mend::apply(&layout, &read, &plan, None, None).unwrap();
    assert_eq!((mended.record.applied, mended.record.by_hand), (1, 1));
    // 21 + 30 = 51, and the sum stood at 50.
    assert_eq!(
        mended.reading.chips[0].image.values()[3..6],
        [0x21, 0x30, 0x51]
    );
    let list = listed(&mended.reading);
    assert!(
        list.contains("(entered by hand)") && !list.contains("(mended)"),
        "{list}"
    );
    let says =
        "presets: check sum was made to fit what was entered by hand while mending: preset 2";
    assert_eq!(told(&mended.reading), [says]);
    let decoded = Decoded::new(&layout, &mended.reading).unwrap();
    let found = bank::findings(&decoded);
    assert!(found.iter().any(|f| f.says == says), "{found:?}");
    let before = Decoded::new(&layout, &read).unwrap();
    let changes = compare::listing(&compare::compare(&before, &decoded), false);
    assert!(changes.contains("(entered by hand)"), "{changes}");

    // Written and read again, and with another value of the preset edited, it is told as before.
    let dir = tempfile::tempdir().unwrap();
    let at = dir.path().join("mended");
    reading::write(&mended.reading, &at, &WriteOptions::default()).unwrap();
    let loaded = load(&layout, &at);
    assert_eq!(told(&loaded), [says]);
    // Whoever signs the report is told, though nobody put a finding into the job.
    std::fs::write(dir.path().join("three.toml"), BOARD).unwrap();
    let open = "shelf open --at s --instrument Three -l three.toml --name job";
    for words in [
        "shelf set-up --at s",
        open,
        "shelf put job mended --as mended --at s",
        "sheet report job --shelf s -o report.html",
    ] {
        let words: Vec<&str> = words.split(' ').collect();
        let out = program(dir.path(), &words);
        assert_eq!(out.status.code(), Some(0), "{words:?}: {}", said(&out));
    }
    let report = std::fs::read_to_string(dir.path().join("report.html")).unwrap();
    assert!(report.contains(says), "the report does not say: {says}");
    let decoded = Decoded::new(&layout, &loaded).unwrap();
    let mut editor = Editor::new(&decoded);
    editor
        .set(&"preset=2".parse().unwrap(), "tune", "#49")
        .unwrap();
    let edited = editor.finish("edited", "a test", None).unwrap();
    assert_eq!(edited.reading.chips[0].image.values()[5], 0x52);
    assert_eq!(told(&edited.reading), [says]);
}

/// Of a value that lost one bit the others were read; a code that changes them is taken, and doubted.
#[test]
fn a_code_against_sound_bits_is_cautioned() {
    let case = Case::new("quillon-72", "data-line");
    let plan = case
        .plan(&Sources {
            earlier: case.earlier(),
            ..Sources::default()
        })
        .unwrap();
    let (mut against, mut with) = (0, 0);
    for (i, p) in plan.proposals.iter().enumerate().take(40) {
        for bit in 0..4 {
            let mut edited = plan.clone();
            edited.proposals[i].accept = true;
            edited.proposals[i].code ^= 1 << bit;
            // Not every code is one that can be set.
            let Ok(mended) = mend::apply(&case.layout, &case.damaged, &edited, None, None) else {
                continue;
            };
            assert_eq!(mended.record.by_hand, 1);
            let notices = &mended.record.notices;
            let cautioned = notices.iter().any(|n| {
                n.contains(&p.parameter) && n.contains("changes 1 bit that read as sound")
            });
            // The lost bits are shown as question marks, the most significant first.
            let shown = p.now.chars().rev().nth(bit);
            match shown {
                Some('?') => with += 1,
                _ => against += 1,
            }
            assert_eq!(cautioned, shown != Some('?'), "{p:?} {bit} {notices:?}");
        }
    }
    assert!(against > 0 && with > 0, "{against} {with}");
}

#[test]
fn a_plan_says_to_read_again_where_a_contact_is_at_fault() {
    for (instrument, damage, again) in [
        ("quillon-72", "data-line", true),
        ("aldermoor-eight", "address-line", true),
        ("quillon-72", "glitch", false),
    ] {
        let case = Case::new(instrument, damage);
        let plan = case.plan(&Sources::default()).unwrap();
        assert_eq!(!plan.read_again.is_empty(), again, "{damage}");
        let text = mend::to_text(&plan, "cellkeep").unwrap();
        assert_eq!(text.starts_with("# READ AGAIN FIRST"), again, "{damage}");
        assert_eq!(mend::from_text(&text).unwrap().read_again, plan.read_again);
    }
    let dir = tempfile::tempdir().unwrap();
    let at = dump("quillon-72/damaged/data-line").display().to_string();
    let earlier = dump("quillon-72/earlier").display().to_string();
    let with = [
        "mend",
        &at,
        "-l",
        "quillon-72",
        "-o",
        "mend.toml",
        "--earlier",
        &earlier,
    ];
    let told = said(&program(dir.path(), &with));
    assert!(told.starts_with("read again first: "), "{told}");
    assert!(
        told.contains("\nfirst: do what `cellkeep examine` advises"),
        "{told}"
    );

    // Another earlier reading than the plan's would be passed over.
    let other = dump("quillon-72/today-2").display().to_string();
    let apply = |earlier: &str| {
        let words = [
            "mend",
            "--apply",
            "mend.toml",
            &at,
            "--earlier",
            earlier,
            "-o",
            "mended",
        ];
        program(dir.path(), &words)
    };
    let refused = apply(&other);
    assert_eq!(refused.status.code(), Some(2));
    assert!(
        said(&refused).contains("changes nothing"),
        "{}",
        said(&refused)
    );
    assert!(!dir.path().join("mended").exists());
    assert_ne!(apply(&earlier).status.code(), Some(2));
}
