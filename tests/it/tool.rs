//! Runs the built tool and reads what it printed.

use std::hash::{DefaultHasher, Hash as _, Hasher as _};
use std::path::Path;
use std::process::{Command, Output};

/// Where looks of the tests keep themselves: never in the folder of whoever runs them.
pub(crate) const STATE: &str = concat!(env!("CARGO_TARGET_TMPDIR"), "/state");

/// The tool with these arguments, without the user's own config folder.
pub(crate) fn packside(arguments: &[&str]) -> Output {
    let output = Command::new(env!("CARGO_BIN_EXE_packside"))
        .args(arguments)
        .env_remove("PACKSIDE_CONFIG")
        .env("PACKSIDE_STATE", STATE)
        .env("XDG_CONFIG_HOME", "/nowhere")
        .output()
        .unwrap();
    keep(arguments, &output);
    output
}

/// The tool, heeding an interrupt. Whoever started the tests may ignore it (a script in the background does),
/// programs inherit that, and what is ignored when the tool starts stays so.
#[cfg(unix)]
pub(crate) fn heeding_interrupts() -> Command {
    let tool = env!("CARGO_BIN_EXE_packside");
    if !cfg!(target_os = "linux") {
        return Command::new(tool);
    }
    let mut command = Command::new("env");
    command.args(["--default-signal=INT", tool]);
    command
}

/// Keeps what was printed as JSON; `tests/interop/schemas.py` reads it against the schemas.
fn keep(arguments: &[&str], output: &Output) {
    let is_json = |word: &&str| *word == "json" || *word == "--format=json";
    if !arguments.iter().any(is_json) {
        return;
    }
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("printed");
    let mut hasher = DefaultHasher::new();
    (arguments, &output.stdout).hash(&mut hasher);
    let file = folder.join(format!("{:016x}.jsonl", hasher.finish()));
    let kept = std::fs::create_dir_all(&folder).and_then(|()| std::fs::write(file, &output.stdout));
    kept.unwrap();
}

pub(crate) fn stdout(output: &Output) -> String {
    String::from_utf8_lossy(&output.stdout).into_owned()
}

pub(crate) fn stderr(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

/// A text without the breaks of its lines: what stands in it wherever they fall.
pub(crate) fn flat(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}
