//! Checked layouts built in memory, for tests that need random ones.

use cellkeep::layout::model::*;

/// A chip of a shape, with nothing else said.
pub(crate) fn chip(id: &str, words: u32, width: u8) -> Chip {
    Chip {
        id: id.to_owned(),
        aliases: Vec::new(),
        board: None,
        position: None,
        part: None,
        words,
        width,
        packing: Packing::Low,
        retention_volts: None,
        standby: Vec::new(),
        fill: None,
        evidence: Evidence::Guessed,
    }
}

/// An area of reserved fields of these widths, with a place for every bit.
pub(crate) fn area(entries: usize, widths: &[u8], places: Vec<BitPlace>) -> Area {
    let mut first = 0;
    let fields = widths
        .iter()
        .map(|&width| {
            let field = Field {
                owner: FieldOwner::Reserved,
                width,
                first,
            };
            first += usize::from(width);
            field
        })
        .collect();
    assert_eq!(places.len(), entries * first);
    Area {
        name: "area".to_owned(),
        axes: vec![Axis {
            name: "entry".to_owned(),
            labels: (0..entries).map(|i| i.to_string()).collect(),
        }],
        fields,
        bits_per_entry: first,
        places,
        parameters: Vec::new(),
        checks: Vec::new(),
        copies: Vec::new(),
    }
}

/// A layout of these chips and areas.
pub(crate) fn layout(chips: Vec<Chip>, areas: Vec<Area>) -> Layout {
    Layout {
        id: "random".to_owned(),
        name: "Random".to_owned(),
        revision: "1".to_owned(),
        notes: None,
        chips,
        areas,
        absent: Vec::new(),
        hand_set: Vec::new(),
        bench: Bench::default(),
        source: Source {
            origin: "a test".to_owned(),
            text: String::new(),
            extends: Vec::new(),
            sha256: String::new(),
        },
    }
}
