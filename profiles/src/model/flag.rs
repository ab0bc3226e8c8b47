//! Flags and lamps: what the unit says of itself.

use super::draft::Standing;
use crate::foreign::Foreign;
use serde::Deserialize;
use std::collections::BTreeMap;

use crate::meaning::{Class, StateKind};

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
    pub meaning: Foreign,
    /// What to do first.
    #[serde(default, rename = "do")]
    pub to_do: Foreign,
    /// Where the reason lies.
    pub lies_in: LiesIn,
    /// How it goes away.
    pub clears: Clears,
    /// Status flags (ids) that it brings along.
    #[serde(default)]
    pub brings: Vec<String>,
    /// Rank among the codes of a `hides_others` point: 1 is shown before all others.
    pub rank: Option<u16>,
    /// How far it is known, in a draft. Since format 3.
    pub draft: Option<Standing>,
}

fn one() -> u8 {
    1
}

/// One lamp on the housing.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Lamp {
    /// Name, `power`, `fault`, `charge`.
    pub id: String,
    /// Colour.
    pub colour: Foreign,
    /// Where it sits.
    #[serde(default)]
    pub place: Foreign,
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
    pub meaning: Foreign,
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
