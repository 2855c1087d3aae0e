//! Two presets that the owner saved in each other's places before the first reading.

use cellkeep::trace::plan::Plan;

/// What is really saved where two presets of the reading before the shifted one are exchanged: the shifted reading, which
/// takes every preset from the next, carries them along.
pub(crate) fn exchanged(plan: &Plan, first: usize, second: usize) -> Plan {
    let shifted = plan.shifted().expect("a plan with a shifted reading");
    let mut done = plan.clone();
    let presets = plan.panel.presets;
    for save in &mut done.saves {
        let held = match save.reading {
            r if r + 1 == shifted => save.preset,
            r if r == shifted => (save.preset + 1) % presets,
            _ => continue,
        };
        let from = match held {
            p if p == first => second,
            p if p == second => first,
            _ => continue,
        };
        let of = |preset: usize| {
            let mut saves = plan.saves.iter();
            saves.find(|s| (s.reading, s.preset) == (shifted - 1, preset))
        };
        save.setting = of(from).expect("every preset is saved").setting;
    }
    done
}
