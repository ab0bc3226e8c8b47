//! The command line: arguments in, text on stdout, progress on stderr, an exit code.
//!
//! Does not: hold logic worth testing elsewhere.

use std::ffi::OsString;

use clap::error::{ContextKind, ContextValue, ErrorKind};
use clap::{CommandFactory as _, FromArgMatches as _, Parser, Subcommand};
use tracing_subscriber::filter::Targets;
use tracing_subscriber::layer::{Layer as _, SubscriberExt as _};
use tracing_subscriber::util::SubscriberInitExt as _;

mod args;
mod check;
mod demo;
mod describe;
mod failure;
mod find;
mod heard;
mod help;
mod interrupt;
mod keep;
pub mod lamp;
mod listen;
mod live;
mod manual;
mod menu;
mod out;
mod output;
mod places;
mod plain;
pub mod profile;
mod prompt;
mod reach;
mod record;
mod report;
mod retest;
mod session;
mod visit;
mod watch;

use args::{CheckArgs, Colour, ConfigArg, Format};
use failure::{Failure, USAGE, failure};

/// Does this unit have a real fault, or is the inverter just not talking to it yet?
#[derive(Debug, Parser)]
#[command(
    name = "packside",
    version = env!("PACKSIDE_VERSION"),
    about = "Field tool for battery storage units: a real fault, or an inverter that is not talking yet?",
    long_about = "Reads a battery storage unit over RS-485 or a TCP gateway and says whether it has a real fault or \
                  only waits for its inverter. It only reads.",
    disable_help_subcommand = true
)]
struct Cli {
    /// What to do.
    #[command(subcommand)]
    command: Option<Command>,
    /// For people, programs or tables
    ///
    /// text is the default; csv is for check and report.
    #[arg(long, global = true, value_enum, value_name = "text|json|csv", default_value_t = Format::Text)]
    format: Format,
    /// When to colour [default: auto]
    ///
    /// auto: on a terminal. NO_COLOR and CLICOLOR=0 say never, CLICOLOR_FORCE=1 always; this option wins.
    #[arg(long, global = true, value_enum, value_name = "auto|always|never", default_value_t = Colour::Auto)]
    color: Colour,
    /// The result, cautions and errors, no more
    #[arg(long, global = true, conflicts_with = "verbose")]
    quiet: bool,
    /// Also each question and what came of it
    #[arg(long, global = true)]
    verbose: bool,
    /// Folder with own files.
    #[command(flatten)]
    config: ConfigArg,
}

/// The commands.
#[derive(Debug, Subcommand)]
enum Command {
    /// Look for ports, line settings and units that answer
    Find(Box<find::FindArgs>),
    /// One full look at a unit, and the verdict
    Check(Box<CheckArgs>),
    /// The same, live: the verdict as it changes, and what changed
    Watch(Box<watch::WatchArgs>),
    /// The guided power-up check, recorded
    Visit(Box<visit::VisitArgs>),
    /// Run scenarios and recordings against their expected verdicts
    Retest(retest::RetestArgs),
    /// The page to hand over, from a recording
    Report(report::ReportArgs),
    /// Overhear a bus without sending a byte
    Listen(Box<listen::ListenArgs>),
    /// Say what a blinking lamp means
    Lamp(lamp::LampArgs),
    /// List, show, check and explain register maps
    Profile(profile::ProfileArgs),
    /// All of it on a built-in simulated stack, without hardware
    Demo,
    /// One screen about a command
    Help(manual::HelpArgs),
    /// Print what lets a shell complete these commands
    Completions(manual::CompletionsArgs),
    /// Print a page of the manual
    Man(manual::ManArgs),
}

impl Command {
    /// Its name, as typed.
    fn name(&self) -> &'static str {
        match self {
            Self::Find(_) => "find",
            Self::Check(_) => "check",
            Self::Watch(_) => "watch",
            Self::Visit(_) => "visit",
            Self::Retest(_) => "retest",
            Self::Report(_) => "report",
            Self::Listen(_) => "listen",
            Self::Lamp(_) => "lamp",
            Self::Profile(_) => "profile",
            Self::Demo => "demo",
            Self::Help(_) => "help",
            Self::Completions(_) => "completions",
            Self::Man(_) => "man",
        }
    }
}

/// Any text as a place kept under a name, for fuzzing. Gives whether it is one.
pub fn any_place(text: &str) -> bool {
    places::read(text).is_ok()
}

/// Runs the tool with the arguments of this process and gives its exit code.
pub fn run() -> u8 {
    run_with(std::env::args_os())
}

/// The commands as they are defined, and their help.
fn definition() -> clap::Command {
    help::dressed(Cli::command())
}

/// Arguments as data.
fn parsed(typed: Vec<OsString>) -> Result<Cli, clap::Error> {
    let mut definition = definition();
    let matches = definition.try_get_matches_from_mut(typed)?;
    Cli::from_arg_matches(&matches).map_err(|error| error.format(&mut definition))
}

/// Arguments as data; a port, host or file without its option is taken for what it plainly is, which is said.
fn understood(typed: Vec<OsString>) -> Result<Cli, clap::Error> {
    parsed(typed.clone()).or_else(|refused| {
        let meant = plain::meant(typed, refused)?;
        let words: Vec<String> = meant.typed.iter().skip(1).map(args::typed).collect();
        let cli = parsed(meant.typed).map_err(|_| meant.refused)?;
        out::talk(cli.quiet, cli.verbose);
        out::note(&format!("read as: packside {}", words.join(" ")));
        Ok(cli)
    })
}

/// Runs the tool with these arguments, the first one its own name.
pub fn run_with(arguments: impl IntoIterator<Item = std::ffi::OsString>) -> u8 {
    let typed: Vec<OsString> = arguments.into_iter().collect();
    let cli = match understood(typed) {
        Ok(cli) => cli,
        Err(error) => return not_run(&error),
    };
    start_log();
    interrupt::watch(record::seal_open);
    let colour = out::colour(cli.color);
    out::talk(cli.quiet, cli.verbose);
    crate::show::paper::lay(out::paper());
    let (json, name) = (
        cli.format == Format::Json,
        cli.command.as_ref().map(Command::name),
    );
    let exit = failure::finish(name, command(cli, colour), json);
    let exit = match out::unwritten() {
        Some(why) => {
            out::say(&format!(
                "error: standard output: the result could not be written: {why}"
            ));
            out::say("hint: make room, or write elsewhere; --record FILE keeps what was seen");
            failure::LOCAL
        }
        None => exit,
    };
    interrupt::end(exit)
}

/// Help and version are results. Everything else is wrong usage, said in the parser's own words, which
/// repeat what was typed; a program that asked for JSON gets an object.
fn not_run(error: &clap::Error) -> u8 {
    if let ErrorKind::DisplayHelp | ErrorKind::DisplayVersion = error.kind() {
        let _ = error.print();
        return 0;
    }
    let typed: Vec<OsString> = std::env::args_os().skip(1).collect();
    let (cli, as_json) = (definition(), wants_json(&typed));
    let mut known = cli.get_subcommands().map(clap::Command::get_name);
    let command = known.find(|name| typed.iter().any(|word| word == name));
    let old = ContextValue::String("--ask-anyway".to_owned());
    if error.kind() == ErrorKind::UnknownArgument
        && error.get(ContextKind::InvalidArg) == Some(&old)
    {
        let [message, hint] = args::NO_LONGER;
        let no_longer = failure(USAGE, "usage", message, Some(hint.to_owned()));
        return failure::finish(command, Err(no_longer), as_json);
    }
    if as_json {
        out::result(&failure::mistyped(error).object(command));
    }
    out::say(error.render().to_string().trim_end());
    USAGE
}

/// Whether JSON was asked for, as far as arguments can be read that make no command.
fn wants_json(typed: &[OsString]) -> bool {
    let pairs = typed.iter().zip(typed.iter().skip(1));
    let is_pair = |(option, value): (&OsString, &OsString)| option == "--format" && value == "json";
    typed.iter().any(|word| word == "--format=json") || pairs.into_iter().any(is_pair)
}

fn command(cli: Cli, colour: bool) -> Result<u8, Failure> {
    let json = cli.format == Format::Json;
    let Some(command) = cli.command else {
        return led(json, colour);
    };
    match command {
        Command::Check(args) => check::run(&args, cli.format, colour),
        Command::Report(args) => report::run(&args, cli.format),
        _ if cli.format == Format::Csv => {
            let name = command.name();
            let message = format!("--format csv: expected with check or report, found with {name}");
            Err(failure(USAGE, "usage", message, None))
        }
        Command::Help(_) | Command::Completions(_) | Command::Man(_) if json => {
            let message = format!("--format json: {} prints text only", command.name());
            Err(failure(USAGE, "usage", message, None))
        }
        Command::Help(args) => {
            out::result(&help::of(&definition(), &args.command)?);
            Ok(0)
        }
        Command::Completions(args) => {
            manual::completions(&args, definition());
            Ok(0)
        }
        Command::Man(args) => manual::man(&args, definition()),
        Command::Demo => demo::run(json, colour),
        Command::Find(args) => find::run(&args, json, colour),
        Command::Watch(args) => watch::run(&args, json, colour),
        Command::Visit(args) => visit::run(&args, json, colour),
        Command::Retest(args) => retest::run(&args, json),
        Command::Listen(args) => listen::run(&args, json, colour),
        Command::Lamp(args) => Ok(out::outcome(lamp::run(&args, json, colour))),
        Command::Profile(args) => Ok(out::outcome(profile::run(&args, json))),
    }
}

/// What a person was led to.
fn led(json: bool, colour: bool) -> Result<u8, Failure> {
    let Some(words) = menu::lead(json)? else {
        return Ok(0);
    };
    let words = words.into_iter().map(OsString::from);
    match understood(std::iter::once("packside".into()).chain(words).collect()) {
        Ok(cli) => command(cli, colour),
        Err(error) => Ok(not_run(&error)),
    }
}

/// The developers' log, off unless `PACKSIDE_LOG` asks for it: a level, or `packside::link=debug,warn`.
fn start_log() {
    let wanted = std::env::var("PACKSIDE_LOG").ok();
    if let Some(targets) = wanted.and_then(|wanted| wanted.parse::<Targets>().ok()) {
        let lines = tracing_subscriber::fmt::layer().with_writer(std::io::stderr);
        let _ = tracing_subscriber::registry()
            .with(lines.with_filter(targets))
            .try_init();
    }
}
