//! Why a command could not do its work, and the exit codes.
//!
//! Does not: decide what went wrong.

use clap::error::ErrorKind;
use packside_profiles::clean;

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

impl Failure {
    /// The same as JSON.
    pub(crate) fn object(&self, command: Option<&str>) -> String {
        let error = json::Trouble {
            kind: self.kind,
            exit: self.exit,
            message: by_line(&self.message),
            hint: self.hint.as_deref().map(by_line),
        };
        json::line(&json::Failed::new(command, error))
    }
}

/// What other programs and systems say in a failure is cleaned like everything foreign; lines stay lines.
fn by_line(text: &str) -> String {
    let lines: Vec<_> = text.lines().map(clean).collect();
    lines.join("\n")
}

/// Prints a failure of a command in the form that was asked for.
pub(crate) fn finish(command: Option<&str>, result: Result<u8, Failure>, json: bool) -> u8 {
    match result {
        Ok(exit) => exit,
        Err(failure) => {
            if json {
                out::result(&failure.object(command));
            }
            out::say(&format!("error: {}", failure.message));
            if let Some(hint) = &failure.hint {
                out::say(&format!("hint: {hint}"));
            }
            failure.exit
        }
    }
}

/// What is wrong with what was typed, for programs: the first paragraph that the parser prints, and its
/// tip, else how the command is used.
pub(crate) fn mistyped(error: &clap::Error) -> Failure {
    let text = error.render().to_string();
    let one_line = |text: &str| text.split_whitespace().collect::<Vec<_>>().join(" ");
    let paragraphs: Vec<String> = text.split("\n\n").map(one_line).collect();
    let behind = |lead: &str| {
        let found = paragraphs.iter().find_map(|text| text.strip_prefix(lead));
        found.map(str::to_owned)
    };
    let message = match error.kind() {
        ErrorKind::DisplayHelpOnMissingArgumentOrSubcommand | ErrorKind::MissingSubcommand => {
            "no command given".to_owned()
        }
        _ => behind("error: ").unwrap_or_else(|| "wrong usage".to_owned()),
    };
    let usage = || behind("Usage: ").map(|usage| format!("usage: {usage}"));
    failure(USAGE, "usage", message, behind("tip: ").or_else(usage))
}
