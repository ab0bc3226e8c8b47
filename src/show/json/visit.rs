//! The end of a visit, `packside.visited/1`.

use serde::Serialize;

use super::check::Check;
use crate::event::StepAnswer;

/// Name and version of the schema.
pub const SCHEMA: &str = "packside.visited/1";

/// A visit.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Visited {
    /// `packside.visited/1`.
    pub schema: &'static str,
    /// File of the recording.
    pub recording: String,
    /// Whether it was walked to the end.
    pub complete: bool,
    /// The answer that ended it.
    pub stopped_by: Option<Stop>,
    /// What was answered, in the order of the steps.
    pub steps: Vec<Step>,
    /// Ids of the steps that are open.
    pub open: Vec<String>,
    /// What was measured, as `packside.check/1`; null where nothing was.
    pub check: Option<Check>,
}

/// An answer that ended a visit.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Stop {
    /// Id of the step.
    pub step: String,
    /// What to do.
    pub text: String,
}

/// A step that was answered.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Step {
    /// Its id.
    pub step: String,
    /// The question as it was put.
    pub question: String,
    /// The answer.
    pub value: String,
    /// Reason or remark.
    pub note: Option<String>,
}

impl From<&StepAnswer> for Step {
    fn from(answer: &StepAnswer) -> Self {
        Self {
            step: answer.step.clean().into_owned(),
            question: answer.question.clean().into_owned(),
            value: answer.value.text().clean().into_owned(),
            note: answer.note.as_ref().map(|note| note.clean().into_owned()),
        }
    }
}
