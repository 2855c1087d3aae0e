//! What applying a plan does to the bits around, and what of an edited plan is refused.

use super::*;

fn with_earlier(case: &Case) -> MendPlan {
    let sources = Sources {
        earlier: case.earlier(),
        ..Sources::default()
    };
    case.plan(&sources).expect("one layout")
}

/// Wrong bits of a reading, chip by chip, as `(chip, cell, line)`.
fn wrong(case: &Case, reading: &Reading) -> Vec<(usize, u32, u8)> {
    let mut out = Vec::new();
    for (c, (chip, truth)) in reading.chips.iter().zip(&case.truth.chips).enumerate() {
        for cell in 0..truth.image.words() {
            for line in 0..truth.image.width() {
                if chip.image.bit(cell, line) != truth.image.bit(cell, line) {
                    out.push((c, cell, line));
                }
            }
        }
    }
    out
}

/// Entries whose stored check does not fit what it covers.
fn failing(case: &Case, reading: &Reading) -> Vec<(usize, Option<usize>)> {
    let memory = Memory::of(&case.layout, reading).unwrap();
    cellkeep::codec::checks::verify(&case.layout, &memory)
        .iter()
        .filter(|r| r.verdict != cellkeep::codec::checks::Verdict::Holds)
        .map(|r| (r.area, r.entry))
        .collect()
}

/// No sound bit is written over, and no entry that is still wrong has a check made to fit.
#[test]
fn a_check_is_never_made_to_fit_damage() {
    for (instrument, damage) in [("pellow-six", "contact-1"), ("pellow-six", "sagging")] {
        let case = Case::new(instrument, damage);
        let plan = with_earlier(&case);
        let mended = mend::apply(&case.layout, &case.damaged, &plan, Some(0.99), None).unwrap();
        let (before, after) = (wrong(&case, &case.damaged), wrong(&case, &mended.reading));
        assert!(
            after.len() < before.len() / 2,
            "{damage}: {} left",
            after.len()
        );
        for bit in &after {
            let unknown = mended.reading.chips[bit.0]
                .image
                .bit(bit.1, bit.2)
                .is_none();
            assert!(
                unknown || before.contains(bit),
                "{damage}: {bit:?} was right"
            );
        }
        // Every preset with a wrong bit still fails its check.
        let failing = failing(&case, &mended.reading);
        for (a, area) in case.layout.areas.iter().enumerate() {
            if area.checks.is_empty() {
                continue;
            }
            for entry in 0..area.entries() {
                let places = &area.places[entry * area.bits_per_entry..][..area.bits_per_entry];
                let is_wrong = places
                    .iter()
                    .any(|p| after.contains(&(usize::from(p.chip), p.cell, p.line)));
                let fails = failing
                    .iter()
                    .any(|f| f.0 == a && f.1.is_none_or(|e| e == entry));
                assert!(
                    !is_wrong || fails,
                    "{damage}: {} looks sound",
                    area.entry_label(entry)
                );
            }
        }
    }
}

#[test]
fn every_damaged_bit_is_proposed_follows_or_is_itemised() {
    let case = Case::new("pellow-six", "contact-1");
    let plan = with_earlier(&case);
    assert!(!plan.bits.is_empty(), "none outside of parameters");
    let all = MendPlan {
        proposals: plan
            .proposals
            .iter()
            .cloned()
            .map(|p| mend::Proposal { accept: true, ..p })
            .collect(),
        bits: plan
            .bits
            .iter()
            .cloned()
            .map(|b| mend::BitsProposal { accept: true, ..b })
            .collect(),
        ..plan.clone()
    };
    let mended = mend::apply(&case.layout, &case.damaged, &all, None, None).unwrap();
    let listed: usize = plan
        .losses
        .iter()
        .filter(|l| !l.lost.starts_with("fails"))
        .count();
    assert!(
        mended.record.unresolved <= listed,
        "{} of {listed}",
        mended.record.unresolved
    );
    // What is left out leaves the check over it failing, and that is said.
    let mut one = all.clone();
    let left = one
        .bits
        .iter_mut()
        .find(|b| b.what.ends_with("reserved bits"))
        .unwrap();
    left.accept = false;
    let entry = left.what.split(':').next().unwrap().to_owned();
    let mended = mend::apply(&case.layout, &case.damaged, &one, None, None).unwrap();
    let told = mended
        .record
        .notices
        .iter()
        .any(|n| n.starts_with(&entry) && n.contains("not mended"));
    assert!(told, "{entry}: {:?}", mended.record.notices);
}

/// What nobody accepted must not pass for the customer's sound: it is unknown, and a loss.
#[test]
fn what_was_not_accepted_is_unknown_and_lost() {
    for (instrument, damage) in [
        ("aldermoor-four", "lost-supply"),
        ("pellow-six", "contact-1"),
    ] {
        let case = Case::new(instrument, damage);
        let plan = with_earlier(&case);
        let none = mend::apply(&case.layout, &case.damaged, &plan, None, None).unwrap();
        let some = mend::apply(&case.layout, &case.damaged, &plan, Some(0.99), None).unwrap();
        assert!(some.record.applied > 0 && none.record.applied == 0);
        for mended in [&none, &some] {
            let record = &mended.record;
            assert_eq!(record.losses.len(), plan.losses.len() + record.left);
            let unknown: u32 = mended
                .reading
                .chips
                .iter()
                .flat_map(|c| {
                    c.image
                        .known()
                        .iter()
                        .map(|k| (c.image.mask() & !k).count_ones())
                })
                .sum();
            assert_eq!(unknown as usize, record.unresolved, "{damage}");
            for run in &plan.damage {
                let chip = case.layout.chip(&run.chip).unwrap();
                for cell in run.first..=run.last {
                    for &line in &run.lines {
                        let now = mended.reading.chips[chip].image.bit(cell, line);
                        let told = mended.reading.chips[chip].provenance.iter().any(|p| {
                            (p.cells.first..=p.cells.last).contains(&cell)
                                && p.lines >> line & 1 == 1
                        });
                        let was = case.damaged.chips[chip].image.bit(cell, line);
                        assert!(
                            now == was || told,
                            "{damage}: {} {cell:#x} D{line}",
                            run.chip
                        );
                    }
                }
            }
        }
        assert!(none.record.unresolved > some.record.unresolved);
    }
}

fn refused(case: &Case, plan: &MendPlan) -> String {
    match mend::apply(&case.layout, &case.damaged, plan, None, None) {
        Err(e) => e.to_string(),
        Ok(m) => panic!("applied {}", m.record.applied),
    }
}

#[test]
fn an_edited_plan_is_applied_as_edited_or_refused() {
    let case = Case::new("quillon-72", "glitch");
    let plan = with_earlier(&case);
    let at = plan
        .proposals
        .iter()
        .position(|p| p.parameter == "note")
        .unwrap();
    let edited = |change: &dyn Fn(&mut mend::Proposal)| {
        let mut plan = plan.clone();
        plan.proposals[at].accept = true;
        change(&mut plan.proposals[at]);
        plan
    };
    // Another code is recorded as what it is.
    let mended = mend::apply(
        &case.layout,
        &case.damaged,
        &edited(&|p| p.code ^= 1),
        None,
        None,
    )
    .unwrap();
    assert_eq!((mended.record.applied, mended.record.by_hand), (1, 1));
    let origins = mended.reading.chips.iter().flat_map(|c| &c.provenance);
    assert!(origins.clone().all(|o| o.origin.verb != "mended"));
    let entered: Vec<_> = origins
        .filter(|o| o.origin.verb == "entered by hand")
        .collect();
    assert!(!entered.is_empty());
    for run in entered {
        assert!(run.origin.why.contains("by hand"), "{}", run.origin.why);
        assert!(!run.origin.why.contains("sure"), "{}", run.origin.why);
    }
    // It needs to be accepted; that the proposed code was probable says nothing for it.
    let unaccepted = edited(&|p| (p.accept, p.code) = (false, p.code ^ 1));
    let left = mend::apply(&case.layout, &case.damaged, &unaccepted, Some(0.0), None).unwrap();
    assert_eq!(left.record.by_hand, 0);

    for (change, says) in [
        (
            &(|p: &mut mend::Proposal| p.code = 99) as &dyn Fn(&mut mend::Proposal),
            "cannot be set",
        ),
        (
            &|p: &mut mend::Proposal| p.setting = "C6".to_owned(),
            "the code counts",
        ),
        (
            &|p: &mut mend::Proposal| p.probability = 2.0,
            "between 0 and 1",
        ),
        (
            &|p: &mut mend::Proposal| p.probability = f64::NAN,
            "between 0 and 1",
        ),
        (
            &|p: &mut mend::Proposal| p.entry = "step 40".to_owned(),
            "nothing is damaged",
        ),
    ] {
        let error = refused(&case, &edited(change));
        assert!(error.contains(says), "{error}");
    }
    let mut twice = edited(&|_| {});
    let again = mend::Proposal {
        code: twice.proposals[at].code ^ 1,
        ..twice.proposals[at].clone()
    };
    twice.proposals.push(again);
    assert!(refused(&case, &twice).contains("twice"));
    for change in [
        &(|p: &mut MendPlan| p.layout = "pellow-six".to_owned()) as &dyn Fn(&mut MendPlan),
        &|p: &mut MendPlan| p.layout = "no-such".to_owned(),
        &|p: &mut MendPlan| p.layout_sha256.clear(),
    ] {
        let mut other = plan.clone();
        change(&mut other);
        assert!(refused(&case, &other).contains("the plan was made with"));
    }
    for chip in 0..plan.chips.len() {
        let mut fewer = plan.clone();
        fewer.chips.remove(chip);
        assert!(refused(&case, &fewer).contains("[[chips]]"));
    }
}

#[test]
fn a_letter_without_its_place_is_refused() {
    let case = Case::new("tessaly-nine", "sagging");
    let mut plan = with_earlier(&case);
    let letter = plan
        .proposals
        .iter_mut()
        .find(|p| p.character.is_some())
        .unwrap();
    letter.accept = true;
    letter.character = None;
    let error = refused(&case, &plan);
    assert!(error.contains("does not say which one"), "{error}");
}

/// Six presets of four bytes with a sum each, all kept twice; D0 is stuck low, so that values, sums and both copies lost a
/// bit. With everything accepted the chip is what it was, the copies of the sums among it, and no bit is left unknown.
#[test]
fn copies_of_checks_follow_the_checks() {
    const LAYOUT: &str = r#"
cellkeep = 1
id = "kept-twice"
name = "Kept twice"

[[chip]]
id = "U1"
words = 64
width = 8
used = "0..55"

[[area]]
name = "presets"
axes = { preset = { count = 6, stride = 4, first = 1 } }

[[area.parameter]]
key = "level"
bits = "0.7..0"
scale = { dial = [0, 10] }

[[area.parameter]]
key = "tune"
bits = "1.7..0"

[[area.parameter]]
key = "rate"
bits = "2.7..0"

[[area.check]]
key = "sum"
method = "sum"
over = ["0..2"]
bits = ["3.7..0"]

[[area.copy]]
name = "mirror"
at = 32
"#;
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    std::fs::write(at.join("twice.toml"), LAYOUT).unwrap();
    // The last byte of each row is the sum of the three before it.
    let presets: [[u8; 4]; 6] = [
        [0x41, 0x13, 0x05, 0x59],
        [0x81, 0x17, 0xfb, 0x93],
        [0xff, 0x21, 0x01, 0x21],
        [0x11, 0x93, 0x01, 0xa5],
        [0x43, 0x01, 0x07, 0x4b],
        [0x0d, 0x25, 0x0f, 0x41],
    ];
    let mut truth = [0u8; 64];
    for (i, byte) in presets.iter().flatten().enumerate() {
        truth[i] = *byte;
        truth[32 + i] = *byte;
    }
    for (name, cells) in [("earlier", truth), ("today", truth.map(|b| b & 0xfe))] {
        std::fs::create_dir(at.join(name)).unwrap();
        std::fs::write(at.join(name).join("U1.bin"), cells).unwrap();
    }
    let mend = [
        "mend",
        "today",
        "--earlier",
        "earlier",
        "-l",
        "twice.toml",
        "-o",
        "mend.toml",
    ];
    let made = program(at, &mend);
    assert!(at.join("mend.toml").exists(), "{}", said(&made));
    let apply = [
        "mend",
        "--apply",
        "mend.toml",
        "today",
        "--at-least",
        "0.5",
        "-l",
        "twice.toml",
        "-o",
        "mended",
    ];
    let applied = program(at, &apply);
    let now = std::fs::read(at.join("mended/U1.bin")).unwrap();
    assert_eq!(now[..56], truth[..56], "{}", said(&applied));
    assert!(
        !said(&applied).contains("left unknown"),
        "{}",
        said(&applied)
    );
}

/// A lost bit that is found again is found, even where the dead chip happened to read as it should: nobody may take it
/// for one that was read.
#[test]
fn what_was_lost_is_marked_even_where_it_was_read_alike() {
    let case = Case::new("quillon-72", "data-line");
    let plan = with_earlier(&case);
    let mended = mend::apply(&case.layout, &case.damaged, &plan, Some(0.99), None).unwrap();
    let mut alike = 0;
    for run in &plan.damage {
        let c = case.layout.chip(&run.chip).unwrap();
        let (read, now) = (&case.damaged.chips[c], &mended.reading.chips[c]);
        for cell in run.first..=run.last {
            for line in run.lines.iter().copied() {
                let bit = now.image.bit(cell, line);
                let origin = now.origin_of(cell, line);
                let verb = origin.unwrap_or_else(|| panic!("{} {cell} D{line}", run.chip));
                assert_eq!(verb.verb == "left unknown", bit.is_none(), "{verb:?}");
                alike += u32::from(bit.is_some() && bit == read.image.bit(cell, line));
            }
        }
    }
    assert!(alike > 100, "{alike} lost bits read as they should");
}
