//! The check of a shipped instrument's presets, found with its layout hidden.

use cellkeep::layout;
use cellkeep::trace::plan::{Effort, Plan};
use cellkeep::trace::rehearsal;
use cellkeep::trace::simulate::{self, Hand};

use super::check_judge;

/// Pellow Six keeps the two's complement of the sum of 29 bytes in the 30th of each preset.
#[test]
fn the_sum_of_a_preset_is_found() {
    let hidden = layout::load("pellow-six").unwrap();
    let (panel, targets) = simulate::panel_of(&hidden).unwrap();
    let plan = Plan::with(&panel, Effort::FULL);
    let readings = simulate::dial(&hidden, &targets, &plan, Hand::default(), 9).unwrap();
    let solution = cellkeep::trace::solve(&plan, &readings).unwrap();
    let report = solution.report();
    let said: Vec<&str> = report.checks.iter().map(|c| c.says.as_str()).collect();
    assert_eq!(said.len(), 1, "{said:?}");
    assert!(
        said[0].starts_with("two's complement of the sum of slots"),
        "{said:?}"
    );
    assert!(report.checks[0].evidence > 100.0);
    let found = layout::from_text("found", &solution.layout_toml("found")).unwrap();
    let bank = rehearsal::bank(&plan, 77);
    let other = simulate::dial(&hidden, &targets, &bank, Hand::default(), 78).unwrap();
    // Only the presets are traced; the checks of the other areas are not looked for.
    let mut presets = hidden.clone();
    presets.areas.retain(|a| a.name == "presets");
    let judged = check_judge::judge(&presets, Some(&found), &other[0]);
    assert_eq!((judged.hidden, judged.right, judged.wrong), (1, 1, 0));
}
