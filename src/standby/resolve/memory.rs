//! What the memory chips draw and need.

use super::super::error::StandbyError;
use super::super::physics;
use super::super::profile::check_temperature;
use super::super::setup::ChipLoad;
use super::super::tables::{Ground, Memory};
use super::super::units::{Celsius, Range, Volts};
use super::{RETENTION, Resolver, positive};

impl Resolver<'_> {
    pub(super) fn memory(&mut self) -> Result<(Vec<ChipLoad>, Volts), StandbyError> {
        let mut chips = Vec::new();
        let mut retention: Option<(Volts, (Ground, String))> = None;
        let mut keep = |volts: Volts, from: (Ground, String)| {
            if retention.as_ref().is_none_or(|r| volts.0 > r.0.0) {
                retention = Some((volts, from));
            }
        };
        if let Some(current) = self.request.current {
            positive("the standby current", current)?;
            let points = vec![(Celsius(25.0), current)];
            chips.push(ChipLoad {
                typical: points.clone(),
                worst: points,
            });
            let from = (Ground::Given, "command line".to_owned());
            self.note(
                "I",
                "standby current at 25 °C",
                Range::exactly(current),
                from,
            );
        }
        for (part, count) in &self.request.chips {
            let Some((key, memory)) = self.tables.memory(part) else {
                return Err(StandbyError::Unknown {
                    what: "memory chip",
                    name: part.clone(),
                    known: self.tables.memory.keys().cloned().collect(),
                });
            };
            let load = ChipLoad::of_table(memory);
            keep(
                Volts(memory.retention.volts),
                self.tables.cite(&memory.retention.from),
            );
            let key = key.to_owned();
            let from = self.tables.cite(&table_sources(memory));
            self.note_chip(&format!("{count} x {key}"), &load, f64::from(*count), from);
            chips.extend((0..*count).map(|_| load.clone()));
        }
        if let (true, Some(layout)) = (chips.is_empty(), self.layout) {
            for chip in &layout.chips {
                let table = chip.part.as_deref().and_then(|p| self.tables.memory(p));
                if let Some(volts) = chip.retention_volts {
                    keep(Volts(volts), self.layout_ground());
                } else if let Some((_, memory)) = table {
                    keep(
                        Volts(memory.retention.volts),
                        self.tables.cite(&memory.retention.from),
                    );
                }
                let (load, from) = match (ChipLoad::of_layout(chip), table) {
                    (Some(load), _) => (load, self.layout_ground()),
                    (None, Some((_, memory))) => (
                        ChipLoad::of_table(memory),
                        self.tables.cite(&table_sources(memory)),
                    ),
                    (None, None) if self.request.measured.is_some() => continue,
                    (None, None) => {
                        return Err(StandbyError::Missing {
                            what: "the standby current of a chip of the layout",
                            hint: "give `standby` or `part` for each [[chip]], or say --current or --measured",
                        });
                    }
                };
                self.note_chip(&chip.id, &load, 1.0, from);
                chips.push(load);
            }
        }
        if chips.is_empty() && self.request.measured.is_none() {
            return Err(StandbyError::Missing {
                what: "what the memory draws",
                hint: "say --chip 6116x2, --current \"2 uA\" or --measured \"1.2 uA\", or give a layout",
            });
        }
        if let Some(m) = self.request.measured {
            positive("the measured current", m.current)?;
            check_temperature("the temperature of the measurement", m.celsius)?;
            if m.current.0 > 1.0 {
                return Err(StandbyError::Absurd {
                    what: "the measured current",
                    value: m.current.to_string(),
                    why: "over 1 A is a short circuit, not a standby current".to_owned(),
                });
            }
            let from = (Ground::Measured, format!("measured at {}", m.celsius));
            self.note("I", "standby current", Range::exactly(m.current), from);
        }
        let practice = "2.0 V holds for every classic part (MWS5101, DS2016, HM-65162, DS2064, WS6264 data sheets)";
        let (volts, from) = self
            .given(self.request.retention, None)
            .or(retention)
            .unwrap_or((RETENTION, (Ground::Assumed, practice.to_owned())));
        if !(0.5..=5.0).contains(&volts.0) {
            return Err(StandbyError::Absurd {
                what: "the retention voltage",
                value: volts.to_string(),
                why: "static memory keeps its contents down to something between 0.5 and 5 V"
                    .to_owned(),
            });
        }
        self.note("Vr", "retention voltage", Range::exactly(volts), from);
        Ok((chips, volts))
    }

    fn note_chip(&mut self, name: &str, load: &ChipLoad, count: f64, from: (Ground, String)) {
        let at = Celsius(25.0);
        let amps = |points| physics::current_between(points, at).unwrap_or_default() * count;
        let typical = amps(&load.typical);
        let range = Range::new(typical, amps(&load.worst).max(typical));
        self.note(
            "I",
            &format!("standby current of {name} at 25 °C"),
            range,
            from,
        );
    }
}

fn table_sources(memory: &Memory) -> Vec<String> {
    let mut keys: Vec<String> = Vec::new();
    for key in memory.standby.iter().flat_map(|s| &s.from) {
        if !keys.contains(key) {
            keys.push(key.clone());
        }
    }
    keys
}
