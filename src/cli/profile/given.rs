//! What a command of `packside profile` gives: text for stdout, text for stderr, an exit code.

use crate::show::json::profile::{Content, Profiles};
use crate::show::json::{Failed, Trouble, line};

/// What a command gives: stdout, stderr, exit code.
pub(super) type CheckOutcome = (String, String, u8);

/// One object as JSON.
pub(super) fn object(command: &'static str, content: Content) -> String {
    line(&Profiles::new(command, content))
}

/// A command that failed, with what to do.
pub(super) fn failed(
    kind: &'static str,
    message: &str,
    hint: &str,
    exit: u8,
    json: bool,
) -> CheckOutcome {
    let error = Trouble {
        kind,
        exit,
        message: message.trim_end().to_owned(),
        hint: Some(hint.to_owned()),
    };
    let stdout = if json {
        line(&Failed::new(Some("profile"), error))
    } else {
        String::new()
    };
    (
        stdout,
        format!("error: {}\nhint: {hint}\n", message.trim_end()),
        exit,
    )
}
