//! Compares what was found with the layout that was hidden.

use cellkeep::layout::model::{Coding, Layout, Scale};
use cellkeep::trace::panel::{Kind, Panel};
use cellkeep::trace::plan::Plan;
use cellkeep::trace::simulate::Target;
use cellkeep::trace::{FoundField, Solution};

/// How one field came out.
#[derive(Clone, Debug, Default)]
pub(crate) struct Verdict {
    /// The bits a setting can turn that were found in their place.
    pub(crate) bits_right: usize,
    /// Every bit in its place, in order, with its polarity.
    pub(crate) right: bool,
    /// All but the lowest two bits in their place, in order, and nothing else claimed for them.
    pub(crate) right_but_low: bool,
    /// It means something only while another control stands in some position.
    #[allow(dead_code)] // The bench counts these.
    pub(crate) hangs: bool,
    /// Called certain.
    pub(crate) certain: bool,
    pub(crate) chance: f64,
    /// Why it is not right.
    pub(crate) class: &'static str,
    pub(crate) says: String,
}

/// Judges every lane of the plan.
pub(crate) fn judge(
    layout: &Layout,
    targets: &[Target],
    plan: &Plan,
    solution: Option<&Solution>,
) -> Vec<Verdict> {
    plan.panel
        .lanes()
        .iter()
        .map(|lane| {
            let target = targets[lane.control];
            let found = solution.and_then(|s| {
                s.fields.iter().find(|f| {
                    f.control == lane.control
                        && f.voice == lane.voice
                        && f.character == lane.character
                })
            });
            one(layout, target, &plan.panel, *lane, found, solution)
        })
        .collect()
}

fn one(
    layout: &Layout,
    target: Target,
    panel: &Panel,
    lane: cellkeep::trace::panel::Lane,
    found: Option<&FoundField>,
    solution: Option<&Solution>,
) -> Verdict {
    let area = &layout.areas[target.area];
    let parameter = &area.parameters[target.parameter];
    let field = parameter.fields.start + lane.character.unwrap_or(0);
    let width = usize::from(area.fields[field].width);
    // Codes of every position, to know which bits can turn at all and which always turn together.
    let control = &panel.controls[lane.control];
    let numbers: Vec<i64> = match (&parameter.scale, control.kind) {
        (Scale::Steps(steps), _) => steps.iter().map(|s| s.0).collect(),
        _ => (*parameter.range.start()..=*parameter.range.end()).collect(),
    };
    let codes: Vec<u64> = if control.kind == Kind::Text {
        (32..127).collect()
    } else {
        numbers
            .iter()
            .filter_map(|n| cellkeep::codec::coding::code_of(&parameter.coding, width as u8, *n))
            .collect()
    };
    let turns = |k: usize| codes.iter().any(|c| (c ^ codes[0]) >> k & 1 == 1);
    let table: Vec<Vec<bool>> = (0..width)
        .map(|k| codes.iter().map(|c| c >> k & 1 == 1).collect())
        .collect();
    let reach: Vec<usize> = (0..width).filter(|&k| turns(k)).collect();
    let mut v = Verdict {
        hangs: parameter.when.is_some(),
        certain: found.is_some_and(FoundField::certain),
        chance: found.map_or(0.0, FoundField::chance),
        ..Verdict::default()
    };
    let place = |k: usize, preset: usize| {
        let entry = target.entry(layout, preset, lane.voice).unwrap();
        area.field_places(entry, field)[k]
    };
    let strays = |k: &usize| -> Vec<usize> {
        let places: Vec<_> = (0..panel.presets).map(|p| place(*k, p)).collect();
        solution.map_or_else(|| (0..panel.presets).collect(), |s| s.strays(&places))
    };
    let strays = reach
        .iter()
        .map(strays)
        .max_by_key(Vec::len)
        .unwrap_or_default();
    let structure = strays.is_empty();
    let Some(found) = found else {
        v.class = match (solution, structure) {
            (None, _) => "nothing found in the instrument",
            (_, false) => "structure of presets not found",
            _ => "field not found",
        };
        v.says = format!(
            "{} ({:?} {width} bits): not found",
            control.key, parameter.coding
        );
        return v;
    };
    // The found bit at a true bit's place in every preset: its index and whether its polarity is turned.
    let claimed = |k: usize| -> Option<(usize, bool)> {
        for (f, bit) in found.bits.iter().enumerate() {
            for home in &bit.homes {
                let same = home.places.len() == panel.presets
                    && home.places.iter().enumerate().all(|(p, h)| {
                        let t = place(k, p);
                        (t.chip, t.cell, t.line) == (h.chip, h.cell, h.line)
                    });
                if same {
                    return Some((f, home.places[0].inverted != place(k, 0).inverted));
                }
            }
        }
        None
    };
    let claims: Vec<Option<(usize, bool)>> = reach.iter().map(|&k| claimed(k)).collect();
    v.bits_right = claims.iter().flatten().count();
    // Meaning: the code of each position, rebuilt from found bits, must be the predicted one; here by weights. For
    // a selector any order of bits with the right places will do, since its codes come as a table.
    let selector = control.kind == Kind::Selector;
    let signed = matches!(
        parameter.coding,
        Coding::TwosComplement | Coding::OffsetBinary
    );
    let fits = |i: usize| -> bool {
        let Some((f, turned)) = claims[i] else {
            return false;
        };
        if selector {
            return true;
        }
        // Bits that always turn together may be exchanged.
        let k = reach[i];
        let same_weight = f == k - reach[0]
            || (f < reach.len() && table[k] == table[reach[f]])
            || (control.kind == Kind::Number && f == k);
        let top_of_signed = signed && k == width - 1;
        same_weight && (!turned || top_of_signed || (signed && table[k] == table[width - 1]))
    };
    let extra = found
        .bits
        .iter()
        .enumerate()
        .any(|(f, b)| !b.homes.is_empty() && !claims.iter().flatten().any(|(c, _)| *c == f));
    let all: Vec<bool> = (0..reach.len()).map(fits).collect();
    v.right = all.iter().all(|x| *x) && !extra;
    // Aligned from the top when low bits are missing.
    let top_fits = |i: usize| -> bool {
        let Some((f, turned)) = claims[i] else {
            return false;
        };
        let top = signed && reach[i] == width - 1;
        selector
            || (found.bits.len() as i64 - f as i64 == (reach.len() - i) as i64
                && (!turned || top || (signed && table[reach[i]] == table[width - 1])))
    };
    let low = if control.kind == Kind::Knob || control.kind == Kind::Slider {
        2.min(reach.len() - 1)
    } else {
        0
    };
    v.right_but_low = v.right || (low..reach.len()).all(|i| all[i] || top_fits(i));
    let open = |i: usize| {
        let t = place(reach[i], 0);
        let at = |h: &cellkeep::trace::Home| {
            let h = &h.places[0];
            (t.chip, t.cell, t.line) == (h.chip, h.cell, h.line)
        };
        found.bits.iter().any(|b| b.could_be.iter().any(at))
    };
    v.class = if v.right {
        ""
    } else if !structure {
        "structure of presets not found"
    } else if (0..reach.len()).all(|i| claims[i].is_some() || open(i)) && claims.contains(&None) {
        "open, the truth among the choices"
    } else if claims.contains(&None) {
        "bits without a home"
    } else if extra {
        "bits of others claimed"
    } else if (0..reach.len()).all(|i| top_fits(i) || claims[i].is_some_and(|(_, turned)| turned)) {
        "polarity"
    } else {
        "order, width or code"
    };
    v.says = format!(
        "{} ({:?} {width} bits, turns {reach:?}): found {} {} bits, claims {claims:?}, extra {extra}, \
         sure {:.4}, presets not followed {strays:?}",
        control.key,
        parameter.coding,
        found.code,
        found.bits.len(),
        v.chance
    );
    v
}
