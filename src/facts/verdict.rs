//! The verdict, and why it is this one.
//!
//! Does not: choose it ([`crate::judge`] does).

use super::cause::Cause;
use super::caution::Caution;
use super::doubt::Doubt;
use super::fact::Fact;
use super::finding::{FactKey, Finding};
use super::headline::Headline;
use super::step::NextStep;

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
