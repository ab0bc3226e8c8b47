//! What judging gives: verdict, findings, readings, next steps. Plain data; rendering is elsewhere.

use std::sync::Arc;
use std::time::Duration;

use packside_profiles::model::{Profile, Table};
use packside_profiles::{Place, Role, StateKind, Value};

use super::fact::{PointIndex, Spot};
pub use super::finding::{Certainty, Disposition, FactKey, Finding, Source};
pub(crate) use super::finding::{root_ids, sort_by_weight, telling};
use super::health::Health;
use super::not_tested::NotTested;
pub use super::verdict::{Basis, Reason, Verdict, VerdictKind, Why};

/// How far a reading may be relied on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ReadingQuality {
    /// Good and fresh.
    Good,
    /// The unit says it has no value, or refuses to give one.
    NotAvailable,
    /// At a rail or impossible.
    OutOfRange,
    /// Too old for this moment.
    Stale,
    /// Nobody asked.
    NeverAsked,
}

impl ReadingQuality {
    /// The stable id.
    pub fn id(self) -> &'static str {
        match self {
            Self::Good => "good",
            Self::NotAvailable => "not-available",
            Self::OutOfRange => "out-of-range",
            Self::Stale => "stale",
            Self::NeverAsked => "never-asked",
        }
    }
}

/// Why a value is not available, or not good, beyond its quality.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ValueRemark {
    /// The unit refuses it with this exception.
    Refused(u8),
    /// Read before this computer slept or its clock was set.
    ClocksBroke,
    /// Read in an earlier session.
    EarlierSession,
    /// Its own validity condition does not hold.
    NotValidNow,
    /// The unit's own counter stands still.
    StandsStill,
}

/// One value, with the raw content it came from.
#[derive(Debug, Clone, PartialEq)]
pub struct Reading {
    /// Name: `cell_voltage[2.14]`.
    pub name: String,
    /// Point id in the profile.
    pub point: String,
    /// The same by its index there.
    pub point_index: PointIndex,
    /// What it is for.
    pub role: Role,
    /// Position.
    pub place: Place,
    /// The value.
    pub value: Option<Value>,
    /// Name of the value, for enumerations.
    pub value_name: Option<String>,
    /// Physical unit.
    pub value_unit: String,
    /// Raw content, after word order and bit slice.
    pub raw: Option<u64>,
    /// Unit address.
    pub unit: u8,
    /// Table.
    pub table: Table,
    /// First register, 0-based.
    pub register: u16,
    /// How far it may be relied on.
    pub quality: ReadingQuality,
    /// Why it is not available, where more is known.
    pub remark: Option<ValueRemark>,
    /// Age at the moment judged.
    pub age: Option<Duration>,
}

impl Reading {
    /// The number, if it is one and good.
    pub fn number(&self) -> Option<f64> {
        match (&self.value, self.quality) {
            (Some(Value::Number(number)), ReadingQuality::Good) => Some(*number),
            _ => None,
        }
    }

    /// Which reading it is, as facts name it.
    pub fn spot(&self) -> Spot {
        Spot {
            point: self.point_index,
            place: self.place,
        }
    }

    /// The number even where it is stale; the end of a scale is no number that was measured.
    pub fn any_number(&self) -> Option<f64> {
        match (&self.value, self.quality) {
            (Some(Value::Number(number)), ReadingQuality::Good | ReadingQuality::Stale) => {
                Some(*number)
            }
            _ => None,
        }
    }
}

/// Who a module says it is.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct ModuleIdentity {
    /// Position, 1-based.
    pub position: u16,
    /// Serial number.
    pub serial: Option<String>,
    /// Firmware.
    pub firmware: Option<String>,
}

/// The state of a control unit.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct UnitState {
    /// Its kind.
    pub kind: StateKind,
    /// Its number on the wire.
    pub code: u64,
    /// Its name in the map, for people only.
    pub name: String,
}

/// One address of a rack, as far as it answered.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct MemberSummary {
    /// Unit address.
    pub unit: u8,
    /// Serial number.
    pub serial: Option<String>,
    /// Firmware.
    pub firmware: Option<String>,
    /// Verdict about this member alone.
    pub kind: VerdictKind,
    /// Its state, where the map knows it.
    pub state: Option<UnitState>,
}

/// Who the unit is.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Identity {
    /// Serial number.
    pub serial: Option<String>,
    /// Model name.
    pub model: Option<String>,
    /// Firmware of the control unit.
    pub firmware: Option<String>,
    /// Modules.
    pub modules: Vec<ModuleIdentity>,
    /// Addresses judged.
    pub members: Vec<MemberSummary>,
}

/// How the conversation went.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Bus {
    /// Own questions sent.
    pub requests: u32,
    /// Answered with data.
    pub answered: u32,
    /// Answered by an exception, by code.
    pub exceptions: Vec<(u8, u32)>,
    /// No accepted answer in time.
    pub timeouts: u32,
    /// Time-outs in which damaged or foreign bytes came.
    pub damaged: u32,
    /// Answers that came after their time.
    pub late: u32,
    /// Requests of somebody else.
    pub foreign_requests: u32,
    /// Whether the adapter gives back what it sends.
    pub echo: bool,
    /// Bytes that belong to no frame.
    pub noise_bytes: u64,
    /// Bytes received in all.
    pub bytes_in: u64,
    /// Answer time, half of the answers were faster.
    pub answer_p50: Option<Duration>,
    /// Answer time, nine of ten answers were faster.
    pub answer_p90: Option<Duration>,
    /// The slowest answer.
    pub answer_max: Option<Duration>,
    /// Time spent listening only.
    pub listened: Duration,
    /// How well the line does.
    pub health: Health,
}

/// Everything that judging gives.
#[derive(Debug, Clone, PartialEq)]
pub struct Judgement {
    /// The map by which it was judged, and by whose indices facts name points and flags.
    pub profile: Option<Arc<Profile>>,
    /// Moment judged.
    pub moment: Duration,
    /// Who it is.
    pub identity: Identity,
    /// The verdict.
    pub verdict: Verdict,
    /// What was not tested.
    pub not_tested: Vec<NotTested>,
    /// What was found.
    pub findings: Vec<Finding>,
    /// What was read.
    pub readings: Vec<Reading>,
    /// How the conversation went.
    pub bus: Bus,
}

impl Judgement {
    /// The finding that says most of the first root: with its number, then with its place.
    pub fn telling_root(&self) -> Option<&Finding> {
        telling(&self.findings)
    }

    /// Ids of the root alarms, each once, in order.
    pub fn roots(&self) -> Vec<&'static str> {
        root_ids(&self.findings)
    }
}
