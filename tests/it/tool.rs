//! Runs the built tool and reads what it printed.

use std::process::{Command, Output};

/// Where looks of the tests keep themselves: never in the folder of whoever runs them.
pub(crate) const STATE: &str = concat!(env!("CARGO_TARGET_TMPDIR"), "/state");

/// The tool with these arguments, without the user's own config folder.
pub(crate) fn packside(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_packside"))
        .args(arguments)
        .env_remove("PACKSIDE_CONFIG")
        .env("PACKSIDE_STATE", STATE)
        .output()
        .unwrap()
}

pub(crate) fn stdout(output: &Output) -> String {
    String::from_utf8_lossy(&output.stdout).into_owned()
}

pub(crate) fn stderr(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}
