//! Why a command could not do its work, and the exit codes.
//!
//! Does not: decide what went wrong.

use super::out;
use crate::show::json;

/// Exit code for wrong usage.
pub(crate) const USAGE: u8 = 2;
/// Exit code of a problem on the way to the unit.
pub(crate) const BUS: u8 = 3;
/// Exit code for trouble of this computer, a file or a profile.
pub(crate) const LOCAL: u8 = 4;
/// Exit code after Ctrl-C before a first result.
pub(crate) const INTERRUPTED: u8 = 130;

/// Why a command could not do its work, sorted by blame through the exit code.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Failure {
    /// Exit code.
    pub(crate) exit: u8,
    /// Stable word for programs.
    pub(crate) kind: &'static str,
    /// Where, what was expected, what was found.
    pub(crate) message: String,
    /// The one thing to do.
    pub(crate) hint: Option<String>,
}

/// A failure with its words.
pub(crate) fn failure(
    exit: u8,
    kind: &'static str,
    message: impl Into<String>,
    hint: Option<String>,
) -> Failure {
    Failure {
        exit,
        kind,
        message: message.into(),
        hint,
    }
}

/// Prints a failure in the form that was asked for.
pub(crate) fn finish(result: Result<u8, Failure>, json: bool) -> u8 {
    match result {
        Ok(exit) => exit,
        Err(failure) => {
            if json {
                let object = json::Failed::new(
                    failure.kind,
                    failure.exit,
                    &failure.message,
                    failure.hint.as_deref(),
                );
                out::result(&json::line(&object));
            }
            out::say(&format!("error: {}", failure.message));
            if let Some(hint) = &failure.hint {
                out::say(&format!("hint: {hint}"));
            }
            failure.exit
        }
    }
}
