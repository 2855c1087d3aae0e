//! The short form of the fault bench, and settling checked by simulation. `cargo bench --bench faults` is the long
//! form.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod among;
mod banks;
#[allow(dead_code)]
mod blind;
mod causes;
mod chances;
mod earlier;
mod edits;
mod healthy;
#[allow(dead_code)] // Shared with the bench, which uses more of it.
mod inject;
#[allow(dead_code)]
mod layouts;
mod majority;
mod march;
mod mended;
#[allow(dead_code)]
mod observer;
mod observers;
mod panel;
mod powerup;
mod retention;
mod rng;
mod settling;
#[allow(dead_code)]
mod simulate;
mod together;
mod trial;
mod votes;

use cellkeep::codec::Memory;
use cellkeep::examine::{ExamineError, Verdict, examine};
use cellkeep::finding::Severity;
use cellkeep::image::ChipImage;
use cellkeep::mend::{self, MendError};
use cellkeep::reading::{ChipReading, Reading};
use rng::Rng;

/// First seed of these trials: apart from the bench's tuning and evaluation seeds.
const SEEDS: u64 = 1 << 40;

/// Names of the layouts used here: small ones, since tests run unoptimised.
const SMALL: [&str; 3] = ["aldermoor-four", "quillon-72", "wrenfield-strings"];

#[test]
fn each_fault_is_named_with_an_earlier_reading() {
    let mut wrong = Vec::new();
    let mut n = 0;
    for (f, fault) in inject::LINE_AND_CHIP
        .iter()
        .chain(&["decay.scattered", "stream.slipped"])
        .enumerate()
    {
        let layout = layouts::shipped(SMALL[f % SMALL.len()]);
        let mut rng = Rng::new(SEEDS + f as u64);
        let Some(trial) = trial::make(&layout, &[fault], false, &mut rng) else {
            continue;
        };
        let examined = trial::run(&layout, &trial, true, true);
        n += 1;
        if trial::rank(&examined, &[fault], &layout, None) != Some(0) {
            wrong.push(format!(
                "{fault}: {:?}",
                examined.examination.explanations[0].causes
            ));
        }
    }
    assert!(n >= 10, "{n} faults applied");
    assert!(wrong.is_empty(), "{wrong:?}");
}

#[test]
fn each_fault_is_named_from_one_reading_alone() {
    let mut wrong = Vec::new();
    let mut n = 0;
    for (f, fault) in inject::LINE_AND_CHIP.iter().enumerate() {
        // Every layout in turn, but that exchanged boards of the first cannot be told; see below.
        let layout = layouts::shipped(SMALL[(f + 1) % SMALL.len()]);
        let mut rng = Rng::new(SEEDS + 200 + f as u64);
        let Some(trial) = trial::make(&layout, &[fault], false, &mut rng) else {
            continue;
        };
        let examined = trial::run(&layout, &trial, false, true);
        n += 1;
        if trial::rank(&examined, &[fault], &layout, None) != Some(0) {
            let said = &examined.examination.explanations[0].causes;
            wrong.push(format!("{fault} {}: {said:?}", layout.id));
        }
    }
    assert!(n >= 10, "{n} faults applied");
    assert!(wrong.is_empty(), "{wrong:?}");
}

#[test]
fn exchanged_boards_whose_voices_are_alike_in_kind_read_as_a_sound_bank() {
    // Boards 1 and 2 hold the same parameters of other voices: exchanged, they hold another bank just as plausible, to
    // anyone who has no earlier reading. What little differs is far from what naming any fault takes, which is a
    // thousand to one.
    let layout = layouts::shipped("aldermoor-four");
    for seed in 0..2 {
        let mut rng = Rng::new(SEEDS + 300 + seed);
        let trial = trial::make(&layout, &[], false, &mut rng).expect("a healthy bank");
        let mut exchanged = trial.seen.clone();
        exchanged.swap(0, 1);
        let bits = [&trial.seen, &exchanged].map(|i| trial::sound_bits(&layout, i));
        assert!((bits[0] - bits[1]).abs() < 1000f64.log2(), "{bits:?}");
    }
}

#[test]
fn line_and_chip_faults_show_in_bare_images() {
    let layout = layouts::shipped("pellow-six");
    for (f, fault) in [
        "line.stuck",
        "line.bridged",
        "address.stuck",
        "chip.power-up",
        "all.blank",
    ]
    .iter()
    .enumerate()
    {
        let mut rng = Rng::new(SEEDS + 100 + f as u64);
        let trial =
            trial::make(&layout, &[fault], false, &mut rng).expect("applies to an 8-bit chip");
        let examined = trial::run(&layout, &trial, false, false);
        let causes = &examined.examination.explanations[0].causes;
        assert!(
            trial::names(causes, &[fault], &layout),
            "{fault}: {causes:?}"
        );
        assert!(trial::alarmed(&examined), "{fault}");
    }
}

#[test]
fn what_is_not_in_the_memory_is_said_to_be_so() {
    let mut wrong = Vec::new();
    for (f, fault) in panel::SAVED.iter().chain(&panel::ALONE).enumerate() {
        let layout = layouts::shipped("pellow-six");
        let mut rng = Rng::new(SEEDS + 150 + f as u64);
        let trial = trial::make(&layout, &[fault], false, &mut rng).expect("applies to it");
        let earlier = panel::SAVED.contains(fault);
        let examined = trial::run(&layout, &trial, earlier, true);
        if trial::rank(&examined, &[fault], &layout, trial.entry) != Some(0) {
            wrong.push((fault, examined.examination.findings));
            continue;
        }
        let finding = examined.examination.findings.iter();
        let finding = finding.clone().find(|f| f.code == panel::answer(fault));
        if fault.starts_with("converter.") {
            let means = finding
                .and_then(|f| f.means.as_deref())
                .expect("what it means");
            assert!(means.contains("not in the memory"), "{means}");
        }
    }
    assert!(wrong.is_empty(), "{wrong:?}");
}

#[test]
fn voices_that_agree_point_away_from_the_memory() {
    // Aldermoor Four has four voices; the healthy demonstration bank of it holds the same for all in most presets.
    let layout = layouts::shipped("aldermoor-four");
    let area = layout.area("presets").expect("an area of the layout");
    let mut rng = Rng::new(SEEDS + 160);
    let trial = trial::make(&layout, &[], false, &mut rng).expect("no fault always applies");
    let refs: Vec<&ChipImage> = trial.truth.iter().collect();
    let mut memory = Memory::of_images(&layout, &refs).expect("images of the layout");
    let note = |memory: &Memory| {
        let images = memory.images().expect("shapes of the layout");
        let reading = trial::reading(&layout, &images);
        let examined = examine(&reading, Some(&layout), None).expect("fits");
        let mut findings = examined.examination.findings.into_iter();
        findings.find(|f| f.code == "voices.agree")
    };
    // Every voice as the first of its preset.
    for e in 0..area.entries() {
        let first = area.entry(&[area.indices(e)[0], 0]).expect("a first voice");
        for f in 0..area.fields.len() {
            let code = memory.gather(area.field_places(first, f)).0;
            memory.scatter(area.field_places(e, f), code);
        }
    }
    let says = note(&memory).expect("a note").says;
    assert_eq!(
        says,
        "in 16 of 16 presets memory holds the same for all 4 voices"
    );
    // One voice of nine presets programmed otherwise: most presets then differ.
    let knob = area.parameter("filter.cutoff").expect("a parameter");
    let field = area.parameters[knob].fields.start;
    for preset in 0..9 {
        let e = area.entry(&[preset, 2]).expect("a third voice");
        let places = area.field_places(e, field);
        let code = memory.gather(places).0;
        memory.scatter(places, code ^ 1);
    }
    assert!(note(&memory).is_none());
}

#[test]
fn a_healthy_bank_gets_a_clean_bill() {
    for (i, id) in SMALL.iter().enumerate() {
        let layout = layouts::shipped(id);
        let mut rng = Rng::new(SEEDS + 200 + i as u64);
        let trial = trial::make(&layout, &[], true, &mut rng).expect("no fault always applies");
        for earlier in [false, true] {
            let examined = trial::run(&layout, &trial, earlier, true);
            assert!(
                !trial::alarmed(&examined),
                "{id}: {:?}",
                examined.examination.findings
            );
            let bad = examined
                .examination
                .entries
                .iter()
                .filter(|e| e.verdict == Verdict::Damaged);
            assert_eq!(bad.count(), 0, "{id}");
        }
    }
}

#[test]
fn a_dead_chip_damages_exactly_the_presets_it_holds() {
    // CH34 holds voices 3 and 4 of every preset, CH12 voices 1 and 2: as the layout file says.
    let layout = layouts::shipped("aldermoor-four");
    let mut rng = Rng::new(SEEDS + 300);
    let mut trial = trial::make(&layout, &[], false, &mut rng).expect("no fault always applies");
    let chip = layout.chip("CH34").expect("a chip of the layout");
    trial.seen[chip] = ChipImage::from_cells(1, &vec![1; 4096]).expect("4096 x 1");
    let examined = trial::run(&layout, &trial, true, true);
    for entry in examined
        .examination
        .entries
        .iter()
        .filter(|e| e.area == "presets")
    {
        let lost = entry.entry.ends_with("voice 3") || entry.entry.ends_with("voice 4");
        assert_eq!(entry.verdict == Verdict::Damaged, lost, "{entry:?}");
    }
}

#[test]
fn bad_input_is_answered() {
    let layout = layouts::shipped("quillon-72");
    let unknown = |words, width| ChipImage::unknown(words, width).expect("a shape");
    let chips = |images: Vec<ChipImage>| trial::reading(&layout, &images);
    let blank = chips(vec![unknown(256, 4), unknown(256, 4)]);
    let examined = examine(&blank, Some(&layout), None).expect("all unknown is no error");
    assert!(
        examined
            .examination
            .findings
            .iter()
            .any(|f| f.code == "reading.empty")
    );
    let other = Reading::new(vec![ChipReading::new("IC4", unknown(128, 4))]);
    assert!(matches!(
        examine(&blank, Some(&layout), Some(&other)),
        Err(ExamineError::Earlier(_))
    ));
    assert!(matches!(
        examine(&other, Some(&layout), None),
        Err(ExamineError::Layout(_))
    ));
    assert!(matches!(
        examine(&Reading::default(), None, None),
        Err(ExamineError::Empty)
    ));
}

#[test]
fn what_an_earlier_reading_holds_is_mended_with_provenance() {
    let layout = layouts::shipped("quillon-72");
    let mut rng = Rng::new(SEEDS + 400);
    let trial =
        trial::make(&layout, &["line.stuck"], false, &mut rng).expect("applies to 4-bit chips");
    let seen = trial::reading(&layout, &trial.seen);
    let judged = mended::Mended::new(&layout, &trial, true);
    let plan = &judged.plan;
    assert!(plan.losses.is_empty() && !plan.proposals.is_empty());
    for p in &plan.proposals {
        assert_eq!(p.code, judged.truth_of(p), "{p:?}");
    }
    // The file a person edits reads back as it was, and nothing is applied that was not accepted.
    let plan = mend::from_text(&mend::to_text(plan, "").expect("writes")).expect("reads");
    let untouched = mend::apply(&layout, &seen, &plan, None, None).expect("a plan for it");
    assert_eq!(untouched.record.applied, 0);
    // What was not accepted is unknown, and nothing that is known is another than it was read.
    assert!(untouched.record.unresolved > 0);
    for (left, read) in untouched.reading.chips.iter().zip(&seen.chips) {
        let cells = left.image.values().iter().zip(left.image.known());
        for ((value, known), was) in cells.zip(read.image.values()) {
            assert_eq!(value & known, was & known);
        }
    }
    let mended = mend::apply(&layout, &seen, &plan, Some(0.5), None).expect("a plan for it");
    assert_eq!(
        mended.record.applied,
        plan.proposals.len() + plan.bits.len()
    );
    let (chip, before) = (
        &mended.reading.chips[trial.chips[0][0]],
        &trial.seen[trial.chips[0][0]],
    );
    for cell in 0..before.words() {
        for line in 0..before.width() {
            // A lost bit that happened to read as it should is found all the same.
            let lost = plan.damage.iter().any(|d| {
                d.chip == chip.id && (d.first..=d.last).contains(&cell) && d.lines.contains(&line)
            });
            let changed = chip.image.bit(cell, line) != before.bit(cell, line);
            let is_noted = chip.origin_of(cell, line).is_some();
            assert_eq!(changed || lost, is_noted, "{cell} D{line}");
        }
    }
    assert!(matches!(
        mend::apply(
            &layout,
            &trial::reading(&layout, &trial.truth),
            &plan,
            None,
            None
        ),
        Err(MendError::OtherReading { .. })
    ));
}

/// Copies that differ here and there, and chips narrower than their files, are no damage where no layout says
/// otherwise; copies alike to the last bit are asked about.
#[test]
fn what_may_be_on_purpose_is_no_damage_in_bare_images() {
    let mut rng = rng::Rng::new(31);
    let once: Vec<u8> = (0..512).map(|_| rng.next() as u8).collect();
    let mut twice: Vec<u8> = [once.clone(), once].concat();
    let codes = |cells: &[u8]| -> Vec<(String, Severity)> {
        let image = ChipImage::from_cells(8, cells).expect("words x 8");
        let reading = Reading::new(vec![ChipReading::new("IC1", image)]);
        let examined = examine(&reading, None, None).expect("a chip");
        let findings = examined.examination.findings;
        findings.into_iter().map(|f| (f.code, f.severity)).collect()
    };
    assert_eq!(
        codes(&twice),
        [("address.stuck".to_owned(), Severity::Caution)]
    );
    for cell in (0..512).step_by(16) {
        twice[cell] ^= 0x11;
    }
    assert_eq!(codes(&twice), []);
    let narrow: Vec<u8> = (0..1024).map(|_| (rng.next() & 1) as u8).collect();
    assert_eq!(codes(&narrow), []);
}
