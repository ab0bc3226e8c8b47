//! The command line: arguments in, text on stdout, progress on stderr, an exit code.
//!
//! Does not: hold logic worth testing elsewhere.

use clap::error::{ContextKind, ContextValue, ErrorKind};
use clap::{Parser, Subcommand};

mod args;
mod check;
mod demo;
mod describe;
mod failure;
mod find;
mod heard;
mod interrupt;
mod keep;
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
mod report;
mod retest;
mod session;
mod visit;
mod watch;

use args::{CAUTIONS, CheckArgs, Colour, EXIT_CODES, Format};

/// Does this unit have a real fault, or is the inverter just not talking to it yet?
#[derive(Debug, Parser)]
#[command(
    name = "packside",
    version,
    about = "Field tool for battery storage units: a real fault, or an inverter that is not talking yet?",
    long_about = "Reads a battery storage unit over RS-485 or a TCP gateway and says whether it has a real fault or \
                  only waits for its inverter. It only reads.\n\nTry it without hardware:\n  packside demo\n\nOne look \
                  at a unit:\n  packside check --serial /dev/ttyUSB0 --profile generic-hv-stack\n  packside check \
                  --gateway 192.0.2.7 --profile generic-hv-stack\n  packside check --simulated hv-waiting\n\nNothing known but the port:\n  packside find --serial \
                  /dev/ttyUSB0",
    after_help = "Hazardous voltage: `packside --help` carries the cautions and the exit codes.",
    after_long_help = [CAUTIONS, "\n\n", EXIT_CODES].concat(),
    disable_help_subcommand = true,
    max_term_width = 100
)]
struct Cli {
    /// What to do.
    #[command(subcommand)]
    command: Option<Command>,
    /// Result as text for people or JSON for programs.
    #[arg(long, global = true, value_enum, default_value_t = Format::Text)]
    format: Format,
    /// Colour: `auto` means on a terminal, unless `NO_COLOR` is set.
    #[arg(long, global = true, value_enum, default_value_t = Colour::Auto)]
    color: Colour,
}

/// The commands.
#[derive(Debug, Subcommand)]
enum Command {
    /// Look for ports, line settings and units that answer
    #[command(after_help = EXIT_CODES)]
    Find(Box<find::FindArgs>),
    /// One full look at a unit, and the verdict
    #[command(after_help = EXIT_CODES)]
    Check(Box<CheckArgs>),
    /// The same, live: the verdict as it changes, and what changed
    #[command(after_help = EXIT_CODES, after_long_help = [CAUTIONS, "\n\n", EXIT_CODES].concat())]
    Watch(Box<watch::WatchArgs>),
    /// The guided power-up check, recorded
    #[command(after_help = EXIT_CODES)]
    Visit(Box<visit::VisitArgs>),
    /// Run scenarios and recordings against their expected verdicts
    Retest(retest::RetestArgs),
    /// The page to hand over, from a recording
    Report(report::ReportArgs),
    /// Overhear a bus without sending a byte
    #[command(after_help = EXIT_CODES)]
    Listen(Box<listen::ListenArgs>),
    /// Say what a blinking lamp means
    Lamp(lamp::LampArgs),
    /// List, show, check and explain register maps
    Profile(profile::ProfileArgs),
    /// All of it on a built-in simulated stack, without hardware
    Demo,
}

/// Runs the tool with the arguments of this process and gives its exit code.
pub fn run() -> u8 {
    run_with(std::env::args_os())
}

/// Runs the tool with these arguments, the first one its own name.
pub fn run_with(arguments: impl IntoIterator<Item = std::ffi::OsString>) -> u8 {
    let cli = match Cli::try_parse_from(arguments) {
        Ok(cli) => cli,
        Err(error) => {
            return match error.kind() {
                ErrorKind::DisplayHelp | ErrorKind::DisplayVersion => {
                    let _ = error.print();
                    0
                }
                ErrorKind::UnknownArgument
                    if error.get(ContextKind::InvalidArg)
                        == Some(&ContextValue::String("--ask-anyway".to_owned())) =>
                {
                    out::say(args::NO_LONGER);
                    failure::USAGE
                }
                // It repeats what was typed.
                _ => {
                    out::say(error.render().to_string().trim_end());
                    failure::USAGE
                }
            };
        }
    };
    start_log();
    let colour = out::colour(cli.color);
    crate::show::paper::lay(out::paper());
    let json = cli.format == Format::Json;
    let exit = command(cli, json, colour);
    match out::unwritten() {
        Some(why) => {
            out::say(&format!(
                "error: standard output: the result could not be written: {why}"
            ));
            out::say("hint: make room, or write elsewhere; --record FILE keeps what was seen");
            failure::LOCAL
        }
        None => exit,
    }
}

fn command(cli: Cli, json: bool, colour: bool) -> u8 {
    match cli.command {
        None => menu::run(colour),
        Some(Command::Demo) => demo::run(json, colour),
        Some(Command::Find(args)) => failure::finish(find::run(&args, json, colour), json),
        Some(Command::Check(args)) => failure::finish(check::run(&args, json, colour), json),
        Some(Command::Watch(args)) => failure::finish(watch::run(&args, json, colour), json),
        Some(Command::Visit(args)) => failure::finish(visit::run(&args, json, colour), json),
        Some(Command::Retest(args)) => failure::finish(retest::run(&args, json), json),
        Some(Command::Report(args)) => failure::finish(report::run(&args, json), json),
        Some(Command::Listen(args)) => failure::finish(listen::run(&args, json, colour), json),
        Some(Command::Lamp(args)) => out::outcome(lamp::run(&args, json, colour)),
        Some(Command::Profile(args)) => out::outcome(profile::run(&args, json)),
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
