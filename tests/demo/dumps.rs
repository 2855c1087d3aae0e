//! Every file of `demo-dumps`, made from the layouts and one seed.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use cellkeep::codec::Memory;
use cellkeep::codec::setting;
use cellkeep::hand_set;
use cellkeep::image::ChipImage;
use cellkeep::layout::model::{Layout, Scale};

use super::bank::Instrument;
use super::damage;
use super::files::{self, Form};
use super::patch;
use super::rng::Rng;

/// Everything random in the dumps comes from this number.
const SEED: u64 = 0x00ce_11ee_b007;

/// Path under `demo-dumps`, with forward slashes, and contents.
pub(crate) type Tree = BTreeMap<String, Vec<u8>>;

/// One reading to be written: a folder's name, what it is, and its contents.
struct Visit {
    folder: &'static str,
    about: &'static str,
    images: Vec<ChipImage>,
    form: Form,
    /// Whether the files carry the first alias of a chip in place of its id.
    alias: bool,
}

/// How the files of an instrument came to the bench: last visit, today, read back.
struct Scenario {
    layout: &'static str,
    forms: [Form; 3],
}

const SCENARIOS: &[Scenario] = &[
    Scenario {
        layout: "aldermoor-four",
        forms: [Form::Bin, Form::Hex, Form::Bin],
    },
    Scenario {
        layout: "aldermoor-eight",
        forms: [Form::Srec, Form::Bin, Form::Bin],
    },
    Scenario {
        layout: "pellow-six",
        forms: [Form::Hex, Form::Bin, Form::Hex],
    },
    Scenario {
        layout: "quillon-72",
        forms: [Form::Listing, Form::Hex, Form::Srec],
    },
    Scenario {
        layout: "wrenfield-strings",
        forms: [Form::Bin, Form::Srec, Form::Hex],
    },
    Scenario {
        layout: "tessaly-nine",
        forms: [Form::Bin, Form::Bin, Form::Bin],
    },
];

/// Makes every file. `load` gives the checked layout of an id.
pub(crate) fn all(load: impl Fn(&str) -> Layout) -> Tree {
    let mut tree = Tree::new();
    let mut summary = String::new();
    for scenario in SCENARIOS {
        let instrument = Instrument::new(load(scenario.layout), SEED);
        let visits = visits(&instrument, &scenario.forms);
        let mut about = String::new();
        let form = filled_form(&instrument);
        tree.insert(
            format!("{}/hand-set.toml", scenario.layout),
            form.into_bytes(),
        );
        for visit in &visits {
            write_reading(&instrument.layout, visit, &mut tree);
            let _ = writeln!(
                about,
                "| `{}` | {} | {} |",
                visit.folder,
                visit.about,
                visit.form.words()
            );
        }
        let _ = write!(
            summary,
            "\n## {}\n\n| folder | what it is | files |\n|---|---|---|\n{about}",
            instrument.layout.name
        );
    }
    let provenance = format!("{PROVENANCE}{summary}");
    tree.insert("PROVENANCE.md".into(), provenance.into_bytes());
    let index = index(&tree);
    tree.insert("index.rs".into(), index.into_bytes());
    tree
}

const PROVENANCE: &str = "\
# Where these dumps come from

**Everything here is invented.** The instruments do not exist, no owner ever saved these presets, and no chip was read.
The files were made by `cargo run --example generate_dumps` from the layouts in `formats/` and one fixed seed; a test
makes them again and compares every byte. Names of presets are put together from plain words.

Each instrument has the same four readings, so that any of them can stand for a whole job: `earlier` (the last visit,
years ago), `today-1` and `today-2` (two reads of the same chips before the battery is touched) and `read-back` (the
chips as read after the swap, when what was saved had been written back). Between `earlier` and today the owner changed
some sounds, saved one again with its knobs a hair off, exchanged two and copied one. The folders under `damaged` are
today's chips with something wrong, to try `examine` and `mend` on.

The files are in the forms device programmers leave, and named now by the chip, now by another of its names. The
readings of one instrument deliberately do not agree in these.
";

fn visits(instrument: &Instrument, forms: &[Form; 3]) -> Vec<Visit> {
    let earlier = instrument.bank();
    let today = instrument.years_later(&earlier);
    let images = |memory: &Memory| memory.images().expect("a chip's shape");
    let now = images(&today);
    let mut rng = instrument.rng("absent");
    let mut visits = vec![
        Visit {
            folder: "earlier",
            about: "the last visit",
            images: images(&earlier),
            form: forms[0],
            alias: true,
        },
        Visit {
            folder: "today-1",
            about: "today, first read",
            images: now.clone(),
            form: forms[1],
            alias: false,
        },
        Visit {
            folder: "today-2",
            about: "today, second read",
            images: now.clone(),
            form: forms[1],
            alias: false,
        },
        Visit {
            folder: "read-back",
            about: "after the swap",
            images: now.clone(),
            form: forms[2],
            alias: false,
        },
    ];
    visits.extend(damaged(instrument, &now));
    // Cells that do not exist read as whatever floats on the bus.
    for visit in &mut visits {
        for (chip, cells, lines) in &instrument.layout.absent {
            for cell in cells.clone() {
                let image = &mut visit.images[usize::from(*chip)];
                for line in (0..8).filter(|l| lines >> l & 1 == 1) {
                    image.set_bit(cell, line, Some(rng.chance(0.5)));
                }
            }
        }
    }
    visits
}

fn damaged(instrument: &Instrument, now: &[ChipImage]) -> Vec<Visit> {
    let layout = &instrument.layout;
    let chip = |id: &str| layout.chip(id).unwrap_or_else(|| panic!("no chip {id}"));
    let mut rng = instrument.rng("damage");
    let one = |folder, about, images| Visit {
        folder,
        about,
        images,
        form: Form::Bin,
        alias: false,
    };
    let with = |at: usize, image: ChipImage| {
        let mut images = now.to_vec();
        images[at] = image;
        images
    };
    let sagging = |share: f64, rng: &mut Rng| -> Vec<ChipImage> {
        now.iter()
            .map(|image| damage::sagging(image, share, rng))
            .collect()
    };
    match layout.id.as_str() {
        "aldermoor-four" => {
            let at = chip("CH34");
            let lost = damage::power_up(now[at].words(), now[at].width(), &mut rng);
            vec![
                one(
                    "damaged/lost-supply",
                    "voice board 2 lost its supply: CH34 shows what it powers up with",
                    with(at, lost),
                ),
                one(
                    "damaged/sagging",
                    "a battery near its end: about one bit in 150 fell",
                    sagging(0.013, &mut rng),
                ),
            ]
        }
        "aldermoor-eight" => {
            let at = chip("CH12");
            let stuck = damage::address_line(&now[at], 9, false);
            let mut exchanged = now.to_vec();
            for letter in ["A", "B", "C", "D"] {
                exchanged.swap(
                    chip(&format!("CH56{letter}")),
                    chip(&format!("CH78{letter}")),
                );
            }
            vec![
                one(
                    "damaged/address-line",
                    "A9 of CH12 never rises",
                    with(at, stuck),
                ),
                one(
                    "damaged/boards-exchanged",
                    "voice boards 3 and 4 were put back the wrong way round",
                    exchanged,
                ),
            ]
        }
        "pellow-six" => {
            let contact = |rng: &mut Rng| with(0, damage::data_line(&now[0], 2, true, 0.06, rng));
            vec![
                one(
                    "damaged/contact-1",
                    "D2 of the clip makes poor contact, first read",
                    contact(&mut rng),
                ),
                one(
                    "damaged/contact-2",
                    "the same, second read",
                    contact(&mut rng),
                ),
                one(
                    "damaged/contact-3",
                    "the same, third read",
                    contact(&mut rng),
                ),
                one(
                    "damaged/sagging",
                    "a battery near its end: about one bit in 250 fell",
                    sagging(0.008, &mut rng),
                ),
            ]
        }
        "quillon-72" => {
            let mut glitched = now.to_vec();
            for image in &mut glitched {
                *image = damage::glitch(image, 0x28, 4, &mut rng);
            }
            let at = chip("IC4");
            let stuck = damage::data_line(&now[at], 1, false, 1.0, &mut rng);
            vec![
                one(
                    "damaged/glitch",
                    "four cells took what was on the bus as the power went",
                    glitched,
                ),
                one(
                    "damaged/data-line",
                    "D1 of IC4 is stuck low",
                    with(at, stuck),
                ),
            ]
        }
        "wrenfield-strings" => {
            let at = chip("IC23");
            let lost = damage::power_up(now[at].words(), now[at].width(), &mut rng);
            vec![
                one(
                    "damaged/plane-lost",
                    "IC23 lost its supply: bit 3 of everything is noise",
                    with(at, lost),
                ),
                one(
                    "damaged/sagging",
                    "a battery near its end: about one bit in 200 fell",
                    sagging(0.010, &mut rng),
                ),
            ]
        }
        "tessaly-nine" => {
            let factory = Instrument::new(layout.clone(), SEED ^ 0xfac7).bank();
            let factory = factory.images().expect("a chip's shape");
            let mut partly = now[0].clone();
            for cell in 0x1000..0x1000 + 40 * 128 {
                partly.set_cell(cell, factory[0].values()[cell as usize], 0xff);
            }
            vec![
                one(
                    "damaged/overwritten",
                    "a load of other sounds broke off after 40 presets",
                    vec![partly],
                ),
                one(
                    "damaged/sagging",
                    "a battery near its end: about one bit in 2000 fell",
                    sagging(0.001, &mut rng),
                ),
            ]
        }
        other => panic!("no damage is invented for {other}"),
    }
}

fn write_reading(layout: &Layout, visit: &Visit, tree: &mut Tree) {
    for (chip, image) in layout.chips.iter().zip(&visit.images) {
        let name = match chip.aliases.first() {
            Some(alias) if visit.alias => alias,
            _ => &chip.id,
        };
        let bytes = files::pack(image, chip.packing);
        let path = format!(
            "{}/{}/{name}.{}",
            layout.id,
            visit.folder,
            visit.form.ending()
        );
        tree.insert(path, files::file(&bytes, visit.form));
    }
}

/// The table of files that the program carries for its rehearsal.
fn index(tree: &Tree) -> String {
    let mut out = String::from("// Made with the dumps; see PROVENANCE.md.\n&[\n");
    for scenario in SCENARIOS {
        let instrument = scenario.layout;
        for path in tree.keys() {
            let Some(file) = path.strip_prefix(&format!("{instrument}/")) else {
                continue;
            };
            let _ = writeln!(out, "    Dump {{");
            let _ = writeln!(out, "        instrument: {instrument:?},");
            let _ = writeln!(out, "        file: {file:?},");
            let _ = writeln!(out, "        contents: include_bytes!({path:?}),");
            let _ = writeln!(out, "    }},");
        }
    }
    out.push_str("]\n");
    out
}

/// The form of intake, filled in by hand: every position but the last could be read.
fn filled_form(instrument: &Instrument) -> String {
    let mut rng = instrument.rng("hand-set");
    let layout = &instrument.layout;
    let blank = hand_set::blank_form(layout).expect("every demonstration has hand-set controls");
    let mut positions = layout.hand_set.iter().flat_map(|control| {
        let times = control.per.as_ref().map_or(1, |axis| axis.count());
        std::iter::repeat_n(control, times)
    });
    let mut left: usize = layout
        .hand_set
        .iter()
        .map(|c| c.per.as_ref().map_or(1, |a| a.count()))
        .sum();
    let mut in_controls = false;
    let mut out = String::new();
    for line in blank.lines() {
        in_controls |= line == "[controls]";
        let filled = match line.strip_suffix(" = \"\"") {
            Some(name) if in_controls => {
                let control = positions.next().expect("a control a line");
                left -= 1;
                let parameter = hand_set::as_parameter(control);
                let numbers: Vec<i64> = match &control.scale {
                    Scale::Steps(steps) => steps.iter().map(|s| s.0).collect(),
                    _ => control
                        .range
                        .clone()
                        .step_by(
                            ((control.range.end() - control.range.start()) / 20).max(1) as usize
                        )
                        .collect(),
                };
                let number = *rng.pick(&numbers);
                let setting = setting::show(&parameter, 32, patch::code(&parameter, 32, number));
                if left == 0 {
                    line.to_owned()
                } else {
                    format!("{name} = \"{setting}\"")
                }
            }
            _ if line.starts_with("serial") => "serial = \"0117\"".to_owned(),
            _ if line.starts_with("notes") => {
                "notes  = \"the last one could not be read: its knob is missing\"".to_owned()
            }
            _ => line.to_owned(),
        };
        out.push_str(&filled);
        out.push('\n');
    }
    out
}
