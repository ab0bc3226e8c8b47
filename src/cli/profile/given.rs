//! What a command of `packside profile` gives: text for stdout, text for stderr, an exit code.

use crate::show::json::line;
use crate::show::json::profile::{Content, Profiles, Trouble};

/// What a command gives: stdout, stderr, exit code.
pub(super) type CheckOutcome = (String, String, u8);

/// One object as JSON.
pub(super) fn object(command: &'static str, content: Content) -> String {
    line(&Profiles::new(command, content))
}

/// A command that failed, with what to do.
pub(super) fn failed(
    command: &'static str,
    kind: &'static str,
    message: &str,
    hint: &str,
    exit: u8,
    json: bool,
) -> CheckOutcome {
    let error = Trouble {
        kind,
        message: message.to_owned(),
        exit,
    };
    let stdout = if json {
        object(command, Content::Failed { error })
    } else {
        String::new()
    };
    (
        stdout,
        format!("error: {}\nhint: {hint}\n", message.trim_end()),
        exit,
    )
}
