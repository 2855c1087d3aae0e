//! Every key of the language: the one table from which unknown keys are recognised, required keys are missed,
//! the JSON Schema for editors is made and the reference is checked.

/// What a key takes.
#[derive(Clone, Copy, Debug)]
pub(super) enum Kind {
    Text,
    Integer,
    Number,
    Flag,
    Texts,
    Integers,
    Numbers,
    /// One of these words.
    Word(&'static [&'static str]),
    /// Whole numbers or texts, one or a list: positions, labels, numbers of a selector, bits.
    Names,
    /// A table with these keys.
    Table(&'static Shape),
    /// An array of such tables.
    Tables(&'static Shape),
    /// A table whose keys the author names, each with such a table.
    NamedTables(&'static Shape),
    /// A table whose keys the author names, each with a list of labels.
    NamedLists,
    /// A character set: a name, a listing, or runs of codes.
    Charset,
    /// Named positions, in order or each with its number.
    Steps,
}

/// One key.
#[derive(Debug)]
pub(super) struct Key {
    pub(super) name: &'static str,
    pub(super) kind: Kind,
    pub(super) required: bool,
    pub(super) about: &'static str,
}

/// A kind of table.
#[derive(Debug)]
pub(super) struct Shape {
    /// How a message calls it, with an article.
    pub(super) name: &'static str,
    pub(super) keys: &'static [Key],
}

const fn k(name: &'static str, kind: Kind, about: &'static str) -> Key {
    Key {
        name,
        kind,
        required: false,
        about,
    }
}

const fn must(name: &'static str, kind: Kind, about: &'static str) -> Key {
    Key {
        name,
        kind,
        required: true,
        about,
    }
}

use Kind::{
    Charset, Flag, Integer, Integers, NamedLists, NamedTables, Names, Number, Numbers, Steps,
    Table, Tables, Text, Texts, Word,
};

pub(super) static EVIDENCE: &[&str] = &["documented", "schematic", "traced", "guessed"];
pub(super) static CONTROLS: &[&str] = &["knob", "slider", "switch", "selector", "number", "text"];
pub(super) static POLICIES: &[&str] = &["update", "verify", "keep"];
pub(super) static ENDS: &[&str] = &["msb", "lsb"];
pub(super) static COUNTS: &[&str] = &["up", "down", "gray"];
pub(super) static FILES: &[&str] = &[
    "low",
    "high-nibble",
    "both-nibbles",
    "nibbles-low-first",
    "nibbles-high-first",
    "bit 0",
    "bit 1",
    "bit 2",
    "bit 3",
    "bit 4",
    "bit 5",
    "bit 6",
    "bit 7",
    "packed-lsb-first",
    "packed-msb-first",
];
pub(super) static CODES: &[&str] = &[
    "unsigned",
    "twos-complement",
    "ones-complement",
    "sign-magnitude",
    "offset-binary",
    "bcd",
    "bcd-reversed",
    "gray",
    "one-hot",
    "text",
];
pub(super) static METHODS: &[&str] = &[
    "sum",
    "sum-twos-complement",
    "sum-ones-complement",
    "xor",
    "crc",
    "complement-copy",
    "parity",
    "fixed",
];

pub(super) static LAYOUT: Shape = Shape {
    name: "a layout",
    keys: &[
        must("cellkeep", Integer, "version of the language: 1"),
        must(
            "id",
            Text,
            "stable id, lower case with hyphens; the name of the file",
        ),
        must("name", Text, "name for people"),
        k(
            "revision",
            Text,
            "the author's revision; \"1\" if not given",
        ),
        k("extends", Text, "id of a layout this one starts from"),
        k(
            "remove",
            Texts,
            "chips, areas and hand-set controls of the extended layout that are not here",
        ),
        k("notes", Text, "remarks"),
        k("bench", Table(&BENCH), "facts for the bench"),
        k("chip", Tables(&CHIP), "a memory chip"),
        k("area", Tables(&AREA), "a part of memory with one structure"),
        k(
            "hand-set",
            Tables(&HAND_SET),
            "a control whose position memory does not hold",
        ),
        k(
            "absent",
            Tables(&ABSENT),
            "cells or lines that do not exist or are tied off",
        ),
        k("waive", Tables(&WAIVE), "a caution waived, with its reason"),
    ],
};

pub(super) static BENCH: Shape = Shape {
    name: "[bench]",
    keys: &[
        k("battery", Text, "chemistry of the battery fitted"),
        k("cells", Integer, "its cells in series"),
        k("capacity_mah", Number, "its capacity in milliamp-hours"),
        k(
            "blocking",
            Text,
            "the part that keeps the supply out of the battery",
        ),
        k("series_ohms", Number, "resistor in series with the battery"),
        k(
            "charge_ohms",
            Number,
            "resistor that charges the battery from the supply",
        ),
        k(
            "hold_up_farads",
            Number,
            "capacitor that holds memory while the battery is changed",
        ),
        k(
            "supply_volts",
            Number,
            "the memory's supply with the instrument on",
        ),
        k(
            "exits",
            Texts,
            "ways the instrument itself can save its memory: tape, sysex",
        ),
        k(
            "hold_logic",
            Text,
            "how the logic is held still for a read in circuit",
        ),
        k("notes", Texts, "remarks"),
    ],
};

pub(super) static CHIP: Shape = Shape {
    name: "a chip",
    keys: &[
        must("id", Text, "the name printed on the board"),
        k("like", Text, "id of a chip whose other keys are taken over"),
        k("aliases", Texts, "other names its file may carry"),
        k("board", Text, "the board it sits on"),
        k("position", Text, "where on the board"),
        k("part", Text, "part number"),
        k(
            "words",
            Integer,
            "number of cells (required, or through `like`)",
        ),
        k(
            "width",
            Integer,
            "number of data lines, 1 to 8 (required, or through `like`)",
        ),
        k("file", Word(FILES), "how files hold it"),
        k(
            "address",
            Texts,
            "what drives A0, A1, ... : a.0, slot.2, voice.0, !x, x ^ y, 0, 1",
        ),
        k(
            "enable",
            Texts,
            "signals that must all be 1 for the chip to answer",
        ),
        k(
            "data",
            Texts,
            "what D0, D1, ... carry: q.0, !q.1, - where not wired",
        ),
        k("data_in", Texts, "the same for separate data-in pins"),
        k("data_out", Texts, "the same for separate data-out pins"),
        k(
            "holds",
            NamedLists,
            "labels of the part of each axis that lives here, in the order of the counter; `area` for whole areas",
        ),
        k("used", Text, "cells used, \"0..1023\"; the rest is absent"),
        k("fill", Integer, "code of a cell never written"),
        k(
            "retention_volts",
            Number,
            "lowest supply at which it keeps its contents",
        ),
        k("standby", Tables(&STANDBY), "standby current"),
        k("evidence", Word(EVIDENCE), "what the claims rest on"),
    ],
};

pub(super) static STANDBY: Shape = Shape {
    name: "a standby current",
    keys: &[
        must("microamps", Number, "current in microamps"),
        must("celsius", Number, "at this temperature in degrees Celsius"),
        k(
            "worst",
            Flag,
            "a data sheet's maximum rather than its typical value",
        ),
    ],
};

pub(super) static AREA: Shape = Shape {
    name: "an area",
    keys: &[
        must("name", Text, "name, unique in the layout"),
        k(
            "remove",
            Texts,
            "parameters, checks, copies of the extended area that are not here",
        ),
        k(
            "chips",
            Texts,
            "ids of the chips it lives in; all of them if not given",
        ),
        k(
            "axes",
            NamedTables(&AXIS),
            "what it repeats over, the slowest first",
        ),
        k(
            "lines",
            Integer,
            "lines of the word bus; the widest chip's if not given",
        ),
        k(
            "word",
            Integer,
            "bits of the word in a slot; as many as lines if not given",
        ),
        k(
            "first",
            Word(ENDS),
            "which end of the word comes first when it takes several steps",
        ),
        k(
            "start",
            Integer,
            "step within a slot at which the word begins",
        ),
        k(
            "period",
            Integer,
            "steps a slot takes; as many as the word needs if not given",
        ),
        k("at", Integer, "address of the first slot"),
        k("parameter", Tables(&PARAMETER), "a named value"),
        k(
            "constant",
            Tables(&CONSTANT),
            "bits that always hold the same code",
        ),
        k("reserved", Tables(&RESERVED), "bits known to mean nothing"),
        k("copy", Tables(&COPY), "a second home of the whole area"),
        k("check", Tables(&CHECK), "a check sum or the like"),
    ],
};

pub(super) static AXIS: Shape = Shape {
    name: "an axis",
    keys: &[
        must("count", Integer, "number of positions"),
        k("at", Integer, "added to the address"),
        k("stride", Integer, "added to the address for each position"),
        k(
            "first",
            Integer,
            "number of the first position as people count; 1 if not given",
        ),
        k("labels", Names, "what people call the positions"),
        k(
            "order",
            Integers,
            "counter value of each position, where it is not simply 0, 1, 2, ...",
        ),
        k("counts", Word(COUNTS), "how its counter counts"),
    ],
};

pub(super) static PARAMETER: Shape = Shape {
    name: "a parameter",
    keys: &[
        must("key", Text, "stable key, dotted lower case"),
        k("label", Text, "what the panel says"),
        k("group", Text, "heading on the panel"),
        k("slot", Integer, "slot of the pieces that name none"),
        must(
            "bits",
            Names,
            "where it is: \"7..2\", or pieces from the most significant on: [\"5.7..4\", \"6.1..0\"]",
        ),
        k("inverted", Flag, "held as its complement"),
        k("code", Word(CODES), "how the code stands for a number"),
        k("chars", Integer, "number of characters of a text"),
        k("every", Integer, "slots from one character to the next"),
        k("charset", Charset, "characters of the codes"),
        k("scale", Table(&SCALE), "what a person reads"),
        k("range", Integers, "lowest and highest legal number"),
        k("control", Word(CONTROLS), "what the panel has"),
        k(
            "when",
            Table(&WHEN_KEYS),
            "the selector that gives it meaning",
        ),
        k(
            "alias_of",
            Text,
            "key of the parameter whose bits this shows another way",
        ),
        k("blank", Integer, "code of an empty entry"),
        k("evidence", Word(EVIDENCE), "what the claim rests on"),
        k("note", Text, "a remark"),
    ],
};

pub(super) static WHEN_KEYS: Shape = Shape {
    name: "`when`",
    keys: &[
        must("key", Text, "the selecting parameter"),
        must("is", Names, "its numbers or the names of its steps"),
    ],
};

pub(super) static SCALE: Shape = Shape {
    name: "a scale",
    keys: &[
        k(
            "dial",
            Numbers,
            "panel reading at the lowest and highest number",
        ),
        k("linear", Numbers, "value at the lowest and highest number"),
        k(
            "log",
            Numbers,
            "value at the lowest and highest number, logarithmic between",
        ),
        k("table", Numbers, "a value for each number"),
        k("unit", Text, "unit of linear, log and table"),
        k("steps", Steps, "names of switch positions"),
        k("on-off", Flag, "off is 0, on is 1"),
        k("note", Integer, "note names; MIDI note of number 0"),
    ],
};

pub(super) static CONSTANT: Shape = Shape {
    name: "a constant",
    keys: &[
        k(
            "name",
            Text,
            "a name, so that an extending layout can replace or remove it",
        ),
        k("slot", Integer, "slot of the pieces that name none"),
        must("bits", Names, "where it is, as for a parameter"),
        must("value", Integer, "the code it always holds"),
    ],
};

pub(super) static RESERVED: Shape = Shape {
    name: "a reserved part",
    keys: &[
        k(
            "name",
            Text,
            "a name, so that an extending layout can replace or remove it",
        ),
        k("slot", Integer, "slot of the pieces that name none"),
        k("bits", Names, "where it is, as for a parameter"),
        k("slots", Names, "whole slots: \"20..25\""),
        k("note", Text, "a remark"),
    ],
};

pub(super) static COPY: Shape = Shape {
    name: "a copy",
    keys: &[
        must("name", Text, "name of the copy"),
        k(
            "at",
            Integer,
            "address of its first slot, in place of the area's",
        ),
        k("chips", Texts, "chips it lives in, in place of the area's"),
        k("inverted", Flag, "held as the complement"),
        k(
            "policy",
            Word(POLICIES),
            "what encoding does with it; update if not given",
        ),
    ],
};

pub(super) static CHECK: Shape = Shape {
    name: "a check",
    keys: &[
        must("key", Text, "stable key"),
        must("method", Word(METHODS), "how it is computed"),
        k("crc", Text, "catalogue name: CRC_16_XMODEM"),
        k("add", Integer, "added in before a sum is taken"),
        k("with", Integer, "exclusive-ored in"),
        k("odd", Flag, "odd parity"),
        k("value", Integer, "the fixed code"),
        k("over", Names, "slots covered: [\"0..28\", \"30\"]"),
        k("over_parameters", Texts, "parameters covered, a word each"),
        k("span", Names, "addresses covered: \"0x010..0x02d\""),
        k(
            "slot",
            Integer,
            "slot of the pieces of `bits` that name none",
        ),
        k(
            "bits",
            Names,
            "where each entry stores it, as for a parameter",
        ),
        k(
            "stored_at",
            Names,
            "where the area stores it: addresses with bits, [\"0x2e.7..0\", \"0x2f.7..0\"]",
        ),
        k("inverted", Flag, "stored as its complement"),
        k(
            "per",
            Word(&["entry", "area"]),
            "one for each entry, or one for the area",
        ),
        k(
            "policy",
            Word(POLICIES),
            "what encoding does with it; update if not given",
        ),
    ],
};

pub(super) static HAND_SET: Shape = Shape {
    name: "a hand-set control",
    keys: &[
        must("key", Text, "stable key"),
        k("label", Text, "what the panel says"),
        k("group", Text, "heading on the panel"),
        k(
            "per",
            Text,
            "the axis it exists once for each position of, such as voice",
        ),
        k("labels", Names, "labels where no area has that axis"),
        k("control", Word(CONTROLS), "what it is"),
        k("scale", Table(&SCALE), "how its position is written down"),
        k("range", Integers, "lowest and highest legal number"),
        k("note", Text, "a remark"),
    ],
};

pub(super) static ABSENT: Shape = Shape {
    name: "an absent part",
    keys: &[
        must("chip", Text, "id of the chip"),
        k("cells", Text, "cells, \"1024..2047\"; all if not given"),
        k("lines", Integers, "data lines; all if not given"),
    ],
};

pub(super) static WAIVE: Shape = Shape {
    name: "a waiver",
    keys: &[
        must("rule", Text, "code of the caution"),
        must("where", Text, "what it is about, as the finding names it"),
        must("reason", Text, "why it is right all the same"),
    ],
};

/// Every shape, with the heading it has in a file.
pub(super) static SHAPES: &[(&str, &Shape)] = &[
    ("", &LAYOUT),
    ("[bench]", &BENCH),
    ("[[chip]]", &CHIP),
    ("standby", &STANDBY),
    ("[[area]]", &AREA),
    ("axes", &AXIS),
    ("[[area.parameter]]", &PARAMETER),
    ("when", &WHEN_KEYS),
    ("scale", &SCALE),
    ("[[area.constant]]", &CONSTANT),
    ("[[area.reserved]]", &RESERVED),
    ("[[area.copy]]", &COPY),
    ("[[area.check]]", &CHECK),
    ("[[hand-set]]", &HAND_SET),
    ("[[absent]]", &ABSENT),
    ("[[waive]]", &WAIVE),
];
