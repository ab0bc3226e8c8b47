//! One judgement as JSON, `packside.check/1`.
//!
//! Does not: leave anything out for a reader; what is not known is null.

use std::collections::BTreeMap;

use packside_profiles::Role;
use packside_profiles::model::{Clears, LiesIn, Needs, Severity};
use serde::Serialize;

mod of;

/// Name and version of the schema of `check`.
pub(super) const SCHEMA: &str = "packside.check/1";

/// One look, judged.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Check {
    /// `packside.check/1`.
    pub schema: &'static str,
    /// Version of this tool.
    pub tool: &'static str,
    /// No real unit: it came from the simulator.
    pub simulated: bool,
    /// Moment judged, since the session began.
    pub moment_ms: u64,
    /// Who the unit is.
    pub identity: Identity,
    /// By which register map it was judged.
    pub profile: Option<Profile>,
    /// How it was reached.
    pub link: Option<Link>,
    /// The verdict with its reasons.
    pub verdict: Verdict,
    /// What may be broken all the same.
    pub not_tested: Vec<NotTested>,
    /// What was found.
    pub findings: Vec<Finding>,
    /// What was read.
    pub readings: Vec<Reading>,
    /// How the conversation went.
    pub bus: Bus,
    /// The recording in which this look is kept; null where nothing is.
    pub saved: Option<String>,
}

/// Who the unit is.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Identity {
    /// Serial number; of a rack that of the first pack.
    pub serial: Option<String>,
    /// Model name.
    pub model: Option<String>,
    /// Firmware of the control unit.
    pub firmware: Option<String>,
    /// Modules that say who they are.
    pub modules: Vec<Module>,
    /// Addresses judged.
    pub members: Vec<Member>,
}

/// Who a module says it is.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Module {
    /// Position, from 1.
    pub position: u16,
    /// Serial number.
    pub serial: Option<String>,
    /// Firmware.
    pub firmware: Option<String>,
}

/// One address of a rack.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Member {
    /// Unit address.
    pub unit: u8,
    /// Serial number.
    pub serial: Option<String>,
    /// Firmware.
    pub firmware: Option<String>,
    /// Id of the verdict about this member alone.
    pub kind: &'static str,
    /// Id of its state.
    pub state: Option<&'static str>,
}

/// A register map.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Profile {
    /// Its id.
    pub id: String,
    /// Fingerprint of its text, hex.
    pub sha256: String,
    /// Whether it was ever compared with a real unit.
    pub verified_on_hardware: bool,
}

/// The way to a unit.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Link {
    /// `serial`, `gateway` or `simulated`.
    pub kind: &'static str,
    /// Port, address or scenario.
    pub place: String,
    /// Line settings; null behind a gateway.
    pub line: Option<String>,
    /// `rtu` or `tcp`.
    pub framing: &'static str,
    /// Where the laptop is plugged in, where somebody said so.
    pub plugged: Option<&'static str>,
    /// Whether one of the two words below was said.
    pub ask_anyway: bool,
    /// Whether somebody said that asking may wake the unit.
    pub may_wake: bool,
    /// Whether somebody said to ask beside others.
    pub beside_others: bool,
}

/// The verdict with its reasons.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Verdict {
    /// Its id.
    pub kind: &'static str,
    /// Share of the leading cause, 0 to 1, where it was weighed.
    pub confidence: Option<f64>,
    /// `rule` or `weighed`.
    pub basis: &'static str,
    /// One sentence.
    pub summary: String,
    /// What decided, the most important first.
    pub why: Vec<String>,
    /// What keeps it open.
    pub open: Vec<OpenPoint>,
    /// Whether everything that a clean verdict needs was read.
    pub gate_filled: bool,
    /// Id of the verdict if the roots were gone.
    pub without_roots: Option<&'static str>,
    /// Weighed causes, the most likely first.
    pub causes: Vec<Cause>,
    /// What to do, in order.
    pub next: Vec<NextStep>,
    /// With `--explain` only: every cause that was weighed.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub considered: Option<Vec<Cause>>,
}

/// Something that keeps a verdict open.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct OpenPoint {
    /// Id of the doubt.
    pub id: &'static str,
    /// What it is.
    pub text: String,
    /// Id of the step that settles it.
    pub settled_by: &'static str,
}

/// A possible cause.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Cause {
    /// Its id.
    pub id: &'static str,
    /// Share among all that were weighed, 0 to 1.
    pub probability: f64,
    /// What it is.
    pub meaning: &'static str,
    /// What speaks for it.
    #[serde(rename = "for")]
    pub reasons_for: Vec<String>,
    /// What speaks against it.
    #[serde(rename = "against")]
    pub reasons_against: Vec<String>,
    /// Id of the step that settles it.
    pub settled_by: &'static str,
    /// What to mind meanwhile; may be empty.
    pub caution: &'static str,
}

/// Something to do.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct NextStep {
    /// Its id.
    pub id: &'static str,
    /// What to do.
    pub text: String,
    /// What it needs: the risk.
    #[cfg_attr(test, schemars(with = "String"))]
    pub needs: Needs,
    /// Who may do it.
    pub who: &'static str,
    /// How long it takes.
    pub minutes: u32,
}

/// What this look cannot tell.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct NotTested {
    /// Its id.
    pub id: &'static str,
    /// Why not.
    pub why: String,
    /// When it can be tested.
    pub when: String,
}

/// Something that was found.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Finding {
    /// Id of its class.
    pub id: &'static str,
    /// Id of what shows it.
    pub fact: &'static str,
    /// How grave.
    #[cfg_attr(test, schemars(with = "String"))]
    pub severity: Severity,
    /// `flag`, `measured`, `bus`, `lamp` or `answer`.
    pub source: &'static str,
    /// Whether it may be the reason and no consequence.
    pub root: bool,
    /// Id of the finding that explains it.
    pub follows_from: Option<String>,
    /// Where the reason lies.
    #[cfg_attr(test, schemars(with = "String"))]
    pub lies_in: LiesIn,
    /// How its flag goes away.
    #[cfg_attr(test, schemars(with = "Option<String>"))]
    pub clears: Option<Clears>,
    /// How sure a root is.
    pub sure: Option<&'static str>,
    /// What becomes of the part.
    pub disposition: Option<&'static str>,
    /// When its flag was first seen.
    pub since_ms: Option<u64>,
    /// Seen before a restart and again after it.
    pub returned: bool,
    /// Where it is.
    #[serde(rename = "where")]
    pub place: Where,
    /// What it says, with the number that decided.
    pub text: String,
    /// What to do first.
    #[serde(rename = "do")]
    pub to_do: String,
}

/// A place in a unit.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Where {
    /// Unit address.
    pub pack: u8,
    /// Module, from 1.
    pub module: Option<u16>,
    /// Cell or sensor, from 1.
    pub cell: Option<u16>,
    /// The same in words.
    pub text: String,
}

/// One value.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Reading {
    /// Name of the point, with its position.
    pub point: String,
    /// What it is for.
    #[cfg_attr(test, schemars(with = "String"))]
    pub role: Role,
    /// The value; null where there is none.
    pub value: Option<Scalar>,
    /// Name of the value, for enumerations.
    pub value_name: Option<String>,
    /// Physical unit.
    pub value_unit: String,
    /// Raw content, `0x` and hex.
    pub raw: Option<String>,
    /// Unit address.
    pub unit: u8,
    /// `coil`, `discrete`, `holding` or `input`.
    pub table: &'static str,
    /// First register, from 0.
    pub register: u16,
    /// How far it may be relied on.
    pub quality: &'static str,
    /// Why there is no value, where more is known.
    pub remark: Option<String>,
    /// Age at the moment judged.
    pub age_ms: Option<u64>,
}

/// A value.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(untagged)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub enum Scalar {
    /// A measurement.
    Number(f64),
    /// A text.
    Text(String),
    /// Bits, or the number of a code.
    Raw(u64),
}

/// How the conversation went.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Bus {
    /// Own questions.
    pub requests: u32,
    /// Answered with data.
    pub answered: u32,
    /// Not answered in time.
    pub timeouts: u32,
    /// Of these, something damaged came.
    pub damaged: u32,
    /// Answers after their time.
    pub late: u32,
    /// Refused.
    pub exceptions: u32,
    /// The same by exception code, hex.
    pub exceptions_by_code: BTreeMap<String, u32>,
    /// Questions of somebody else.
    pub foreign_requests: u32,
    /// Whether the adapter gives back what it sends.
    pub echo: bool,
    /// Bytes in no frame.
    pub noise_bytes: u64,
    /// Bytes received.
    pub bytes_in: u64,
    /// Half of the answers were faster.
    pub answer_ms_p50: Option<f64>,
    /// Nine of ten were faster.
    pub answer_ms_p90: Option<f64>,
    /// The slowest.
    pub answer_ms_max: Option<f64>,
    /// Time of listening only.
    pub listened_ms: u64,
    /// How well the line does.
    pub health: Health,
}

/// How well the line does.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Health {
    /// Damaged answers among those that were due.
    pub damaged: Share,
    /// The same of answers of at most 25 bytes.
    pub damaged_short: Share,
    /// The same of longer ones.
    pub damaged_long: Share,
    /// The same while current flowed.
    pub damaged_with_current: Share,
    /// The same while none flowed.
    pub damaged_without_current: Share,
    /// Damaged in the first bytes only.
    pub first_bytes: Share,
    /// The longest row of damaged answers.
    pub longest_row: u32,
    /// Damaged in the same way as before.
    pub repeated: u32,
    /// Questions while which readable text came.
    pub text: u32,
    /// Answers that came too late.
    pub late: Share,
    /// Answers "busy".
    pub busy: u32,
    /// Questions while which somebody else asked.
    pub crossed: u32,
    /// What the unit itself counted.
    pub counted_by_unit: Option<Counted>,
}

/// A share with its 95 % interval, so that nobody reads one of few tries as a rate.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Share {
    /// How often it happened.
    pub hits: u32,
    /// In how many tries.
    pub tries: u32,
    /// Lower end, 0 to 1.
    pub low: f64,
    /// Upper end, 0 to 1.
    pub high: f64,
}

/// What a unit counted between two readings of its counters.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Counted {
    /// Unit address.
    pub unit: u8,
    /// Questions that we sent.
    pub questions: u32,
    /// Messages that it heard.
    pub heard: u32,
    /// Frames with a wrong check value that it saw.
    pub errors: Option<u32>,
    /// Our answers that did not come whole.
    pub damaged_answers: u32,
}
