//! A first layout to fill in, from a few answers: it already keeps every rule, and its remarks say what to look up
//! next.

use std::fmt::Write;

use super::bind::address_pins;
use super::document::is_id;
use crate::blame::{Blame, Who};

/// One chip as answered.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ChipAnswer {
    /// The name printed on the board.
    pub id: String,
    /// Number of cells.
    pub words: u32,
    /// Number of data lines.
    pub width: u8,
}

/// What a scaffold is made of.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Answers {
    /// Id of the layout.
    pub id: String,
    /// Name for people.
    pub name: String,
    /// The chips; all of one shape.
    pub chips: Vec<ChipAnswer>,
    /// What the presets repeat over, the slowest first: `("preset", 16)`.
    pub axes: Vec<(String, u32)>,
    /// The axis that the chips share among them, one part each; without it they stand side by side on the bus.
    pub split: Option<String>,
    /// Bits of one value's word: more than the chips have lines together means several steps.
    pub word: u32,
}

/// Answers that do not go together.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{says}")]
pub struct ScaffoldError {
    says: String,
    hint: String,
}

impl Blame for ScaffoldError {
    fn who(&self) -> Who {
        Who::Caller
    }

    fn hint(&self) -> Option<String> {
        Some(self.hint.clone())
    }
}

fn refuse<T>(says: impl Into<String>, hint: impl Into<String>) -> Result<T, ScaffoldError> {
    Err(ScaffoldError {
        says: says.into(),
        hint: hint.into(),
    })
}

/// A commented layout to start from.
///
/// # Errors
/// When the answers do not go together, such as presets that the chips cannot hold.
pub fn scaffold(answers: &Answers) -> Result<String, ScaffoldError> {
    let (first, entries) = sensible(answers)?;
    let chips = answers.chips.len();
    let lines = match answers.split {
        Some(_) => u32::from(first.width),
        None => u32::from(first.width) * u32::try_from(chips).unwrap_or(u32::MAX),
    };
    let steps = answers.word.div_ceil(lines);
    let share = match answers.split {
        Some(_) => entries.div_ceil(chips as u64),
        None => entries,
    };
    let room = u64::from(first.words) / share.max(1);
    if room < u64::from(steps) {
        return refuse(
            format!(
                "{share} entries in {} cells leave {room} cells for each, and a word takes {steps}",
                first.words
            ),
            "see that the counts of the axes and the shape of the chips are right",
        );
    }
    let mut out = head(answers);
    let counters = counters(answers, first, steps);
    for (i, chip) in answers.chips.iter().enumerate() {
        write_chip(&mut out, answers, i, chip, counters.as_deref());
    }
    write_area(&mut out, answers, lines, steps, room, counters.is_some());
    out.push_str(TAIL);
    Ok(out)
}

/// The first chip and the number of entries, where the answers make sense.
fn sensible(answers: &Answers) -> Result<(&ChipAnswer, u64), ScaffoldError> {
    if !is_id(&answers.id) {
        return refuse(
            format!("{:?} cannot be an id", answers.id),
            "use lower-case letters, digits and single hyphens, such as my-poly-six",
        );
    }
    let Some(first) = answers.chips.first() else {
        return refuse(
            "a layout needs a chip",
            "name each, as in --chip IC7=4096x1",
        );
    };
    let quoted = |text: &str| text.contains(['"', '\\']) || text.contains(char::is_control);
    for chip in &answers.chips {
        if (chip.words, chip.width) != (first.words, first.width) {
            return refuse(
                "the chips have different shapes",
                "make a scaffold for one kind of chip, and add the others by hand as formats/README.md shows",
            );
        }
        if chip.id.is_empty() || quoted(&chip.id) || chip.id.contains([':', '=', '/', '\\']) {
            return refuse(
                format!("{:?} cannot name a chip", chip.id),
                "use the name printed on the board",
            );
        }
    }
    let ids: std::collections::HashSet<String> = answers
        .chips
        .iter()
        .map(|c| c.id.to_ascii_lowercase())
        .collect();
    if ids.len() != answers.chips.len() {
        return refuse(
            "two chips have the same name",
            "give each the name printed on the board",
        );
    }
    if first.words == 0 || first.words > 1 << 20 || !(1..=8).contains(&first.width) {
        return refuse(
            "no chip has that shape",
            "words are 1 to 1048576, data lines 1 to 8",
        );
    }
    if quoted(&answers.name) || !(1..=64).contains(&answers.word) {
        return refuse(
            "the name or the word cannot be used",
            "names have no quotes; words have 1 to 64 bits",
        );
    }
    for (name, count) in &answers.axes {
        let plain = name.starts_with(|c: char| c.is_ascii_lowercase())
            && name
                .bytes()
                .all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'-')
            && !matches!(name.as_str(), "a" | "q" | "slot" | "step" | "area");
        if !plain || *count == 0 || *count > 1 << 16 {
            return refuse(
                format!("{name}={count} is no axis"),
                "give a word and a number, as in --axis preset=16",
            );
        }
    }
    if let Some(split) = &answers.split {
        let count = answers
            .axes
            .iter()
            .find(|(n, _)| n == split)
            .map(|(_, c)| *c as usize);
        if count.is_none_or(|c| c % answers.chips.len() != 0) {
            return refuse(
                format!(
                    "{} chips cannot share the axis {split:?} evenly",
                    answers.chips.len()
                ),
                "name an axis given with --axis whose count the chips divide, as in --split voice",
            );
        }
    }
    let entries = answers
        .axes
        .iter()
        .fold(1u64, |n, (_, c)| n.saturating_mul(u64::from(*c)));
    Ok((first, entries))
}

fn head(answers: &Answers) -> String {
    let mut out = String::new();
    let _ = write!(
        out,
        r#"# {name}: a first layout, to be filled in. It is read from top to bottom by `cellkeep layout check`.
# Everything marked "guessed" is a guess; change it, and its evidence, as the schematic or an experiment tells.

cellkeep = 1
id       = "{id}"
name     = "{name}"
revision = "1"
notes    = "What this is based on: service notes, schematic, board revision."

# Facts for the bench; take the # away from what is known.
[bench]
# battery      = "nicd"      # as fitted, with cells and capacity_mah
# cells        = 3
# supply_volts = 5.0         # the memory's supply with the instrument on
# hold_logic   = "..."       # how the logic is held still for a read in circuit
# exits        = ["tape"]    # ways the instrument itself can save its memory: use them first
"#,
        name = answers.name,
        id = answers.id,
    );
    out
}

/// Counters for the address pins of chips that counters address: steps, slots, then the axes, the slowest last.
/// `None` for chips addressed by a processor's bus, as wide ones usually are.
fn counters(answers: &Answers, chip: &ChipAnswer, steps: u32) -> Option<Vec<String>> {
    if chip.width > 1 {
        return None;
    }
    let pins = address_pins(chip.words) as usize;
    let bits = |n: u32| address_pins(n) as usize;
    let mut fixed = bits(steps);
    for (name, count) in &answers.axes {
        fixed += bits(held(answers, name, *count));
    }
    let slots = pins.checked_sub(fixed)?;
    let mut out: Vec<String> = (0..bits(steps)).map(|i| format!("step.{i}")).collect();
    out.extend((0..slots).map(|i| format!("slot.{i}")));
    for (name, count) in answers.axes.iter().rev() {
        out.extend((0..bits(held(answers, name, *count))).map(|i| format!("{name}.{i}")));
    }
    Some(out)
}

/// Positions of an axis that one chip holds.
fn held(answers: &Answers, axis: &str, count: u32) -> u32 {
    match &answers.split {
        Some(split) if split == axis => {
            count / u32::try_from(answers.chips.len()).unwrap_or(1).max(1)
        }
        _ => count,
    }
}

fn write_chip(
    out: &mut String,
    answers: &Answers,
    index: usize,
    chip: &ChipAnswer,
    counters: Option<&[String]>,
) {
    let _ = write!(out, "\n[[chip]]\nid    = \"{}\"\n", chip.id);
    match answers.chips.first().filter(|_| index > 0) {
        Some(first) => {
            let _ = writeln!(out, "like  = \"{}\"", first.id);
        }
        None => {
            let _ = write!(
                out,
                "words = {}\nwidth = {}\n# part  = \"...\"             # the number on it; a well-known one is checked against its shape\n# file  = \"...\"             # how dumps hold it, where it is not simply one cell a byte\n",
                chip.words, chip.width
            );
            match counters {
                Some(counters) => {
                    let _ = write!(
                        out,
                        "# What drives A0, A1, ...: this is a guess at the order; write down what the schematic shows.\naddress = [\n"
                    );
                    for run in counters.chunks(6) {
                        let quoted: Vec<String> = run.iter().map(|c| format!("\"{c}\"")).collect();
                        let _ = writeln!(out, "  {},", quoted.join(", "));
                    }
                    out.push_str("]\n");
                }
                None => out.push_str("# A0 is driven by a.0, A1 by a.1 and so on; where the board crosses lines, list what drives each:\n# address = [\"a.0\", \"a.1\", ...]\n"),
            }
            out.push_str("evidence = \"guessed\"\n");
        }
    }
    match &answers.split {
        Some(split) => {
            let count = answers
                .axes
                .iter()
                .find(|(n, _)| n == split)
                .map_or(0, |(_, c)| *c);
            let each = held(answers, split, count);
            let from = index as u32 * each;
            let labels: Vec<String> = (from..from + each).map(|i| (i + 1).to_string()).collect();
            let _ = writeln!(out, "holds = {{ {split} = [{}] }}", labels.join(", "));
        }
        None if answers.chips.len() > 1 || counters.is_some() => {
            let from = index * usize::from(chip.width);
            let pins: Vec<String> = (0..usize::from(chip.width))
                .map(|i| format!("\"q.{}\"", from + i))
                .collect();
            let _ = writeln!(out, "data  = [{}]", pins.join(", "));
        }
        None => {}
    }
}

fn write_area(
    out: &mut String,
    answers: &Answers,
    lines: u32,
    steps: u32,
    room: u64,
    counted: bool,
) {
    let _ = write!(out, "\n[[area]]\nname = \"presets\"\n");
    // Strides for a plain address: the last axis is the fastest.
    let mut stride = room;
    let mut axes: Vec<String> = Vec::new();
    for (name, count) in answers.axes.iter().rev() {
        axes.push(match counted {
            true => format!("{name} = {{ count = {count} }}"),
            false => format!("{name} = {{ count = {count}, at = 0, stride = {stride} }}"),
        });
        stride *= u64::from(held(answers, name, *count));
    }
    axes.reverse();
    if !axes.is_empty() {
        let _ = writeln!(out, "axes = {{ {} }}", axes.join(", "));
    }
    if answers.word != lines {
        let _ = writeln!(
            out,
            "word = {}                  # bits of one value's word",
            answers.word
        );
    }
    if steps > 1 {
        let _ = writeln!(
            out,
            "first = \"msb\"             # which end of the word comes first: see the shift register"
        );
        if counted && !steps.is_power_of_two() {
            let _ = writeln!(
                out,
                "period = {}               # steps from one word to the next, gap included",
                steps.next_power_of_two()
            );
        }
    }
    let top = answers.word - 1;
    let bits = if top == 0 {
        "0".to_owned()
    } else {
        format!("{top}..0")
    };
    let _ = write!(
        out,
        r#"
# One [[area.parameter]] for each value. This one shows the form; replace it.
[[area.parameter]]
key      = "filter.cutoff"   # stable, dotted lower case
label    = "Cutoff"          # as the panel says
group    = "Filter"
slot     = 0
bits     = "{bits}"
scale    = {{ dial = [0, 10] }}
control  = "knob"
evidence = "guessed"
"#
    );
}

const TAIL: &str = r#"
# Where a value's bits are not together, list the pieces from the most significant on:
# bits = ["5.7..4", "6.1..0"]
#
# A check of every preset, once it is known:
# [[area.check]]
# key    = "sum"
# method = "sum"
# over   = ["0..28"]
# bits   = "29.7..0"
#
# Controls that memory does not hold, noted by hand at intake:
# [[hand-set]]
# key     = "master.tune"
# label   = "Tune"
# scale   = { dial = [-5, 5] }
"#;
