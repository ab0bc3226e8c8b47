//! A story of the demo and how it ended, `packside.demo/1`: one line for each.

use serde::Serialize;

use super::TOOL;
use super::check::Check;

/// A story.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Demo {
    /// `packside.demo/1`.
    pub schema: &'static str,
    /// Version of this tool.
    pub tool: &'static str,
    /// The scenario.
    pub story: &'static str,
    /// Id of the verdict with which it must end.
    pub told: &'static str,
    /// Its last look, as `packside.check/1`.
    pub result: Check,
}

impl Demo {
    /// A story and its last look.
    pub fn new(story: &'static str, told: &'static str, result: Check) -> Self {
        Self {
            schema: "packside.demo/1",
            tool: TOOL,
            story,
            told,
            result,
        }
    }
}
