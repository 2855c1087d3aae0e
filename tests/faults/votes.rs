//! What the reads that a reading was settled from add to its examination.

use cellkeep::examine::{ExamineError, Examined, Verdict, add_votes, examine};
use cellkeep::finding::Finding;
use cellkeep::image::ChipImage;
use cellkeep::layout::model::Layout;
use cellkeep::reading::Reading;
use cellkeep::settle::{Rules, settle};

use crate::SEEDS;
use crate::rng::Rng;
use crate::{layouts, trial};

/// Settles reads of a layout and examines the result beside them and an earlier reading.
fn examined(
    layout: &Layout,
    reads: &[Vec<ChipImage>],
    earlier: &[ChipImage],
    rules: Rules,
) -> (Reading, Examined) {
    let named: Vec<(String, Reading)> = reads
        .iter()
        .enumerate()
        .map(|(i, r)| (format!("read {}", i + 1), trial::reading(layout, r)))
        .collect();
    let (reading, settlement) = settle(&named, Some(layout), rules).expect("reads of one layout");
    let earlier = trial::reading(layout, earlier);
    let mut examined = examine(&reading, Some(layout), Some(&earlier)).expect("fits");
    add_votes(&mut examined, &reading, Some(layout), &settlement).expect("its own reads");
    (reading, examined)
}

fn found<'a>(examined: &'a Examined, code: &str) -> &'a Finding {
    let findings = &examined.examination.findings;
    findings
        .iter()
        .find(|f| f.code == code)
        .unwrap_or_else(|| panic!("{code}: {findings:?}"))
}

fn healthy(id: &str, seed: u64) -> (Layout, trial::Trial) {
    let layout = layouts::shipped(id);
    let mut rng = Rng::new(SEEDS + 500 + seed);
    let trial = trial::make(&layout, &[], false, &mut rng).expect("no fault always applies");
    (layout, trial)
}

/// Cells of a chip changed one by one.
fn with(image: &ChipImage, mut change: impl FnMut(u8) -> u8) -> ChipImage {
    let cells: Vec<u8> = image.values().iter().map(|v| change(*v)).collect();
    ChipImage::from_cells(image.width(), &cells).expect("the same shape")
}

#[test]
fn a_stuck_line_that_holds_still_is_told_from_one_that_comes_and_goes() {
    let (layout, trial) = healthy("quillon-72", 0);
    let mut rng = Rng::new(SEEDS + 510);
    // D2 of the first chip reads 1 always, or nearly always.
    let mut read = |holds: f64| {
        let mut images = trial.truth.clone();
        images[0] = with(&images[0], |v| if rng.chance(holds) { v | 4 } else { v });
        images
    };
    let still: Vec<_> = (0..5).map(|_| read(1.0)).collect();
    let moving: Vec<_> = (0..5).map(|_| read(0.97)).collect();
    let rules = Rules {
        over_faults: true,
        ..Rules::default()
    };
    let (_, steady) = examined(&layout, &still, &trial.earlier, rules);
    let f = found(&steady, "line.stuck");
    assert!(
        f.evidence
            .iter()
            .any(|e| e.starts_with("all 5 reads agree there")),
        "{f:?}"
    );
    assert!(
        steady
            .examination
            .findings
            .iter()
            .all(|f| !f.code.starts_with("dissent."))
    );
    let (_, loose) = examined(&layout, &moving, &trial.earlier, rules);
    let f = found(&loose, "line.stuck");
    assert_eq!(f.place.chips[0].data_lines, [2]);
    assert!(
        f.means
            .as_deref()
            .expect("said")
            .starts_with("It comes and goes"),
        "{f:?}"
    );
    assert_eq!(
        found(&loose, "dissent.data-line").place.chips[0].data_lines,
        [2]
    );
    // What is to be mended before reading again comes before what may be its doing.
    assert_eq!(loose.examination.findings[0].code, "dissent.data-line");
}

#[test]
fn a_chip_that_does_not_answer_is_told_from_one_that_lost_its_contents() {
    let (layout, trial) = healthy("quillon-72", 1);
    let mut rng = Rng::new(SEEDS + 520);
    let mut noise = |image: &ChipImage| with(image, |_| rng.next() as u8 & 15);
    let lost = noise(&trial.truth[1]);
    let reads = |second: &mut dyn FnMut() -> ChipImage| -> Vec<Vec<ChipImage>> {
        (0..3)
            .map(|_| vec![trial.truth[0].clone(), second()])
            .collect()
    };
    let (_, steady) = examined(
        &layout,
        &reads(&mut || lost.clone()),
        &trial.earlier,
        Rules::default(),
    );
    let f = found(&steady, "chip.random");
    assert!(
        f.evidence.iter().any(|e| e.contains("the chip answers")),
        "{f:?}"
    );
    let floating = reads(&mut || noise(&trial.truth[1]));
    let (reading, bus) = examined(&layout, &floating, &trial.earlier, Rules::default());
    let f = found(&bus, "chip.floating");
    assert_eq!(f.place.chips[0].chip, reading.chips[1].id);
    assert!(
        bus.examination
            .findings
            .iter()
            .all(|f| f.code != "chip.random")
    );
    let picture = &bus.examination.pictures[1];
    assert!(
        picture.rows.iter().all(|r| r.marks.contains('~')),
        "{picture:?}"
    );
    assert!(
        bus.examination.pictures[0]
            .rows
            .iter()
            .all(|r| !r.marks.contains('~'))
    );
}

#[test]
fn decay_holds_still_and_a_noisy_read_does_not() {
    let (layout, trial) = healthy("pellow-six", 2);
    let mut rng = Rng::new(SEEDS + 530);
    let decayed = vec![with(&trial.truth[0], |v| {
        (0..8).fold(v, |v, l| if rng.chance(0.004) { v | 1 << l } else { v })
    })];
    let (_, still) = examined(&layout, &vec![decayed; 3], &trial.earlier, Rules::default());
    let f = found(&still, "decay.scattered");
    assert!(
        f.evidence.iter().any(|e| e.starts_with("0 of them differ")),
        "{f:?}"
    );
    assert!(f.otherwise.iter().all(|o| !o.starts_with("a noisy read")));
    // Two noisy reads, voted on whatever the doubt: the odd ones stay open and are told entry by entry.
    let noisy: Vec<Vec<ChipImage>> = (0..3)
        .map(|_| {
            vec![with(&trial.truth[0], |v| {
                (0..8).fold(v, |v, l| v ^ u8::from(rng.chance(0.002)) << l)
            })]
        })
        .collect();
    let (reading, moving) = examined(&layout, &noisy, &trial.earlier, Rules::default());
    assert!(
        moving
            .examination
            .findings
            .iter()
            .all(|f| f.code != "decay.scattered")
    );
    let open = reading.chips[0].image.unknown_bits();
    assert!(open > 10, "{open}");
    let suspect: Vec<_> = moving
        .examination
        .entries
        .iter()
        .filter(|e| e.verdict == Verdict::Suspect)
        .collect();
    assert!(!suspect.is_empty());
    assert!(
        suspect.iter().all(|e| e.why.contains("the reads differ")),
        "{suspect:?}"
    );
    let named = &found(&moving, "settle.open").place.entries;
    assert_eq!(named.len(), suspect.len());
}

#[test]
fn votes_of_other_chips_are_refused() {
    let (layout, trial) = healthy("quillon-72", 3);
    let mut other = trial.truth.clone();
    other[0] = with(&other[0], |v| v ^ 1);
    let reads = [&trial.truth, &other].map(|r| ("read".to_owned(), trial::reading(&layout, r)));
    let (_, settlement) = settle(&reads, Some(&layout), Rules::default()).expect("one layout");
    let pellow = layouts::shipped("pellow-six");
    let (_, foreign) = healthy("pellow-six", 4);
    let reading = trial::reading(&pellow, &foreign.seen);
    let mut examined = examine(&reading, Some(&pellow), None).expect("fits");
    assert!(matches!(
        add_votes(&mut examined, &reading, Some(&pellow), &settlement),
        Err(ExamineError::Votes(_))
    ));
}

/// A pin that makes contact now and then, seen against an earlier reading.
#[test]
fn a_data_line_that_comes_and_goes_is_named_from_one_reading() {
    for (id, chip, line) in [
        ("aldermoor-four", 0, 0),
        ("quillon-72", 1, 0),
        ("pellow-six", 0, 6),
        ("wrenfield-strings", 2, 0),
    ] {
        let layout = layouts::shipped(id);
        let mut rng = Rng::new(SEEDS + 1500);
        let mut trial = trial::make(&layout, &[], true, &mut rng).expect("no fault always applies");
        let cells: Vec<u8> = trial.seen[chip]
            .values()
            .iter()
            .map(|v| v | u8::from(rng.chance(0.1)) << line)
            .collect();
        trial.seen[chip] =
            ChipImage::from_cells(trial.seen[chip].width(), &cells).expect("the same shape");
        assert!(trial::differing_bits(&trial.seen, &trial.truth) > 5, "{id}");
        let examined = trial::run(&layout, &trial, true, true);
        let first = &examined.examination.findings[0];
        assert_eq!(first.code, "line.intermittent", "{id}: {}", first.says);
        assert_eq!(first.place.chips[0].chip, layout.chips[chip].id, "{id}");
        assert_eq!(first.place.chips[0].data_lines, [line], "{id}");
        assert!(first.act.as_deref().expect("advice").contains("pin"));
    }
}
