//! Why a command could not do its work, `packside.failed/1`: the same for every command.

use serde::Serialize;

use super::TOOL;

/// Why a command could not do its work.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Failed {
    /// `packside.failed/1`.
    pub schema: &'static str,
    /// Version of this tool.
    pub tool: &'static str,
    /// Which command; null where none was recognised.
    pub command: Option<String>,
    /// What went wrong.
    pub error: Trouble,
}

/// What went wrong.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Trouble {
    /// Stable word.
    pub kind: &'static str,
    /// Exit code.
    pub exit: u8,
    /// Where, what was expected, what was found.
    pub message: String,
    /// The one thing to do.
    pub hint: Option<String>,
}

impl Failed {
    /// A failure of a command.
    pub fn new(command: Option<&str>, error: Trouble) -> Self {
        Self {
            schema: "packside.failed/1",
            tool: TOOL,
            command: command.map(str::to_owned),
            error,
        }
    }
}
