//! The picture of the unit: inverter link, switches, limits, windows, manual steps.

use crate::StateKind;
use crate::foreign::Foreign;
use serde::Deserialize;

use super::Span;

/// Which wire the inverter talks on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Deserialize, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum InverterPort {
    /// The pair the tool is on.
    ThisBus,
    /// Another RS-485 socket.
    OtherRs485,
    /// CAN.
    Can,
    /// Not known.
    Unknown,
}

/// What the unit takes for a sign of life of the inverter.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Deserialize, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum FedBy {
    /// Any valid question, ours as well.
    AnyRequest,
    /// A read of certain registers.
    ReadsOf,
    /// Only what is written to it.
    Writes,
    /// Only traffic on another socket.
    OtherPort,
    /// Not known.
    Unknown,
}

/// How the unit supervises its inverter.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Inverter {
    /// Which wire it talks on.
    pub port: InverterPort,
    /// What feeds the supervision.
    pub fed_by: FedBy,
    /// For `reads-of`: the ranges.
    #[serde(default)]
    pub reads_of: Vec<Span>,
    /// Flag (id) that says "silent".
    pub flag: Option<String>,
    /// Time without a sign of life after which the flag rises, s.
    pub silence_s: u32,
    /// Whether asking can make the unit pre-charge and close its switches.
    #[serde(default)]
    pub asking_may_close_switches: bool,
}

/// Kind of the main switches.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Deserialize, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum SwitchKind {
    /// Contactors: they can weld.
    Contactor,
    /// Transistors.
    SolidState,
}

/// State of the terminals without an inverter.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Deserialize, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Terminals {
    /// No voltage.
    Dead,
    /// Live at once.
    Live,
    /// Live until the silence time is over.
    LiveUntilSilence,
}

/// How the unit behaves as a whole.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct UnitPicture {
    /// Main switches.
    pub switch: SwitchKind,
    /// Terminals while the inverter is silent.
    pub terminals_without_inverter: Terminals,
    /// Bits of the `switches` point that must be set when connected.
    #[serde(default)]
    pub switches_closed: u64,
    /// Self-test after power-up, s.
    pub self_test_s: f64,
    /// Pre-charge, shortest and longest, s.
    pub precharge_s: Option<[f64; 2]>,
    /// Time after which the terminals have lost their voltage when the switches open, s.
    pub decay_s: Option<f64>,
    /// Lonely time after which the unit switches itself off, s.
    pub auto_off_s: Option<u32>,
    /// How to wake it.
    #[serde(default)]
    pub wake: Foreign,
    /// Whether it can start an inverter that has no supply.
    #[serde(default)]
    pub black_start: bool,
    /// Cells in series in one module.
    pub cells_per_module: u16,
    /// Chemistry, `LFP` or `NMC`.
    pub chemistry: Foreign,
    /// Current below which the pack counts as at rest, A.
    pub rest_current: f64,
    /// Whether modules of the same kind may be exchanged to see what a fault follows.
    #[serde(default)]
    pub swap_allowed: bool,
    /// Own interval at which the control unit refreshes its values, s.
    #[serde(default = "one_second")]
    pub refresh_s: f64,
}

fn one_second() -> f64 {
    1.0
}

/// A sum or product that must hold.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CrossCheck {
    /// What is compared.
    pub what: CrossCheckKind,
    /// Largest difference, in the unit of the compared value.
    pub tolerance: f64,
}

/// What a cross-check compares.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Deserialize, serde::Serialize,
)]
#[serde(rename_all = "kebab-case")]
pub enum CrossCheckKind {
    /// Sum of the cell voltages of a module = module voltage, V.
    CellsMakeModule,
    /// Sum of the module voltages (series) = pack voltage, V.
    ModulesMakePack,
    /// Sum of the cell voltages = pack voltage, V.
    CellsMakePack,
    /// Voltage x current = power, W.
    VoltsTimesAmpsMakePower,
    /// The unit's own extremes = extremes of the single values.
    ExtremesMatch,
    /// Terminals = pack when the switches are closed, V.
    TerminalsMatchPack,
}

/// Absolute limits of one cell.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CellLimits {
    /// Below this a cell must never be charged again, V.
    pub never_charge_below: f64,
    /// Lowest temperature at which charging is allowed, degC.
    pub charge_from_c: f64,
    /// Highest temperature at which charging is allowed, degC.
    pub charge_to_c: f64,
    /// What may be charged outside of these, degC and A, in rising order of the temperature. Since format 4.
    #[serde(default)]
    pub charge_reduced: Vec<[f64; 2]>,
}

impl UnitPicture {
    /// Whether the main switches are closed in a state; nothing where they may be either, or are on their way. What is
    /// live without an inverter waits for it, and tests itself, with closed ones.
    #[must_use]
    pub fn wants_closed(&self, state: StateKind) -> Option<bool> {
        use StateKind as S;
        let is_dead = self.terminals_without_inverter == Terminals::Dead;
        match state {
            S::Standby | S::Running => Some(true),
            S::Waiting | S::SelfTest => is_dead.then_some(false),
            S::Fault | S::Off => Some(false),
            S::Precharge | S::Stopping | S::Maintenance => None,
        }
    }
}

impl CellLimits {
    /// The current that the curve grants at a temperature, A; nothing outside of it.
    pub fn granted(&self, celsius: f64) -> Option<f64> {
        let mut pairs = self.charge_reduced.windows(2);
        pairs.find_map(|pair| match pair {
            [[from, low], [to, high]] if (*from..=*to).contains(&celsius) => {
                let share = (celsius - from) / (to - from).max(f64::EPSILON);
                Some(low + share * (high - low))
            }
            _ => None,
        })
    }
}

/// Oldest firmware of the control unit for one family of inverters.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct InverterFamily {
    /// Name of the family.
    pub name: Foreign,
    /// Oldest firmware, inclusive.
    pub firmware_from: String,
    /// Battery type to choose on the inverter's screen.
    #[serde(default)]
    pub battery_type: Foreign,
}

/// How long modules may be stored in one band of temperatures.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct StorageWindow {
    /// Lowest temperature of the band, degC.
    pub from_c: f64,
    /// Highest temperature of the band, degC.
    pub to_c: f64,
    /// Longest time since the last charge, days.
    pub days: u32,
}

/// Ambient conditions at the site.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Ambient {
    /// Lowest temperature, degC.
    pub from_c: f64,
    /// Highest temperature, degC.
    pub to_c: f64,
    /// Highest relative humidity, %.
    pub humidity_to: f64,
    /// Own consumption of the electronics in storage, mA.
    #[serde(default)]
    pub own_consumption_ma: f64,
}

/// A step of a visit that the wire cannot tell.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ManualStep {
    /// Name.
    pub id: String,
    /// When: `before-power`, `power-up`, `with-inverter`, `after`.
    pub when: String,
    /// Question to the technician.
    pub text: Foreign,
    /// What needs touching.
    pub needs: Needs,
}

/// What a step needs, lowest risk first.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Deserialize, serde::Serialize,
)]
#[serde(rename_all = "kebab-case")]
pub enum Needs {
    /// Looking only.
    Look,
    /// Operating the inverter at its screen: no plug, no tool.
    Operate,
    /// Work at extra-low voltage.
    LowVoltage,
    /// The unit switched off.
    UnitOff,
    /// Work near live DC.
    LiveDc,
}
