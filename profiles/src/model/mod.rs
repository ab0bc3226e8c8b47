//! A profile as Rust data: exactly the keys of the file, each with its meaning.
//!
//! These structs *are* the file format (`format = 3`, older ones are read): plain serde structs, unknown keys refused.
//! A key that is added later raises [`FORMAT`].
//!
//! Does not: find mistakes beyond wrong keys and types (see the checker), or touch register
//! contents (see the codec).

mod draft;
mod flag;
mod gap;
mod point;
mod unit;

pub use draft::{DraftHead, Evidence, Footing, Key, Made, Rival, Standing, Unread, Witness};
pub use flag::{Clears, Flag, Lamp, LampCode, LampPattern, LiesIn, Severity};
pub use gap::{Chemistry, Gap, UNKNOWN_CHEMISTRY};
pub use point::{
    Base, Count, Decimal, Group, JudgedBy, Kind, Limits, NamedValue, Point, Positive, Repeat, Span,
    Table, ValidWhen, WordOrder,
};
pub use unit::{
    Ambient, CellLimits, CrossCheck, CrossCheckKind, FedBy, Inverter, InverterFamily, InverterPort,
    ManualStep, Needs, StorageWindow, SwitchKind, Terminals, UnitPicture,
};

use crate::foreign::Foreign;
use serde::Deserialize;

use crate::line::LineSettings;
pub use crate::numbering::Numbering;

/// The newest file format that this package reads.
pub const FORMAT: u32 = 4;

/// A register map and everything else the tool must know about one kind of unit.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Profile {
    /// File format, 1 to 4.
    pub format: u32,
    /// Who wrote this and what for.
    pub profile: Head,
    /// What is open, if this is a draft. Since format 3.
    pub draft: Option<DraftHead>,
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
    /// The models that were found in the chain of the unit; points with `base = "model(ID)"` stand there.
    #[serde(default, rename = "model")]
    pub models: Vec<ModelAt>,
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
    /// How its document numbers registers. Here, all numbers are those of the wire.
    #[serde(skip)]
    pub addresses: Numbering,
    /// What it leaves open. Not a key of the file: found when it is loaded.
    #[serde(skip)]
    pub gaps: Vec<Gap>,
}

/// Identity and provenance of a profile.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Head {
    /// Stable name, also the file name: `generic-hv-stack`.
    pub id: String,
    /// One line for people.
    pub title: Foreign,
    /// The document the map comes from.
    pub document: Foreign,
    /// Revision of that document.
    pub revision: Foreign,
    /// Who typed it in.
    pub author: Foreign,
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
    pub notes: Foreign,
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
    /// Least time from the end of an answer to the next question, ms; none needed without it. Since format 2.
    pub pause_ms: Option<u32>,
    /// Function codes that the unit understands; 08, 11 and 2B are sent only if listed.
    pub functions: Vec<u8>,
    /// Slowest usual poll period of an inverter on this bus, s. The quiet window is 1.2 times this.
    pub usual_poll_s: Option<u32>,
}

/// Packs at consecutive addresses that make one rack.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Members {
    /// Most packs there can be. The first has the unit address, the others follow.
    pub at_most: u8,
    /// Point (at the first pack) that says how many there are.
    pub count: Option<String>,
    /// How far apart packs may be that join, V. Since format 4.
    pub join_within_v: Option<f64>,
    /// How far apart in charge, % points. Since format 4.
    pub join_within_percent: Option<f64>,
}

/// A model in the chain of a unit that describes itself.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ModelAt {
    /// Its id.
    pub id: u16,
    /// The register of its id.
    pub address: u16,
    /// Registers behind id and length.
    pub length: u16,
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
    Text(Foreign),
}
