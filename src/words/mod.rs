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

mod fact;
mod names;
mod number;
mod pseudo;
mod to_do;

use crate::facts::{Finding, Judgement};

pub(crate) use fact::{caution, class, class_in_short, deciding, fact, line, whereabouts};
pub(crate) use number::with_unit;
pub use pseudo::in_pseudo_language;
pub(crate) use to_do::{to_do, usual};

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
