//! `packside-simulator`: serves a scenario on a pseudo-terminal or over TCP, without hardware.

use std::io::{IsTerminal as _, Write as _};
use std::process::ExitCode;
use std::time::Duration;

use clap::{Parser, Subcommand};
use packside_simulator::serve::{self, Served};
use packside_simulator::{Framing, Scenario, World};

/// A simulated storage unit to try packside on. No real unit, no hazardous voltage, invented registers.
#[derive(Debug, Parser)]
#[command(name = "packside-simulator", version, max_term_width = 100)]
struct Cli {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// List the shipped scenarios
    List,
    /// Serve a scenario in real time until Ctrl-C
    Run(Run),
}

#[derive(Debug, clap::Args)]
struct Run {
    /// A shipped scenario or a file
    scenario: String,
    /// Serve on a pseudo-terminal, like a serial adapter (the default)
    #[arg(long, group = "way")]
    pty: bool,
    /// Serve Modbus TCP on this address, for example 127.0.0.1:0
    #[arg(long, value_name = "ADDR", group = "way")]
    tcp: Option<String>,
    /// Serve RTU bytes over TCP on this address
    #[arg(long, value_name = "ADDR", group = "way")]
    rtu_tcp: Option<String>,
    /// Seconds after power-up at which serving starts [default: the scenario's moment to look]
    #[arg(long, value_name = "SECONDS")]
    start_at: Option<f64>,
    /// Seed of all chance [default: the scenario's]
    #[arg(long, value_name = "N")]
    seed: Option<u64>,
}

fn main() -> ExitCode {
    match Cli::parse().command {
        Command::List => list(),
        Command::Run(run) => match serve(&run) {
            Ok(()) => ExitCode::SUCCESS,
            Err(text) => {
                say(&format!("error: {text}"));
                ExitCode::from(4)
            }
        },
    }
}

fn list() -> ExitCode {
    for (name, text) in Scenario::shipped() {
        match Scenario::load(text, name) {
            Ok(scenario) => print(&format!("{name:<26} {}", scenario.title)),
            Err(error) => say(&error.to_string()),
        }
    }
    ExitCode::SUCCESS
}

fn serve(run: &Run) -> Result<(), String> {
    let scenario = Scenario::find(&run.scenario).map_err(|error| error.to_string())?;
    let loaded =
        packside_profiles::find(&scenario.profile, None).map_err(|error| error.to_string())?;
    let start_at = match run.start_at {
        None => scenario.look_at,
        Some(seconds) if (0.0..=864_000.0).contains(&seconds) => Duration::from_secs_f64(seconds),
        Some(seconds) => {
            return Err(format!(
                "--start-at: expected 0 to 864000 seconds, found {seconds}"
            ));
        }
    };
    let framing = if run.tcp.is_some() {
        Framing::Tcp
    } else {
        Framing::Rtu
    };
    let seed = run.seed.unwrap_or(scenario.seed);
    let world = World::new(&scenario, &loaded.profile, framing, seed);
    let line = world.line();
    let failed = |error: std::io::Error| format!("cannot serve: {error}");
    let profile = &scenario.profile;
    let (place, command, served) = if let Some(address) = run.tcp.as_ref().or(run.rtu_tcp.as_ref())
    {
        let (address, served) = serve::tcp(world, start_at, address).map_err(failed)?;
        let framing = if framing == Framing::Rtu {
            " --framing rtu"
        } else {
            ""
        };
        let command = format!("packside check --gateway {address}{framing} --profile {profile}");
        (address.to_string(), command, served)
    } else {
        pty(world, start_at, profile, &line.to_string())?
    };
    print(&place);
    print(&command);
    say(&format!(
        "simulated {} (seed {seed}), {:.0} s after power-up; Ctrl-C ends it",
        scenario.name,
        start_at.as_secs_f64()
    ));
    watch(&served)
}

#[cfg(unix)]
fn pty(
    world: World,
    start_at: Duration,
    profile: &str,
    line: &str,
) -> Result<(String, String, Served), String> {
    let (path, served) =
        serve::pty(world, start_at).map_err(|error| format!("cannot serve: {error}"))?;
    let path = path.display().to_string();
    let command = format!("packside check --serial {path} --line {line} --profile {profile}");
    Ok((path, command, served))
}

#[cfg(not(unix))]
fn pty(_: World, _: Duration, _: &str, _: &str) -> Result<(String, String, Served), String> {
    Err("pseudo-terminals exist on Unix only: use --tcp or --rtu-tcp".to_owned())
}

/// Shows what the unit does, once a second, until the process is ended.
fn watch(served: &Served) -> Result<(), String> {
    let live = std::io::stderr().is_terminal();
    let mut last = String::new();
    loop {
        nap(Duration::from_secs(1));
        let line = served.state_line();
        if live {
            let mut stderr = std::io::stderr().lock();
            let _ = write!(
                stderr,
                "\r\x1b[K{}",
                line.chars().take(99).collect::<String>()
            );
            let _ = stderr.flush();
        } else if line != last {
            tell(&line);
        }
        last = line;
    }
}

/// Without a terminal every change is one line.
fn tell(line: &str) {
    say(line);
}

#[expect(clippy::disallowed_methods, reason = "only the live line waits here")]
fn nap(time: Duration) {
    std::thread::sleep(time);
}

fn print(text: &str) {
    let mut stdout = std::io::stdout().lock();
    let _ = writeln!(stdout, "{text}");
    let _ = stdout.flush();
}

fn say(text: &str) {
    let mut stderr = std::io::stderr().lock();
    let _ = writeln!(stderr, "{text}");
}
