//! The layout as written: every key read with its type and place, names not yet looked up.

use std::ops::RangeInclusive;

use super::document_area::{self, Area};
use super::fields::{Fields, Placed};
use super::keys;
use super::model::{self, Control, Evidence, Packing, Scale};
use super::notation::{self, DataPin, Signal};
use super::problem::{
    At, DUPLICATE, Log, NAME, NO_CHIPS, PACKING, PIN_COUNT, Problem, REMOVE, SCALE, SHAPE, SIGNAL,
    VERSION,
};
use super::value::{Item, Node, Table};

/// The layout as written.
#[derive(Debug)]
pub(super) struct Document {
    pub(super) id: String,
    pub(super) name: String,
    pub(super) revision: String,
    pub(super) notes: Option<String>,
    pub(super) bench: model::Bench,
    pub(super) chips: Vec<Chip>,
    pub(super) areas: Vec<Area>,
    pub(super) hand_set: Vec<HandSet>,
    pub(super) absent: Vec<Absent>,
    pub(super) waive: Vec<Waive>,
}

/// A chip as written.
#[derive(Clone, Debug)]
pub(super) struct Chip {
    pub(super) at: At,
    pub(super) model: model::Chip,
    /// What drives A0, A1, ...; `None` for a.0, a.1, ...
    pub(super) address: Option<Vec<Placed<Signal>>>,
    pub(super) address_at: At,
    pub(super) enable: Vec<Placed<Signal>>,
    /// What D0, D1, ... carry; `None` for q.0, q.1, ...
    pub(super) data: Option<Vec<Placed<DataPin>>>,
    pub(super) data_in: Option<Vec<Placed<DataPin>>>,
    pub(super) data_at: At,
    pub(super) holds: Vec<(Placed<String>, Vec<Placed<String>>)>,
    pub(super) used: Option<Placed<(u32, u32)>>,
}

/// A control that memory does not hold, as written.
#[derive(Debug)]
pub(super) struct HandSet {
    pub(super) at: At,
    pub(super) key: String,
    pub(super) label: Option<String>,
    pub(super) group: Option<String>,
    pub(super) per: Option<Placed<String>>,
    pub(super) labels: Option<Vec<Placed<String>>>,
    pub(super) control: Option<Control>,
    pub(super) scale: Option<Placed<Scale>>,
    pub(super) range: Option<Placed<RangeInclusive<i64>>>,
    pub(super) note: Option<String>,
}

/// Absent cells, as written.
#[derive(Debug)]
pub(super) struct Absent {
    pub(super) at: At,
    pub(super) chip: Placed<String>,
    pub(super) cells: Option<Placed<(u32, u32)>>,
    pub(super) lines: Option<Placed<Vec<i64>>>,
}

/// A waiver, as written.
#[derive(Debug)]
pub(super) struct Waive {
    pub(super) at: At,
    pub(super) rule: Placed<String>,
    pub(super) place: Placed<String>,
    pub(super) reason: Placed<String>,
}

/// Most of anything a layout may list.
pub(super) const MAX_LIST: usize = 4096;
/// Furthest anything may lie from 0 along an address.
pub(super) const FAR: i64 = 1 << 28;

/// Reads the whole tree.
pub(super) fn read(table: &Table, file: u16, log: &mut Log) -> Document {
    let top = At {
        file,
        start: 0,
        end: 0,
    };
    let mut f = Fields::open(table, &keys::LAYOUT, top, "layout", log);
    if let Some(version) = f.integer("cellkeep", i64::MIN, i64::MAX) {
        if version.value != 1 {
            f.log.push(
                Problem::new(
                    &VERSION,
                    version.at,
                    "layout",
                    format!(
                        "version {} of the language is not known here",
                        version.value
                    ),
                )
                .repair("this program reads `cellkeep = 1`"),
            );
        }
    }
    if let Some(entry) = f.entry("remove") {
        f.log.push(nothing_to_remove(entry.key_at));
    }
    f.text("extends");
    let id = f.text("id");
    if let Some(id) = &id {
        if !is_id(&id.value) {
            f.log.push(
                Problem::new(
                    &NAME,
                    id.at,
                    "layout",
                    format!("{:?} cannot be an id", id.value),
                )
                .repair(
                    "use lower-case letters, digits and single hyphens, beginning with a letter",
                ),
            );
        }
    }
    let document = Document {
        id: id.map_or_else(String::new, |id| id.value),
        name: f.plain("name").unwrap_or_default(),
        revision: f.plain("revision").unwrap_or_else(|| "1".to_owned()),
        notes: f.plain("notes"),
        bench: bench(&mut f),
        chips: chips(&mut f),
        areas: document_area::areas(&mut f),
        hand_set: hand_set(&mut f),
        absent: absent(&mut f),
        waive: waive(&mut f),
    };
    if document.chips.is_empty() && f.entry("chip").is_none() {
        f.log.push(
            Problem::new(&NO_CHIPS, top, "layout", "the layout has no chip")
                .repair("add a [[chip]] for each memory chip, with id, words and width"),
        );
    }
    document
}

pub(super) fn nothing_to_remove(at: At) -> Problem {
    Problem::new(
        &REMOVE,
        at,
        "remove",
        "there is nothing to remove from: this does not extend anything",
    )
    .repair("drop `remove`, or name the layout to start from with `extends`")
}

/// An id: lower-case letters, digits and single hyphens, beginning with a letter.
pub(super) fn is_id(text: &str) -> bool {
    text.len() <= 64
        && text.starts_with(|c: char| c.is_ascii_lowercase())
        && text.split('-').all(|p| {
            !p.is_empty()
                && p.bytes()
                    .all(|b| b.is_ascii_lowercase() || b.is_ascii_digit())
        })
}

fn bench(f: &mut Fields<'_, '_>) -> model::Bench {
    let Some((table, at)) = f.table("bench") else {
        return model::Bench::default();
    };
    let mut b = Fields::open(table, &keys::BENCH, at, "bench", f.log);
    model::Bench {
        battery: b.plain("battery"),
        cells: b.unsigned("cells", 1, 100).map(|n| n.value),
        capacity_mah: b.positive("capacity_mah"),
        blocking: b.plain("blocking"),
        series_ohms: b.positive("series_ohms"),
        charge_ohms: b.positive("charge_ohms"),
        hold_up_farads: b.positive("hold_up_farads"),
        supply_volts: b.positive("supply_volts"),
        exits: b.plain_texts("exits"),
        hold_logic: b.plain("hold_logic"),
        notes: b.plain_texts("notes"),
    }
}

fn chips(f: &mut Fields<'_, '_>) -> Vec<Chip> {
    if !f.has("chip") {
        return Vec::new();
    }
    let mut tables = f.tables("chip");
    if let Some((_, at)) = tables.get(MAX_LIST) {
        f.bad(*at, format!("a layout has at most {MAX_LIST} chips"));
        tables.truncate(MAX_LIST);
    }
    let tables = super::like::expand(&tables, f.log);
    let mut chips: Vec<Chip> = Vec::with_capacity(tables.len());
    for (table, at) in &tables {
        if let Some(chip) = chip(table, *at, f.log) {
            let names = std::iter::once(&chip.model.id).chain(&chip.model.aliases);
            for name in names {
                let first = chips.iter().find(|c| {
                    c.model.id.eq_ignore_ascii_case(name)
                        || c.model.aliases.iter().any(|a| a.eq_ignore_ascii_case(name))
                });
                if let Some(first) = first {
                    f.log.push(
                        Problem::new(
                            &DUPLICATE,
                            *at,
                            format!("chip {}", chip.model.id),
                            format!("the name {name:?} is given to two chips (letter case does not count)"),
                        )
                        .label("again here")
                        .also(first.at, format!("first given here, to {}", first.model.id)),
                    );
                    break;
                }
            }
            chips.push(chip);
        }
    }
    chips
}

fn chip(table: &Table, at: At, log: &mut Log) -> Option<Chip> {
    let name = match table.get("id").map(|e| &e.value.item) {
        Some(Item::Text(id)) => format!("chip {id}"),
        _ => "chip".to_owned(),
    };
    let mut f = Fields::open(table, &keys::CHIP, at, name, log);
    let id = f.text("id");
    if let Some(id) = &id {
        if id.value.is_empty()
            || id.value.contains([':', '=', '/', '\\'])
            || id.value.trim() != id.value
        {
            let problem = Problem::new(&NAME, id.at, f.subject.clone(), format!("{:?} cannot name a chip", id.value))
                .repair("chip names go into CHIP:CELL:LINE, CHIP=FILE and file names; use letters, digits, hyphens and points");
            f.log.push(problem);
        }
    }
    let words = f.unsigned("words", 1, crate::image::MAX_WORDS);
    let width = f.unsigned("width", 1, u32::from(crate::image::MAX_WIDTH));
    for key in ["words", "width"] {
        if !f.has(key) {
            let problem = Problem::new(
                &SHAPE,
                at,
                f.subject.clone(),
                format!("a chip needs `{key}`"),
            )
            .repair(format!(
                "add `{key} = ...` from the part's data sheet, or `like = \"...\"`"
            ));
            f.log.push(problem);
        }
    }
    let (words, width) = (words?.value, u8::try_from(width?.value).ok()?);
    let packing = packing(&mut f, width);
    let fill = f.integer("fill", 0, (1 << width) - 1);
    let used = f
        .text("used")
        .and_then(|text| match notation::range(&text.value) {
            Ok(range) => Some(Placed::new(range, text.at)),
            Err(says) => {
                f.bad(text.at, says);
                None
            }
        });
    if let Some(used) = &used {
        if used.value.1 >= words {
            f.bad(used.at, format!("the chip has cells 0 to {}", words - 1));
        }
    }
    let address = signals(&mut f, "address");
    let out = if f.has("data_out") {
        "data_out"
    } else {
        "data"
    };
    let data = data_pins(&mut f, out, width);
    let data_in = data_pins(&mut f, "data_in", width);
    for (one, other) in [("data_in", "data_out"), ("data_out", "data_in")] {
        if f.has(one) && !f.has(other) {
            let at = f.at_of(one);
            f.bad(
                at,
                format!(
                    "`{one}` is given without `{other}`; use `data` where the pins are the same"
                ),
            );
        }
    }
    if f.has("data") && f.has("data_out") {
        let at = f.at_of("data");
        f.bad(
            at,
            "`data` and `data_out` are both given; one of them says what the pins carry",
        );
    }
    let model = model::Chip {
        id: id?.value,
        aliases: f.plain_texts("aliases"),
        board: f.plain("board"),
        position: f.plain("position"),
        part: f.plain("part"),
        words,
        width,
        packing,
        retention_volts: f.positive("retention_volts"),
        standby: standby(&mut f),
        fill: fill.and_then(|n| u8::try_from(n.value).ok()),
        evidence: evidence(&mut f),
    };
    Some(Chip {
        at,
        model,
        address_at: f.at_of("address"),
        address,
        enable: signals(&mut f, "enable").unwrap_or_default(),
        data_at: f.at_of(out),
        data,
        data_in,
        holds: holds(&mut f),
        used,
    })
}

fn packing(f: &mut Fields<'_, '_>, width: u8) -> Packing {
    use Packing as P;
    let Some(index) = f.word("file") else {
        return P::Low;
    };
    let packing = match index {
        1 => P::HighNibble,
        2 => P::BothNibbles,
        3 => P::NibblesLowFirst,
        4 => P::NibblesHighFirst,
        5..=12 => P::Bit(u8::try_from(index - 5).unwrap_or(0)),
        13 => P::PackedLsbFirst,
        14 => P::PackedMsbFirst,
        _ => P::Low,
    };
    let wanted = match packing {
        P::Low => width,
        P::HighNibble | P::BothNibbles | P::NibblesLowFirst | P::NibblesHighFirst => 4,
        P::Bit(_) | P::PackedLsbFirst | P::PackedMsbFirst => 1,
    };
    if wanted != width {
        let word = keys::FILES.get(index).copied().unwrap_or("low");
        let problem = Problem::new(
            &PACKING,
            f.at_of("file"),
            f.subject.clone(),
            format!("`file = {word:?}` is for chips of {wanted} data lines, and this one has {width}"),
        )
        .repair(match width {
            1 => "1-bit chips take low, bit 0 to bit 7, packed-lsb-first or packed-msb-first",
            4 => "4-bit chips take low, high-nibble, both-nibbles, nibbles-low-first or nibbles-high-first",
            _ => "chips of this width take low",
        });
        f.log.push(problem);
    }
    packing
}

fn signals(f: &mut Fields<'_, '_>, key: &str) -> Option<Vec<Placed<Signal>>> {
    let texts = f.texts(key)?;
    let mut out = Vec::with_capacity(texts.len());
    if texts.len() > 32 {
        f.bad(f.at_of(key), format!("`{key}` lists at most 32 signals"));
        return Some(out);
    }
    for text in texts {
        match notation::signal(&text.value) {
            Ok(signal) => out.push(Placed::new(signal, text.at)),
            Err(says) => {
                let problem = Problem::new(&SIGNAL, text.at, f.subject.clone(), says)
                    .repair("a pin is driven by a counter bit such as a.0, slot.2 or voice.0, inverted with !, several joined with ^, or by 0 or 1");
                f.log.push(problem);
                out.push(Placed::new(Signal::default(), text.at));
            }
        }
    }
    Some(out)
}

fn data_pins(f: &mut Fields<'_, '_>, key: &str, width: u8) -> Option<Vec<Placed<DataPin>>> {
    let texts = f.texts(key)?;
    if texts.len() != usize::from(width) {
        let problem = Problem::new(
            &PIN_COUNT,
            f.at_of(key),
            f.subject.clone(),
            format!(
                "`{key}` describes {} pins, and the chip has {width} data lines",
                texts.len()
            ),
        )
        .repair("list what D0, D1, ... carry, one text a pin; - for a pin that is not wired");
        f.log.push(problem);
        return None;
    }
    let mut out = Vec::with_capacity(texts.len());
    for text in texts {
        match notation::data_pin(&text.value) {
            Ok(pin) => out.push(Placed::new(pin, text.at)),
            Err(says) => {
                let problem = Problem::new(&SIGNAL, text.at, f.subject.clone(), says);
                f.log.push(problem);
                out.push(Placed::new(DataPin::None, text.at));
            }
        }
    }
    Some(out)
}

fn holds(f: &mut Fields<'_, '_>) -> Vec<(Placed<String>, Vec<Placed<String>>)> {
    let Some((table, _)) = f.table("holds") else {
        return Vec::new();
    };
    let mut out = Vec::new();
    for entry in &table.entries {
        let items: &[Node] = match &entry.value.item {
            Item::Array(items) => items,
            _ => std::slice::from_ref(&entry.value),
        };
        let labels = items
            .iter()
            .filter_map(|node| Some(Placed::new(f.name_of("holds", node)?, node.at)))
            .collect();
        out.push((Placed::new(entry.key.clone(), entry.key_at), labels));
    }
    out
}

fn standby(f: &mut Fields<'_, '_>) -> Vec<model::StandbyCurrent> {
    if !f.has("standby") {
        return Vec::new();
    }
    let mut out = Vec::new();
    for (table, at) in f.tables("standby") {
        let mut s = Fields::open(table, &keys::STANDBY, at, f.subject.clone(), f.log);
        let microamps = s.positive("microamps");
        let celsius = s.number("celsius");
        let worst = s.flag("worst").unwrap_or(false);
        if let (Some(microamps), Some(celsius)) = (microamps, celsius) {
            out.push(model::StandbyCurrent {
                microamps,
                celsius,
                worst,
            });
        }
    }
    out
}

pub(super) fn evidence(f: &mut Fields<'_, '_>) -> Evidence {
    match f.word("evidence") {
        Some(0) => Evidence::Documented,
        Some(1) => Evidence::Schematic,
        Some(2) => Evidence::Traced,
        Some(3) => Evidence::Guessed,
        _ => Evidence::Unstated,
    }
}

pub(super) fn control(f: &mut Fields<'_, '_>) -> Option<Control> {
    Some(match f.word("control")? {
        0 => Control::Knob,
        1 => Control::Slider,
        2 => Control::Switch,
        3 => Control::Selector,
        4 => Control::Number,
        _ => Control::Text,
    })
}

pub(super) fn number_range(f: &mut Fields<'_, '_>) -> Option<Placed<RangeInclusive<i64>>> {
    let range = f.integers("range", i64::MIN, i64::MAX)?;
    match range.value[..] {
        [low, high] if low <= high => Some(Placed::new(low..=high, range.at)),
        _ => {
            f.bad(
                range.at,
                "`range` takes the lowest and the highest legal number",
            );
            None
        }
    }
}

/// The one scale a `scale` table gives.
pub(super) fn scale(f: &mut Fields<'_, '_>) -> Option<Placed<Scale>> {
    let (table, _) = f.table("scale")?;
    let at = f.at_of("scale");
    let mut s = Fields::open(table, &keys::SCALE, at, f.subject.clone(), f.log);
    let unit = s.plain("unit").unwrap_or_default();
    let kinds = ["dial", "linear", "log", "table", "steps", "on-off", "note"];
    let given: Vec<&str> = kinds.into_iter().filter(|k| s.has(k)).collect();
    let [kind] = given[..] else {
        let problem = Problem::new(
            &SCALE,
            at,
            s.subject.clone(),
            format!(
                "a scale is one of {}, and this gives {}",
                kinds.join(", "),
                match given.len() {
                    0 => "none".to_owned(),
                    _ => given.join(" and "),
                }
            ),
        );
        s.log.push(problem);
        return None;
    };
    let wrong = |says: &str, s: &mut Fields<'_, '_>| {
        let problem = Problem::new(&SCALE, s.at_of(kind), s.subject.clone(), says);
        s.log.push(problem);
        None
    };
    let scale = match kind {
        "steps" => Scale::Steps(super::document_area::steps(&mut s)?),
        "on-off" => match s.flag("on-off")? {
            true => Scale::OnOff,
            false => return wrong("`on-off` is written `on-off = true`", &mut s),
        },
        "note" => Scale::Note {
            base: s.integer("note", -128, 255)?.value,
        },
        "table" => Scale::Table {
            values: s.numbers("table")?,
            unit,
        },
        _ => {
            let numbers = s.numbers(kind)?;
            let [low, high] = numbers[..] else {
                return wrong(
                    "two values are needed, at the lowest and at the highest number",
                    &mut s,
                );
            };
            if low == high {
                return wrong("both ends read the same", &mut s);
            }
            match kind {
                "dial" => Scale::Dial { low, high },
                "linear" => Scale::Linear { low, high, unit },
                _ if low > 0.0 && high > 0.0 => Scale::Log { low, high, unit },
                _ => return wrong("a logarithmic scale has values above 0", &mut s),
            }
        }
    };
    Some(Placed::new(scale, at))
}

fn hand_set(f: &mut Fields<'_, '_>) -> Vec<HandSet> {
    if !f.has("hand-set") {
        return Vec::new();
    }
    let mut out: Vec<HandSet> = Vec::new();
    for (table, at) in f.tables("hand-set") {
        let mut h = Fields::open(table, &keys::HAND_SET, at, "hand-set control", f.log);
        let Some(key) = h.text("key") else { continue };
        h.subject = format!("hand-set {}", key.value);
        document_area::check_key(&mut h, &key);
        if let Some(first) = out.iter().find(|x| x.key == key.value) {
            let problem = Problem::new(
                &DUPLICATE,
                key.at,
                h.subject.clone(),
                format!("the key {:?} is given twice", key.value),
            )
            .also(first.at, "first given here");
            h.log.push(problem);
        }
        out.push(HandSet {
            at,
            key: key.value,
            label: h.plain("label"),
            group: h.plain("group"),
            per: h.text("per"),
            labels: h.names("labels"),
            control: control(&mut h),
            scale: scale(&mut h),
            range: number_range(&mut h),
            note: h.plain("note"),
        });
    }
    out
}

fn absent(f: &mut Fields<'_, '_>) -> Vec<Absent> {
    if !f.has("absent") {
        return Vec::new();
    }
    let mut out = Vec::new();
    for (table, at) in f.tables("absent") {
        let mut a = Fields::open(table, &keys::ABSENT, at, "absent", f.log);
        let cells = a.text("cells");
        let cells = cells.and_then(|c| match notation::range(&c.value) {
            Ok(range) => Some(Placed::new(range, c.at)),
            Err(says) => {
                a.bad(c.at, says);
                None
            }
        });
        let lines = a.integers("lines", 0, 7);
        if let Some(chip) = a.text("chip") {
            out.push(Absent {
                at,
                chip,
                cells,
                lines,
            });
        }
    }
    out
}

fn waive(f: &mut Fields<'_, '_>) -> Vec<Waive> {
    if !f.has("waive") {
        return Vec::new();
    }
    let mut out = Vec::new();
    for (table, at) in f.tables("waive") {
        let mut w = Fields::open(table, &keys::WAIVE, at, "waive", f.log);
        if let (Some(rule), Some(place), Some(reason)) =
            (w.text("rule"), w.text("where"), w.text("reason"))
        {
            out.push(Waive {
                at,
                rule,
                place,
                reason,
            });
        }
    }
    out
}
