//! Where things stand in the registers, and what they are.

use super::draft::Standing;
use crate::foreign::Foreign;
use serde::Deserialize;

use crate::meaning::{Role, StateKind};
use crate::numbering::{register, registers};

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
    #[serde(deserialize_with = "register")]
    pub from: u16,
    /// Last register, inclusive.
    #[serde(deserialize_with = "register")]
    pub to: u16,
}

/// How often something repeats.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(untagged)]
pub enum Count {
    /// Always as many.
    Fixed(u16),
    /// So many in each instance of the group, in their order.
    Each(Vec<u16>),
    /// As many as a point says, or `rest-of-model`.
    Named(String),
}

impl Count {
    /// The word that stands for "until the model ends".
    pub const REST_OF_MODEL: &'static str = "rest-of-model";

    /// How many there are, where the map alone says so; the most in any instance.
    pub fn fixed(&self) -> Option<u16> {
        match self {
            Self::Fixed(count) => Some(*count),
            Self::Each(counts) => Some(counts.iter().copied().max().unwrap_or_default()),
            Self::Named(_) => None,
        }
    }
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
    #[serde(default, deserialize_with = "register")]
    pub address: u16,
    /// How many instances.
    pub count: Count,
    /// Most instances there can be.
    pub at_most: u16,
    /// Registers from one instance to the next.
    #[serde(default)]
    pub stride: u16,
    /// First register of each instance, where they do not stand at equal distances: instead of
    /// `address` and `stride`.
    #[serde(default, deserialize_with = "registers")]
    pub starts: Vec<u16>,
    /// What each instance is called by number, where they do not count from 1.
    #[serde(default)]
    pub numbers: Vec<u16>,
}

impl Group {
    /// Registers from the base to an instance, from 0.
    pub fn start(&self, instance: u16) -> Option<u64> {
        if self.starts.is_empty() {
            return Some(u64::from(self.address) + u64::from(instance) * u64::from(self.stride));
        }
        self.starts
            .get(usize::from(instance))
            .map(|start| u64::from(*start))
    }

    /// The number by which people call an instance, from 0.
    pub fn number(&self, instance: u16) -> u16 {
        let own = self.numbers.get(usize::from(instance)).copied();
        own.unwrap_or_else(|| instance.saturating_add(1))
    }
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
    pub name: Foreign,
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
    pub name: Foreign,
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
    #[serde(deserialize_with = "register")]
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
    pub unit: Foreign,
    /// Raw values that mean "not available".
    #[serde(default)]
    pub not_available: Vec<u64>,
    /// With its highest bit set the word is not implemented, whatever else is in it.
    #[serde(default)]
    pub absent_if_top_bit: bool,
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
    /// What judges the number where no limit of the map does: see [`JudgedBy`].
    pub judged_by: Option<JudgedBy>,
    /// How far it is known, in a draft. Since format 3.
    pub draft: Option<Standing>,
}

/// Why a number may go without a limit of its own. A closed list, and none for cells and temperatures.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(try_from = "String")]
pub enum JudgedBy {
    /// The inverter measures it, where it can be seen.
    Inverter,
    /// At extra-low voltage nobody is endangered by it.
    ExtraLowVoltage,
    /// A flag of this map says when it is out of order.
    Flag(String),
}

impl TryFrom<String> for JudgedBy {
    type Error = String;

    fn try_from(text: String) -> Result<Self, Self::Error> {
        match (text.as_str(), text.strip_prefix("flag:")) {
            ("inverter-measures", _) => Ok(Self::Inverter),
            ("extra-low-voltage", _) => Ok(Self::ExtraLowVoltage),
            (_, Some(flag)) => Ok(Self::Flag(flag.to_owned())),
            _ => Err(format!(
                "expected \"inverter-measures\", \"extra-low-voltage\" or \"flag:ID\", found \"{text}\""
            )),
        }
    }
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
    pub name: Foreign,
    /// For the `state` point: what it means.
    pub state: Option<StateKind>,
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
