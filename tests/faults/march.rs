//! Line and address faults are those of the memory-test literature: stuck-at (SAF), bridging between data lines, and
//! address decoder faults (AF). A march test run on a memory with an injected fault must find it, or miss it, as
//! published.
//!
//! Source: A. J. van de Goor, "Testing Semiconductor Memories: Theory and Practice", Wiley 1991, and "Using March Tests
//! to Test SRAMs", IEEE Design & Test of Computers 10(1), 1993: notation, fault models, coverage of each test (from
//! memory). Backgrounds for words: A. J. van de Goor and I. B. S. Tlili, "March Tests for Word-Oriented Memories",
//! DATE 1998 (from memory). The elements of March C- are also those of IEC 60730-1, H.2.19.6 "march memory test".

use std::sync::OnceLock;

use cellkeep::examine::cause::{Address, Cause, Line};
use cellkeep::image::ChipImage;
use cellkeep::layout::model::Layout;

use crate::inject::inject;
use crate::rng::Rng;
use crate::{SEEDS, layouts};

/// Tests in the notation of the books: `^` rising addresses, `v` falling, `=` either.
const MATS_PLUS: &str = "=(w0) ^(r0,w1) v(r1,w0)";
const MATS_PLUS_PLUS: &str = "=(w0) ^(r0,w1) v(r1,w0,r0)";
const MARCH_X: &str = "=(w0) ^(r0,w1) v(r1,w0) =(r0)";
const MARCH_C_MINUS: &str = "=(w0) ^(r0,w1) ^(r1,w0) v(r0,w1) v(r1,w0) =(r0)";

trait Memory {
    fn words(&self) -> usize;
    fn read(&mut self, address: usize) -> u8;
    fn write(&mut self, address: usize, value: u8);
}

/// Whether a march test finds something wrong. 0 is the background, 1 its complement.
fn finds(test: &str, memory: &mut dyn Memory, background: u8, mask: u8) -> bool {
    for element in test.split(' ') {
        let n = memory.words();
        let order: Vec<usize> = if element.starts_with('v') {
            (0..n).rev().collect()
        } else {
            (0..n).collect()
        };
        let steps = element[1..].trim_matches(|c| c == '(' || c == ')');
        for address in order {
            for step in steps.split(',') {
                let value = if step.ends_with('0') {
                    background
                } else {
                    background ^ mask
                };
                match &step[..1] {
                    "w" => memory.write(address, value),
                    "r" if memory.read(address) != value => return true,
                    _ => {}
                }
            }
        }
    }
    false
}

/// A fault of the textbooks in a memory of single bits.
#[derive(Clone, Copy, Debug)]
enum Textbook {
    StuckAt(usize, u8),
    /// The cell does not make this transition: to this value.
    Transition(usize, u8),
    /// A transition of the first cell to this value inverts the second.
    Inversion(usize, usize, u8),
    /// A transition of the first cell to this value sets the second to that value.
    Idempotent(usize, usize, u8, u8),
    /// While the first cell holds this value, the second holds that value.
    State(usize, usize, u8, u8),
    /// Decoder faults A to D between an address and another, with what is read where no cell or two cells answer.
    Decoder(char, usize, usize, u8),
}

struct Bits {
    cells: Vec<u8>,
    fault: Textbook,
}

impl Bits {
    fn new(n: usize, fault: Textbook, start: u8) -> Self {
        let mut bits = Self {
            cells: vec![start; n],
            fault,
        };
        bits.hold();
        bits
    }

    /// The cells that an address reaches.
    fn reached(&self, address: usize) -> Vec<usize> {
        match self.fault {
            // A: no cell for x (AF1), x's cell never reached (AF2).
            Textbook::Decoder('A', x, _, _) if address == x => vec![],
            // B: no cell for x (AF1), y reaches both (AF3).
            Textbook::Decoder('B', x, _, _) if address == x => vec![],
            Textbook::Decoder('B', x, y, _) if address == y => vec![x, y],
            // C: x reaches y's cell, as y does (AF4), and x's is never reached (AF2).
            Textbook::Decoder('C', x, y, _) if address == x => vec![y],
            // D: x reaches both (AF3), y's cell is reached by both (AF4).
            Textbook::Decoder('D', x, y, _) if address == x => vec![x, y],
            _ => vec![address],
        }
    }

    /// What holds at all times.
    fn hold(&mut self) {
        match self.fault {
            Textbook::StuckAt(c, v) => self.cells[c] = v,
            Textbook::State(a, v, state, to) if self.cells[a] == state => self.cells[v] = to,
            _ => {}
        }
    }
}

impl Memory for Bits {
    fn words(&self) -> usize {
        self.cells.len()
    }

    fn read(&mut self, address: usize) -> u8 {
        let cells = self.reached(address);
        let level = match self.fault {
            Textbook::Decoder(.., level) => level,
            _ => 0,
        };
        // Two cells at once read as wired-and or wired-or, no cell as a level.
        match cells.as_slice() {
            [] => level,
            [one] => self.cells[*one],
            several if level == 0 => several.iter().map(|c| self.cells[*c]).min().expect("two"),
            several => several.iter().map(|c| self.cells[*c]).max().expect("two"),
        }
    }

    fn write(&mut self, address: usize, value: u8) {
        for cell in self.reached(address) {
            let before = self.cells[cell];
            let to = match self.fault {
                Textbook::Transition(c, v) if c == cell && value == v && before != v => before,
                _ => value,
            };
            self.cells[cell] = to;
            let moved = before != to;
            match self.fault {
                Textbook::Inversion(a, v, on) if a == cell && moved && to == on => {
                    self.cells[v] ^= 1;
                }
                Textbook::Idempotent(a, v, on, set) if a == cell && moved && to == on => {
                    self.cells[v] = set;
                }
                _ => {}
            }
            self.hold();
        }
    }
}

const N: usize = 5;

fn pairs() -> impl Iterator<Item = (usize, usize)> {
    (0..N).flat_map(|a| (0..N).filter(move |b| *b != a).map(move |b| (a, b)))
}

/// Every fault of a kind in a memory of a few cells.
fn every(kind: &str) -> Vec<Textbook> {
    let mut out = Vec::new();
    for v in [0, 1] {
        match kind {
            "SAF" => out.extend((0..N).map(|c| Textbook::StuckAt(c, v))),
            "TF" => out.extend((0..N).map(|c| Textbook::Transition(c, v))),
            "CFin" => out.extend(pairs().map(|(a, b)| Textbook::Inversion(a, b, v))),
            "CFid" => {
                for w in [0, 1] {
                    out.extend(pairs().map(|(a, b)| Textbook::Idempotent(a, b, v, w)));
                }
            }
            "CFst" => {
                for w in [0, 1] {
                    out.extend(pairs().map(|(a, b)| Textbook::State(a, b, v, w)));
                }
            }
            _ => {
                for kind in ['A', 'B', 'C', 'D'] {
                    out.extend(pairs().map(|(a, b)| Textbook::Decoder(kind, a, b, v)));
                }
            }
        }
    }
    out
}

#[test]
fn march_tests_find_what_the_literature_says_they_find() {
    // The published table: a test finds every fault of these kinds, and not every fault of those.
    let table = [
        (
            MATS_PLUS,
            &["SAF", "AF"][..],
            &["TF", "CFin", "CFid", "CFst"][..],
        ),
        (
            MATS_PLUS_PLUS,
            &["SAF", "AF", "TF"],
            &["CFin", "CFid", "CFst"],
        ),
        (MARCH_X, &["SAF", "AF", "TF", "CFin"], &["CFid", "CFst"]),
        (
            MARCH_C_MINUS,
            &["SAF", "AF", "TF", "CFin", "CFid", "CFst"],
            &[],
        ),
    ];
    for (test, finds_all, misses_some) in table {
        let missed = |kind: &str| -> Vec<Textbook> {
            let found = |f: &Textbook, start| finds(test, &mut Bits::new(N, *f, start), 0, 1);
            let mut faults = every(kind);
            // Whatever the memory holds at first.
            faults.retain(|f| !(found(f, 0) && found(f, 1)));
            faults
        };
        for kind in finds_all {
            let missed = missed(kind);
            assert!(missed.is_empty(), "{test} misses {kind}: {missed:?}");
        }
        for kind in misses_some {
            assert!(!missed(kind).is_empty(), "{test} finds every {kind}");
        }
    }
}

/// A memory with an injected fault between its pins and its cells: addresses and data as the injector maps them.
struct Injected {
    cells: Vec<u8>,
    cell_of: Vec<usize>,
    seen_as: Vec<u8>,
    /// What must be stored for a value to be seen, where the fault lies in the wiring of both directions.
    stored_as: Vec<u8>,
}

impl Memory for Injected {
    fn words(&self) -> usize {
        self.cells.len()
    }

    fn read(&mut self, address: usize) -> u8 {
        self.seen_as[usize::from(self.cells[self.cell_of[address]])]
    }

    fn write(&mut self, address: usize, value: u8) {
        self.cells[self.cell_of[address]] = self.stored_as[usize::from(value)];
    }
}

/// Contents by which a cell tells its own address: 256 x 8.
fn numbered() -> ChipImage {
    let cells: Vec<u8> = (0..=255).collect();
    ChipImage::from_cells(8, &cells).expect("256 x 8")
}

/// What the injector makes of the numbered chip.
fn injected(fault: &str, rng: &mut Rng) -> ChipImage {
    static LAYOUT: OnceLock<Layout> = OnceLock::new();
    let layout = LAYOUT.get_or_init(|| layouts::shipped("pellow-six"));
    let mut chips = [numbered()];
    inject(fault, &mut chips, layout, rng).expect("applies to 256 x 8");
    chips[0].clone()
}

fn plain() -> Injected {
    Injected {
        cells: vec![0; 256],
        cell_of: (0..256).collect(),
        seen_as: (0..=255).collect(),
        stored_as: (0..=255).collect(),
    }
}

/// The background of all zeros, and those in which any two lines differ at least once.
const SOLID: [u8; 1] = [0];
const WORD: [u8; 4] = [0, 0b0101_0101, 0b0011_0011, 0b0000_1111];

fn found(test: &str, make: &dyn Fn() -> Injected, backgrounds: &[u8]) -> bool {
    backgrounds
        .iter()
        .any(|b| finds(test, &mut make(), *b, 0xff))
}

#[test]
fn a_stuck_line_is_a_stuck_at_fault() {
    for seed in 0..40 {
        for fault in ["line.stuck", "chip.dead"] {
            let image = injected(fault, &mut Rng::new(SEEDS + 600 + seed));
            let memory = || Injected {
                seen_as: image.values().to_vec(),
                ..plain()
            };
            for test in [MATS_PLUS, MARCH_X, MARCH_C_MINUS] {
                assert!(found(test, &memory, &SOLID), "{fault} {seed} {test}");
            }
        }
        // The program's own cause does to contents what the injector does.
        let image = injected("line.stuck", &mut Rng::new(SEEDS + 600 + seed));
        let causes = (0..8).flat_map(|line| {
            [false, true].map(|level| Line::Stuck {
                chip: 0,
                line,
                level,
            })
        });
        assert_eq!(causes.filter(|c| forward(c) == image).count(), 1, "{seed}");
    }
}

fn forward(cause: &dyn Cause) -> ChipImage {
    let mut chips = [numbered()];
    cause.forward(&mut chips);
    chips[0].clone()
}

#[test]
fn stuck_and_bridged_address_lines_are_decoder_faults_of_type_c() {
    for seed in 0..40 {
        for fault in ["address.stuck", "address.bridged", "part.wrong"] {
            let image = injected(fault, &mut Rng::new(SEEDS + 700 + seed));
            let cell_of: Vec<usize> = image.values().iter().map(|v| usize::from(*v)).collect();
            // Each address reaches one cell (neither AF1 nor AF3); some cells are never reached (AF2) and the others
            // by several addresses (AF4).
            let mut reached = vec![0; 256];
            cell_of.iter().for_each(|c| reached[*c] += 1);
            assert!(reached.contains(&0) && reached.iter().any(|n| *n > 1));
            let memory = || Injected {
                cell_of: cell_of.clone(),
                ..plain()
            };
            for test in [MATS_PLUS, MARCH_X, MARCH_C_MINUS] {
                assert!(found(test, &memory, &SOLID), "{fault} {seed} {test}");
            }
        }
        let stuck = (0..8).flat_map(|line| {
            [false, true].map(|level| Address::Stuck {
                chip: 0,
                line,
                level,
            })
        });
        let image = injected("address.stuck", &mut Rng::new(SEEDS + 700 + seed));
        assert_eq!(stuck.filter(|c| forward(c) == image).count(), 1, "{seed}");
        let image = injected("address.bridged", &mut Rng::new(SEEDS + 700 + seed));
        let bridged = (0..8).flat_map(|a| {
            (a + 1..8).flat_map(move |b| {
                [false, true].map(|low_wins| Address::Bridged {
                    chip: 0,
                    lines: (a, b),
                    low_wins,
                })
            })
        });
        assert_eq!(bridged.filter(|c| forward(c) == image).count(), 1, "{seed}");
    }
}

#[test]
fn bridged_data_lines_show_only_against_backgrounds_in_which_they_differ() {
    for seed in 0..40 {
        let image = injected("line.bridged", &mut Rng::new(SEEDS + 800 + seed));
        let memory = || Injected {
            seen_as: image.values().to_vec(),
            ..plain()
        };
        assert!(!found(MARCH_C_MINUS, &memory, &SOLID), "{seed}");
        assert!(found(MARCH_C_MINUS, &memory, &WORD), "{seed}");
        assert!(found(MATS_PLUS, &memory, &WORD), "{seed}");
        let causes = (0..8).flat_map(|a| {
            (a + 1..8).flat_map(move |b| {
                [false, true].map(|low_wins| Line::Bridged {
                    chip: 0,
                    lines: (a, b),
                    low_wins,
                })
            })
        });
        assert_eq!(causes.filter(|c| forward(c) == image).count(), 1, "{seed}");
    }
}

#[test]
fn rearranged_lines_are_no_memory_faults() {
    // A permutation of cells or of values is a sound memory by another wiring: no march test can find it.
    for seed in 0..10 {
        for fault in ["address.crossed", "address.rotated"] {
            let image = injected(fault, &mut Rng::new(SEEDS + 900 + seed));
            let cell_of: Vec<usize> = image.values().iter().map(|v| usize::from(*v)).collect();
            assert!(!found(
                MARCH_C_MINUS,
                &|| Injected {
                    cell_of: cell_of.clone(),
                    ..plain()
                },
                &WORD
            ));
        }
        for fault in [
            "line.crossed",
            "bus.inverted",
            "bus.reversed",
            "bus.halves-swapped",
        ] {
            let image = injected(fault, &mut Rng::new(SEEDS + 900 + seed));
            let mut stored_as = vec![0; 256];
            for (stored, seen) in image.values().iter().enumerate() {
                stored_as[usize::from(*seen)] = stored as u8;
            }
            assert!(!found(
                MARCH_C_MINUS,
                &|| Injected {
                    seen_as: image.values().to_vec(),
                    stored_as: stored_as.clone(),
                    ..plain()
                },
                &WORD
            ));
        }
    }
}
