//! Settling against simulated reads whose truth is known.

use cellkeep::image::ChipImage;
use cellkeep::reading::{ChipReading, Reading};
use cellkeep::settle::{Rules, SettleError, Settlement, settle};

use crate::rng::Rng;

const WORDS: usize = 512;

fn truth(rng: &mut Rng) -> Vec<u8> {
    (0..WORDS).map(|_| rng.next() as u8).collect()
}

fn reading(cells: &[u8]) -> Reading {
    let image = ChipImage::from_cells(8, cells).expect("512 x 8");
    Reading::new(vec![ChipReading::new("IC1", image)])
}

fn named(reads: &[Vec<u8>]) -> Vec<(String, Reading)> {
    reads
        .iter()
        .enumerate()
        .map(|(i, r)| (format!("read {}", i + 1), reading(r)))
        .collect()
}

/// Reads with noise on every bit and a share of shaky bits, as the model in `settle::vote` describes.
fn reads(truth: &[u8], n: usize, noise: f64, shaky: f64, rng: &mut Rng) -> Vec<Vec<u8>> {
    let chance: Vec<f64> = (0..truth.len() * 8)
        .map(|_| {
            if rng.chance(shaky) {
                0.5 * rng.unit()
            } else {
                noise
            }
        })
        .collect();
    (0..n)
        .map(|_| {
            let bit = |c: usize, l: usize, rng: &mut Rng| {
                (truth[c] >> l & 1) ^ u8::from(rng.chance(chance[c * 8 + l]))
            };
            (0..truth.len())
                .map(|c| (0..8).fold(0, |v, l| v | bit(c, l, rng) << l))
                .collect()
        })
        .collect()
}

fn settled(reads: &[Vec<u8>]) -> (Reading, Settlement) {
    settle(&named(reads), None, Rules::default()).expect("reads of one chip")
}

fn wrong(reading: &Reading, truth: &[u8]) -> u32 {
    let image = &reading.chips[0].image;
    (0..truth.len())
        .map(|c| ((image.values()[c] ^ truth[c]) & image.known()[c]).count_ones())
        .sum()
}

#[test]
fn the_expected_number_of_wrong_bits_is_borne_out() {
    let mut rng = Rng::new(7);
    let (mut expected, mut actual) = (0.0, 0);
    for i in 0..60 {
        let truth = truth(&mut rng);
        let noise = 10f64.powf(-2.0 - 2.0 * rng.unit());
        let shaky = 10f64.powf(-1.5 - 2.0 * rng.unit());
        let (reading, report) = settled(&reads(&truth, 3 + 2 * (i % 4), noise, shaky, &mut rng));
        expected += report.expected_wrong;
        actual += wrong(&reading, &truth);
    }
    // About fifty are expected; a Poisson count strays from its mean by three times its root once in 370.
    assert!(expected > 5.0, "{expected}");
    let stray = 3.0 * expected.sqrt() + 0.25 * expected;
    assert!(
        (f64::from(actual) - expected).abs() < stray,
        "{actual} wrong, {expected:.1} expected"
    );
}

#[test]
fn agreeing_reads_settle_to_themselves() {
    let mut rng = Rng::new(8);
    let truth = truth(&mut rng);
    let (reading, report) = settled(&vec![truth.clone(); 3]);
    assert_eq!(reading.chips[0].image.values(), truth);
    assert!(report.findings.is_empty() && report.dissents.is_empty());
    assert_eq!(report.unsettled, 0);
    assert!(report.expected_wrong < 1.0);
}

#[test]
fn two_reads_that_differ_leave_the_bit_unknown() {
    let mut rng = Rng::new(9);
    let truth = truth(&mut rng);
    let mut other = truth.clone();
    other[100] ^= 0x10;
    let (reading, report) = settled(&[truth, other]);
    assert_eq!(reading.chips[0].image.bit(100, 4), None);
    assert_eq!((report.unsettled, report.dissents.len()), (1, 1));
}

fn code(report: &Settlement) -> Vec<&str> {
    report.findings.iter().map(|f| f.code.as_str()).collect()
}

#[test]
fn dissent_on_one_pin_is_a_contact_and_is_not_voted_on() {
    let mut rng = Rng::new(10);
    let truth = truth(&mut rng);
    let open = |rng: &mut Rng| -> Vec<u8> {
        truth
            .iter()
            .map(|v| if rng.chance(0.2) { v | 0x20 } else { *v })
            .collect()
    };
    let reads: Vec<Vec<u8>> = (0..5).map(|_| open(&mut rng)).collect();
    let (reading, report) = settled(&reads);
    assert!(
        code(&report).contains(&"dissent.data-line"),
        "{:?}",
        code(&report)
    );
    let dissent = &report.dissents[0];
    assert_eq!(reading.chips[0].image.bit(dissent.cell, dissent.line), None);
    let vote = |over_faults| {
        let rules = Rules {
            doubt: 0.3,
            over_faults,
        };
        settle(&named(&reads), None, rules)
            .expect("reads of one chip")
            .0
    };
    let (reading, voted) = (vote(false), vote(true));
    let known = |r: &Reading| r.chips[0].image.bits() - r.chips[0].image.unknown_bits();
    assert!(known(&voted) > known(&reading));
}

#[test]
fn an_address_pin_that_comes_and_goes_is_named() {
    let mut rng = Rng::new(11);
    let truth = truth(&mut rng);
    let reads: Vec<Vec<u8>> = (0..5)
        .map(|_| {
            (0..WORDS)
                .map(|c| truth[if rng.chance(0.1) { c & !0x40 } else { c }])
                .collect()
        })
        .collect();
    let (_, report) = settled(&reads);
    let finding = report
        .findings
        .iter()
        .find(|f| f.code == "dissent.address-line")
        .expect("named");
    assert_eq!(finding.place.chips[0].address_lines, [6]);
}

#[test]
fn an_odd_read_is_set_aside_and_said_to_be() {
    let mut rng = Rng::new(12);
    let truth = truth(&mut rng);
    let mut slipped = truth.clone();
    slipped.rotate_right(1);
    let (reading, report) = settled(&[truth.clone(), slipped, truth.clone(), truth.clone()]);
    assert_eq!(reading.chips[0].image.values(), truth);
    let aside = report.reads[1].set_aside.as_deref().expect("set aside");
    assert!(aside.contains("shifted by one cell"), "{aside}");
    assert_eq!(code(&report), ["settle.odd-read"]);
}

#[test]
fn reads_of_other_chips_are_refused() {
    let one = named(&[vec![0; WORDS]]);
    assert!(matches!(
        settle(&one, None, Rules::default()),
        Err(SettleError::TooFew(1))
    ));
    let mut two = named(&[vec![0; WORDS], vec![0; WORDS]]);
    two[1].1 = reading(&vec![0; WORDS / 2]);
    assert!(matches!(
        settle(&two, None, Rules::default()),
        Err(SettleError::Shape { .. })
    ));
    two[1].1.chips[0].id = "IC2".to_owned();
    assert!(matches!(
        settle(&two, None, Rules::default()),
        Err(SettleError::Chips { .. })
    ));
}
