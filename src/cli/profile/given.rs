//! What a command of `packside profile` gives: text for stdout, text for stderr, an exit code.

use std::path::{Path, PathBuf};

use crate::cli::failure::Failure;
use crate::cli::output::Output;
use crate::show::json::profile::{Content, Profiles};
use crate::show::json::{Failed, Trouble, line};

/// What a command gives: stdout, stderr, exit code.
pub(super) type CheckOutcome = (String, String, u8);

/// What a command gives, or why it could not do its work.
pub(super) fn or_failed(given: Result<CheckOutcome, Failure>, json: bool) -> CheckOutcome {
    given.unwrap_or_else(|failure| {
        let hint = failure.hint.as_ref();
        let hint = hint.map_or_else(String::new, |hint| format!("hint: {hint}\n"));
        let stdout = if json {
            failure.object(Some("profile"))
        } else {
            String::new()
        };
        let said = format!("error: {}\n{hint}", failure.message);
        (stdout, said, failure.exit)
    })
}

/// Writes a new draft where `--output` says: over nothing but another draft, unless the user says so.
pub(super) fn write_draft(
    path: &Path,
    text: &str,
    inputs: &[PathBuf],
    replace: bool,
) -> Result<(), Failure> {
    let output = Output {
        option: "--output",
        path,
        kind: "a draft",
        is_kind: |begin| begin.lines().any(|line| line.trim() == "[draft]"),
        inputs,
        replace: Some(replace),
    };
    output.write(text)
}

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
