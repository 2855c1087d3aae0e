//! `trace plan`: the sheet of settings to dial.

use std::path::PathBuf;

use super::super::output::{number, place, print_text, say};
use super::super::{Failure, Outcome, Status};
use crate::blame::{Blame, Who};
use crate::document::to_json;
use crate::layout;
use crate::trace::panel::Panel;
use crate::trace::plan::{Effort, Plan, Purpose, Recall, Setting};
use crate::trace::simulate;

/// Make a plan of settings to dial, from what the panel has.
#[derive(clap::Args)]
#[command(after_help = "\
The panel file says what the person at the bench knows:

  name    = \"Unknown six\"
  presets = 32
  voices  = 6

  [[chip]]
  id = \"IC14\"
  words = 2048
  width = 8

  [[control]]
  key  = \"filter.cutoff\"
  kind = \"knob\"                 # knob, slider, switch, selector, number, text

  [[control]]
  key = \"osc.wave\"
  kind = \"selector\"
  positions = [\"saw\", \"pulse\", \"triangle\"]
  per_voice = true              # where each voice is set apart

  [[control]]
  key  = \"osc.width\"
  kind = \"knob\"
  per_voice = true
  when = { key = \"osc.wave\", is = [\"pulse\"] }   # where it means something only then

  [[control]]
  key = \"transpose\"
  kind = \"number\"
  low = -12
  high = 12

Examples:
  cellkeep trace plan panel.toml --output plan.json
  cellkeep trace plan panel.toml --settings 16        a shorter one, and what it leaves open")]
pub(crate) struct Args {
    /// The panel file
    #[arg(required_unless_present = "layout")]
    panel: Option<PathBuf>,
    /// Take the panel from a layout, to prove it
    #[arg(long, value_name = "LAYOUT", conflicts_with = "panel")]
    layout: Option<String>,
    #[command(flatten)]
    to: super::FileArgs,
    /// At most this many settings
    #[arg(long, value_name = "COUNT")]
    settings: Option<usize>,
    /// Print the plan as JSON
    #[arg(long)]
    json: bool,
}

/// A layout without controls that are saved preset by preset.
#[derive(Debug, thiserror::Error)]
#[error("{0} has no controls that are saved preset by preset")]
struct NoPanel(String);

impl Blame for NoPanel {
    fn who(&self) -> Who {
        Who::Layout
    }
}

fn panel(args: &Args) -> Result<Panel, Failure> {
    if let Some(name) = &args.layout {
        super::super::inputs::note(std::path::Path::new(name));
        let layout = layout::load(name)?;
        let (panel, _) = simulate::panel_of(&layout).ok_or_else(|| NoPanel(name.clone()))?;
        return Ok(panel);
    }
    let path = args.panel.clone().unwrap_or_default();
    Ok(Panel::parse(&super::text(&path)?)?)
}

pub(crate) fn run(args: &Args) -> Outcome {
    let panel = panel(args)?;
    let plan = Plan::new(&panel, args.settings)?;
    let json = to_json(&plan)?;
    args.to.write(&json)?;
    if args.json {
        print_text(&json);
        return Ok(Status::Clean);
    }
    sheet(&plan);
    match &args.to.output {
        Some(out) => {
            let readings: Vec<String> = (1..=plan.readings())
                .map(|r| format!("reading{r}"))
                .collect();
            say!(
                "Then: cellkeep trace solve {} {}",
                place(&out.display().to_string()),
                readings.join(" ")
            );
        }
        None => {
            say!("Nothing was written: add --output plan.json, which `cellkeep trace solve` needs.")
        }
    }
    Ok(Status::Clean)
}

/// With fewer presets than this, and more readings than that, the sheet says what makes them so many.
const FEW: usize = 4;
const MANY: usize = 5;

fn sheet(plan: &Plan) {
    let panel = &plan.panel;
    let cost = plan.cost();
    say!("Trace plan for {}", panel.name);
    say!();
    say!(
        "Dialling and saving overwrites presets: read the chips and archive the customer's own first."
    );
    say!("Mind the supply, the battery and static as for any work on an open instrument.");
    say!();
    settings(plan, 0, 0);
    say!(
        "{}, {} of save, {}.",
        number(cost.settings, "setting"),
        number(cost.saves, "press"),
        number(cost.readings, "reading")
    );
    say!(
        "  fewest that could name every bit: {} (counting code, dials of 7 bits)",
        cost.floor
    );
    say!("  one bit at a time would take:     {}", cost.one_at_a_time);
    say!();
    say!(
        "What it buys: any two controls differ in {} settings or more, so",
        plan.distance
    );
    say!(
        "{}",
        match plan.distance {
            0 | 1 => "  any slip of the hand can turn one control into another: dial with care.",
            2 => "  one slip is noticed, but not mended.",
            3 => "  one slip is mended.",
            _ => "  one slip is mended and two are noticed.",
        }
    );
    // A preset holds one setting a reading.
    if panel.presets < FEW && plan.readings() > MANY {
        say!(
            "Each reading takes {} only, as many as there are {}s: --settings N asks for fewer settings and readings, \
             and tells less.",
            number(panel.presets, "setting"),
            panel.axis
        );
    }
    let full = Plan::with(panel, Effort::FULL).settings.len();
    if plan.settings.len() < full {
        say!(
            "The full plan has {full} settings. With fewer, most controls may be found and none be called traced:"
        );
        say!("  what stays guessed, `cellkeep trace next` asks further settings for.");
    }
    let open = plan.left_open();
    if !open.is_empty() {
        say!("However well it is dialled, it leaves open (dials taken for 7 bits wide):");
        for (says, controls) in &open {
            say!("  {says}: {}", number(*controls, "control"));
        }
    }
    if plan.sweeps() < 9 {
        say!(
            "Only {} sweeps: one slip more may leave open the order of the bits of wide dials, and Gray, BCD and signed codes.",
            plan.sweeps()
        );
    }
    say!();
}

/// How every preset takes what the next one holds.
fn shifted(plan: &Plan, recalls: &[Recall]) {
    let axis = &plan.panel.axis;
    let last = recalls.len();
    say!(
        "  Nothing new is dialled: every {axis} takes what the next one holds. Turn no control between"
    );
    say!("  recalling and saving, and keep to this order:");
    say!();
    let ahead = |(p, r): &(usize, &Recall)| **r == Recall::Preset(p + 1);
    let row = recalls.iter().enumerate().take_while(ahead).count();
    if row > 0 {
        let examples: Vec<String> = (1..=row.min(2))
            .map(|p| format!("recall {axis} {}, save it as {axis} {p}", p + 1))
            .collect();
        let on = if row > 2 {
            format!(
                "; and so on up to: recall {axis} {}, save it as {axis} {row}",
                row + 1
            )
        } else {
            String::new()
        };
        say!("    {}{on}", examples.join("; "));
    }
    match recalls.last() {
        Some(Recall::Preset(p)) => say!(
            "    at last recall {axis} {}, which holds what {axis} 1 held, and save it as {axis} {last}",
            p + 1
        ),
        Some(Recall::Dial(setting)) => say!(
            "    at last dial setting {} once more, as above, and save it as {axis} {last}",
            setting + 1
        ),
        None => {}
    }
}

/// The settings from one on, for the readings from one on, as they are dialled.
pub(super) fn settings(plan: &Plan, first_setting: usize, first_reading: usize) {
    let panel = &plan.panel;
    let (lanes, conditions) = (panel.lanes(), panel.conditions());
    let names: Vec<String> = lanes.iter().map(|l| panel.lane_name(*l)).collect();
    let longest = names.iter().map(String::len).max().unwrap_or(0);
    for reading in first_reading..plan.readings() {
        say!("For reading {}:", reading + 1);
        if plan.shifted() == Some(reading)
            && let Some(recalls) = plan.recalls()
        {
            shifted(plan, &recalls);
            say!();
            say!("  Now read every chip: reading {}.", reading + 1);
            say!();
            continue;
        }
        for (d, setting) in plan.settings.iter().enumerate().skip(first_setting) {
            let saves: Vec<String> = plan
                .saves
                .iter()
                .filter(|s| s.reading == reading && s.setting == d)
                .map(|s| (s.preset + 1).to_string())
                .collect();
            if saves.is_empty() {
                continue;
            }
            let what = match setting.purpose {
                Purpose::Ends => "every control at an end",
                Purpose::Sweep => "dials between their ends",
                Purpose::Repeat => "as before, dialled anew",
            };
            say!();
            say!(
                "  Setting {} ({what}); save as {} {}",
                d + 1,
                panel.axis,
                saves.join(", ")
            );
            let before = d.checked_sub(1).and_then(|b| plan.settings.get(b));
            for (l, lane) in lanes.iter().enumerate() {
                let control = &panel.controls[lane.control];
                let condition = conditions[l].as_ref();
                let means = |s: &Setting| condition.is_none_or(|c| c.holds(&s.positions));
                if !means(setting) {
                    continue;
                }
                // Dialled anew means every control; otherwise what stands right already is left out.
                let same =
                    before.is_some_and(|b| b.positions[l] == setting.positions[l] && means(b));
                if same && setting.purpose != Purpose::Repeat {
                    continue;
                }
                say!(
                    "    {:longest$}  {}",
                    names[l],
                    control.position(setting.positions[l])
                );
            }
        }
        say!();
        say!("  Now read every chip: reading {}.", reading + 1);
        say!();
    }
}
