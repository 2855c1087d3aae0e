//! An instrument whose layout is known, dialled by a person who follows a plan: for rehearsing and for measuring
//! the solver.

use super::panel::{ChipShape, DIAL, Kind, Panel, PanelControl, When};
use super::plan::Plan;
use super::rng::Random;
use crate::codec::{Memory, checks, coding, setting};
use crate::layout::model::{Coding, Control, Layout, Scale};
use crate::reading::{ChipReading, Reading};

/// How badly a person dials and a converter converts.
#[derive(Clone, Copy, Debug, Default)]
pub struct Hand {
    /// A dial's code may be one off, each way as likely as right.
    pub jitter: bool,
    /// Slips a save: half of them a dial off its mark, half a wrong preset.
    pub slips: f64,
}

/// Where a control of the panel lives in the layout it was taken from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Target {
    /// Index into the layout's areas.
    pub area: usize,
    /// Index into the area's parameters.
    pub parameter: usize,
    /// Which of the area's axes is the preset.
    pub preset_axis: usize,
    /// Which is the voice, if any.
    pub voice_axis: Option<usize>,
}

impl Target {
    /// The entry of a preset and voice.
    pub fn entry(&self, layout: &Layout, preset: usize, voice: Option<usize>) -> Option<usize> {
        let area = layout.areas.get(self.area)?;
        let mut at = vec![0; area.axes.len()];
        *at.get_mut(self.preset_axis)? = preset;
        if let (Some(axis), Some(voice)) = (self.voice_axis, voice) {
            *at.get_mut(axis)? = voice;
        }
        area.entry(&at)
    }
}

/// The panel a person would describe for an instrument of this layout, and where each control lives. Parameters
/// that show bits in another way are left out, as are areas that are not saved preset by preset, and what means something
/// only while another stands in some position where that other is no switch or selector of the panel; `None` where no area
/// is.
pub fn panel_of(layout: &Layout) -> Option<(Panel, Vec<Target>)> {
    // The axis that most parameters repeat over and that is not the voice.
    let (axis, presets) = layout
        .areas
        .iter()
        .flat_map(|a| a.axes.iter().map(move |x| (a, x)))
        .filter(|(_, x)| x.name != "voice" && x.count() > 1)
        .max_by_key(|(a, x)| a.parameters.len() * x.count())
        .map(|(_, x)| (x.name.clone(), x.count()))?;
    let mut controls = Vec::new();
    let mut targets = Vec::new();
    let mut voices = 1;
    for (a, area) in layout.areas.iter().enumerate() {
        let Some(preset_axis) = area
            .axes
            .iter()
            .position(|x| x.name == axis && x.count() == presets)
        else {
            continue;
        };
        let voice_axis = match area.axes.len() {
            1 => None,
            2 => Some(1 - preset_axis),
            _ => continue,
        };
        let here = voice_axis.map_or(1, |v| area.axes[v].count());
        if here > 1 {
            if voices > 1 && here != voices {
                continue;
            }
            voices = here;
        }
        for (p, parameter) in area.parameters.iter().enumerate() {
            if parameter.alias_of.is_some() {
                continue;
            }
            let width = area.fields[parameter.fields.start].width;
            let mut control = PanelControl {
                key: parameter.key.clone(),
                label: parameter.label.clone(),
                group: parameter.group.clone(),
                kind: Kind::Knob,
                per_voice: here > 1,
                positions: Vec::new(),
                low: None,
                high: None,
                chars: None,
                when: None,
            };
            let (low, high) = (*parameter.range.start(), *parameter.range.end());
            match &parameter.scale {
                _ if parameter.control == Control::Text => {
                    control.kind = Kind::Text;
                    control.chars = Some(parameter.fields.len());
                }
                Scale::Steps(steps) => {
                    control.kind = if steps.len() == 2 {
                        Kind::Switch
                    } else {
                        Kind::Selector
                    };
                    control.positions = steps.iter().map(|s| s.1.clone()).collect();
                    if steps.len() < 2 {
                        continue;
                    }
                }
                Scale::OnOff => control.kind = Kind::Switch,
                _ if parameter.control == Control::Number
                    || (low, high) != coding::bounds(&parameter.coding, width) =>
                {
                    control.kind = Kind::Number;
                    control.low = Some(low);
                    control.high = Some(high);
                    if !(1..=65_535).contains(&(high - low)) {
                        continue;
                    }
                }
                _ if parameter.control == Control::Slider => control.kind = Kind::Slider,
                _ => {}
            }
            controls.push(control);
            targets.push(Target {
                area: a,
                parameter: p,
                preset_axis,
                voice_axis: voice_axis.filter(|_| here > 1),
            });
        }
    }
    // One key may stand in two areas.
    for i in 0..controls.len() {
        if controls[..i].iter().any(|c| c.key == controls[i].key) {
            controls[i].key = format!("{}.{}", layout.areas[targets[i].area].name, controls[i].key);
        }
    }
    decided(layout, &mut controls, &mut targets);
    if controls.is_empty() {
        return None;
    }
    Some((
        Panel {
            name: layout.name.clone(),
            presets,
            voices,
            axis,
            chips: layout
                .chips
                .iter()
                .map(|c| ChipShape {
                    id: c.id.clone(),
                    words: c.words,
                    width: c.width,
                })
                .collect(),
            controls,
        },
        targets,
    ))
}

/// Says of controls which switch or selector decides when they mean something, and leaves out those of which the panel
/// cannot say it.
fn decided(layout: &Layout, controls: &mut Vec<PanelControl>, targets: &mut Vec<Target>) {
    let when = |i: usize, controls: &[PanelControl]| -> Option<When> {
        let area = &layout.areas[targets[i].area];
        let when = area.parameters[targets[i].parameter].when.as_ref()?;
        let by = |t: &Target| (t.area, t.parameter) == (targets[i].area, when.parameter);
        let by = targets.iter().position(by)?;
        let (selector, control) = (&area.parameters[when.parameter], &controls[by]);
        if selector.when.is_some() || !matches!(control.kind, Kind::Switch | Kind::Selector) {
            return None;
        }
        let position = |n: &i64| match &selector.scale {
            Scale::Steps(steps) => steps.iter().position(|s| s.0 == *n),
            _ => usize::try_from(n - selector.range.start()).ok(),
        };
        let positions = when.is.iter().filter_map(position);
        let is: Vec<String> = positions.map(|p| control.position(p as u32)).collect();
        let some = !is.is_empty() && is.len() <= control.span() as usize;
        some.then(|| When {
            key: control.key.clone(),
            is,
        })
    };
    let mut stays = Vec::new();
    for i in 0..controls.len() {
        let hangs = {
            let parameter = targets[i].parameter;
            layout.areas[targets[i].area].parameters[parameter]
                .when
                .is_some()
        };
        controls[i].when = when(i, controls);
        stays.push(!hangs || controls[i].when.is_some());
    }
    let mut stays_too = stays.clone().into_iter();
    controls.retain(|_| stays_too.next().unwrap_or(true));
    let mut stays_too = stays.into_iter();
    targets.retain(|_| stays_too.next().unwrap_or(true));
}

/// Whether what is kept of a control in an entry means something, by what the memory holds of what decides.
pub(crate) fn means(layout: &Layout, target: Target, entry: usize, memory: &Memory) -> bool {
    let area = &layout.areas[target.area];
    let Some(when) = &area.parameters[target.parameter].when else {
        return true;
    };
    let field = area.parameters[when.parameter].fields.start;
    let (code, _) = memory.gather(area.field_places(entry, field));
    setting::selects(area, when, code) == Some(true)
}

/// The code a parameter takes when its control stands at a position.
pub(crate) fn code_at(
    layout: &Layout,
    target: Target,
    control: &PanelControl,
    position: u32,
    jitter: i64,
) -> Option<u64> {
    let area = &layout.areas[target.area];
    let parameter = &area.parameters[target.parameter];
    let width = area.fields[parameter.fields.start].width;
    let (low, high) = (*parameter.range.start(), *parameter.range.end());
    let number = match (&parameter.scale, control.kind) {
        (_, Kind::Text) => {
            let wanted = char::from_u32(position);
            let Coding::Text(set) = &parameter.coding else {
                return Some(u64::from(position));
            };
            return set.iter().position(|c| *c == wanted).map(|c| c as u64);
        }
        (Scale::Steps(steps), _) => steps.get(position as usize)?.0,
        (_, Kind::Knob | Kind::Slider) => {
            let top = high - low;
            let step = (i64::from(position) * top * 2 + i64::from(DIAL)) / (2 * i64::from(DIAL));
            low + (step + jitter).clamp(0, top)
        }
        _ => low + i64::from(position),
    };
    coding::code_of(&parameter.coding, width, number)
}

/// Readings of the instrument after a person followed the plan. What no setting reaches holds random bits.
///
/// # Errors
/// When plan and layout do not belong together.
pub fn dial(
    layout: &Layout,
    targets: &[Target],
    plan: &Plan,
    hand: Hand,
    seed: u64,
) -> Result<Vec<Reading>, crate::codec::CodecError> {
    let mut random = Random::new(seed);
    let mut memory = blank(layout, &mut random)?;
    let lanes = plan.panel.lanes();
    let mut out = Vec::new();
    for reading in 0..plan.readings() {
        for save in plan.saves.iter().filter(|s| s.reading == reading) {
            let mut positions = plan.settings[save.setting].positions.clone();
            let mut preset = save.preset;
            if random.chance(hand.slips) {
                if random.chance(0.5) {
                    preset = random.below(plan.panel.presets);
                } else {
                    let lane = random.below(lanes.len());
                    let span = plan.panel.controls[lanes[lane].control].span();
                    if plan.panel.controls[lanes[lane].control].kind != Kind::Text {
                        positions[lane] = random.between(0, span as usize) as u32;
                    }
                }
            }
            let before = memory.clone();
            // First what always means something: it decides whether the rest is kept.
            let hangs = |l: &usize| {
                let target = targets[lanes[*l].control];
                let parameter = &layout.areas[target.area].parameters[target.parameter];
                parameter.when.is_some()
            };
            let (last, first): (Vec<usize>, Vec<usize>) = (0..lanes.len()).partition(hangs);
            for l in first.into_iter().chain(last) {
                let lane = &lanes[l];
                let target = targets[lane.control];
                let control = &plan.panel.controls[lane.control];
                let jitter = if hand.jitter {
                    random.between(0, 2) as i64 - 1
                } else {
                    0
                };
                let Some(entry) = target.entry(layout, preset, lane.voice) else {
                    continue;
                };
                let Some(code) = code_at(layout, target, control, positions[l], jitter) else {
                    continue;
                };
                if !means(layout, target, entry, &memory) {
                    continue;
                }
                let area = &layout.areas[target.area];
                let field =
                    area.parameters[target.parameter].fields.start + lane.character.unwrap_or(0);
                memory.scatter(area.field_places(entry, field), code);
            }
            checks::bring_in_line(layout, &before, &mut memory);
        }
        out.push(read(layout, &memory)?);
    }
    Ok(out)
}

/// An instrument with random contents whose checks, constants and copies hold.
fn blank(layout: &Layout, random: &mut Random) -> Result<Memory, crate::codec::CodecError> {
    let mut images = Vec::new();
    for chip in &layout.chips {
        let cells: Vec<u8> = (0..chip.words).map(|_| random.bits() as u8).collect();
        if let Ok(image) = crate::image::ChipImage::from_cells(chip.width, &cells) {
            images.push(image);
        }
    }
    let images: Vec<&crate::image::ChipImage> = images.iter().collect();
    let mut memory = Memory::of_images(layout, &images)?;
    for area in &layout.areas {
        for entry in 0..area.entries() {
            for (f, field) in area.fields.iter().enumerate() {
                if let crate::layout::model::FieldOwner::Constant(code) = field.owner {
                    memory.scatter(area.field_places(entry, f), code);
                }
            }
        }
        for copy in &area.copies {
            for (from, to) in area.places.iter().zip(&copy.places) {
                if let Some(bit) = memory.bit(*from) {
                    memory.set_bit(*to, bit);
                }
            }
        }
        for check in &area.checks {
            for instance in &check.instances {
                if let Some(code) = checks::compute(check, instance, &memory) {
                    memory.scatter(&instance.stored, code);
                }
            }
        }
    }
    Ok(memory)
}

fn read(layout: &Layout, memory: &Memory) -> Result<Reading, crate::codec::CodecError> {
    let images = memory
        .images()
        .map_err(|_| crate::codec::CodecError::ChipCount {
            found: 0,
            expected: layout.chips.len(),
        })?;
    Ok(Reading::new(
        layout
            .chips
            .iter()
            .zip(images)
            .map(|(c, image)| ChipReading::new(&c.id, image))
            .collect(),
    ))
}
