//! A bank as its owner left it, made from nothing: sounds, repeats, blanks, sequences and calibration.

use cellkeep::codec::{Codec, Codes, Memory, checks};
use cellkeep::image::ChipImage;
use cellkeep::layout::model::{Area, Control, FieldOwner, Layout, Method, Scale};

use super::patch::{self, Character};
use super::rng::Rng;

/// One instrument: its layout, and the codec that goes with it.
pub(crate) struct Instrument {
    pub(crate) layout: Layout,
    codec: Codec,
    seed: u64,
}

/// What one preset holds.
#[derive(Clone)]
enum Kept {
    Blank,
    Sound(Character),
    Repeat(usize),
}

impl Instrument {
    pub(crate) fn new(layout: Layout, seed: u64) -> Self {
        let codec = Codec::new(&layout);
        Self {
            layout,
            codec,
            seed,
        }
    }

    pub(crate) fn rng(&self, purpose: &str) -> Rng {
        Rng::of(self.seed, &format!("{} {purpose}", self.layout.id))
    }

    pub(crate) fn decode(&self, memory: &Memory) -> Codes {
        self.codec.decode(memory)
    }

    /// The codes written over the contents, with every check and copy made to hold.
    pub(crate) fn encode(&self, codes: &Codes, memory: &mut Memory) {
        self.codec
            .encode(codes, memory)
            .expect("codes of the same layout");
        self.close(memory);
    }

    /// A bank made from nothing.
    pub(crate) fn bank(&self) -> Memory {
        let mut memory = self.never_written();
        let mut codes = self.codec.decode(&memory);
        let kept = self.kept();
        for (a, area) in self.layout.areas.iter().enumerate() {
            for field in 0..area.fields.len() {
                if let FieldOwner::Constant(value) = area.fields[field].owner {
                    for entry in 0..area.entries() {
                        codes.areas[a].set(entry, field, value);
                    }
                }
            }
            let mut rng = self.rng(&area.name);
            match area.name.as_str() {
                "presets" | "shared" => self.sounds(&kept, a, &mut codes, &mut rng),
                "sequence" => self.melody(a, &mut codes, &mut rng),
                "chain" => self.chain(a, &mut codes, &mut rng),
                "tuning" | "calibration" => self.calibration(a, &mut codes, &mut rng),
                "edit" => self.edit_buffer(a, &mut codes, &mut rng),
                _ => self.settings(a, &mut codes, &mut rng),
            }
        }
        self.codec
            .encode(&codes, &mut memory)
            .expect("codes of the same layout");
        self.litter(&mut memory);
        self.close(&mut memory);
        memory
    }

    fn never_written(&self) -> Memory {
        let images: Vec<ChipImage> = self
            .layout
            .chips
            .iter()
            .map(|c| {
                let cells = vec![c.fill.unwrap_or(0); c.words as usize];
                ChipImage::from_cells(c.width, &cells).expect("a chip's shape")
            })
            .collect();
        let refs: Vec<&ChipImage> = images.iter().collect();
        Memory::of_images(&self.layout, &refs).expect("the layout's own shape")
    }

    fn kept(&self) -> Vec<Kept> {
        let mut rng = self.rng("kept");
        let count = self.layout.area("presets").map_or(0, |a| a.axes[0].count());
        let mut kept: Vec<Kept> = (0..count)
            .map(|_| Kept::Sound(Character::draw(&mut rng)))
            .collect();
        for _ in 0..count / 12 {
            let from = rng.below(count * 3 / 4);
            let to = rng.below(count);
            if from != to && matches!(kept[from], Kept::Sound(_)) {
                kept[to] = Kept::Repeat(from);
            }
        }
        // The last places are the ones nobody got round to.
        let blanks = (count / 10).max(1);
        for place in kept.iter_mut().rev().take(blanks) {
            *place = Kept::Blank;
        }
        // A repeat of what was overwritten since is a sound of its own.
        for i in 0..count {
            if let Kept::Repeat(from) = kept[i]
                && !matches!(kept[from], Kept::Sound(_))
            {
                kept[i] = Kept::Sound(Character::draw(&mut rng));
            }
        }
        kept
    }

    fn sounds(&self, kept: &[Kept], a: usize, codes: &mut Codes, rng: &mut Rng) {
        let area = &self.layout.areas[a];
        let per_preset = area.entries() / kept.len();
        for (preset, what) in kept.iter().enumerate() {
            let first = preset * per_preset;
            match what {
                Kept::Blank => {
                    for entry in first..first + per_preset {
                        self.initialise(a, codes, entry);
                    }
                }
                Kept::Sound(sound) => self.sound(sound, a, codes, first, per_preset, rng),
                Kept::Repeat(_) => {}
            }
        }
        for (preset, what) in kept.iter().enumerate() {
            if let Kept::Repeat(from) = what {
                copy_entries(
                    area,
                    a,
                    codes,
                    from * per_preset,
                    preset * per_preset,
                    per_preset,
                );
            }
        }
    }

    /// One sound in its voices: mostly alike, sometimes dialled voice by voice, sometimes different on purpose.
    pub(crate) fn sound(
        &self,
        sound: &Character,
        a: usize,
        codes: &mut Codes,
        first: usize,
        voices: usize,
        rng: &mut Rng,
    ) {
        let area = &self.layout.areas[a];
        self.write_sound(sound, a, codes, first, rng);
        for voice in 1..voices {
            copy_entries(area, a, codes, first, first + voice, 1);
        }
        if voices < 2 {
            return;
        }
        let how = rng.part();
        if how < 0.12 {
            for voice in 1..voices {
                self.dial_again(a, codes, first + voice, 2, rng);
            }
        } else if how < 0.22 {
            // A chord: the voices stand at different intervals.
            let steps = [0, 4, 7, -5, 2, 5, -3, 0];
            for voice in 1..voices {
                for (p, parameter) in area.parameters.iter().enumerate() {
                    if parameter.key.ends_with("interval") {
                        let middle = (parameter.range.start() + parameter.range.end()) / 2;
                        self.put(a, p, codes, first + voice, middle + 9 * steps[voice % 8]);
                    }
                }
            }
        } else if how < 0.30 {
            // Two sounds in one preset, half of the voices each.
            let other = Character::draw(rng);
            self.write_sound(&other, a, codes, first + voices / 2, rng);
            for voice in voices / 2 + 1..voices {
                copy_entries(area, a, codes, first + voices / 2, first + voice, 1);
            }
        }
    }

    /// One sound into one entry.
    pub(crate) fn write_sound(
        &self,
        sound: &Character,
        a: usize,
        codes: &mut Codes,
        entry: usize,
        rng: &mut Rng,
    ) {
        self.initialise(a, codes, entry);
        let area = &self.layout.areas[a];
        let mut numbers: Vec<Option<i64>> = vec![None; area.parameters.len()];
        for conditional in [false, true] {
            for (p, parameter) in area.parameters.iter().enumerate() {
                if parameter.when.is_some() != conditional
                    || !patch::applies(area, parameter, &numbers)
                {
                    continue;
                }
                if parameter.fields.len() > 1 {
                    let name = patch::name(sound.family, rng);
                    self.put_text(a, p, codes, entry, &name);
                    continue;
                }
                let number = match parameter.key.as_str() {
                    "next.preset" => {
                        if rng.chance(0.2) {
                            bank_and_place(rng)
                        } else {
                            0
                        }
                    }
                    "tempo" => 120,
                    _ => sound.number(parameter, rng),
                };
                numbers[p] = Some(number);
                self.put(a, p, codes, entry, number);
            }
        }
        // An oscillator without a wave is silent; nobody keeps that.
        if let Some(saw) = area.parameter("osc-a.saw") {
            let waves = ["osc-a.saw", "osc-a.triangle", "osc-a.pulse"];
            if waves
                .iter()
                .all(|w| area.parameter(w).and_then(|p| numbers[p]) == Some(0))
            {
                self.put(a, saw, codes, entry, 1);
            }
        }
    }

    /// Every parameter at rest.
    fn initialise(&self, a: usize, codes: &mut Codes, entry: usize) {
        let area = &self.layout.areas[a];
        for (p, parameter) in area.parameters.iter().enumerate() {
            if parameter.fields.len() > 1 {
                self.put_text(a, p, codes, entry, "");
            } else if parameter.when.is_none() && parameter.alias_of.is_none() {
                self.put(a, p, codes, entry, patch::at_rest(parameter));
            }
        }
    }

    /// Turns every knob of an entry to where it seems to stand already: each lands a code or so beside.
    pub(crate) fn dial_again(
        &self,
        a: usize,
        codes: &mut Codes,
        entry: usize,
        by: i64,
        rng: &mut Rng,
    ) {
        let area = &self.layout.areas[a];
        for (p, parameter) in area.parameters.iter().enumerate() {
            let knob = matches!(parameter.control, Control::Knob | Control::Slider);
            if !knob
                || parameter.when.is_some()
                || matches!(parameter.scale, Scale::Steps(_) | Scale::OnOff)
            {
                continue;
            }
            if let Some(n) = self.get(a, p, codes, entry) {
                let beside = n + rng.below(2 * by as usize + 1) as i64 - by;
                let legal = beside.clamp(*parameter.range.start(), *parameter.range.end());
                self.put(a, p, codes, entry, legal);
            }
        }
    }

    pub(crate) fn get(&self, a: usize, p: usize, codes: &Codes, entry: usize) -> Option<i64> {
        let area = &self.layout.areas[a];
        let parameter = &area.parameters[p];
        let field = parameter.fields.start;
        let code = codes.areas[a].code(entry, field)?;
        cellkeep::codec::coding::number(&parameter.coding, area.fields[field].width, code)
    }

    pub(crate) fn put(&self, a: usize, p: usize, codes: &mut Codes, entry: usize, number: i64) {
        let area = &self.layout.areas[a];
        let parameter = &area.parameters[p];
        let field = parameter.fields.start;
        let code = patch::code(parameter, area.fields[field].width, number);
        codes.areas[a].set(entry, field, code);
    }

    pub(crate) fn put_text(&self, a: usize, p: usize, codes: &mut Codes, entry: usize, text: &str) {
        let parameter = &self.layout.areas[a].parameters[p];
        for (field, code) in parameter
            .fields
            .clone()
            .zip(patch::text_codes(parameter, text))
        {
            codes.areas[a].set(entry, field, code);
        }
    }

    /// A tune: a riff in a minor scale, repeated and varied, with rests and an end.
    fn melody(&self, a: usize, codes: &mut Codes, rng: &mut Rng) {
        let area = &self.layout.areas[a];
        let at = |key: &str| area.parameter(key).expect("a parameter of the sequence");
        let scale = [0, 3, 5, 7, 10, 12, 15];
        let riff: Vec<i64> = (0..8).map(|_| 12 + scale[rng.below(scale.len())]).collect();
        for step in 0..area.entries() {
            let lift = [0, 0, 5, 0, 7, 0, 3, -2, 0][step / 8 % 9];
            let kind = match step {
                64 => 3,
                65.. => 0,
                _ if rng.chance(0.12) => 1,
                _ if step % 8 == 7 && rng.chance(0.4) => 2,
                _ => 0,
            };
            let used = step < 64;
            self.put(a, at("kind"), codes, step, kind);
            let note = if used && kind != 1 {
                (riff[step % 8] + lift).clamp(0, 60)
            } else {
                0
            };
            self.put(a, at("note"), codes, step, note);
            let length = if used {
                *rng.pick(&[6, 6, 6, 12, 12, 24])
            } else {
                6
            };
            self.put(a, at("length"), codes, step, length);
            let accent = if !used {
                0
            } else if step % 4 == 0 {
                12
            } else {
                4 + rng.below(5) as i64
            };
            self.put(a, at("accent"), codes, step, accent);
            self.put(
                a,
                at("glide"),
                codes,
                step,
                i64::from(used && rng.chance(0.1)),
            );
        }
    }

    fn chain(&self, a: usize, codes: &mut Codes, rng: &mut Rng) {
        let area = &self.layout.areas[a];
        let at = |key: &str| area.parameter(key).expect("a parameter of the chain");
        for section in 0..area.entries() {
            let used = section < 6;
            let start = if used { 1 + 8 * rng.below(8) as i64 } else { 1 };
            self.put(a, at("start"), codes, section, start);
            self.put(
                a,
                at("repeats"),
                codes,
                section,
                if used { 1 + rng.below(4) as i64 } else { 0 },
            );
            let shift = if used && rng.chance(0.3) {
                *rng.pick(&[-5, 3, 5, 7])
            } else {
                0
            };
            self.put(a, at("shift"), codes, section, shift);
        }
    }

    /// Found by a tuning routine: small corrections around nothing.
    fn calibration(&self, a: usize, codes: &mut Codes, rng: &mut Rng) {
        let area = &self.layout.areas[a];
        for entry in 0..area.entries() {
            for (p, parameter) in area.parameters.iter().enumerate() {
                let (low, high) = (*parameter.range.start(), *parameter.range.end());
                let number = match parameter.scale {
                    Scale::OnOff => 0,
                    _ => (low + high) / 2 + rng.about((high - low) as f64 * 0.12).round() as i64,
                };
                self.put(a, p, codes, entry, number.clamp(low, high));
            }
        }
    }

    /// The preset last recalled, one knob turned since.
    fn edit_buffer(&self, a: usize, codes: &mut Codes, rng: &mut Rng) {
        let presets = self
            .layout
            .areas
            .iter()
            .position(|p| p.name == "presets")
            .expect("presets beside an edit buffer");
        let from = rng.below(20);
        for field in 0..self.layout.areas[a].fields.len() {
            let (code, _) = codes.areas[presets].get(from, field);
            codes.areas[a].set(0, field, code);
        }
        if let Some(p) = self.layout.areas[a].parameter("filter.cutoff") {
            self.put(a, p, codes, 0, 97);
        }
    }

    /// Everything else: settings as somebody plausibly left them.
    fn settings(&self, a: usize, codes: &mut Codes, rng: &mut Rng) {
        let area = &self.layout.areas[a];
        let sound = Character::draw(rng);
        for entry in 0..area.entries() {
            let place = area.indices(entry);
            for (p, parameter) in area.parameters.iter().enumerate() {
                let (low, high) = (*parameter.range.start(), *parameter.range.end());
                let number = match parameter.key.as_str() {
                    "name" => {
                        let name = patch::name(sound.family, rng);
                        self.put_text(a, p, codes, entry, &name[..name.len().min(10)]);
                        continue;
                    }
                    "owner" => {
                        self.put_text(a, p, codes, entry, "KEEP ON SHELF 2");
                        continue;
                    }
                    "selected.preset" => bank_and_place(rng),
                    "split.note" => 60,
                    "last.step" => 64,
                    "tempo" => *rng.pick(&[96, 104, 112, 120, 126, 132]),
                    "last.preset" => 1 + rng.below(100) as i64,
                    "device.number" => 0,
                    "local.on" | "memory.protect" => match &parameter.scale {
                        Scale::Steps(steps) => steps[steps.len() - 1].0,
                        _ => 1,
                    },
                    "preset" => rng.below(100) as i64,
                    "part.on" => i64::from(place.last().is_some_and(|part| *part < 2 + entry % 4)),
                    "channel" => *place.last().unwrap_or(&0) as i64,
                    "lowest" => {
                        if place.last() == Some(&1) {
                            60
                        } else {
                            0
                        }
                    }
                    "highest" => {
                        if place.last() == Some(&0) && entry % 2 == 0 {
                            59
                        } else {
                            127
                        }
                    }
                    "level" | "volume" => high * 4 / 5,
                    _ if parameter.scale == Scale::OnOff => 0,
                    _ if low < 0 => rng.about(3.0).round() as i64,
                    _ => sound.number(parameter, rng),
                };
                self.put(a, p, codes, entry, number.clamp(low, high));
            }
        }
    }

    /// What nobody owns is not empty: a processor's scratch, and lines that no slider drives.
    pub(crate) fn litter(&self, memory: &mut Memory) {
        let mut rng = self.rng("litter");
        let mut images = memory.images().expect("a chip's shape");
        for (chip, first, last) in scratch(&self.layout.id) {
            for cell in first..=last {
                let byte = if rng.chance(0.5) {
                    0
                } else {
                    rng.below(256) as u8
                };
                images[chip].set_cell(cell, byte, 0xff);
            }
        }
        let refs: Vec<&ChipImage> = images.iter().collect();
        *memory = Memory::of_images(&self.layout, &refs).expect("the layout's own shape");
        if self.layout.id == "wrenfield-strings" {
            let area = &self.layout.areas[0];
            for entry in 0..area.entries() {
                for field in 0..area.fields.len() {
                    if area.fields[field].owner == FieldOwner::Reserved {
                        let places = area.field_places(entry, field).to_vec();
                        memory.scatter(&places, rng.below(8) as u64);
                    }
                }
            }
        }
    }

    /// Makes every check and copy hold.
    fn close(&self, memory: &mut Memory) {
        for fixed in [true, false] {
            for area in &self.layout.areas {
                for check in &area.checks {
                    if matches!(check.method, Method::Fixed { .. }) != fixed {
                        continue;
                    }
                    for instance in &check.instances {
                        let value =
                            checks::compute(check, instance, memory).expect("all bits are known");
                        memory.scatter(&instance.stored, value);
                    }
                }
            }
        }
        for area in &self.layout.areas {
            for copy in &area.copies {
                for (from, to) in area.places.iter().zip(&copy.places) {
                    let bit = memory.bit(*from).expect("all bits are known");
                    memory.set_bit(*to, bit);
                }
            }
        }
    }
}

/// Cells that a processor uses for itself: chip, first, last.
pub(crate) fn scratch(layout: &str) -> Vec<(usize, u32, u32)> {
    match layout {
        "pellow-six" => vec![(0, 0x7da, 0x7ff)],
        "tessaly-nine" => vec![(0, 0x7f00, 0x7fef)],
        _ => vec![],
    }
}

fn bank_and_place(rng: &mut Rng) -> i64 {
    10 * (1 + rng.below(8) as i64) + 1 + rng.below(8) as i64
}

/// Copies entries within one area, every field but the checks.
pub(crate) fn copy_entries(
    area: &Area,
    a: usize,
    codes: &mut Codes,
    from: usize,
    to: usize,
    count: usize,
) {
    for i in 0..count {
        for field in 0..area.fields.len() {
            let (code, _) = codes.areas[a].get(from + i, field);
            codes.areas[a].set(to + i, field, code);
        }
    }
}
