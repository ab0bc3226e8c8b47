//! The command line as data.

use std::path::PathBuf;
use std::time::Duration;

use clap::{Args, ValueEnum};
use packside_profiles::{Foreign, LineSettings, shown};
use packside_simulator::Way;

use crate::event::{Consent, Plugged};
use crate::link::Interrupt;
use crate::link::Target;
use crate::wire::Framing;

/// Form of the result.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum Format {
    /// For people.
    Text,
    /// For programs.
    Json,
    /// For tables.
    Csv,
}

/// When to colour.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum Colour {
    /// On a terminal.
    Auto,
    /// Always.
    Always,
    /// Never.
    Never,
}

/// Where the unit is.
#[derive(Debug, Clone, Args)]
#[group(required = false)]
pub(crate) struct Where {
    /// Serial adapter, for example /dev/ttyUSB0 or COM3
    #[arg(long, value_name = "PORT", group = "place")]
    pub(crate) serial: Option<Foreign>,
    /// Line settings [default: those of the map]
    #[arg(long, value_name = "9600-8E1", conflicts_with_all = ["gateway", "recording"])]
    pub(crate) line: Option<LineSettings>,
    /// TCP gateway, on port 502 unless one is given
    #[arg(long, value_name = "HOST[:PORT]", value_parser = gateway, group = "place")]
    pub(crate) gateway: Option<Foreign>,
    /// What the gateway speaks [default: tcp]
    ///
    /// Modbus TCP, or RTU bytes over TCP. With --simulated: look through such a gateway.
    #[arg(long, value_enum, value_name = "tcp|rtu", conflicts_with_all = ["serial", "recording"])]
    pub(crate) framing: Option<FramingArg>,
    /// A built-in story, without a real unit
    ///
    /// A scenario of the built-in simulator, or a file with one, in virtual time.
    #[arg(long, value_name = "SCENARIO", group = "place")]
    pub(crate) simulated: Option<Foreign>,
    /// A recording, or `last`: judged anew
    ///
    /// `last` is the newest look that kept itself. Nothing is asked.
    #[arg(long, value_name = "FILE", group = "place")]
    pub(crate) recording: Option<PathBuf>,
    /// A place kept by find --save NAME
    ///
    /// Link, address and register map as they were found.
    #[arg(long, value_name = "NAME", group = "place")]
    pub(crate) at: Option<Foreign>,
    /// Serial number of the unit that must answer at a kept place.
    #[arg(skip)]
    pub(crate) unit_serial: Option<Foreign>,
}

/// Whether and where to record.
#[derive(Debug, Clone, Args)]
pub(crate) struct RecordArgs {
    /// Record into a new file (FILE.visit.jsonl)
    #[arg(long, value_name = "FILE", conflicts_with = "recording")]
    pub(crate) record: Option<PathBuf>,
    /// Add to the recording if it is there already
    #[arg(long = "continue", requires = "record")]
    pub(crate) go_on: bool,
    /// Do not keep this look
    ///
    /// Without it every look at a real unit keeps itself: the newest 50, at most 200 MB.
    #[arg(long, conflicts_with = "record")]
    pub(crate) no_keep: bool,
}

/// Which session of a recording.
#[derive(Debug, Clone, Args)]
pub(crate) struct SessionArg {
    /// Recording: which session, from 1 [default: the last]
    #[arg(long, value_name = "N", requires = "recording")]
    pub(crate) session: Option<usize>,
}

/// Framing as an argument.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum FramingArg {
    /// Modbus TCP.
    Tcp,
    /// RTU.
    Rtu,
}

/// A value as it must be typed in a shell, without anything that acts on a terminal.
pub(crate) fn typed(value: &(impl AsRef<std::ffi::OsStr> + ?Sized)) -> String {
    let value = shown(value);
    let is_plain = |c: char| c.is_alphanumeric() || "-_./:=@%+,[]".contains(c);
    if !value.is_empty() && value.chars().all(is_plain) {
        return value;
    }
    format!("'{}'", value.replace('\'', "'\\''"))
}

impl Where {
    /// The way to the unit as it was typed, where one was.
    pub(crate) fn as_typed(&self) -> Option<String> {
        let options = [
            ("--serial", &self.serial),
            ("--gateway", &self.gateway),
            ("--simulated", &self.simulated),
        ];
        options
            .into_iter()
            .find_map(|(option, value)| Some(format!("{option} {}", typed(value.as_ref()?))))
    }

    /// What the gateway speaks.
    pub(crate) fn framing(&self) -> Framing {
        self.framing.unwrap_or(FramingArg::Tcp).into()
    }

    /// The way to a simulated unit, where it is not the scenario's.
    pub(crate) fn way(&self) -> Option<Way> {
        self.framing.map(|framing| match framing {
            FramingArg::Tcp => Way::Tcp,
            FramingArg::Rtu => Way::RtuOverTcp,
        })
    }
}

impl From<Framing> for FramingArg {
    fn from(framing: Framing) -> Self {
        match framing {
            Framing::Tcp => Self::Tcp,
            Framing::Rtu => Self::Rtu,
        }
    }
}

impl FramingArg {
    /// Its word on the command line.
    pub(crate) fn id(self) -> &'static str {
        match self {
            Self::Tcp => "tcp",
            Self::Rtu => "rtu",
        }
    }

    /// The one with this word.
    pub(crate) fn of_id(id: &str) -> Option<Self> {
        [Self::Tcp, Self::Rtu]
            .into_iter()
            .find(|framing| framing.id() == id)
    }
}

impl From<FramingArg> for Framing {
    fn from(framing: FramingArg) -> Self {
        match framing {
            FramingArg::Tcp => Self::Tcp,
            FramingArg::Rtu => Self::Rtu,
        }
    }
}

/// Plug as an argument.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum PluggedArg {
    /// A service socket beside the inverter's.
    Service,
    /// The inverter's own socket: it is silenced by us.
    InsteadOfInverter,
    /// A second device across the pair.
    AcrossThePair,
}

impl From<PluggedArg> for Plugged {
    fn from(plugged: PluggedArg) -> Self {
        match plugged {
            PluggedArg::Service => Self::Service,
            PluggedArg::InsteadOfInverter => Self::InsteadOfInverter,
            PluggedArg::AcrossThePair => Self::AcrossThePair,
        }
    }
}

/// The way to a unit, and what is kept of it: the same for every command that has one.
#[derive(Debug, Clone, Args)]
pub(crate) struct LinkArgs {
    /// Where the unit is.
    #[command(flatten)]
    pub(crate) place: Where,
    /// Where the laptop is plugged in (see --help)
    ///
    /// service: a service socket beside the inverter's. instead-of-inverter: the inverter's own socket, whose data
    /// cable is off while we are here. across-the-pair: a second device on the inverter's pair.
    #[arg(long, value_enum, value_name = "WHERE")]
    pub(crate) plugged: Option<PluggedArg>,
    /// Whether and where to record.
    #[command(flatten)]
    pub(crate) record: RecordArgs,
    /// Folder with own files.
    #[command(flatten)]
    pub(crate) config: ConfigArg,
    /// Stops what is under way, where more than Ctrl-C does.
    #[arg(skip)]
    pub(crate) interrupt: Option<Interrupt>,
}

/// Whom to ask and how: the same for every command that looks at a unit.
#[derive(Debug, Clone, Default, Args)]
pub(crate) struct AskArgs {
    /// Register map (names: packside profile list)
    #[arg(long, value_name = "NAME|FILE")]
    pub(crate) profile: Option<Foreign>,
    /// Address of the first pack [default: the map's]
    #[arg(long, value_name = "N", value_parser = unit_address)]
    pub(crate) unit: Option<u8>,
    /// This one address, nothing else
    #[arg(long, value_name = "N", value_parser = unit_address, conflicts_with = "unit")]
    pub(crate) only: Option<u8>,
    /// Listen so long before the first question
    ///
    /// Without it 1.2 times the slowest usual poll period: only one client may ask on a serial bus.
    #[arg(long, value_name = "SECONDS", value_parser = duration)]
    pub(crate) listen_first: Option<Duration>,
    /// What is said about asking.
    #[command(flatten)]
    pub(crate) consent: ConsentArgs,
    /// Longest wait for an answer [default: the map's]
    #[arg(long, value_name = "MS", value_parser = milliseconds)]
    pub(crate) time_out: Option<Duration>,
}

/// What a person says about asking: two words, and neither stands for the other.
#[derive(Debug, Clone, Copy, Default, Args)]
pub(crate) struct ConsentArgs {
    /// Asking may wake the unit; everybody is clear
    #[arg(long)]
    may_wake: bool,
    /// Others ask on this pair; ask all the same
    ///
    /// It is listened first. Two who ask at the same time damage each other's answers.
    #[arg(long)]
    beside_others: bool,
}

impl ConsentArgs {
    /// What was said.
    pub(crate) fn said(self) -> Consent {
        Consent {
            may_wake: self.may_wake,
            beside_others: self.beside_others,
        }
    }

    /// The same as words of a command.
    pub(crate) fn as_typed(self) -> impl Iterator<Item = &'static str> {
        let words = [
            ("--may-wake", self.may_wake),
            ("--beside-others", self.beside_others),
        ];
        words
            .into_iter()
            .filter_map(|(word, is_said)| is_said.then_some(word))
    }
}

/// What is said where the one word is typed that these two were.
pub(crate) const NO_LONGER: [&str; 2] = [
    "--ask-anyway: there are two words now, for two different things",
    "--may-wake, where asking may wake the unit and everybody is clear of it; --beside-others, where somebody \
    else asks on this pair and is asked beside",
];

/// Arguments of `check`.
#[derive(Debug, Clone, Args)]
pub(crate) struct CheckArgs {
    /// How to reach the unit.
    #[command(flatten)]
    pub(crate) link: LinkArgs,
    /// How to ask it.
    #[command(flatten)]
    pub(crate) ask: AskArgs,
    /// Every reason, step and module
    #[arg(long)]
    pub(crate) full: bool,
    /// How the verdict came about; or what ID means
    ///
    /// With an id of a result nothing is asked.
    #[arg(long, value_name = "ID", num_args = 0..=1, default_missing_value = "")]
    pub(crate) explain: Option<Foreign>,
    /// A lamp as seen: fault=blinking (repeatable)
    #[arg(long = "lamp", value_name = "LAMP=PATTERN")]
    pub(crate) lamps: Vec<Foreign>,
    /// Simulated: seconds after power-up
    #[arg(long, value_name = "SECONDS", value_parser = duration, requires = "simulated")]
    pub(crate) look_at: Option<Duration>,
    /// Recording: judge it as of this moment
    ///
    /// Seconds of its last session, or the name of a mark.
    #[arg(long, value_name = "TIME|MARK", requires = "recording")]
    pub(crate) moment: Option<Foreign>,
}

/// Where the files of this user are.
#[derive(Debug, Clone, Default, Args)]
pub(crate) struct ConfigArg {
    /// Folder with own maps and kept places
    ///
    /// Register maps lie in its folder profiles (NAME.toml). Without it: packside in the usual folder for settings
    /// (~/.config, %APPDATA%).
    #[arg(
        long,
        global = true,
        env = "PACKSIDE_CONFIG",
        value_name = "FOLDER",
        hide_env_values = true
    )]
    config: Option<PathBuf>,
}

impl ConfigArg {
    /// The folder: the option, else the variable, else the usual one of the platform.
    pub(crate) fn folder(&self) -> Option<PathBuf> {
        packside_profiles::config_folder(self.config.clone(), |name| std::env::var_os(name))
    }

    /// The option that gives the next command the same folder, where one was given.
    pub(crate) fn to_type(&self) -> Option<String> {
        let folder = self.config.as_deref()?;
        Some(format!("--config {}", typed(folder)))
    }
}

/// A gateway as a person types it, kept as typed.
fn gateway(text: &str) -> Result<Foreign, String> {
    Target::gateway(text, Framing::Tcp).map(|_| text.into())
}

/// A unit address as a person types it.
///
/// # Errors
/// What was expected, where it is none.
pub(crate) fn unit_address(text: &str) -> Result<u8, String> {
    text.parse()
        .map_err(|_| "expected a unit address from 1 to 247 (behind a gateway 0 to 255)".to_owned())
}

/// Longest wait for an answer that can be given.
const LONGEST_WAIT_MS: u64 = 60_000;

/// A wait for an answer as a person types it.
pub(crate) fn milliseconds(text: &str) -> Result<Duration, String> {
    let given = text.parse().ok();
    given
        .filter(|ms| (1..=LONGEST_WAIT_MS).contains(ms))
        .map(Duration::from_millis)
        .ok_or_else(|| {
            format!("expected milliseconds from 1 to {LONGEST_WAIT_MS}, for example 2000")
        })
}

/// Longest time that can be given: a week.
const LONGEST: Duration = Duration::from_secs(7 * 24 * 3600);

/// A length of time as a person types it: seconds, or a number with `s`, `min` or `h`.
///
/// # Errors
/// What was expected, where it is no number, below zero or longer than a week.
pub(crate) fn duration(text: &str) -> Result<Duration, String> {
    let units = [("min", 60.0), ("s", 1.0), ("h", 3600.0)];
    let (number, unit) = units
        .iter()
        .find_map(|(name, seconds)| Some((text.strip_suffix(name)?, *seconds)))
        .unwrap_or((text, 1.0));
    number
        .trim()
        .parse::<f64>()
        .ok()
        .and_then(|number| Duration::try_from_secs_f64(number * unit).ok())
        .filter(|time| *time <= LONGEST)
        .ok_or_else(|| {
            "expected seconds, for example 90, 2.5s, 3min or 2h, from 0 to 7 days".to_owned()
        })
}

#[cfg(test)]
mod tests {
    use super::*;

    // Kind of all values: invented.
    #[test]
    fn times_are_read_or_refused() {
        for (text, seconds) in [
            ("90", 90.0),
            ("2.5s", 2.5),
            ("3min", 180.0),
            ("2h", 7200.0),
            ("0", 0.0),
        ] {
            assert_eq!(
                duration(text),
                Ok(Duration::from_secs_f64(seconds)),
                "{text}"
            );
        }
        for text in [
            "nan", "inf", "-1", "1e20", "", "s", "8days", "169h", "1e999h", "three",
        ] {
            let refused = duration(text).expect_err(text);
            assert!(refused.contains("from 0 to 7 days"), "{text}: {refused}");
        }
    }
}
