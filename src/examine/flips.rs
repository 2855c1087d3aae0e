//! Single bits against the best explanation: on one data line now and then, or scattered.

use super::cause::{FAULT, Names, SCATTERED, sagged};
use super::weigh::Explanation;
use crate::evidence::{marked, one_of};
use crate::finding::{CellRun, ChipPlace, Finding, Place, Severity};
use crate::image::ChipImage;

/// Bits by which a line must tell the flips better than scattering them does before it is named.
const CLEAR: f64 = 6.0;

/// Chip, cell and data line.
type Flip = (usize, u32, u8);

/// Where flips gather.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Gathered {
    /// On a data line of a chip.
    Line(usize, u8),
    /// In a chip, on all its lines.
    Chip(usize),
}

impl Gathered {
    fn holds(self, flip: &Flip) -> bool {
        match self {
            Gathered::Line(chip, line) => (flip.0, flip.2) == (chip, line),
            Gathered::Chip(chip) => flip.0 == chip,
        }
    }

    fn chip(self) -> usize {
        match self {
            Gathered::Line(chip, _) | Gathered::Chip(chip) => chip,
        }
    }
}

/// What flips are told from.
pub(super) struct Scene<'a> {
    pub seen: &'a [ChipImage],
    pub names: &'a Names,
    /// Share of all bits that the broken promises speak of, where a reading stands alone: they show most flips of none
    /// but the few that redundancy places. Nothing with an earlier reading, which shows every one.
    pub share: Option<f64>,
    /// Whether an earlier reading shows every flip, so that where they gather says something of every chip.
    pub all_shown: bool,
}

/// The findings about flipped bits, one for each data line or chip in which they gather and one for the others; and the bits
/// they save together against an explanation that has none.
pub(super) fn findings(
    best: &Explanation,
    ranked: &[Explanation],
    flips: &[Flip],
    scene: &Scene,
) -> (Vec<Finding>, f64) {
    let Scene { seen, names, .. } = *scene;
    let rival = ranked
        .iter()
        .filter(|e| e.flips == 0)
        .map(|e| e.bits)
        .fold(f64::INFINITY, f64::min);
    let saved_by_all = rival - best.bits;
    let flipped = 1.0 / (1.0 + (-saved_by_all).exp2());
    let mut out = Vec::new();
    let mut rest = flips.to_vec();
    let mut taken: Vec<Gathered> = Vec::new();
    let all: u64 = seen.iter().map(ChipImage::bits).sum();
    while let Some((place, saved)) = gathered(&rest, &taken, scene) {
        let (on, off): (Vec<Flip>, Vec<Flip>) = rest.iter().partition(|f| place.holds(f));
        let mut f = match place {
            Gathered::Line(chip, line) => intermittent(chip, line, &on, seen, names),
            Gathered::Chip(chip) => in_chip(chip, &on, seen, names),
        };
        f.sure = Some(flipped / (1.0 + (-saved).exp2()));
        out.push(f);
        rest = off;
        taken.push(place);
    }
    if !rest.is_empty() {
        let mut f = scattered(&rest, all, scene);
        f.sure = Some(flipped);
        out.push(f);
    }
    (out, saved_by_all)
}

/// The data line or the chip in which the flips gather most, with the bits saved by saying so; nothing where it is not clear.
///
/// Scattered flips are told as so many among all bits, gathered ones as so many among the line's or the chip's and so many
/// among the others.
fn gathered(flips: &[Flip], taken: &[Gathered], scene: &Scene) -> Option<(Gathered, f64)> {
    let lines: usize = scene.seen.iter().map(|c| usize::from(c.width())).sum();
    // Bits of a line or a chip that are not told of yet.
    let left = |place: Gathered| -> u64 {
        let chip = place.chip();
        let words = u64::from(scene.seen[chip].words());
        let open = |line: &u8| {
            !taken.contains(&Gathered::Line(chip, *line)) && !taken.contains(&Gathered::Chip(chip))
        };
        match place {
            Gathered::Line(_, line) => words * u64::from(open(&line)),
            Gathered::Chip(_) => {
                let lines = (0..scene.seen[chip].width()).filter(open).count() as u64;
                // What is left of one line is that line.
                words * if lines > 1 { lines } else { 0 }
            }
        }
    };
    let mut places = Vec::new();
    let mut bits = 0;
    for (chip, image) in scene.seen.iter().enumerate() {
        let of_chip = (0..image.width()).map(|line| Gathered::Line(chip, line));
        bits += of_chip.clone().map(left).sum::<u64>();
        places.extend(of_chip.map(|p| (p, one_of(lines))));
        if scene.all_shown {
            places.push((Gathered::Chip(chip), one_of(scene.seen.len())));
        }
    }
    let all = flips.len() as u64;
    let scattered = marked(bits, all);
    let mut best = None;
    for (place, which) in places {
        let (on, inside) = (
            flips.iter().filter(|f| place.holds(f)).count() as u64,
            left(place),
        );
        if on == 0 || inside == 0 || inside >= bits {
            continue;
        }
        let apart = marked(inside, on) + marked(bits - inside, all - on);
        let saved = scattered - apart - FAULT - which;
        // Fewer than elsewhere is no fault of the place.
        let more = on * (bits - inside) > (all - on) * inside;
        if more && saved > CLEAR && best.is_none_or(|(_, b)| saved > b) {
            best = Some((place, saved));
        }
    }
    best
}

/// How many read 1 instead of 0, and the reverse.
fn directions(flips: &[Flip], seen: &[ChipImage]) -> String {
    let ones = flips
        .iter()
        .filter(|(chip, cell, line)| seen[*chip].bit(*cell, *line) == Some(true))
        .count();
    format!(
        "{ones} read 1 instead of 0, {} read 0 instead of 1",
        flips.len() - ones
    )
}

fn places(flips: &[Flip], names: &Names) -> Vec<ChipPlace> {
    let mut chips: Vec<ChipPlace> = Vec::new();
    for (chip, cell, _) in flips {
        let id = names.of(*chip);
        if chips.last().is_none_or(|c| c.chip != id) {
            chips.push(names.place(*chip));
        }
        if let Some(place) = chips.last_mut()
            && place.cells.last().is_none_or(|r| r.first != *cell)
        {
            place.cells.push(CellRun {
                first: *cell,
                last: *cell,
            });
        }
    }
    chips
}

fn intermittent(
    chip: usize,
    line: u8,
    flips: &[Flip],
    seen: &[ChipImage],
    names: &Names,
) -> Finding {
    let who = names.of(chip);
    let (n, words) = (flips.len(), seen[chip].words());
    let says = if seen[chip].width() == 1 {
        format!("{who} reads wrong in {n} of {words} cells, the other chips hardly ever")
    } else {
        format!("{who}: data line D{line} reads wrong in {n} of {words} cells, here and there")
    };
    let mut chips = places(flips, names);
    chips.iter_mut().for_each(|c| c.data_lines = vec![line]);
    let mut f = Finding::new("line.intermittent", Severity::Damage, says)
        .at(Place {
            chips,
            ..Place::default()
        })
        .means("A contact that comes and goes: the memory itself may be whole.")
        .act("Reseat the clip or socket and clean that pin, then read three times and settle. If the same cells stay wrong in every read, the chip itself is failing.");
    f.evidence = vec![directions(flips, seen)];
    f.otherwise = vec!["cells of that line are failing in the chip".to_owned()];
    f
}

/// Flips in one chip and hardly elsewhere: what the chip does not share with the others sagged.
fn in_chip(chip: usize, flips: &[Flip], seen: &[ChipImage], names: &Names) -> Finding {
    let (who, n, bits) = (names.of(chip), flips.len(), seen[chip].bits());
    let mut f = Finding::new(
        SCATTERED,
        Severity::Damage,
        format!("{who}: {n} single bits flipped, scattered over this chip, the other chips hardly ever"),
    )
    .at(Place {
        chips: places(flips, names),
        ..Place::default()
    })
    .means("Cells of this one chip fell to their preferred state: its own supply sagged, or the chip is failing.")
    .act("Measure the supply at this chip's own pin under battery alone: its track, its socket, its blocking diode. Read it three times and settle: flips that come and go are the read's.");
    f.evidence = vec![
        format!("{:.3} % of its bits", 100.0 * n as f64 / bits.max(1) as f64),
        directions(flips, seen),
    ];
    f.otherwise = vec![
        "a poor contact of the chip's supply or ground in the clip or socket".to_owned(),
        "the chip itself is failing, or is of a kind that needs more volts to retain".to_owned(),
    ];
    f
}

/// How many times as many flips the broken promises must speak of before those placed are said to be a few of them.
const MORE: f64 = 1.5;

fn scattered(flips: &[Flip], bits: u64, scene: &Scene) -> Finding {
    let n = flips.len();
    let placed = n as f64 / bits.max(1) as f64;
    let more = scene.share.filter(|share| *share > MORE * placed);
    let says = match more {
        Some(share) => format!(
            "about {:.1} % of all bits flipped, scattered; one reading alone shows which in {n} places only",
            100.0 * share
        ),
        None => format!("{n} single bits flipped, scattered without an address pattern"),
    };
    let f = Finding::new(SCATTERED, Severity::Damage, says).at(Place {
        chips: places(flips, scene.names),
        ..Place::default()
    });
    let mut f = sagged(f);
    f.evidence = vec![
        match more {
            Some(_) => "so many are needed to break as many checks as fail".to_owned(),
            None => format!("{:.3} % of all bits", 100.0 * placed),
        },
        directions(flips, scene.seen),
    ];
    f.otherwise = vec!["a noisy read: reading again shows other cells".to_owned()];
    f
}
