//! A profile as Rust data: exactly the keys of the file, each with its meaning.
//!
//! These structs *are* the file format (`format = 1`): plain serde structs, unknown keys refused.
//! A key that is added later raises [`FORMAT`].
//!
//! Does not: find mistakes beyond wrong keys and types (see the checker), or touch register
//! contents (see the codec).

use serde::Deserialize;
use std::collections::BTreeMap;

use crate::line::LineSettings;
use crate::meaning::{Class, Role, StateKind};

/// The newest file format that this package reads.
pub const FORMAT: u32 = 1;

/// A register map and everything else the tool must know about one kind of unit.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Profile {
    /// File format, 1.
    pub format: u32,
    /// Who wrote this and what for.
    pub profile: Head,
    /// How the unit answers.
    pub answering: Answering,
    /// Packs at consecutive unit addresses, if there can be several.
    pub members: Option<Members>,
    /// What proves that this is the right map.
    #[serde(default)]
    pub recognise: Vec<Recognise>,
    /// Register ranges that may be read. A read never leaves one span.
    #[serde(default, rename = "span")]
    pub spans: Vec<Span>,
    /// Ranges that lose their content when read. Never read unless asked for.
    #[serde(default)]
    pub clears_when_read: Vec<Span>,
    /// Blocks of registers that repeat, one per module for example.
    #[serde(default, rename = "group")]
    pub groups: Vec<Group>,
    /// Everything that can be read.
    #[serde(default, rename = "point")]
    pub points: Vec<Point>,
    /// What the bits and codes mean.
    #[serde(default, rename = "flag")]
    pub flags: Vec<Flag>,
    /// How the unit supervises its inverter.
    pub inverter: Inverter,
    /// How the unit behaves as a whole.
    pub unit: UnitPicture,
    /// The lamps on the housing.
    #[serde(default, rename = "lamp")]
    pub lamps: Vec<Lamp>,
    /// Lamp patterns beyond the standard names.
    #[serde(default, rename = "lamp_pattern")]
    pub lamp_patterns: Vec<LampPattern>,
    /// What the lamps say together; the first that applies is shown.
    #[serde(default, rename = "lamp_code")]
    pub lamp_codes: Vec<LampCode>,
    /// Sums and products that must hold.
    #[serde(default, rename = "cross_check")]
    pub cross_checks: Vec<CrossCheck>,
    /// Absolute limits of one cell.
    pub cell: Option<CellLimits>,
    /// Firmware minima per inverter family.
    #[serde(default, rename = "inverter_family")]
    pub inverter_families: Vec<InverterFamily>,
    /// How modules may be stored before installation.
    #[serde(default, rename = "storage_window")]
    pub storage_windows: Vec<StorageWindow>,
    /// Ambient conditions at the site.
    pub ambient: Option<Ambient>,
    /// Steps of a visit that the wire cannot tell.
    #[serde(default, rename = "manual_step")]
    pub manual_steps: Vec<ManualStep>,
}

/// Identity and provenance of a profile.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Head {
    /// Stable name, also the file name: `generic-hv-stack`.
    pub id: String,
    /// One line for people.
    pub title: String,
    /// The document the map comes from.
    pub document: String,
    /// Revision of that document.
    pub revision: String,
    /// Who typed it in.
    pub author: String,
    /// When, `YYYY-MM-DD`.
    pub date: String,
    /// Whether it was compared with a real unit.
    pub verified_on_hardware: bool,
    /// Oldest firmware it is for, inclusive, `2.0`.
    pub firmware_from: Option<String>,
    /// First firmware it is not for any more.
    pub firmware_below: Option<String>,
    /// Remarks.
    #[serde(default)]
    pub notes: String,
}

/// How the unit answers on the wire.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Answering {
    /// Factory line settings.
    pub line: LineSettings,
    /// Factory unit address, 1 to 247.
    pub unit: u8,
    /// Usual time from the end of a question to the first byte of the answer, ms.
    pub answer_time_ms: u32,
    /// Longest time after which an answer can still come, ms.
    pub time_out_ms: u32,
    /// Function codes that the unit understands; 08, 11 and 2B are sent only if listed.
    pub functions: Vec<u8>,
    /// Slowest usual poll period of an inverter on this bus, s. The quiet window is 1.2 times this.
    pub usual_poll_s: Option<u32>,
}

/// Packs at consecutive addresses that make one rack.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Members {
    /// Most packs there can be. The first has the unit address, the others follow.
    pub at_most: u8,
    /// Point (at the first pack) that says how many there are.
    pub count: Option<String>,
}

/// A point whose value proves the map.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Recognise {
    /// Point to read.
    pub point: String,
    /// Value it must have (a number, or the beginning of a text).
    pub equals: Scalar,
}

/// A number or a text, as written.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(untagged)]
pub enum Scalar {
    /// A whole number.
    Number(i64),
    /// A text.
    Text(String),
}

/// The four address spaces of Modbus.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Table {
    /// Coils, function code 01.
    Coil,
    /// Discrete inputs, function code 02.
    Discrete,
    /// Holding registers, function code 03.
    Holding,
    /// Input registers, function code 04.
    Input,
}

/// Where addresses count from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Deserialize, Default)]
#[serde(try_from = "String")]
pub enum Base {
    /// From 0.
    #[default]
    Absolute,
    /// From the first register (the id) of a model in a SunSpec chain, `model(802)`.
    Model(u16),
}

impl TryFrom<String> for Base {
    type Error = String;

    fn try_from(text: String) -> Result<Self, Self::Error> {
        if text == "absolute" {
            return Ok(Self::Absolute);
        }
        text.strip_prefix("model(")
            .and_then(|rest| rest.strip_suffix(')'))
            .and_then(|id| id.parse().ok())
            .map(Self::Model)
            .ok_or_else(|| format!("expected \"absolute\" or \"model(802)\", found \"{text}\""))
    }
}

/// A range of registers, both ends inside.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Span {
    /// Table.
    pub table: Table,
    /// Base of both addresses.
    #[serde(default)]
    pub base: Base,
    /// First register.
    pub from: u16,
    /// Last register, inclusive.
    pub to: u16,
}

/// How often something repeats.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(untagged)]
pub enum Count {
    /// Always as many.
    Fixed(u16),
    /// As many as a point says, or `rest-of-model`.
    Named(String),
}

impl Count {
    /// The word that stands for "until the model ends".
    pub const REST_OF_MODEL: &'static str = "rest-of-model";
}

/// A block of registers that repeats; points inside give addresses relative to it.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Group {
    /// Name, used by `Point::group`: `module`.
    pub id: String,
    /// Table.
    pub table: Table,
    /// Base of `address`.
    #[serde(default)]
    pub base: Base,
    /// First register of the first instance.
    pub address: u16,
    /// How many instances.
    pub count: Count,
    /// Most instances there can be.
    pub at_most: u16,
    /// Registers from one instance to the next.
    pub stride: u16,
}

/// Repetition of one point (inside its group instance, if it has one).
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Repeat {
    /// How many.
    pub count: Count,
    /// Registers from one to the next.
    pub stride: u16,
    /// What one is called: `cell`, `sensor`.
    pub name: String,
}

/// How registers make a value.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    /// Low byte of a register, unsigned.
    U8Low,
    /// High byte of a register, unsigned.
    U8High,
    /// Low byte, two's complement.
    I8Low,
    /// High byte, two's complement.
    I8High,
    /// One register, unsigned.
    U16,
    /// One register, two's complement.
    I16,
    /// Two registers, unsigned.
    U32,
    /// Two registers, two's complement.
    I32,
    /// Four registers, unsigned.
    U64,
    /// Four registers, two's complement.
    I64,
    /// IEEE 754 single.
    F32,
    /// IEEE 754 double.
    F64,
    /// Four decimal digits in one register.
    Bcd16,
    /// Eight decimal digits in two registers.
    Bcd32,
    /// `registers` registers of two characters each, padded with NUL or blanks.
    String,
    /// 16 bits, named by flags.
    Bits16,
    /// 32 bits, named by flags.
    Bits32,
    /// One register whose values have names.
    Enum16,
    /// Two registers whose values have names.
    Enum32,
}

/// Which register of a wide value comes first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Deserialize, Default)]
#[serde(rename_all = "kebab-case")]
pub enum WordOrder {
    /// High word at the lower address, as in most maps.
    #[default]
    HighFirst,
    /// Low word at the lower address.
    LowFirst,
}

/// Which direction of current or power is positive.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Positive {
    /// Into the battery.
    Charge,
    /// Out of the battery.
    Discharge,
}

/// Something that can be read.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Point {
    /// Stable name, unique in the profile.
    pub id: String,
    /// One line for people.
    #[serde(default)]
    pub name: String,
    /// What it is for.
    pub role: Role,
    /// Group it stands in; the address is then relative to the instance and the table is the group's.
    pub group: Option<String>,
    /// Table; must be given unless the point stands in a group.
    pub table: Option<Table>,
    /// Base of the address.
    #[serde(default)]
    pub base: Base,
    /// First register.
    pub address: u16,
    /// How registers make a value.
    #[serde(rename = "type")]
    pub kind: Kind,
    /// Word order of wide values.
    #[serde(default)]
    pub order: WordOrder,
    /// Number of registers of a string.
    pub registers: Option<u16>,
    /// Only these bits of the raw value, both ends inside, bit 0 lowest: `[0, 3]`.
    pub bits: Option<[u8; 2]>,
    /// Value = raw x scale + offset.
    #[serde(default)]
    pub scale: Decimal,
    /// Added after scaling.
    #[serde(default = "Decimal::zero")]
    pub offset: Decimal,
    /// Point whose value is the power of ten that scales this one besides.
    pub scale_point: Option<String>,
    /// Physical unit as printed: `V`, `degC`.
    #[serde(default)]
    pub unit: String,
    /// Raw values that mean "not available".
    #[serde(default)]
    pub not_available: Vec<u64>,
    /// Raw values at which a sensor is off scale (a wire, not a measurement).
    #[serde(default)]
    pub rail: Vec<u64>,
    /// When the value means something.
    pub valid_when: Option<ValidWhen>,
    /// Direction of a current or power.
    pub positive: Option<Positive>,
    /// What the value must keep to, in `unit`.
    #[serde(default)]
    pub limits: Limits,
    /// Repetition.
    pub repeat: Option<Repeat>,
    /// Whether a clean verdict needs this point, good and fresh.
    #[serde(default)]
    pub required: bool,
    /// Names of the values of an enumeration.
    #[serde(default, rename = "value")]
    pub values: Vec<NamedValue>,
    /// The code in this point names one fault only; others with a lower rank may be hidden by it.
    #[serde(default)]
    pub hides_others: bool,
    /// The code changes every few seconds to show one fault after another.
    #[serde(default)]
    pub rotates: bool,
}

/// A value together with the point and the values of it that make another point meaningful.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ValidWhen {
    /// Point to look at.
    pub point: String,
    /// Raw values of it that make this one meaningful.
    pub is: Vec<u64>,
}

/// What a value must keep to, in the physical unit of the point.
#[derive(Debug, Clone, Copy, PartialEq, Deserialize, Default)]
#[serde(deny_unknown_fields)]
pub struct Limits {
    /// Below this is an alarm.
    pub alarm_below: Option<f64>,
    /// Below this is a warning.
    pub warn_below: Option<f64>,
    /// Above this is a warning.
    pub warn_above: Option<f64>,
    /// Above this is an alarm.
    pub alarm_above: Option<f64>,
    /// Largest spread between instances at rest, the same unit.
    pub spread: Option<f64>,
    /// Outside `[lowest, highest]` the value is impossible: a sensor, not a measurement.
    pub possible: Option<[f64; 2]>,
}

/// One value of an enumeration.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct NamedValue {
    /// Raw value.
    pub is: u64,
    /// Short name.
    pub name: String,
    /// For the `state` point: what it means.
    pub state: Option<StateKind>,
}

/// How grave a flag is.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Deserialize, serde::Serialize,
)]
#[serde(rename_all = "lowercase")]
pub enum Severity {
    /// For information.
    Notice,
    /// Look at it.
    Warning,
    /// Stops the unit, or should.
    Alarm,
}

/// Where the reason of a flag lies.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Deserialize, serde::Serialize,
)]
#[serde(rename_all = "kebab-case")]
pub enum LiesIn {
    /// A battery module.
    Module,
    /// The control unit.
    ControlUnit,
    /// A cable, connector or socket.
    Connection,
    /// The inverter or what hangs on it.
    InverterSide,
    /// Temperature, charge, the site.
    SiteCondition,
    /// Somebody switched it so.
    Operator,
    /// Not said.
    Unknown,
}

/// How a flag goes away.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Deserialize, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Clears {
    /// When its reason has gone.
    #[serde(rename = "self")]
    BySelf,
    /// When the unit is switched off and on.
    PowerCycle,
    /// With the maker's service tool only.
    Service,
}

/// The meaning of a bit, or of a value of a code point.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Flag {
    /// Stable name, unique in the profile.
    pub id: String,
    /// Word or code point it stands in.
    pub point: String,
    /// Bit number, 0 lowest; for words.
    pub bit: Option<u8>,
    /// Values; for code points and enumerations.
    #[serde(default)]
    pub values: Vec<u64>,
    /// Level of the bit that means "yes".
    #[serde(default = "one")]
    pub active: u8,
    /// What it says.
    pub class: Class,
    /// How grave.
    pub severity: Severity,
    /// In the words of a technician.
    pub meaning: String,
    /// What to do first.
    #[serde(default, rename = "do")]
    pub to_do: String,
    /// Where the reason lies.
    pub lies_in: LiesIn,
    /// How it goes away.
    pub clears: Clears,
    /// Status flags (ids) that it brings along.
    #[serde(default)]
    pub brings: Vec<String>,
    /// Rank among the codes of a `hides_others` point: 1 is shown before all others.
    pub rank: Option<u16>,
}

fn one() -> u8 {
    1
}

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
    pub wake: String,
    /// Whether it can start an inverter that has no supply.
    #[serde(default)]
    pub black_start: bool,
    /// Cells in series in one module.
    pub cells_per_module: u16,
    /// Chemistry, `LFP` or `NMC`.
    pub chemistry: String,
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

/// One lamp on the housing.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Lamp {
    /// Name, `power`, `fault`, `charge`.
    pub id: String,
    /// Colour.
    pub colour: String,
    /// Where it sits.
    #[serde(default)]
    pub place: String,
}

/// A pattern beyond the standard names: on and off times of one cycle.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LampPattern {
    /// Name.
    pub id: String,
    /// On, off, on, off, ... in ms; an even number of entries.
    pub cycle_ms: Vec<u32>,
}

/// What several lamps say together.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LampCode {
    /// Name.
    pub id: String,
    /// Lamp to pattern; a lamp that is not named does not matter.
    pub lamps: BTreeMap<String, String>,
    /// In the words of a technician.
    pub meaning: String,
    /// Shown when any of these flags is up.
    #[serde(default)]
    pub flags: Vec<String>,
    /// Shown when any alarm that is no status and not the inverter flag is up.
    #[serde(default)]
    pub any_alarm: bool,
    /// Shown in any of these states.
    #[serde(default)]
    pub states: Vec<StateKind>,
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
}

/// Oldest firmware of the control unit for one family of inverters.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct InverterFamily {
    /// Name of the family.
    pub name: String,
    /// Oldest firmware, inclusive.
    pub firmware_from: String,
    /// Battery type to choose on the inverter's screen.
    #[serde(default)]
    pub battery_type: String,
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
    pub text: String,
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
    /// Work at extra-low voltage.
    LowVoltage,
    /// The unit switched off.
    UnitOff,
    /// Work near live DC.
    LiveDc,
}

/// An exact decimal fraction, `numerator / 10^places`, so that 4123 at scale 0.1 is 412.3.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Deserialize)]
#[serde(try_from = "f64")]
pub struct Decimal {
    /// Digits without the point.
    pub numerator: i64,
    /// Digits behind the point.
    pub places: u32,
}

impl Decimal {
    /// Zero.
    pub fn zero() -> Self {
        Self {
            numerator: 0,
            places: 0,
        }
    }

    /// The value as a floating-point number, correctly rounded.
    #[expect(
        clippy::cast_precision_loss,
        reason = "numerators are short literals of a profile"
    )]
    pub fn value(self) -> f64 {
        self.numerator as f64 / 10f64.powi(i32::try_from(self.places).unwrap_or(0))
    }
}

impl Default for Decimal {
    fn default() -> Self {
        Self {
            numerator: 1,
            places: 0,
        }
    }
}

impl TryFrom<f64> for Decimal {
    type Error = String;

    /// Reads the shortest decimal form of the number, which is what the file says.
    fn try_from(number: f64) -> Result<Self, Self::Error> {
        let text = format!("{number}");
        let wrong = || format!("expected a plain decimal of at most 9 places, found {text}");
        let (whole, places) = text.split_once('.').unwrap_or((&text, ""));
        if places.len() > 9 {
            return Err(wrong());
        }
        let numerator = format!("{whole}{places}").parse().map_err(|_| wrong())?;
        let places = u32::try_from(places.len()).map_err(|_| wrong())?;
        Ok(Self { numerator, places })
    }
}
