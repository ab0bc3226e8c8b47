//! One pack as it really is, and as its control unit sees it.
//!
//! Input: what a scenario says, orders to the switches, a wanted current, time. Output: voltages,
//! temperatures, currents: the truth, and the readings of it. Does not: decide, protect or report
//! (see [`crate::control`] and [`crate::registers`]).
//!
//! # Steps
//! A cell's solution is exact while the current stays, so the cells move only when the current
//! changes, or once a second; the circuit around them moves with every look of the control unit.
//!
//! # Invariants
//! - Charge: what went through the circuit went into (or came out of) every cell.
//! - Only additions, multiplications and divisions: the same bits on every machine.

mod cell;
mod circuit;
mod events;
mod heat;
mod sense;
mod shape;

use std::time::Duration;

use packside_profiles::StateKind;
use packside_profiles::model::Profile;

use crate::cell_plan::{CellPlan, CircuitPlan};
use crate::dice::Dice;
use crate::scenario::Stack;
use cell::{Cell, Curve, Stretch};
pub(crate) use circuit::{Circuit, Order};
use heat::Heat;
pub(crate) use sense::Read;
use sense::{Meter, Wire};
pub(crate) use shape::{layout, module_count, sensors_per_module};

/// The cells move at least so often.
const LONGEST: Duration = Duration::from_secs(1);
/// A change of current smaller than this waits for that, A.
const SMALL: f64 = 0.05;
/// Cells this far above the lowest are balanced, V. Kind: invented.
const BALANCED_ABOVE: f64 = 0.005;
/// Below this charge a higher voltage says nothing of a higher charge, so nothing is balanced.
/// Kind: invented, from the flat part of the curve of LFP.
const BALANCED_FROM: f64 = 0.9;

/// Cables, fuse and switches between two packs side by side, Ohm for each. Kind: invented.
const LEADS: f64 = 0.005;

/// Where values of a flat list stand: so many in each module.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Places {
    in_module: usize,
}

impl Places {
    /// Index, module and place in it of each, from 0.
    fn of(self, count: usize) -> impl Iterator<Item = (usize, usize, usize)> {
        let each = self.in_module.max(1);
        (0..count).map(move |index| (index, index / each, index % each))
    }

    /// Whether a place is the one (from 1) that an event names; it is where none is named.
    fn chosen(self, wanted: Option<u16>, place: usize) -> bool {
        wanted.is_none_or(|n| usize::from(n).checked_sub(1) == Some(place))
    }

    /// Index of a place, both from 1.
    fn index(self, module: u16, item: u16) -> Option<usize> {
        let item = usize::from(item).checked_sub(1)?;
        let module = usize::from(module).checked_sub(1)?;
        (item < self.in_module).then_some(module * self.in_module + item)
    }
}

/// A module as a whole.
#[derive(Debug, Clone)]
struct Module {
    /// The number that it says it has.
    position: u16,
    /// Its own number, which it keeps wherever it stands.
    serial: u16,
    reversed: bool,
    /// Heat from outside, W.
    heated: f64,
    balanced: u64,
}

/// One pack.
#[derive(Debug, Clone)]
pub(crate) struct Pack {
    curve: Curve,
    cells: Vec<Cell>,
    cell_wires: Vec<Wire>,
    cell_places: Places,
    sensor_wires: Vec<Wire>,
    sensor_places: Places,
    modules: Vec<Module>,
    heat: Heat,
    constant: f64,
    balancing: Option<f64>,
    capacity_ah: f64,
    /// Current at which `volts` was, A.
    looked_at: f64,
    /// Current that flows to or from packs side by side, A, positive into the battery.
    pub(crate) equalising: f64,
    /// Charge that has gone through and is not yet in the cells, As, and in which time.
    waiting_charge: f64,
    waiting: Duration,
    /// What the control unit sees, kept while nothing moves.
    seen: Vec<Option<f64>>,
    extremes: Option<(f64, f64)>,
    cell_lost: bool,
    module_volts: Vec<f64>,
    volts: f64,
    /// Switches, pre-charge, terminals.
    pub(crate) circuit: Circuit,
    /// State of charge as the control unit counts it, %.
    pub(crate) soc: f64,
    /// Current that the inverter makes flow while the switches are closed, A, positive into the
    /// battery.
    pub(crate) wanted: f64,
    /// Current flowing now, A, positive into the battery.
    pub(crate) current: f64,
    current_offset: f64,
    current_reversed: bool,
    meter: Meter,
    insulation_kohm: f64,
    behind_kohm: Option<f64>,
    insulation_in: Vec<StateKind>,
    /// Insulation as last measured, kOhm; nothing before the first time.
    pub(crate) insulation: Option<f64>,
    /// Whether it is measured now.
    pub(crate) insulation_valid: bool,
}

impl Pack {
    /// A pack at power-up, its small differences thrown from the dice.
    pub(crate) fn new(
        profile: &Profile,
        stack: &Stack,
        (cells, circuit): (&CellPlan, &CircuitPlan),
        dice: &mut Dice,
    ) -> Self {
        let in_module = usize::from(profile.unit.cells_per_module);
        let sensors = usize::from(sensors_per_module(profile));
        let modules = module_count(profile, stack.modules);
        let capacity_ah = stack.capacity_ah.max(0.1);
        let constant = cells.polarisation_time.as_secs_f64().max(0.001);
        let (mut all, mut sensor_wires) = (Vec::new(), Vec::new());
        for _ in 0..modules {
            all.extend((0..in_module).map(|_| Cell {
                charge: stack.soc / 100.0,
                capacity_ah,
                worn: 1.0,
                ohm: cells.resistance_mohm / 1000.0,
                polarisation_ohm: cells.polarisation_mohm / 1000.0,
                polarisation: 0.0,
                leak: capacity_ah * cells.self_discharge / 100.0 / (30.0 * 24.0),
                bleed: 0.0,
                offset: dice.around_zero() * stack.spread_mv / 1000.0,
                forced: None,
            }));
            sensor_wires.extend((0..sensors).map(|_| Wire::new(dice, 0.6)));
        }
        for cell in &mut all {
            let mut apart = |percent: f64| 1.0 + dice.around_zero() * percent / 100.0;
            cell.capacity_ah *= apart(cells.capacity_spread);
            let ohmic = apart(cells.resistance_spread);
            cell.ohm *= ohmic;
            cell.polarisation_ohm *= ohmic;
            cell.charge += apart(cells.charge_spread) - 1.0;
        }
        let count = all.len();
        let mut pack = Self {
            curve: Curve::of(&profile.unit.chemistry.clean()),
            cell_wires: vec![Wire::default(); count],
            cells: all,
            cell_places: Places { in_module },
            sensor_wires,
            sensor_places: Places { in_module: sensors },
            modules: (1..=modules).map(Module::sound).collect(),
            heat: Heat::new(cells, count, stack.temperature),
            constant,
            balancing: cells.balancing_ma.map(|ma| ma / 1000.0),
            capacity_ah,
            looked_at: 0.0,
            equalising: 0.0,
            waiting_charge: 0.0,
            waiting: Duration::ZERO,
            seen: Vec::new(),
            extremes: None,
            cell_lost: false,
            module_volts: Vec::new(),
            volts: 0.0,
            circuit: Circuit::new(profile, circuit),
            soc: stack.soc,
            wanted: 0.0,
            current: 0.0,
            current_offset: 0.0,
            current_reversed: false,
            meter: Meter::Sound,
            insulation_kohm: stack.insulation_kohm,
            behind_kohm: circuit.insulation_kohm,
            insulation_in: circuit.insulation_in.clone(),
            insulation: None,
            insulation_valid: false,
        };
        pack.look();
        pack
    }

    /// Number of modules.
    pub(crate) fn modules(&self) -> u16 {
        u16::try_from(self.modules.len()).unwrap_or(u16::MAX)
    }

    /// Goes on for a while.
    pub(crate) fn flow(&mut self, time: Duration) {
        let wanted = self.wanted + self.equalising;
        let (charge, shown) = self.circuit.step(time, self.volts, wanted);
        let amps = shown / time.as_secs_f64();
        if (amps - self.current).abs() > SMALL {
            self.settle();
            self.current = amps;
            self.look();
        }
        self.current = amps;
        let counted = self.current_seen() * time.as_secs_f64() / 36.0;
        self.soc = (self.soc + counted / self.capacity_ah).clamp(0.0, 100.0);
        self.waiting_charge += charge;
        self.waiting += time;
        if self.waiting >= LONGEST {
            self.settle();
            self.look();
        }
    }

    /// Brings the cells up to now.
    fn settle(&mut self) {
        let seconds = self.waiting.as_secs_f64();
        if seconds <= 0.0 {
            return;
        }
        let amps = self.waiting_charge / seconds;
        self.waiting = Duration::ZERO;
        self.waiting_charge = 0.0;
        let stretch = Stretch::new(seconds, self.constant);
        let (curve, modules) = (self.curve, &self.modules);
        let each = self.cell_places.in_module.max(1);
        let joule = self.cells.iter_mut().enumerate().map(|(index, cell)| {
            let module = modules.get(index / each);
            let sign = if module.is_some_and(|m| m.reversed) {
                -1.0
            } else {
                1.0
            };
            #[expect(clippy::cast_precision_loss, reason = "at most some thousand cells")]
            let heated = module.map_or(0.0, |m| m.heated) / each as f64;
            cell.flow(&curve, sign * amps, &stretch) + heated * seconds
        });
        self.heat.step(seconds, joule);
        self.balance();
    }

    /// Chooses the cells to balance: those well above the lowest, where the curve is steep.
    fn balance(&mut self) {
        let Some((amps, (lowest, _))) = self.balancing.zip(self.extremes) else {
            return;
        };
        let from = self.curve.volts(BALANCED_FROM);
        for (index, module, cell) in self.cell_places.of(self.cells.len()) {
            let seen = self.seen.get(index).copied().flatten();
            let high = seen.is_some_and(|v| v > from && v > lowest + BALANCED_ABOVE);
            if let Some(cell) = self.cells.get_mut(index) {
                cell.bleed = if high { amps } else { 0.0 };
            }
            if let Some(module) = self.modules.get_mut(module).filter(|_| cell < 64) {
                module.balanced &= !(1 << cell);
                module.balanced |= u64::from(high) << cell;
            }
        }
    }

    /// Looks at all cells: what is really there, and what the control unit sees of it.
    fn look(&mut self) {
        self.module_volts.clear();
        self.module_volts.resize(self.modules.len(), 0.0);
        self.seen.clear();
        self.extremes = None;
        self.cell_lost = false;
        let each = self.cell_places.in_module.max(1);
        for (index, cell) in self.cells.iter().enumerate() {
            let sign = self.sign(index);
            let truth = cell.volts(&self.curve, sign * self.current);
            if let Some(sum) = self.module_volts.get_mut(index / each) {
                *sum += sign * truth;
            }
            let seen = self.cell_wires.get(index);
            let seen = seen.and_then(|wire| wire.read(truth).value());
            self.cell_lost |= seen.is_none();
            self.seen.push(seen);
            if let Some(volts) = seen {
                let (low, high) = self.extremes.unwrap_or((volts, volts));
                self.extremes = Some((low.min(volts), high.max(volts)));
            }
        }
        self.volts = self.module_volts.iter().sum();
        self.looked_at = self.current;
    }

    /// What it drives packs beside it with: its voltage but for the drop that shows at once, V, and
    /// the resistance of that drop, Ohm.
    pub(crate) fn source(&self) -> (f64, f64) {
        let ohm: f64 = self.cells.iter().map(|cell| cell.ohm).sum();
        (self.volts - self.looked_at * ohm, ohm + LEADS)
    }

    fn sign(&self, cell: usize) -> f64 {
        let module = self.modules.get(cell / self.cell_places.in_module.max(1));
        if module.is_some_and(|m| m.reversed) {
            -1.0
        } else {
            1.0
        }
    }

    /// Measures the insulation, in the states in which that is done.
    pub(crate) fn measure_insulation(&mut self, state: StateKind) {
        self.insulation_valid = if self.insulation_in.is_empty() {
            state != StateKind::SelfTest
        } else {
            self.insulation_in.contains(&state)
        };
        if self.insulation_valid {
            let behind = self.behind_kohm.filter(|_| self.circuit.is_connected());
            let own = self.insulation_kohm;
            let both = behind.map_or(own, |other| own * other / (own + other).max(1e-9));
            self.insulation = Some(both);
        }
    }

    /// Current as the unit measures it, A, positive into the battery.
    pub(crate) fn current_seen(&self) -> f64 {
        let sign = if self.current_reversed { -1.0 } else { 1.0 };
        sign * self.current + self.current_offset
    }

    /// Voltage of a cell (both counted from 1) as the control unit sees it; nothing if it is lost.
    pub(crate) fn cell(&self, module: u16, cell: u16) -> Option<f64> {
        let index = self.cell_places.index(module, cell)?;
        self.seen.get(index).copied().flatten()
    }

    /// Temperature of a sensor (both counted from 1) as the control unit sees it.
    pub(crate) fn sensor(&self, module: u16, sensor: u16) -> Read {
        let index = self.sensor_places.index(module, sensor);
        let wire = index.and_then(|index| Some((index, self.sensor_wires.get(index)?)));
        wire.map_or(Read::Lost, |(index, wire)| {
            wire.read(self.celsius_at(index))
        })
    }

    /// Temperature of the cell that a sensor (from 0) sits on; sensors are spread over a module.
    fn celsius_at(&self, sensor: usize) -> f64 {
        let (each, cells) = (
            self.sensor_places.in_module.max(1),
            self.cell_places.in_module,
        );
        let within = (2 * (sensor % each) + 1) * cells / (2 * each);
        let cell = sensor / each * cells + within;
        self.heat
            .celsius
            .get(cell)
            .copied()
            .unwrap_or(self.heat.ambient)
    }

    /// Voltage of a module (from 1) as its own board measures it.
    pub(crate) fn module_voltage(&self, module: u16) -> f64 {
        let index = usize::from(module).saturating_sub(1);
        self.module_volts
            .get(index)
            .map_or(0.0, |volts| volts.abs())
    }

    /// State of charge of a module (from 1), %, really.
    pub(crate) fn module_soc(&self, module: u16) -> f64 {
        let each = self.cell_places.in_module;
        let first = usize::from(module).saturating_sub(1) * each;
        let cells = self.cells.iter().skip(first).take(each);
        let sum: f64 = cells.map(|cell| cell.charge).sum();
        (sum * 100.0 / f64::from(u32::try_from(each).unwrap_or(1).max(1))).clamp(0.0, 100.0)
    }

    /// The number that the module in a place (from 1) says it has.
    pub(crate) fn position(&self, module: u16) -> u16 {
        let index = usize::from(module).saturating_sub(1);
        self.modules.get(index).map_or(module, |m| m.position)
    }

    /// The own number of the module in a place (from 1).
    pub(crate) fn serial(&self, module: u16) -> u16 {
        let index = usize::from(module).saturating_sub(1);
        self.modules.get(index).map_or(module, |m| m.serial)
    }

    /// Cells of a module (from 1) that are being balanced, one bit each.
    pub(crate) fn balanced(&self, module: u16) -> u64 {
        let index = usize::from(module).saturating_sub(1);
        self.modules.get(index).map_or(0, |m| m.balanced)
    }

    /// Whether any cell is being balanced.
    pub(crate) fn balances(&self) -> bool {
        self.modules.iter().any(|m| m.balanced != 0)
    }

    /// Voltage of the pack, really.
    pub(crate) fn voltage(&self) -> f64 {
        self.volts
    }

    /// Whether the terminals show at least half of the pack's voltage, as the unit measures both.
    pub(crate) fn has_live_terminals(&self) -> bool {
        self.circuit.terminals_seen() > 0.5 * self.voltage_seen()
    }

    /// Voltage of the pack as the unit measures it.
    pub(crate) fn voltage_seen(&self) -> f64 {
        self.meter.read(self.volts)
    }

    /// Whether the modules are not those that belong there, or not the way round.
    pub(crate) fn is_misbuilt(&self) -> bool {
        let position =
            |(index, module): (usize, &Module)| usize::from(module.position) != index + 1;
        let one = self.module_voltage(1);
        let sum: f64 = (1..=self.modules()).map(|m| self.module_voltage(m)).sum();
        self.modules.iter().enumerate().any(position) || sum - self.volts > one
    }

    /// Lowest and highest readable cell.
    pub(crate) fn cell_extremes(&self) -> Option<(f64, f64)> {
        self.extremes
    }

    /// Lowest and highest readable temperature.
    pub(crate) fn temperature_extremes(&self) -> Option<(f64, f64)> {
        let sensors = self.sensor_wires.iter().enumerate();
        let values = sensors.filter_map(|(i, wire)| wire.read(self.celsius_at(i)).value());
        values.fold(None, |found, v| {
            let (low, high) = found.unwrap_or((v, v));
            Some((low.min(v), high.max(v)))
        })
    }

    /// Whether a cell, and whether a sensor gives no value.
    pub(crate) fn lost(&self) -> (bool, bool) {
        let sensor = self
            .sensor_wires
            .iter()
            .any(|w| w.read(0.0).value().is_none());
        (self.cell_lost, sensor)
    }

    /// Bits of everything that moves, for comparing two runs.
    pub(crate) fn bits(&self) -> impl Iterator<Item = u64> {
        let cells = self.cells.iter().flat_map(|c| [c.charge, c.polarisation]);
        let temperatures = self.heat.celsius.iter().copied();
        let whole = [self.soc, self.current, self.circuit.terminals()];
        cells.chain(temperatures).chain(whole).map(f64::to_bits)
    }
}

impl Module {
    fn sound(position: u16) -> Self {
        Self {
            position,
            serial: position,
            reversed: false,
            heated: 0.0,
            balanced: 0,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const STEP: Duration = Duration::from_millis(100);

    fn pack(spread: f64) -> Pack {
        let profile = packside_profiles::find("generic-hv-stack", None).unwrap();
        let stack = Stack {
            modules: 2,
            ..Stack::default()
        };
        let cells = CellPlan {
            capacity_spread: spread,
            self_discharge: 0.0,
            ..CellPlan::default()
        };
        let plans = (&cells, &CircuitPlan::default());
        Pack::new(&profile.profile, &stack, plans, &mut Dice::new(5))
    }

    fn charges(pack: &Pack) -> Vec<f64> {
        let charge = |c: &Cell| c.charge * c.capacity_ah * 3600.0;
        pack.cells.iter().map(charge).collect()
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(30))]

        // Kind: derived (in series, every cell takes the same charge: what the current brought, and
        //       what the capacitors gave back or took)
        #[test]
        fn every_cell_takes_the_charge_that_went_through_the_circuit(
            acts in prop::collection::vec((0u8..3, -60.0f64..60.0, 1u16..120), 1..10),
        ) {
            let mut pack = pack(5.0);
            let before = charges(&pack);
            let mut through = 0.0;
            for (order, wanted, steps) in acts {
                let orders = [Order::Open, Order::Precharge, Order::Closed];
                pack.circuit.order(orders[usize::from(order)]);
                pack.wanted = wanted;
                for _ in 0..steps {
                    let was = pack.circuit.clone();
                    let (charge, _) = was.clone().step(STEP, pack.volts, pack.wanted);
                    through += charge;
                    pack.flow(STEP);
                }
            }
            pack.settle();
            for (before, after) in before.iter().zip(charges(&pack)) {
                prop_assert!((after - before - through).abs() < 1e-6 * (1.0 + through.abs()), "{before} {after} {through}");
            }
        }
    }

    // Kind: derived (0.1 C for a tenth of an hour is a hundredth of the capacity, in the count and
    //       in every cell, less what the load across the terminals took)
    #[test]
    fn count_and_cells_agree_on_a_sound_sensor() {
        let mut pack = pack(0.0);
        pack.circuit.order(Order::Closed);
        pack.wanted = 5.0;
        for _ in 0..3600 {
            pack.flow(STEP);
        }
        pack.settle();
        assert!((pack.soc - 56.0).abs() < 0.01, "{}", pack.soc);
        let cell = pack.cells.first().unwrap().charge * 100.0;
        assert!((cell - pack.soc).abs() < 0.01, "{cell} {}", pack.soc);
    }
}
