//! Expectations and whether they hold, `packside.retest/1`.

use std::time::Duration;

use serde::Serialize;

use super::ms;

/// All expectations that were tried.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Retest {
    /// `packside.retest/1`.
    pub schema: &'static str,
    /// How many hold.
    pub held: usize,
    /// How many do not.
    pub failed: usize,
    /// Every one.
    pub cases: Vec<Case>,
}

/// An expectation.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Case {
    /// Scenario or recording.
    pub name: String,
    /// Moment judged.
    pub at_ms: u64,
    /// What was expected.
    pub expected: String,
    /// What judging gave.
    pub given: String,
    /// Whether it holds.
    pub holds: bool,
    /// Why not.
    pub why: Option<String>,
}

impl Retest {
    /// These expectations.
    pub fn of(cases: Vec<Case>) -> Self {
        let failed = cases.iter().filter(|case| !case.holds).count();
        Self {
            schema: "packside.retest/1",
            held: cases.len() - failed,
            failed,
            cases,
        }
    }
}

impl Case {
    /// An expectation; `why` where it does not hold.
    pub fn new(name: &str, at: Duration, expected: &str, given: &str, why: Option<&str>) -> Self {
        Self {
            name: name.to_owned(),
            at_ms: ms(at),
            expected: expected.to_owned(),
            given: given.to_owned(),
            holds: why.is_none(),
            why: why.map(str::to_owned),
        }
    }
}
