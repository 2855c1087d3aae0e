//! Settling where the majority is wrong, or where one read is blamed for what it did not do.
//!
//! That a contact fault repeats itself, so that bad reads agree and outvote the good one, is common practice, no source.

use cellkeep::image::ChipImage;
use cellkeep::reading::{ChipReading, Reading};
use cellkeep::settle::{Rules, Settlement, settle};

use crate::rng::Rng;
use crate::simulate::settled;

const WORDS: usize = 512;

/// Contents as a bank has them: the same few values again and again, so that both levels are on every line.
fn contents(rng: &mut Rng) -> Vec<u8> {
    let presets: Vec<u8> = (0..64).map(|_| rng.next() as u8).collect();
    (0..WORDS)
        .map(|c| {
            if rng.chance(0.8) {
                presets[c % 64]
            } else {
                rng.next() as u8
            }
        })
        .collect()
}

fn noisy(cells: &[u8], p: f64, rng: &mut Rng) -> Vec<u8> {
    let flip = |v: u8, rng: &mut Rng| (0..8).fold(v, |v, l| v ^ u8::from(rng.chance(p)) << l);
    cells.iter().map(|v| flip(*v, rng)).collect()
}

fn codes(report: &Settlement) -> Vec<&str> {
    report.findings.iter().map(|f| f.code.as_str()).collect()
}

fn set_aside(report: &Settlement) -> Vec<usize> {
    (0..report.reads.len())
        .filter(|r| report.reads[*r].set_aside.is_some())
        .collect()
}

/// Cells in which a settled bit is not what the truth holds.
fn settled_wrongly(reading: &Reading, truth: &[u8]) -> usize {
    let image = &reading.chips[0].image;
    (0..truth.len())
        .filter(|c| (image.values()[*c] ^ truth[*c]) & image.known()[*c] != 0)
        .count()
}

#[test]
fn two_reads_of_a_dead_chip_do_not_outvote_a_good_one() {
    let mut rng = Rng::new(61);
    let truth = contents(&mut rng);
    for dead in [vec![0xff; WORDS], vec![0x00; WORDS]] {
        let noise = noisy(&dead, 0.0005, &mut rng);
        for reads in [
            vec![truth.clone(), dead.clone(), dead.clone()],
            vec![dead.clone(), truth.clone(), dead.clone()],
            vec![truth.clone(), dead.clone(), noise.clone()],
            vec![
                truth.clone(),
                dead.clone(),
                dead.clone(),
                truth.clone(),
                dead.clone(),
            ],
        ] {
            let (reading, report) = settled(&reads);
            assert_eq!(set_aside(&report), [0; 0]);
            assert_eq!(codes(&report), ["dissent.chip", "settle.open"]);
            assert_eq!(settled_wrongly(&reading, &truth), 0);
            assert!(report.afresh);
            assert!(
                report.findings[0]
                    .says
                    .contains("all cells of IC1 read alike")
            );
        }
    }
}

#[test]
fn a_line_stuck_in_most_reads_is_named() {
    let mut rng = Rng::new(62);
    let truth = contents(&mut rng);
    for level in [0, 1] {
        let stuck: Vec<u8> = truth.iter().map(|v| v & !8 | level << 3).collect();
        let (reading, report) = settled(&[stuck.clone(), truth.clone(), stuck.clone()]);
        assert_eq!(set_aside(&report), [0; 0]);
        assert_eq!(codes(&report), ["dissent.data-line", "settle.open"]);
        assert_eq!(report.findings[0].place.chips[0].data_lines, [3]);
        assert_eq!(settled_wrongly(&reading, &truth), 0);
        // Where most reads show it moving, the one read is the odd one, and is told why.
        let (reading, report) = settled(&[truth.clone(), truth.clone(), stuck]);
        assert_eq!(reading.chips[0].image.values(), truth);
        let says = &report.findings[0].says;
        assert!(says.contains("data line D3 of IC1 does not move"), "{says}");
    }
}

#[test]
fn an_address_line_still_in_most_reads_is_named() {
    let mut rng = Rng::new(63);
    let truth = contents(&mut rng);
    let halved: Vec<u8> = (0..WORDS).map(|c| truth[c & !0x20]).collect();
    let (reading, report) = settled(&[halved.clone(), truth.clone(), halved]);
    assert_eq!(codes(&report), ["dissent.address-line", "settle.open"]);
    assert_eq!(report.findings[0].place.chips[0].address_lines, [5]);
    assert_eq!(settled_wrongly(&reading, &truth), 0);
}

#[test]
fn stray_flips_in_one_read_of_blank_memory_are_no_contents() {
    let mut rng = Rng::new(64);
    let blank = vec![0xff; 4 * WORDS];
    let noise = noisy(&blank, 0.005, &mut rng);
    let (_, report) = settled(&[blank.clone(), blank, noise]);
    assert_eq!(codes(&report), ["dissent.read", "settle.open"]);
}

#[test]
fn a_clean_read_beside_noisy_ones_is_not_blamed() {
    let mut rng = Rng::new(65);
    for (others, words) in [(2, 4), (4, 4), (2, 32)] {
        let truth: Vec<u8> = (0..words).flat_map(|_| contents(&mut rng)).collect();
        let mut reads = vec![truth.clone()];
        reads.extend((0..others).map(|_| noisy(&truth, 0.002, &mut rng)));
        let (reading, report) = settled(&reads);
        assert!(!report.without_a_read, "{:?}", codes(&report));
        if others == 4 {
            // One against four at one flip in five hundred: settled, and rightly.
            assert_eq!(
                (report.unsettled, settled_wrongly(&reading, &truth)),
                (0, 0)
            );
        }
    }
}

#[test]
fn a_burst_in_every_read_is_told_by_its_cells() {
    let mut rng = Rng::new(66);
    let truth = contents(&mut rng);
    let mut burst = || {
        let mut read = truth.clone();
        for v in &mut read[0x80..0xa0] {
            *v = rng.next() as u8;
        }
        read
    };
    for reads in [vec![burst(), burst(), burst()], vec![burst(), burst()]] {
        let (reading, report) = settled(&reads);
        assert_eq!(codes(&report), ["dissent.cells", "settle.open"]);
        let run = report.findings[0].place.chips[0].cells[0];
        assert!((0x80..0x83).contains(&run.first) && (0x9d..0xa0).contains(&run.last));
        assert!(report.afresh && !report.without_a_read);
        let image = &reading.chips[0].image;
        assert_eq!(&image.values()[..0x80], &truth[..0x80]);
        assert_eq!(image.known()[0x100], 0xff);
    }
}

#[test]
fn a_slipped_chip_is_told_from_an_address_line() {
    let mut rng = Rng::new(67);
    let truth = contents(&mut rng);
    let mut late = truth.clone();
    late[0x40..].rotate_right(1);
    let mut early = truth.clone();
    early.rotate_left(1);
    for (slipped, from) in [
        (late, " from about cell 0x004"),
        (early, "shifted by one cell"),
    ] {
        let (reading, report) = settled(&[truth.clone(), slipped.clone(), truth.clone()]);
        assert_eq!(reading.chips[0].image.values(), truth);
        let says = report.reads[1].set_aside.as_deref().expect("set aside");
        assert!(
            says.contains("shifted by one cell") && says.contains(from),
            "{says}"
        );
        let (_, report) = settled(&[slipped, truth.clone()]);
        assert_eq!(codes(&report)[0], "settle.two-differ");
        assert!(report.findings[0].says.contains("shifted by one cell"));
    }
    // In memory that is mostly blank a slip changes few bits, and is one all the same.
    let mut sparse = vec![0; 8 * WORDS];
    sparse[..64].copy_from_slice(&truth[..64]);
    let mut slipped = sparse.clone();
    slipped.rotate_right(1);
    let (reading, report) = settled(&[sparse.clone(), sparse.clone(), slipped]);
    assert_eq!(reading.chips[0].image.values(), sparse);
    assert_eq!(set_aside(&report), [2]);
}

#[test]
fn a_dead_chip_beside_a_good_read_is_told_even_where_some_bits_do_not_exist() {
    let layout = crate::layouts::shipped("tessaly-nine");
    let mut rng = Rng::new(68);
    let chip = &layout.chips[0];
    let truth: Vec<u8> = (0..chip.words).map(|_| rng.next() as u8).collect();
    let read = |cells: &[u8]| {
        let image = ChipImage::from_cells(chip.width, cells).expect("its shape");
        Reading::new(vec![ChipReading::new(chip.id.clone(), image)])
    };
    let dead = vec![0xff; truth.len()];
    let reads = [
        ("good".to_owned(), read(&truth)),
        ("dead".to_owned(), read(&dead)),
    ];
    let report = settle(&reads, Some(&layout), Rules::default())
        .expect("reads of one chip")
        .1;
    assert_eq!(codes(&report)[0], "settle.two-differ");
    let says = &report.findings[0].says;
    assert!(says.contains("of dead, all its cells read alike"), "{says}");
}

#[test]
fn what_was_read_once_only_asks_for_another_read() {
    let mut rng = Rng::new(69);
    let truth = contents(&mut rng);
    let read = |known: usize| {
        let mut image = ChipImage::from_cells(8, &truth).expect("512 x 8");
        for cell in known..WORDS {
            image.set_cell(cell as u32, 0, 0);
        }
        Reading::new(vec![ChipReading::new("IC1", image)])
    };
    let settled = |reads: &[Reading]| {
        let named: Vec<(String, Reading)> = reads
            .iter()
            .enumerate()
            .map(|(i, r)| (format!("read {i}"), r.clone()))
            .collect();
        settle(&named, None, Rules::default()).expect("one chip").1
    };
    let report = settled(&[read(WORDS), read(200)]);
    assert_eq!(report.once, 8 * (WORDS as u64 - 200));
    assert_eq!(codes(&report), ["settle.once"]);
    assert!(report.further_reads >= Some(1));
    let report = settled(&[read(WORDS), read(200), read(WORDS)]);
    assert_eq!((report.once, report.further_reads), (0, Some(0)));
}
