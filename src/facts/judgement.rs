//! What judging gives: verdict, findings, readings, next steps. Plain data; rendering is elsewhere.

use std::sync::Arc;
use std::time::Duration;

use packside_profiles::model::{Clears, LiesIn, Profile, Severity, Table};
use packside_profiles::{Class, Place, Role, StateKind, Value};

use super::cause::Cause;
use super::doubt::Doubt;
use super::fact::{Caution, Compared, Fact, Follows, PointIndex, Remedy, Spot};
use super::headline::Headline;
use super::health::Health;
use super::not_tested::NotTested;
use super::step::NextStep;
use super::whereabouts::{Item, Whereabouts};

/// The kinds of verdict. Ids and exit codes are stable.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum VerdictKind {
    /// Everything required was read, nothing is wrong, the inverter is heard.
    Normal,
    /// No defect seen; a condition or an operator's action keeps the unit from running.
    NotReady,
    /// A root alarm or a measured violation.
    Fault,
    /// No fault found; the inverter was not heard since power-up, as far as is known.
    AwaitingInverter,
    /// No fault found; the inverter was heard and is silent now.
    InverterLost,
    /// No valid answer: nothing can be said about the unit.
    BusProblem,
    /// Something is missing or contradicts; the next step settles it.
    Undecided,
}

impl VerdictKind {
    /// Every kind.
    pub const ALL: [Self; 7] = [
        Self::Normal,
        Self::NotReady,
        Self::Fault,
        Self::AwaitingInverter,
        Self::InverterLost,
        Self::BusProblem,
        Self::Undecided,
    ];

    /// The stable id.
    pub fn id(self) -> &'static str {
        match self {
            Self::Normal => "normal",
            Self::NotReady => "not-ready",
            Self::Fault => "fault",
            Self::AwaitingInverter => "awaiting-inverter",
            Self::InverterLost => "inverter-lost",
            Self::BusProblem => "bus-problem",
            Self::Undecided => "undecided",
        }
    }

    /// What it means.
    pub fn meaning(self) -> &'static str {
        match self {
            Self::Normal => "everything required was read, nothing is wrong, the inverter is heard",
            Self::NotReady => {
                "no defect seen; a condition or an operator's action keeps the unit from running"
            }
            Self::Fault => "a root alarm or a measured violation, whatever lamp or inverter say",
            Self::AwaitingInverter => "no fault found so far; the inverter is silent",
            Self::InverterLost => {
                "no fault found so far; the inverter was heard before and is silent now"
            }
            Self::BusProblem => "no valid answer: nothing can be said about the unit",
            Self::Undecided => "something is missing or contradicts; the next step settles it",
        }
    }

    /// The exit code of a command that ends with this verdict.
    pub fn exit_code(self) -> u8 {
        match self {
            Self::Normal => 0,
            Self::Fault => 1,
            Self::BusProblem => 3,
            Self::AwaitingInverter => 5,
            Self::Undecided => 6,
            Self::InverterLost => 8,
            Self::NotReady => 9,
        }
    }
}

/// How a verdict was reached.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Basis {
    /// By rule, from facts.
    Rule,
    /// By weighing soft evidence; the share of the leading cause in per mille.
    Weighed(u32),
}

/// What becomes of the part in which a root lies.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Disposition {
    /// Put it right where it stands.
    CorrectOnSite,
    /// Cut off what may be the reason, then look again: nothing is returned yet.
    IsolateAndLookAgain,
    /// No isolating step is left: ask the maker to take it back.
    Claim,
    /// Do not charge, do not install, set apart.
    Quarantine,
}

impl Disposition {
    /// Every one, with its stable id and its meaning.
    pub const ALL: [Self; 4] = [
        Self::CorrectOnSite,
        Self::IsolateAndLookAgain,
        Self::Claim,
        Self::Quarantine,
    ];

    /// The stable id.
    pub fn id(self) -> &'static str {
        match self {
            Self::CorrectOnSite => "correct-on-site",
            Self::IsolateAndLookAgain => "isolate-and-look-again",
            Self::Claim => "claim",
            Self::Quarantine => "quarantine",
        }
    }

    /// What it means.
    pub fn meaning(self) -> &'static str {
        match self {
            Self::CorrectOnSite => "to be put right on site",
            Self::IsolateAndLookAgain => {
                "isolate the suspected part and look again; nothing is returned yet"
            }
            Self::Claim => "no isolating step is left: ask the maker to take it back",
            Self::Quarantine => "do not charge, do not install, set apart, ask the maker",
        }
    }
}

/// How sure a root is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Certainty {
    /// A good number breaks a limit of a recognised map.
    Proven,
    /// The unit says so, no number shows it.
    Likely,
    /// Not confirmed.
    Open,
}

impl Certainty {
    /// The stable id.
    pub fn id(self) -> &'static str {
        match self {
            Self::Proven => "proven",
            Self::Likely => "likely",
            Self::Open => "open",
        }
    }

    /// What it means.
    pub fn meaning(self) -> &'static str {
        match self {
            Self::Proven => "a good number breaks a limit of a recognised map",
            Self::Likely => "the unit says so, no number shows it",
            Self::Open => "not confirmed",
        }
    }
}

/// Where a finding comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Source {
    /// The unit's own flag.
    Flag,
    /// A number against a limit, or numbers against each other.
    Measured,
    /// The traffic.
    Bus,
    /// A lamp.
    Lamp,
    /// What a person answered.
    Answer,
}

impl Source {
    /// The stable id.
    pub fn id(self) -> &'static str {
        match self {
            Self::Flag => "flag",
            Self::Measured => "measured",
            Self::Bus => "bus",
            Self::Lamp => "lamp",
            Self::Answer => "answer",
        }
    }
}

/// Something that was found.
#[derive(Debug, Clone, PartialEq)]
pub struct Finding {
    /// What it is, with the numbers that decided.
    pub fact: Fact,
    /// Stable id: a [`Class`] id, or that of a remark.
    pub id: &'static str,
    /// The class, for findings about the battery.
    pub class: Option<Class>,
    /// How grave.
    pub severity: Severity,
    /// Where it comes from.
    pub source: Source,
    /// Whether it may be the reason and not a consequence.
    pub root: bool,
    /// What explains this one.
    pub follows_from: Option<Follows>,
    /// Where the reason lies.
    pub lies_in: LiesIn,
    /// How its flag goes away.
    pub clears: Option<Clears>,
    /// Unit address.
    pub unit: u8,
    /// Module and cell or sensor.
    pub place: Place,
    /// What to do first.
    pub to_do: Remedy,
    /// When it was first seen in these events, for flags.
    pub since: Option<Duration>,
    /// Seen before a restart of the unit and again after it.
    pub returned: bool,
    /// How sure it is, for roots.
    pub sure: Certainty,
    /// What becomes of the part, for roots that stop the unit.
    pub disposition: Option<Disposition>,
}

/// What makes a finding the same one in two judgements: *new*, *again* and *gone* are decided by it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct FactKey {
    /// Stable id of the finding.
    pub kind: &'static str,
    /// Unit address.
    pub unit: u8,
    /// Module and cell or sensor.
    pub place: Place,
    /// Where it comes from.
    pub source: Source,
}

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

    /// The number even where it is out of range or stale.
    pub fn any_number(&self) -> Option<f64> {
        match &self.value {
            Some(Value::Number(number)) => Some(*number),
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

/// One reason of a verdict.
#[derive(Debug, Clone, PartialEq)]
pub struct Reason {
    /// Which pack of a rack it is about.
    pub unit: Option<u8>,
    /// What it is.
    pub why: Why,
}

/// What a reason is.
#[derive(Debug, Clone, PartialEq)]
pub enum Why {
    /// What people must know before anything else.
    Caution(Caution),
    /// A finding.
    Finding {
        /// Which.
        key: FactKey,
        /// What it says.
        fact: Fact,
    },
    /// What is open; several of them that lack the same.
    Doubts(Vec<Doubt>),
    /// Nobody knows for certain whether the map is the right one.
    Unconfirmed,
    /// Only others asked, and the unit said its state.
    Overheard {
        /// The state as the map names it.
        state: String,
    },
    /// The unit is in its maintenance state.
    Maintenance,
    /// The unit hears no inverter.
    NoInverter {
        /// It never heard one since power-up.
        proven: bool,
        /// It takes our own questions for an inverter.
        fed_by_us: bool,
        /// The silence time of the map, s.
        silence_s: u32,
    },
    /// The unit heard its inverter before.
    InverterLost {
        /// How long ago, s, where it says so.
        heard_s: Option<u32>,
        /// The silence time of the map, s.
        silence_s: u32,
    },
    /// The inverter is heard and the unit is in service.
    InService,
    /// Nothing was asked and nothing was heard.
    NothingYet,
    /// Nothing was asked.
    OnlyHeard {
        /// Bytes that came.
        bytes: u64,
        /// Unit addresses that others asked, the first few of them.
        asked: Vec<u8>,
    },
    /// No question was answered.
    NoAnswer {
        /// Questions.
        asked: u32,
        /// Bytes that came.
        bytes: u64,
    },
}

impl Why {
    /// A finding as a reason.
    pub(crate) fn of(finding: &Finding) -> Self {
        Self::Finding {
            key: finding.key(),
            fact: finding.fact.clone(),
        }
    }
}

/// The verdict with its reasons.
#[derive(Debug, Clone, PartialEq)]
pub struct Verdict {
    /// Kind.
    pub kind: VerdictKind,
    /// How it was reached.
    pub basis: Basis,
    /// What it is in one sentence.
    pub headline: Headline,
    /// What decided, most important first.
    pub why: Vec<Reason>,
    /// What keeps it open, for `undecided`.
    pub open: Vec<Doubt>,
    /// Whether everything that a clean verdict needs was read, fresh, of one recognised unit (or of
    /// every pack of a rack), in codes that the map knows. An open point may be left all the same.
    pub gate_filled: bool,
    /// The verdict if the roots were gone and all else the same.
    pub without_roots: Option<VerdictKind>,
    /// Weighed causes of a bus problem, a bad line or a silent inverter, the most likely first, as
    /// far as they are worth telling.
    pub causes: Vec<Cause>,
    /// Every cause considered.
    pub considered: Vec<Cause>,
    /// What to do, in order.
    pub next: Vec<NextStep>,
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

impl Finding {
    /// Whether this may be the reason and stops the unit; the silent inverter is no such root.
    pub fn is_root_alarm(&self) -> bool {
        self.weighs_most() && self.class != Some(Class::InverterSilent)
    }

    /// Where it is.
    pub fn whereabouts(&self) -> Whereabouts {
        use Class as C;
        let is_pair = matches!(self.fact, Fact::Compared(Compared::BrokenSenseWire { .. }));
        let item = match self.class {
            _ if is_pair && self.place.item.is_some() => Item::CellPair,
            Some(
                C::SensorFault | C::OverTemperature | C::UnderTemperature | C::TemperatureImbalance,
            ) => Item::Sensor,
            _ => Item::Cell,
        };
        Whereabouts {
            place: self.place,
            item,
        }
    }

    /// What makes it the same one in another judgement.
    pub fn key(&self) -> FactKey {
        FactKey {
            kind: self.id,
            unit: self.unit,
            place: self.place,
            source: self.source,
        }
    }

    fn weighs_most(&self) -> bool {
        self.root && self.severity == Severity::Alarm
    }
}

/// Roots of alarm severity first, then by severity; otherwise the order stays.
pub(crate) fn sort_by_weight(findings: &mut [Finding]) {
    findings.sort_by_key(|f| (!f.weighs_most(), std::cmp::Reverse(f.severity)));
}

/// Ids of the root alarms, each once, in order.
pub(crate) fn root_ids(findings: &[Finding]) -> Vec<&'static str> {
    let mut ids = Vec::new();
    for finding in findings.iter().filter(|f| f.is_root_alarm()) {
        if !ids.contains(&finding.id) {
            ids.push(finding.id);
        }
    }
    ids
}

/// The finding that says most of the first root: with its number, then with its place.
pub(crate) fn telling(findings: &[Finding]) -> Option<&Finding> {
    let first = findings.iter().find(|f| f.is_root_alarm())?;
    let same = |f: &&Finding| f.is_root_alarm() && f.id == first.id && f.unit == first.unit;
    findings.iter().filter(same).min_by_key(|f| {
        (
            !f.fact.has_deciding_number(),
            f.place.item.is_none(),
            f.place.module.is_none(),
            f.source == Source::Flag,
        )
    })
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
