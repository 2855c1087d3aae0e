//! Settling reads of several chips: what they share, and what they only seem to.

use cellkeep::image::ChipImage;
use cellkeep::reading::{ChipReading, Reading};
use cellkeep::settle::{Rules, Settlement, settle};

use crate::layouts;
use crate::rng::Rng;

const WORDS: usize = 1024;
const IDS: [&str; 4] = ["IC1", "IC2", "IC3", "IC4"];

fn truth(rng: &mut Rng) -> Vec<Vec<u8>> {
    IDS.iter()
        .map(|_| (0..WORDS).map(|_| rng.next() as u8 & 15).collect())
        .collect()
}

fn reading(chips: &[Vec<u8>]) -> Reading {
    Reading::new(
        IDS.iter()
            .zip(chips)
            .map(|(id, cells)| {
                ChipReading::new(*id, ChipImage::from_cells(4, cells).expect("1K x 4"))
            })
            .collect(),
    )
}

fn noisy(cells: &[u8], p: f64, rng: &mut Rng) -> Vec<u8> {
    let flip = |v: u8, rng: &mut Rng| (0..4).fold(v, |v, l| v ^ u8::from(rng.chance(p)) << l);
    cells.iter().map(|v| flip(*v, rng)).collect()
}

fn settled(reads: &[Vec<Vec<u8>>]) -> Settlement {
    let named: Vec<(String, Reading)> = reads
        .iter()
        .enumerate()
        .map(|(i, r)| (format!("read {}", i + 1), reading(r)))
        .collect();
    settle(&named, None, Rules::default())
        .expect("reads of the same chips")
        .1
}

fn located(report: &Settlement) -> Vec<(&str, Vec<&str>)> {
    report
        .findings
        .iter()
        .filter(|f| f.code.starts_with("dissent."))
        .map(|f| {
            let chips = f.place.chips.iter().map(|c| c.chip.as_str()).collect();
            (f.code.as_str(), chips)
        })
        .collect()
}

#[test]
fn a_moment_that_chips_share_is_one_fault_of_their_supply() {
    let mut rng = Rng::new(21);
    let truth = truth(&mut rng);
    let mut dipped = truth.clone();
    // Cells 0x100 to 0x127 of IC1, IC2 and IC4 read anything in the second read.
    for chip in [0, 1, 3] {
        for v in &mut dipped[chip][0x100..0x128] {
            *v = rng.next() as u8 & 15;
        }
    }
    let report = settled(&[truth.clone(), dipped, truth.clone(), truth.clone()]);
    assert_eq!(
        located(&report),
        [("dissent.supply", vec!["IC1", "IC2", "IC4"])]
    );
    let finding = &report.findings[0];
    assert!(finding.says.contains("read 2"), "{}", finding.says);
    for chip in &finding.place.chips {
        let [run] = chip.cells.as_slice() else {
            panic!("one run of cells: {chip:?}");
        };
        assert!((0x100..0x108).contains(&run.first) && (0x120..0x128).contains(&run.last));
    }
}

#[test]
fn a_moment_of_one_chip_is_told_with_its_cells() {
    let mut rng = Rng::new(22);
    let truth = truth(&mut rng);
    let mut moved = truth.clone();
    for v in &mut moved[2][0x200..0x220] {
        *v ^= 15;
    }
    let report = settled(&[truth.clone(), truth.clone(), moved]);
    assert_eq!(located(&report), [("dissent.read", vec!["IC3"])]);
    let run = report.findings[0].place.chips[0].cells[0];
    assert_eq!((run.first, run.last), (0x200, 0x21f));
    // Bits outside that moment are settled as ever; those within it are left open.
    assert_eq!(report.unsettled, 0x20 * 4);
}

#[test]
fn chips_that_dissent_alike_and_more_than_the_others_share_a_supply() {
    let mut rng = Rng::new(23);
    let truth = truth(&mut rng);
    let mut read = |rates: [f64; 4]| -> Vec<Vec<u8>> {
        truth
            .iter()
            .zip(rates)
            .map(|(c, p)| noisy(c, p, &mut rng))
            .collect()
    };
    let reads: Vec<_> = (0..3).map(|_| read([0.0002, 0.02, 0.02, 0.0002])).collect();
    assert_eq!(
        located(&settled(&reads)),
        [("dissent.supply", vec!["IC2", "IC3"])]
    );
    // One chip that is quieter than the others is no fault, nor is noise that all chips share.
    let reads: Vec<_> = (0..5).map(|_| read([0.004, 0.004, 0.004, 0.0])).collect();
    assert_eq!(located(&settled(&reads)), []);
}

#[test]
fn chips_exchanged_in_one_read_are_told() {
    let mut rng = Rng::new(24);
    let truth = truth(&mut rng);
    let mut exchanged = truth.clone();
    exchanged.swap(0, 2);
    let report = settled(&[truth.clone(), truth.clone(), exchanged.clone()]);
    let aside = report.reads[2].set_aside.as_deref().expect("set aside");
    assert!(
        aside.ends_with("agrees when IC1 and IC3 are exchanged"),
        "{aside}"
    );
    let report = settled(&[truth, exchanged]);
    let two = report
        .findings
        .iter()
        .find(|f| f.code == "settle.two-differ")
        .expect("two reads that differ");
    assert!(
        two.says.ends_with("agree when IC1 and IC3 are exchanged"),
        "{}",
        two.says
    );
    // What more such reads would do is anybody's guess, and no fault is named beside the mishap.
    assert!(!report.comparable);
    assert_eq!(
        (report.further_reads, report.further_reads_to_settle),
        (None, None)
    );
    assert_eq!(located(&report), []);
}

#[test]
fn a_board_of_the_layout_is_told_as_what_its_chips_share() {
    // Aldermoor Eight: a board for each pair of voices. Whatever chips of one board, noise on all of them is theirs.
    let layout = layouts::shipped("aldermoor-eight");
    let board = layout.chips[0].board.as_deref().expect("a board");
    let mine: Vec<&str> = layout
        .chips
        .iter()
        .filter(|c| c.board.as_deref() == Some(board))
        .map(|c| c.id.as_str())
        .collect();
    let mut rng = Rng::new(25);
    let mut read = || {
        Reading::new(
            layout
                .chips
                .iter()
                .map(|c| {
                    let p = if mine.contains(&c.id.as_str()) {
                        0.01
                    } else {
                        0.0
                    };
                    let cells: Vec<u8> = (0..c.words).map(|_| u8::from(rng.chance(p))).collect();
                    let image = ChipImage::from_cells(c.width, &cells).expect("its shape");
                    ChipReading::new(c.id.clone(), image)
                })
                .collect(),
        )
    };
    let reads: Vec<(String, Reading)> = (0..3).map(|i| (format!("read {i}"), read())).collect();
    let report = settle(&reads, Some(&layout), Rules::default())
        .expect("one layout")
        .1;
    let found = located(&report);
    assert_eq!(found.len(), 1, "{found:?}");
    assert_eq!(found[0].1, mine);
}
