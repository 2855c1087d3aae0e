//! Finds each figure where it is trusted most and notes where it came from; refuses nonsense with the reason.

use crate::layout::model::Layout;

use super::error::StandbyError;
use super::profile::Profile;
use super::setup::{Battery, Figure, KeepAlive, Request, Setup};
use super::tables::{Blocking, Capacitor, Ground, Per, Tables};
use super::units::{
    self, AmpHours, Amps, Celsius, Farads, HOURS_A_YEAR, Ohms, Quantity, Range, Volts, Years,
};

mod memory;

/// The retention voltage that holds for every classic part: its data sheets say 2 V (MWS5101, DS2016, HM-65162,
/// DS2064, WS6264).
const RETENTION: Volts = Volts(2.0);

/// Hours a year an instrument is assumed to be on when nothing is said.
const HOURS_ON: f64 = 300.0;

impl Setup {
    /// Settles every figure.
    ///
    /// # Errors
    /// When a figure is missing, unknown to the tables, or nonsense; the reason is told.
    pub fn resolve(
        request: &Request,
        layout: Option<&Layout>,
        tables: &Tables,
    ) -> Result<Self, StandbyError> {
        let mut resolver = Resolver {
            request,
            layout,
            tables,
            figures: Vec::new(),
        };
        let battery = resolver.battery(request.battery.as_deref())?;
        let (blocking, measured_drop) = resolver.blocking()?;
        let series = resolver.series()?;
        let charging = resolver.charging(&battery)?;
        let supply = resolver.supply()?;
        let (chips, retention) = resolver.memory()?;
        let hold_up = resolver.hold_up()?;
        let (profile, duty) = resolver.year()?;
        let keep_alive = resolver.keep_alive()?;
        let setup = Self {
            title: layout.map_or_else(|| "this memory".to_owned(), |l| l.name.clone()),
            battery,
            blocking,
            measured_drop,
            series,
            charging,
            supply,
            hold_up,
            retention,
            measured: request.measured,
            profile,
            duty,
            keep_alive,
            figures: resolver.figures,
            chips,
        };
        setup.check_drop()?;
        Ok(setup)
    }

    /// The same setup with another battery, for the question what a change of chemistry does.
    ///
    /// # Errors
    /// When the tables do not have it, or its voltage lies below the drop.
    pub fn with_battery(&self, key: &str, tables: &Tables) -> Result<Self, StandbyError> {
        let request = Request::default();
        let mut resolver = Resolver {
            request: &request,
            layout: None,
            tables,
            figures: Vec::new(),
        };
        let battery = resolver.battery(Some(key))?;
        let mut setup = self.clone();
        let replaced: Vec<&str> = resolver.figures.iter().map(|f| f.symbol.as_str()).collect();
        setup
            .figures
            .retain(|f| !replaced.contains(&f.symbol.as_str()));
        setup.battery = battery;
        setup.figures.extend(resolver.figures);
        setup.check_drop()?;
        Ok(setup)
    }

    fn check_drop(&self) -> Result<(), StandbyError> {
        let drop = self.drop().typical;
        let battery = self.battery.fresh().typical;
        if drop.0 >= battery.0 {
            return Err(StandbyError::DropAboveCell { drop, battery });
        }
        Ok(())
    }
}

/// Picks figures in order of trust and notes each.
struct Resolver<'a> {
    request: &'a Request,
    layout: Option<&'a Layout>,
    tables: &'a Tables,
    figures: Vec<Figure>,
}

impl Resolver<'_> {
    fn note<T: Quantity>(
        &mut self,
        symbol: &str,
        name: &str,
        range: Range<T>,
        from: (Ground, String),
    ) {
        self.figures.push(Figure {
            symbol: symbol.to_owned(),
            name: name.to_owned(),
            typical: range.typical.value(),
            worst: range.worst.value(),
            unit: T::UNIT.to_owned(),
            shown: range.to_string(),
            ground: from.0,
            source: from.1,
        });
    }

    /// What was given, else what the layout says.
    fn given<T>(&self, given: Option<T>, layout: Option<T>) -> Option<(T, (Ground, String))> {
        given
            .map(|v| (v, (Ground::Given, "command line".to_owned())))
            .or_else(|| layout.map(|v| (v, self.layout_ground())))
    }

    fn layout_ground(&self) -> (Ground, String) {
        let name = self.layout.map_or("", |l| l.id.as_str());
        (Ground::Layout, format!("layout {name}"))
    }

    fn battery(&mut self, given: Option<&str>) -> Result<Battery, StandbyError> {
        let bench = self.layout.map(|l| &l.bench);
        let from_bench = bench.and_then(|b| b.battery.as_deref());
        // Cells and capacity of the layout belong to the layout's battery only.
        let bench = if given.is_some() && given != from_bench {
            None
        } else {
            bench
        };
        let key = given.or(from_bench).ok_or(StandbyError::Missing {
            what: "the battery",
            hint: "say --battery KEY, such as cr2032 or nicd-pack, or give a layout whose [bench] names it",
        })?;
        let key = key.to_ascii_lowercase();
        let size = self.tables.size.get(&key);
        let chemistry_key = size.map_or(key.as_str(), |s| s.chemistry.as_str());
        let Some(chemistry) = self.tables.chemistry.get(chemistry_key) else {
            let sizes = self.tables.size.keys().chain(self.tables.chemistry.keys());
            return Err(StandbyError::Unknown {
                what: "battery",
                name: key,
                known: sizes.cloned().collect(),
            });
        };
        let cells = self
            .request
            .cells
            .or(bench.and_then(|b| b.cells))
            .or(size.map(|s| s.cells))
            .ok_or(StandbyError::Missing {
                what: "the number of cells in series",
                hint: "say --cells N, or name a size such as nicd-pack for --battery",
            })?;
        if cells == 0 || cells > 12 {
            return Err(StandbyError::Absurd {
                what: "the number of cells",
                value: cells.to_string(),
                why: "a memory battery has from 1 to 12".to_owned(),
            });
        }
        let layout_capacity = bench
            .and_then(|b| b.capacity_mah)
            .map(|c| AmpHours(c / 1e3));
        let (capacity, from) = match self.given(self.request.capacity, layout_capacity) {
            Some((c, from)) => (Range::exactly(c), from),
            None => {
                let size = size.ok_or(StandbyError::Missing {
                    what: "the battery's capacity",
                    hint: "say --capacity \"100 mAh\", or name a size for --battery",
                })?;
                let range = size.capacity.range(|mah| AmpHours(mah / 1e3));
                (range, self.tables.cite(&size.capacity.from))
            }
        };
        positive("the capacity", capacity.typical)?;
        if capacity.typical.0 > 100.0 {
            return Err(StandbyError::Absurd {
                what: "the capacity",
                value: capacity.typical.to_string(),
                why: "a memory battery has less than 100 Ah".to_owned(),
            });
        }
        // Of a chemistry without a size the strictest limit of its sizes holds.
        let of_chemistry = self
            .tables
            .size
            .values()
            .filter(|s| size.is_none() && s.chemistry == chemistry_key)
            .filter_map(|s| s.reverse.as_ref())
            .min_by(|a, b| a.value.total_cmp(&b.value));
        let reverse = size.and_then(|s| s.reverse.as_ref()).or(of_chemistry);
        let continuous = size.and_then(|s| s.continuous.as_ref());
        let name = match size {
            Some(s) => format!("{} ({})", s.name, chemistry.name),
            None => format!("{cells} x {}", chemistry.name),
        };
        self.note("C", &format!("capacity of the {name}"), capacity, from);
        let curve = &chemistry.curve;
        let fresh = Range::new(curve.fresh(), curve.fresh() - Volts(curve.sag));
        let from = self.tables.cite(&curve.from);
        self.note("Vc", "a fresh cell", fresh, from.clone());
        self.note(
            "Ve",
            "end point of a cell",
            Range::exactly(curve.end()),
            from,
        );
        self.figures.push(Figure {
            symbol: "k".to_owned(),
            name: format!("self-discharge at {}", Celsius(chemistry.loss.celsius)),
            typical: chemistry.loss.typical,
            worst: chemistry.loss.worst,
            unit: String::new(),
            shown: format!(
                "{} % a {} (worst {} %)",
                units::figures(chemistry.loss.typical * 100.0),
                if chemistry.loss.per == Per::Month {
                    "month"
                } else {
                    "year"
                },
                units::figures(chemistry.loss.worst * 100.0)
            ),
            ground: self.tables.cite(&chemistry.loss.from).0,
            source: self.tables.cite(&chemistry.loss.from).1,
        });
        let storage = Range::new(
            Years(chemistry.storage.typical),
            Years(chemistry.storage.worst),
        );
        let from = self.tables.cite(&chemistry.storage.from);
        self.note(
            "SL",
            &format!("storage life up to {}", Celsius(chemistry.storage.celsius)),
            storage,
            from,
        );
        let limit = match (self.request.reverse_limit, reverse) {
            (Some(limit), _) => {
                positive("the reverse current limit", limit)?;
                Some((limit, (Ground::Given, "command line".to_owned())))
            }
            (None, Some(one)) => Some((Amps(one.value / 1e3), self.tables.cite(&one.from))),
            (None, None) => None,
        };
        if let Some((limit, from)) = limit.clone() {
            self.note("Ir", "reverse current at most", Range::exactly(limit), from);
        }
        Ok(Battery {
            name,
            chemistry: chemistry.clone(),
            cells: f64::from(cells),
            capacity,
            reverse: limit.map(|l| l.0),
            continuous: continuous.map(|one| Amps(one.value / 1e3)),
        })
    }

    fn blocking(&mut self) -> Result<(Blocking, Option<Volts>), StandbyError> {
        let bench = self.layout.and_then(|l| l.bench.blocking.clone());
        let (key, _) = self
            .given(self.request.blocking.clone(), bench)
            .unwrap_or(("silicon".to_owned(), (Ground::Assumed, String::new())));
        let key = key.to_ascii_lowercase();
        let Some(blocking) = self.tables.blocking.get(&key) else {
            return Err(StandbyError::Unknown {
                what: "blocking part",
                name: key,
                known: self.tables.blocking.keys().cloned().collect(),
            });
        };
        if let Some(drop) = self.request.drop {
            if !(0.0..=5.0).contains(&drop.0) {
                return Err(StandbyError::Absurd {
                    what: "the drop of the blocking part",
                    value: drop.to_string(),
                    why: "a part in a battery's line drops from 0 to 5 V".to_owned(),
                });
            }
            let from = (Ground::Measured, "command line".to_owned());
            self.note(
                "Vf",
                "drop of the blocking part",
                Range::exactly(drop),
                from,
            );
        } else {
            let at = Range::exactly(Amps(1e-6));
            let drop = blocking.drop(at, Range::exactly(Celsius(25.0)));
            let from = self.tables.cite(&blocking.drop.from);
            self.note("Vf", &format!("{} at 1 µA", blocking.name), drop, from);
        }
        if let Some(leak) = &blocking.leak {
            let from = self.tables.cite(&leak.from);
            self.note("Il", "its leak backwards at 25 °C", leak.range(Amps), from);
        }
        Ok((blocking.clone(), self.request.drop))
    }

    fn series(&mut self) -> Result<Ohms, StandbyError> {
        let bench = self.layout.and_then(|l| l.bench.series_ohms).map(Ohms);
        let none = (
            Ohms(0.0),
            (Ground::Assumed, "no resistor was named".to_owned()),
        );
        let (series, from) = self.given(self.request.series, bench).unwrap_or(none);
        not_negative("the series resistor", series)?;
        self.note(
            "R",
            "resistor between battery and memory",
            Range::exactly(series),
            from,
        );
        Ok(series)
    }

    fn charging(&mut self, battery: &Battery) -> Result<Option<Ohms>, StandbyError> {
        let bench = self.layout.and_then(|l| l.bench.charge_ohms).map(Ohms);
        let found = self.given(self.request.charging, bench).or_else(|| {
            let series = self
                .request
                .series
                .or_else(|| self.layout.and_then(|l| l.bench.series_ohms).map(Ohms))?;
            let why = "taken to be the resistor between battery and memory".to_owned();
            (battery.chemistry.rechargeable && series.0 > 0.0)
                .then_some((series, (Ground::Assumed, why)))
        });
        let Some((charging, from)) = found else {
            return Ok(None);
        };
        positive("the charging resistor", charging)?;
        self.note(
            "Rc",
            "resistor between supply and battery",
            Range::exactly(charging),
            from,
        );
        Ok(Some(charging))
    }

    fn supply(&mut self) -> Result<Volts, StandbyError> {
        let bench = self.layout.and_then(|l| l.bench.supply_volts).map(Volts);
        let usual = (Volts(5.0), (Ground::Assumed, "the usual 5 V".to_owned()));
        let (supply, from) = self.given(self.request.supply, bench).unwrap_or(usual);
        positive("the supply", supply)?;
        if supply.0 > 24.0 {
            return Err(StandbyError::Absurd {
                what: "the supply",
                value: supply.to_string(),
                why: "a memory's supply lies below 24 V".to_owned(),
            });
        }
        self.note(
            "Vs",
            "supply with the instrument on",
            Range::exactly(supply),
            from,
        );
        Ok(supply)
    }

    fn hold_up(&mut self) -> Result<Option<(Farads, Capacitor)>, StandbyError> {
        let bench = self.layout.and_then(|l| l.bench.hold_up_farads).map(Farads);
        let Some((farads, from)) = self.given(self.request.hold_up, bench) else {
            return Ok(None);
        };
        positive("the hold-up capacitor", farads)?;
        let key = match &self.request.capacitor {
            Some(key) => key.to_ascii_lowercase(),
            None if farads.0 >= 0.01 => "supercapacitor".to_owned(),
            None => "electrolytic".to_owned(),
        };
        let Some(kind) = self.tables.capacitor.get(&key) else {
            return Err(StandbyError::Unknown {
                what: "capacitor",
                name: key,
                known: self.tables.capacitor.keys().cloned().collect(),
            });
        };
        let worst = farads * (1.0 - kind.tolerance.value);
        self.note("Ch", "hold-up capacitor", Range::new(farads, worst), from);
        let leak = kind.leak_per_farad.range(|per| Amps(per * farads.0));
        let from = self.tables.cite(&kind.leak_per_farad.from);
        self.note("Ilc", &format!("leak of the {}", kind.name), leak, from);
        Ok(Some((farads, kind.clone())))
    }

    fn year(&mut self) -> Result<(Profile, f64), StandbyError> {
        let (profile, from) = match &self.request.profile {
            Some(p) => (p.clone(), (Ground::Given, "command line".to_owned())),
            None => (
                Profile::constant(Celsius(25.0))?,
                (Ground::Assumed, "25 °C all year".to_owned()),
            ),
        };
        self.note(
            "T",
            "temperature, mean and hottest",
            Range::new(profile.mean(), profile.hottest()),
            from,
        );
        let hours = self.request.hours_on.unwrap_or(HOURS_ON);
        if !(0.0..=HOURS_A_YEAR).contains(&hours) {
            return Err(StandbyError::Absurd {
                what: "the time the instrument is on",
                value: format!("{hours} hours a year"),
                why: "a year has 8760 hours".to_owned(),
            });
        }
        let ground = if self.request.hours_on.is_some() {
            Ground::Given
        } else {
            Ground::Assumed
        };
        self.figures.push(Figure {
            symbol: "d".to_owned(),
            name: "share of the time the instrument is on".to_owned(),
            typical: hours / HOURS_A_YEAR,
            worst: hours / HOURS_A_YEAR,
            unit: String::new(),
            shown: format!("{:.1} %", hours / HOURS_A_YEAR * 100.0),
            ground,
            source: format!("{hours} hours a year"),
        });
        Ok((profile, hours / HOURS_A_YEAR))
    }

    fn keep_alive(&mut self) -> Result<KeepAlive, StandbyError> {
        let usual = KeepAlive {
            supply: Volts(3.0),
            resistor: Ohms(10e3),
        };
        let practice = self.tables.cite(&["keep-alive".to_owned()]);
        let (keep, from) = self
            .given(self.request.keep_alive, None)
            .unwrap_or((usual, practice));
        positive("the keep-alive supply", keep.supply)?;
        positive("the keep-alive resistor", keep.resistor)?;
        if keep.supply.0 > self.request.supply.map_or(5.5, |s| s.0.max(5.5)) {
            return Err(StandbyError::Absurd {
                what: "the keep-alive supply",
                value: keep.supply.to_string(),
                why: "it must not lie above the memory's own supply".to_owned(),
            });
        }
        self.note(
            "Vk",
            "keep-alive supply",
            Range::exactly(keep.supply),
            from.clone(),
        );
        self.note(
            "Rk",
            "keep-alive resistor",
            Range::exactly(keep.resistor),
            from,
        );
        Ok(keep)
    }
}

fn positive<T: Quantity>(what: &'static str, value: T) -> Result<(), StandbyError> {
    if value.value() > 0.0 {
        Ok(())
    } else {
        Err(StandbyError::NotPositive {
            what,
            value: value.to_string(),
        })
    }
}

fn not_negative<T: Quantity>(what: &'static str, value: T) -> Result<(), StandbyError> {
    if value.value() >= 0.0 {
        Ok(())
    } else {
        Err(StandbyError::Absurd {
            what,
            value: value.to_string(),
            why: "it cannot lie below zero".to_owned(),
        })
    }
}
