//! `packside-simulator`: serves a scenario in real time, and says how to reach it.
//!
//! Input: arguments. Output: on stdout two lines, how to reach the unit and what to type; on stderr
//! what the unit does. Does not: hold logic worth testing elsewhere (see [`packside_simulator`]).
//!
//! # Why nothing catches an interrupt
//! Nothing needs tidying up: the terminal of the user is untouched, and the system closes sockets
//! and pseudo-terminals; a path to one of them, in the folder for temporary files, leads nowhere
//! then. What was done to the line stands on stderr already.

use std::fmt::Write as _;
use std::process::ExitCode;
use std::time::Duration;

use clap::{Args, Parser, Subcommand};
use packside_profiles::{LineSettings, Profile};
use packside_simulator::serve::{Options, Place, Server};
use packside_simulator::{Scenario, Site, time_from_text};

/// Exit code for trouble of this computer, a file or a profile, as `packside` has it.
const TROUBLE: u8 = 4;

/// A storage unit without the hardware: everything that it says is simulated.
#[derive(Debug, Parser)]
#[command(name = "packside-simulator", version, max_term_width = 100)]
struct Cli {
    /// What to do.
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Name the scenarios that come with it
    List,
    /// Serve a scenario until interrupted
    Run(Box<RunArgs>),
}

#[derive(Debug, Args)]
struct RunArgs {
    /// A name of `list`, or a file ending in .toml
    scenario: String,
    #[command(flatten)]
    place: PlaceArgs,
    /// Begin so long after power-up, for example 90s or 2min
    #[arg(long, value_name = "TIME", default_value = "0s", value_parser = start_from_text)]
    start_at: Duration,
    /// Seed of all chance [default: the scenario's]
    #[arg(long, value_name = "N")]
    seed: Option<u64>,
    /// Scenario seconds in one real second, the line's as well: for looking only. At any other than 1
    /// the units carry no mark of their map, so that nobody takes a verdict on them for one
    #[arg(long, value_name = "N", default_value_t = 1.0, value_parser = speed_from_text)]
    speed: f64,
    /// Line settings, for example 19200-8E1 [default: the profile's]
    #[arg(long, value_name = "LINE")]
    line: Option<LineSettings>,
    /// From the end of a question to the answer, for example 5ms [default: the scenario's]
    #[arg(long, value_name = "TIME", value_parser = time_from_text)]
    answer_time: Option<Duration>,
    /// Modules in series in each pack [default: the scenario's]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=64))]
    modules: Option<u16>,
}

#[derive(Debug, Args)]
#[group(multiple = false)]
struct PlaceArgs {
    /// On a pseudo-terminal, as behind a serial adapter (this is the default)
    #[arg(long)]
    pty: bool,
    /// Modbus TCP at this address, for example 127.0.0.1:0 (a free port)
    #[arg(long, value_name = "ADDRESS")]
    tcp: Option<String>,
    /// RTU bytes over TCP at this address
    #[arg(long, value_name = "ADDRESS")]
    rtu_tcp: Option<String>,
}

/// Longest time that is simulated before serving begins.
const LONGEST_START: Duration = Duration::from_secs(24 * 3600);

fn start_from_text(text: &str) -> Result<Duration, String> {
    let time = time_from_text(text)?;
    if time > LONGEST_START {
        return Err("expected at most 24h".to_owned());
    }
    Ok(time)
}

fn speed_from_text(text: &str) -> Result<f64, String> {
    let speed = text.parse().ok().filter(|s| (0.01..=1000.0).contains(s));
    speed.ok_or_else(|| format!("expected a number from 0.01 to 1000, found \"{text}\""))
}

fn main() -> ExitCode {
    let cli = match Cli::try_parse() {
        Ok(cli) => cli,
        Err(error) if !error.use_stderr() => {
            let _ = error.print();
            return ExitCode::SUCCESS;
        }
        Err(error) => {
            note(error.render().to_string().trim_end());
            return ExitCode::from(2);
        }
    };
    let done = match cli.command {
        Command::List => {
            say(&list());
            Ok(())
        }
        Command::Run(args) => run(&args),
    };
    match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(why) => {
            note(&format!("error: {why}"));
            ExitCode::from(TROUBLE)
        }
    }
}

fn list() -> String {
    let mut text = String::new();
    let names = Scenario::shipped().iter().map(|(name, _)| *name);
    let widest = names.clone().map(str::len).max().unwrap_or_default();
    for name in names {
        if let Ok(scenario) = Scenario::find(name) {
            let _ = writeln!(text, "{name:<widest$}  {}", scenario.title);
        }
    }
    text.push_str("all of it invented and simulated: packside-simulator run NAME");
    text
}

fn run(args: &RunArgs) -> Result<(), String> {
    let mut scenario = Scenario::find(&args.scenario).map_err(|error| error.to_string())?;
    scenario.stack.modules = args.modules.unwrap_or(scenario.stack.modules);
    let map = scenario.load_map(None);
    let profile = map.map_err(|error| error.to_string())?.profile;
    let place = match (&args.place.tcp, &args.place.rtu_tcp) {
        (Some(address), _) => Place::Tcp(address.clone()),
        (_, Some(address)) => Place::RtuOverTcp(address.clone()),
        _ => Place::Pty,
    };
    let options = Options {
        seed: args.seed.unwrap_or(scenario.seed),
        start_at: args.start_at,
        speed: args.speed,
        line: args.line,
        answer_time: args.answer_time,
    };
    let mut server =
        Server::open(&scenario, &profile, &place, &options).map_err(|error| error.to_string())?;
    let line = server.world().line();
    say(&format!(
        "simulated {}, seed {}: {} ({line}); no real unit is there",
        scenario.name,
        options.seed,
        server.reach()
    ));
    // Whoever comes does not know how the unit is set up, only what its map says.
    say(&command_to_type(
        &place,
        server.reach(),
        server.world().tool_line(),
        &scenario,
        &profile,
    ));
    if args.speed != 1.0 {
        say(&format!(
            "at {} times real time: for looking only, no map recognises what is served",
            args.speed
        ));
    }
    let mut shown = String::new();
    let mut live = Live::new(args.speed);
    server
        .run(|site| {
            let now = happenings(site, &profile);
            if now != shown {
                live.clear();
                note(&format!("{}{}", site.state_line(), mischief(site)));
                shown = now;
            }
            live.show(site, &profile);
            true
        })
        .map_err(|error| error.to_string())
}

/// The line at the bottom of a terminal that says how it stands, once a second; nothing where
/// nobody looks at one.
struct Live {
    speed: f64,
    columns: Option<usize>,
    shown: Option<u64>,
}

impl Live {
    fn new(speed: f64) -> Self {
        Self {
            speed,
            columns: columns(),
            shown: None,
        }
    }

    fn show(&mut self, site: &Site, profile: &Profile) {
        let second = site.world().now().as_secs();
        let Some(columns) = self.columns.filter(|_| self.shown != Some(second)) else {
            return;
        };
        self.shown = Some(second);
        let mut text = live_text(site, profile);
        // In front, since what does not fit is cut off at the end.
        if self.speed != 1.0 {
            text = format!("  {} x, not to be judged ·{text}", self.speed);
        }
        let text: String = text.chars().take(columns.saturating_sub(1)).collect();
        rewrite(&text);
    }

    /// Makes room for a line that stays.
    fn clear(&mut self) {
        if self.columns.is_some() && self.shown.take().is_some() {
            rewrite("");
        }
    }
}

/// How it stands, in a few words.
fn live_text(site: &Site, profile: &Profile) -> String {
    let world = site.world();
    let now = world.now().as_secs();
    let mut text = format!("{:>3}:{:02} min", now / 60, now % 60);
    for unit in world.truth().units {
        let _ = write!(text, " · {} {}", unit.unit, unit.state);
    }
    for lamp in &profile.lamps {
        let shines = if world.lamp(&lamp.id) { '*' } else { '.' };
        let _ = write!(text, " · {}{shines}", lamp.id);
    }
    let _ = write!(text, " · asked {}", world.questions());
    text.push_str(if world.inverter_talks() {
        " · inverter talks"
    } else {
        " · inverter silent"
    });
    text
}

/// Width of the terminal on stderr, if it is one.
fn columns() -> Option<usize> {
    use std::io::IsTerminal as _;
    let is_terminal = std::io::stderr().is_terminal();
    #[cfg(unix)]
    let width = rustix::termios::tcgetwinsize(std::io::stderr()).map(|size| size.ws_col);
    #[cfg(unix)]
    let width = width.ok().filter(|width| *width > 0);
    #[cfg(not(unix))]
    let width: Option<u16> = None;
    is_terminal.then(|| usize::from(width.unwrap_or(80)))
}

/// What `packside` must be told to look at this unit.
fn command_to_type(
    place: &Place,
    reach: &str,
    line: LineSettings,
    scenario: &Scenario,
    profile: &Profile,
) -> String {
    let place = match place {
        Place::Pty => format!("--serial {reach} --line {line}"),
        Place::Tcp(_) => format!("--gateway {reach}"),
        Place::RtuOverTcp(_) => format!("--gateway {reach} --framing rtu"),
    };
    // A map from a file has no name that the tool would find.
    let is_shipped = packside_profiles::shipped()
        .iter()
        .any(|(id, _)| *id == scenario.profile);
    let map = if is_shipped {
        &profile.profile.id
    } else {
        &scenario.profile
    };
    format!("packside check {place} --profile {map}")
}

/// What a person wants to hear of at once; numbers that always move are not among it.
fn happenings(site: &Site, profile: &Profile) -> String {
    let world = site.world();
    let lamps = profile
        .lamps
        .iter()
        .map(|lamp| world.lamp_pattern(&lamp.id));
    let lamps: Vec<String> = lamps.collect();
    let done: u32 = site.mischief_counts().values().sum();
    format!(
        "{:?} {lamps:?} {} {}",
        world.truth(),
        world.inverter_talks(),
        done / 10
    )
}

/// What was done to the line so far.
fn mischief(site: &Site) -> String {
    let counts = site.mischief_counts();
    let done = counts.iter().filter(|(_, count)| **count > 0);
    done.fold(String::new(), |mut text, (kind, count)| {
        let start = if text.is_empty() { "; mischief" } else { "," };
        let _ = write!(text, "{start} {kind} x {count}");
        text
    })
}

/// Lines that repeat what was typed, or stands in a file, without what acts on a terminal.
fn plain(text: &str) -> String {
    let lines: Vec<_> = text.split('\n').map(packside_profiles::clean).collect();
    lines.join("\n")
}

/// Writes to stdout; a reader that is gone ends nothing.
fn say(text: &str) {
    use std::io::Write as _;
    let _ = writeln!(std::io::stdout(), "{}", plain(text));
}

/// Writes over the last line of stderr, and leaves it open.
fn rewrite(text: &str) {
    use std::io::Write as _;
    let _ = write!(
        std::io::stderr(),
        "\r\x1b[K{}",
        packside_profiles::clean(text)
    );
    let _ = std::io::stderr().flush();
}

/// Writes to stderr.
fn note(text: &str) {
    use std::io::Write as _;
    let _ = writeln!(std::io::stderr(), "{}", plain(text));
}
