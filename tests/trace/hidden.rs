//! Instruments whose layout is hidden from the solver.

use cellkeep::layout::{
    self,
    model::{BitPlace, Layout},
};
use cellkeep::trace::panel::Panel;
use cellkeep::trace::plan::{Effort, Plan};
use cellkeep::trace::simulate::{self, Hand, Target};
use cellkeep::trace::{Solution, solve};

/// A layout with the panel that belongs to it and the whole plan for that panel.
pub(crate) struct Hidden {
    pub(crate) layout: Layout,
    pub(crate) panel: Panel,
    pub(crate) targets: Vec<Target>,
    pub(crate) plan: Plan,
}

impl Hidden {
    pub(crate) fn of(toml: &str) -> Self {
        let layout = layout::from_text("hidden", toml).unwrap();
        let (panel, targets) = simulate::panel_of(&layout).unwrap();
        let plan = Plan::with(&panel, Effort::FULL);
        Self {
            layout,
            panel,
            targets,
            plan,
        }
    }
}

/// What was found of an instrument, and the layout written of it: as text, and read again.
pub(crate) struct Traced<'a> {
    pub(crate) solution: Solution<'a>,
    pub(crate) text: String,
    pub(crate) found: Layout,
}

/// Dials a plan with a hand that neither slips nor shakes, and solves it.
pub(crate) fn traced<'a>(hidden: &Layout, targets: &[Target], plan: &'a Plan) -> Traced<'a> {
    let readings = simulate::dial(hidden, targets, plan, Hand::default(), 3).unwrap();
    let solution = solve(plan, &readings).unwrap();
    let text = solution.layout_toml("found");
    let found = layout::from_text("found", &text).unwrap();
    Traced {
        solution,
        text,
        found,
    }
}

/// Bits of a cell of the first chip, none kept inverted.
pub(crate) fn bits_of(cell: u32, lines: std::ops::Range<u8>) -> Vec<BitPlace> {
    let place = |line| BitPlace {
        chip: 0,
        cell,
        line,
        inverted: false,
    };
    lines.map(place).collect()
}
