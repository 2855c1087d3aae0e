//! Chips as written.

use super::MAX_LIST;
use super::setting::evidence;
use crate::layout::fields::{Fields, Placed};
use crate::layout::keys;
use crate::layout::model::{self, Packing};
use crate::layout::notation::{self, DataPin, Signal};
use crate::layout::problem::{
    At, DUPLICATE, Log, NAME, PACKING, PIN_COUNT, Problem, SHAPE, SIGNAL,
};
use crate::layout::value::{Item, Node, Table};

/// A chip as written.
#[derive(Clone, Debug)]
pub(in crate::layout) struct Chip {
    pub(in crate::layout) at: At,
    pub(in crate::layout) model: model::Chip,
    /// What drives A0, A1, ...; `None` for a.0, a.1, ...
    pub(in crate::layout) address: Option<Vec<Placed<Signal>>>,
    pub(in crate::layout) address_at: At,
    pub(in crate::layout) enable: Vec<Placed<Signal>>,
    /// What D0, D1, ... carry; `None` for q.0, q.1, ...
    pub(in crate::layout) data: Option<Vec<Placed<DataPin>>>,
    pub(in crate::layout) data_in: Option<Vec<Placed<DataPin>>>,
    pub(in crate::layout) data_at: At,
    pub(in crate::layout) holds: Vec<(Placed<String>, Vec<Placed<String>>)>,
    pub(in crate::layout) used: Option<Placed<(u32, u32)>>,
}

pub(super) fn chips(f: &mut Fields<'_, '_>) -> Vec<Chip> {
    if !f.has("chip") {
        return Vec::new();
    }
    let mut tables = f.tables("chip");
    if let Some((_, at)) = tables.get(MAX_LIST) {
        f.bad(*at, format!("a layout has at most {MAX_LIST} chips"));
        tables.truncate(MAX_LIST);
    }
    let tables = crate::layout::like::expand(&tables, f.log);
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
    if let Some(id) = &id
        && (id.value.is_empty()
            || id.value.contains([':', '=', '/', '\\'])
            || id.value.trim() != id.value)
    {
        let problem = Problem::new(&NAME, id.at, f.subject.clone(), format!("{:?} cannot name a chip", id.value))
                .repair("chip names go into CHIP:CELL:LINE, CHIP=FILE and file names; use letters, digits, hyphens and points");
        f.log.push(problem);
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
    if let Some(used) = &used
        && used.value.1 >= words
    {
        f.bad(used.at, format!("the chip has cells 0 to {}", words - 1));
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
