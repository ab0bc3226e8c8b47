//! The command line: arguments in, text on stdout, progress on stderr, an exit code.
//!
//! Does not: hold logic worth testing elsewhere.

use clap::Parser as _;
use clap::error::ErrorKind;

mod args;
mod check;
mod demo;
mod find;
pub mod lamp;
mod listen;
mod live;
mod menu;
mod out;
mod places;
pub mod profile;
mod prompt;
mod reach;
mod record;
pub mod rehearse;
mod report;
mod retest;
mod session;
mod visit;
mod watch;

use args::{Cli, Command, Format};

use crate::show::json;

/// Exit code for wrong usage.
pub(crate) const USAGE: u8 = 2;
/// Exit code for trouble of this computer, a file or a profile.
pub(crate) const LOCAL: u8 = 4;

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

/// Runs the tool with the arguments of this process and gives its exit code.
pub fn run() -> u8 {
    let cli = match Cli::try_parse() {
        Ok(cli) => cli,
        Err(error) => {
            let _ = error.print();
            return match error.kind() {
                ErrorKind::DisplayHelp | ErrorKind::DisplayVersion => 0,
                _ => USAGE,
            };
        }
    };
    start_log();
    let colour = out::colour(cli.color);
    let json = cli.format == Format::Json;
    let exit = command(cli, json, colour);
    match out::unwritten() {
        Some(why) => {
            out::say(&format!(
                "error: standard output: the result could not be written: {why}"
            ));
            out::say("hint: make room, or write elsewhere; --record FILE keeps what was seen");
            LOCAL
        }
        None => exit,
    }
}

fn command(cli: Cli, json: bool, colour: bool) -> u8 {
    match cli.command {
        None => menu::run(colour),
        Some(Command::Demo) => demo::run(json, colour),
        Some(Command::Find(args)) => finish(find::run(&args, json, colour), json),
        Some(Command::Check(args)) => finish(check::run(&args, json, colour), json),
        Some(Command::Watch(args)) => finish(watch::run(&args, json, colour), json),
        Some(Command::Visit(args)) => finish(visit::run(&args, json, colour), json),
        Some(Command::Retest(args)) => finish(retest::run(&args, json), json),
        Some(Command::Report(args)) => finish(report::run(&args, json), json),
        Some(Command::Listen(args)) => finish(listen::run(&args, json, colour), json),
        Some(Command::Lamp(args)) => print(lamp::run(&args, json, colour)),
        Some(Command::Profile(args)) => print(profile::run(&args, json)),
    }
}

/// Prints what a command gave.
fn print((stdout, stderr, exit): (String, String, u8)) -> u8 {
    if !stderr.is_empty() {
        out::say(stderr.trim_end());
    }
    out::result(&stdout);
    exit
}

/// Prints a failure in the form that was asked for.
pub(crate) fn finish(result: Result<u8, Failure>, json: bool) -> u8 {
    match result {
        Ok(exit) => exit,
        Err(failure) => {
            if json {
                let object = json::error(
                    failure.kind,
                    failure.exit,
                    &failure.message,
                    failure.hint.as_deref(),
                );
                out::result(&format!("{object}\n"));
            }
            out::say(&format!("error: {}", failure.message));
            if let Some(hint) = &failure.hint {
                out::say(&format!("hint: {hint}"));
            }
            failure.exit
        }
    }
}

/// The developers' log, off unless `PACKSIDE_LOG` asks for it.
fn start_log() {
    if let Ok(filter) = tracing_subscriber::EnvFilter::try_from_env("PACKSIDE_LOG") {
        let _ = tracing_subscriber::fmt()
            .with_env_filter(filter)
            .with_writer(std::io::stderr)
            .try_init();
    }
}
