//! The physics of one pack: cells, sensors, charge, insulation, current.
//!
//! Input: what a scenario sets, and time. Output: voltages and temperatures as they really are.
//! Does not: switch, protect or report (see [`crate::control`] and [`crate::registers`]).

use std::time::Duration;

use packside_profiles::model::{Count, Profile};
use packside_profiles::{Layout, Role};

use crate::cell::{RESISTANCE, open_circuit};
use crate::dice::Dice;
use crate::scenario::{Event, Stack};

/// One cell.
#[derive(Debug, Clone, Default)]
struct Cell {
    offset: f64,
    forced: Option<f64>,
    lost: bool,
}

/// One temperature sensor.
#[derive(Debug, Clone, Default)]
struct Sensor {
    offset: f64,
    forced: Option<f64>,
    lost: bool,
}

#[derive(Debug, Clone, Default)]
struct Module {
    cells: Vec<Cell>,
    sensors: Vec<Sensor>,
}

/// One pack as it really is.
#[derive(Debug, Clone)]
pub(crate) struct Pack {
    modules: Vec<Module>,
    chemistry: String,
    temperature: f64,
    capacity_ah: f64,
    /// State of charge, %.
    pub(crate) soc: f64,
    /// Insulation against earth, kOhm.
    pub(crate) insulation_kohm: f64,
    /// Current flowing now, A, positive into the battery.
    pub(crate) current: f64,
}

/// How many modules a pack of this profile has, at most as many as wanted.
pub(crate) fn module_count(profile: &Profile, wanted: u16) -> u16 {
    let cells = profile.points.iter().find(|p| p.role == Role::CellVoltage);
    let group = cells
        .and_then(|p| p.group.as_ref())
        .and_then(|id| profile.groups.iter().find(|g| g.id == *id));
    group.map_or(1, |g| wanted.clamp(1, g.at_most.max(1)))
}

impl Pack {
    /// A pack at power-up, its small differences thrown from the dice.
    pub(crate) fn new(profile: &Profile, stack: &Stack, dice: &mut Dice) -> Self {
        let sensors = profile
            .points
            .iter()
            .find(|p| p.role == Role::CellTemperature);
        let sensors = match sensors.map(|p| p.repeat.as_ref().map(|r| &r.count)) {
            None => 0,
            Some(None) => 1,
            Some(Some(Count::Fixed(n))) => *n,
            Some(Some(Count::Named(_))) => profile.unit.cells_per_module,
        };
        let mut module = || Module {
            cells: (0..profile.unit.cells_per_module)
                .map(|_| Cell {
                    offset: dice.around_zero() * stack.spread_mv / 1000.0,
                    ..Cell::default()
                })
                .collect(),
            sensors: (0..sensors)
                .map(|_| Sensor {
                    offset: dice.around_zero() * 0.6,
                    ..Sensor::default()
                })
                .collect(),
        };
        Self {
            modules: (0..module_count(profile, stack.modules))
                .map(|_| module())
                .collect(),
            chemistry: profile.unit.chemistry.clone(),
            temperature: stack.temperature,
            capacity_ah: stack.capacity_ah.max(0.1),
            soc: stack.soc,
            insulation_kohm: stack.insulation_kohm,
            current: 0.0,
        }
    }

    /// Counts of the profile's repetitions, for its layout.
    pub(crate) fn modules(&self) -> u16 {
        u16::try_from(self.modules.len()).unwrap_or(u16::MAX)
    }

    /// Lets the current flow for a while.
    pub(crate) fn flow(&mut self, time: Duration) {
        let hours = time.as_secs_f64() / 3600.0;
        self.soc = (self.soc + self.current * hours / self.capacity_ah * 100.0).clamp(0.0, 100.0);
    }

    /// Does what an event says about cells, sensors, charge and insulation.
    pub(crate) fn apply(&mut self, event: &Event) {
        self.soc = event.soc.unwrap_or(self.soc).clamp(0.0, 100.0);
        self.insulation_kohm = event.insulation_kohm.unwrap_or(self.insulation_kohm);
        let chosen = |wanted: Option<u16>, index: usize| {
            wanted.is_none_or(|n| usize::from(n).checked_sub(1) == Some(index))
        };
        for (m, module) in self.modules.iter_mut().enumerate() {
            if !chosen(event.module, m) {
                continue;
            }
            for (c, cell) in module.cells.iter_mut().enumerate() {
                if chosen(event.cell, c) {
                    cell.forced = event.volts.or(cell.forced);
                    let lost = event.lost.filter(|_| event.cell.is_some());
                    cell.lost = lost.unwrap_or(cell.lost);
                }
            }
            for (s, sensor) in module.sensors.iter_mut().enumerate() {
                if chosen(event.sensor, s) {
                    sensor.forced = event.celsius.or(sensor.forced);
                    let lost = event.lost.filter(|_| event.sensor.is_some());
                    sensor.lost = lost.unwrap_or(sensor.lost);
                }
            }
        }
    }

    /// Voltage of a cell without its small difference and without current.
    fn rest(&self) -> f64 {
        open_circuit(&self.chemistry, self.soc)
    }

    fn volts(&self, cell: &Cell, rest: f64) -> f64 {
        cell.forced.unwrap_or(rest + cell.offset) + self.current * RESISTANCE
    }

    /// Voltage of a cell (both counted from 1) as the control unit sees it; nothing if it is lost.
    pub(crate) fn cell(&self, module: u16, cell: u16) -> Option<f64> {
        let module = self.modules.get(usize::from(module).checked_sub(1)?)?;
        let cell = module.cells.get(usize::from(cell).checked_sub(1)?)?;
        (!cell.lost).then(|| self.volts(cell, self.rest()))
    }

    /// Temperature of a sensor (both counted from 1); nothing if it is lost.
    pub(crate) fn sensor(&self, module: u16, sensor: u16) -> Option<f64> {
        let module = self.modules.get(usize::from(module).checked_sub(1)?)?;
        let sensor = module.sensors.get(usize::from(sensor).checked_sub(1)?)?;
        (!sensor.lost).then(|| self.celsius(sensor))
    }

    fn celsius(&self, sensor: &Sensor) -> f64 {
        sensor.forced.unwrap_or(self.temperature + sensor.offset)
    }

    /// Voltage of a module (from 1), really.
    pub(crate) fn module_voltage(&self, module: u16) -> f64 {
        let module = usize::from(module)
            .checked_sub(1)
            .and_then(|m| self.modules.get(m));
        let rest = self.rest();
        module.map_or(0.0, |m| m.cells.iter().map(|c| self.volts(c, rest)).sum())
    }

    /// Voltage of the pack, really.
    pub(crate) fn voltage(&self) -> f64 {
        (1..=self.modules()).map(|m| self.module_voltage(m)).sum()
    }

    /// Lowest and highest readable cell.
    pub(crate) fn cell_extremes(&self) -> Option<(f64, f64)> {
        let cells = self.modules.iter().flat_map(|m| &m.cells);
        let rest = self.rest();
        extremes(cells.filter(|c| !c.lost).map(|c| self.volts(c, rest)))
    }

    /// Lowest and highest readable temperature.
    pub(crate) fn temperature_extremes(&self) -> Option<(f64, f64)> {
        let sensors = self.modules.iter().flat_map(|m| &m.sensors);
        extremes(sensors.filter(|s| !s.lost).map(|s| self.celsius(s)))
    }

    /// Whether a cell, and whether a sensor gives no value.
    pub(crate) fn lost(&self) -> (bool, bool) {
        let cell = self.modules.iter().flat_map(|m| &m.cells).any(|c| c.lost);
        let sensor = self.modules.iter().flat_map(|m| &m.sensors).any(|s| s.lost);
        (cell, sensor)
    }
}

fn extremes(values: impl Iterator<Item = f64>) -> Option<(f64, f64)> {
    values.fold(None, |found, v| {
        let (low, high) = found.unwrap_or((v, v));
        Some((low.min(v), high.max(v)))
    })
}

/// The layout of a pack's registers.
pub(crate) fn layout(profile: &Profile, modules: u16, packs: u8) -> Layout {
    let mut known = packside_profiles::Known::default();
    let groups = profile.groups.iter().map(|g| &g.count);
    let repeats = profile.points.iter().filter_map(|p| p.repeat.as_ref());
    for count in groups.chain(repeats.map(|r| &r.count)) {
        let Count::Named(id) = count else { continue };
        let role = profile.points.iter().find(|p| p.id == *id).map(|p| p.role);
        let value = match role {
            Some(Role::ModuleCount) => modules,
            Some(Role::PackCount) => packs.into(),
            _ => profile.unit.cells_per_module,
        };
        known.counts.insert(id.clone(), value);
    }
    Layout::new(profile, &known)
}
