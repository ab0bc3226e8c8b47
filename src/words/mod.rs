//! Facts in English: the only room that turns what was found into sentences.
//!
//! Input: a fact, and the register map by whose indices it names points and flags. Output: text. Every match
//! is exhaustive: a new variant does not compile until it has words.
//!
//! Does not: decide anything. Nothing may look into what comes out of here.
//!
//! # Another language
//! [`in_pseudo_language`] scrambles every sentence of this room. Tests run everything in it: nothing but text
//! may change.

#[cfg(feature = "cli")]
pub(crate) mod answers;
mod cause;
mod caution;
mod class;
mod compared;
#[cfg(feature = "cli")]
pub(crate) mod coverage;
mod doubt;
mod fact;
mod flagged;
mod headline;
mod measured;
mod names;
mod not_tested;
pub(crate) mod number;
#[cfg(feature = "cli")]
pub(crate) mod physics;
pub mod progress;
mod pseudo;
mod reason;
mod sight;
mod step;
#[cfg(feature = "cli")]
pub(crate) mod table;
mod to_do;
mod whereabouts;

use packside_profiles::Value;

use crate::facts::{Doubt, Finding, Judgement, ValueRemark};

pub(crate) use cause::{cause, mind_of};
pub(crate) use class::{class, class_in_short};
pub(crate) use doubt::{doubt, doubt_in_short, doubt_means};
pub(crate) use fact::{deciding, fact, fact_in_short, line};
pub(crate) use headline::begun;
pub use headline::summary;
pub use not_tested::{untested, untested_means, when, why_not};
pub(crate) use number::{current, with_unit};
pub use pseudo::in_pseudo_language;
pub(crate) use pseudo::in_short;
use pseudo::said;
pub(crate) use reason::reason;
pub use reason::reasons;
pub(crate) use sight::{sight, sight_means, sights};
pub use step::{needs, next_step, step_means, who};
pub(crate) use to_do::{to_do, usual};
pub(crate) use whereabouts::whereabouts;

/// The sentence of a finding. Empty where it was judged without a map, which gives no findings.
pub fn of_finding(judgement: &Judgement, finding: &Finding) -> String {
    let profile = judgement.profile.as_deref();
    profile.map_or_else(String::new, |profile| fact(&finding.fact, profile))
}

/// What to do about a finding; empty where there is nothing to do.
pub fn what_to_do(judgement: &Judgement, finding: &Finding) -> String {
    let profile = judgement.profile.as_deref();
    profile.map_or_else(String::new, |profile| to_do(&finding.to_do, profile))
}

/// The sentence of what is open. Empty where it was judged without a map, which leaves nothing open.
pub fn of_doubt(judgement: &Judgement, open: &Doubt) -> String {
    let profile = judgement.profile.as_deref();
    profile.map_or_else(String::new, |profile| doubt(open, profile))
}

/// A value as the unit gave it.
fn value(value: &Value) -> String {
    match value {
        Value::Number(number) => number.to_string(),
        Value::Text(text) => text.clean().into_owned(),
        Value::Bits(bits) => format!("0x{bits:04x}"),
        Value::Code(code) => code.to_string(),
    }
}

/// Why a value is not there or not good.
pub fn remark(remark: ValueRemark) -> String {
    said(match remark {
        ValueRemark::Refused(code) => return refused(code),
        ValueRemark::ClocksBroke => "read before this computer slept or its clock was set",
        ValueRemark::EarlierSession => "read in an earlier session",
        ValueRemark::NotValidNow => "not valid in this state",
        ValueRemark::StandsStill => "the unit's own counter stands still",
    })
}

/// That a unit refuses to give a value, with its exception.
fn refused(code: u8) -> String {
    said(match code {
        0x05 => "the unit is busy with something longer (exception 05)".to_owned(),
        0x06 => "the unit is busy (exception 06)".to_owned(),
        _ => format!("refused with exception {code:02x}"),
    })
}
