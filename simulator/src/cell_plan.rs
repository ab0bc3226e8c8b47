//! What a scenario says about cells, the circuit around them and the lamps, and what can be broken.
//!
//! Input: tables of a scenario file. Output: plans with their defaults. Does not: act on them (see
//! `pack`), or find mistakes across tables (see `scenario_check`).

use std::time::Duration;

use packside_profiles::StateKind;
use serde::Deserialize;

use crate::scenario::{some_time, time};

/// How the cells are. Kind of all defaults: invented, of the size of a prismatic cell of 50 Ah.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct CellPlan {
    /// Resistance that shows at once, mOhm.
    pub resistance_mohm: f64,
    /// Resistance that shows later, mOhm.
    pub polarisation_mohm: f64,
    /// Time constant of that.
    #[serde(deserialize_with = "time")]
    pub polarisation_time: Duration,
    /// Capacities differ by so many per cent either way.
    pub capacity_spread: f64,
    /// Resistances differ by so many per cent either way.
    pub resistance_spread: f64,
    /// States of charge differ by so many per cent of the capacity either way.
    pub charge_spread: f64,
    /// Own loss of charge, per cent of the capacity in a month.
    pub self_discharge: f64,
    /// Heat that warms one cell by one degree, J.
    pub heat_capacity: f64,
    /// Heat that flows to each neighbour, W for each degree between them.
    pub to_neighbour: f64,
    /// Heat that flows to the air, W for each degree.
    pub to_ambient: f64,
    /// Temperature of the air, degC; that of the cells at power-up unless given.
    pub ambient: Option<f64>,
    /// The control unit balances, with this current, mA. None: it does not.
    pub balancing_ma: Option<f64>,
}

impl Default for CellPlan {
    fn default() -> Self {
        Self {
            resistance_mohm: 0.6,
            polarisation_mohm: 0.4,
            polarisation_time: Duration::from_secs(30),
            capacity_spread: 1.0,
            resistance_spread: 5.0,
            charge_spread: 0.0,
            self_discharge: 2.0,
            heat_capacity: 1100.0,
            to_neighbour: 3.0,
            to_ambient: 0.15,
            ambient: None,
            balancing_ma: None,
        }
    }
}

/// What stands between the cells and the inverter. What is left out follows from the profile's
/// times for pre-charge and decay.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct CircuitPlan {
    /// Time that a contactor needs to close or open. Transistors need none.
    #[serde(deserialize_with = "some_time")]
    pub travel: Option<Duration>,
    /// Resistor of the pre-charge, Ohm. Kind: invented.
    pub precharge_ohm: f64,
    /// Capacitors of the inverter, microfarad.
    pub capacitance_uf: Option<f64>,
    /// What lies across the terminals and empties the capacitors, Ohm.
    pub load_ohm: Option<f64>,
    /// Voltage that a source of its own holds at the terminals: the inverter, or another battery.
    pub other_source: Option<f64>,
    /// Where the unit measures the voltage at its terminals.
    pub terminals: Terminals,
    /// Insulation of what lies behind the switches, kOhm; it counts while they are closed.
    pub insulation_kohm: Option<f64>,
    /// States in which the unit measures its insulation; all after the self-test unless given.
    pub insulation_in: Vec<StateKind>,
}

impl Default for CircuitPlan {
    fn default() -> Self {
        Self {
            travel: None,
            precharge_ohm: 470.0,
            capacitance_uf: None,
            load_ohm: None,
            other_source: None,
            terminals: Terminals::AfterBreaker,
            insulation_kohm: None,
            insulation_in: Vec::new(),
        }
    }
}

/// Where a unit measures the voltage at its terminals.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Terminals {
    /// Between its switches and the breaker.
    BeforeBreaker,
    /// Where the inverter is connected.
    AfterBreaker,
}

/// How the lamps are driven.
#[derive(Debug, Clone, Copy, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct LampPlan {
    /// Share of the time that a shining lamp really shines, %: dimmed by switching it quickly.
    pub bright: f64,
    /// How often it is switched, 1/s.
    pub pwm_hz: f64,
}

impl Default for LampPlan {
    fn default() -> Self {
        Self {
            bright: 100.0,
            pwm_hz: 200.0,
        }
    }
}

/// A pole of the main switches.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Pole {
    /// Towards plus.
    Plus,
    /// Towards minus.
    Minus,
}

/// What goes along when two modules change places.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Swap {
    /// All of it: cells, wires, number.
    WholeModules,
    /// What is wrong with the wires belongs to the place and stays there.
    WithoutWires,
}

/// What can be wrong with the hardware. Where it is, and how much, stands beside it in the event.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Defect {
    /// Cells hold only `amount` per cent of their capacity.
    WeakCell,
    /// Cells have `amount` times their resistance.
    ResistiveCell,
    /// Cells lose `amount` mA within themselves.
    LeakingCell,
    /// Cells have a state of charge of their own, `amount` per cent.
    CellCharge,
    /// The wire between a cell and the next one is broken: it reads low by `amount` V, the next
    /// one high by the same.
    SenseWireBroken,
    /// The sense connector of a module is not seated: no cell and no sensor of it gives a value.
    SenseConnectorLoose,
    /// Values of the chosen cells stay as they are.
    CellReadingFrozen,
    /// Values of the chosen sensors stay as they are.
    SensorFrozen,
    /// The wire of a sensor is off: its value lies at the end of its scale.
    SensorOpen,
    /// The module gets `amount` W of heat from outside.
    HeatedModule,
    /// The module is connected the wrong way round.
    ModuleReversed,
    /// The module stands where the module `other` belongs, and that one here.
    ModuleMisplaced,
    /// The current sensor reads `amount` A too much.
    CurrentOffset,
    /// The current sensor is mounted the wrong way round.
    CurrentReversed,
    /// The state of charge that the unit reports is `amount` per cent too high.
    ChargeReportDrifted,
    /// The measurement of the pack's voltage stays as it is.
    PackVoltageFrozen,
    /// The measurement of the pack's voltage has lost its wire and reads nothing.
    PackVoltageOpen,
    /// The measurement at the terminals stays as it is.
    TerminalVoltageFrozen,
    /// The measurement at the terminals has lost its wire and reads nothing.
    TerminalVoltageOpen,
    /// A pole (both, unless given) does not open.
    SwitchWelded,
    /// A pole (both, unless given) does not close.
    SwitchStaysOpen,
    /// The resistor of the pre-charge is burned.
    PrechargeOpen,
    /// The main fuse is open.
    FuseOpen,
    /// The breaker between the unit and the inverter is open.
    BreakerOpen,
    /// The named lamp is dark, whatever it should show.
    LampDark,
}
