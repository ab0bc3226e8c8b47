//! `packside find`: from an unknown cable to a talking unit.
//!
//! Looks at the port, listens, and only after the caution and an explicit word asks. The search is
//! [`crate::find`]'s; here are the arguments, the link, the progress and the end. Does not: judge a
//! battery, or ask where somebody else is heard asking.

mod ask;
mod json;
mod next;
mod show;

use std::path::PathBuf;
use std::time::Duration;

use clap::Args;
use packside_profiles::{LineSettings, Profile};

use super::args::{
    CheckArgs, ConsentArgs, FramingArg, LinkArgs, RecordArgs, duration, milliseconds,
};
use super::failure::{BUS, Failure, INTERRUPTED, LOCAL, USAGE, failure};
use super::places::{self, SavedPlace};
use super::reach::{self, failure_of};
use super::record::Record;
use super::{heard, keep, out};
use crate::drive::find as moves;
use crate::event::{LinkFacts, LinkKind, What};
use crate::find::{Found, FoundIdentity, Garbled, Listening, Overhear, prior};
use crate::link::{LinkTrouble, LocalPort, Quiet, quiet_window, wait_for_new};
use crate::listen::Summary;
use crate::show::json::line;
use crate::simulated::Simulated;
use crate::simulated::open_simulated_as;
use crate::wire::Framing;

/// Longest wait for an adapter to be plugged in.
const PLUG_IN: Duration = Duration::from_secs(300);
/// Time between two looks at what came.
const GLANCE: Duration = Duration::from_millis(500);
/// What a USB adapter holds back where the system does not show it.
// Kind: common practice (16 ms as adapters come)
const HOLD_BACK: Duration = Duration::from_millis(16);

/// Arguments of `find`.
#[derive(Debug, Clone, Args)]
pub(crate) struct FindArgs {
    /// Where the line is; with none of these and one serial adapter present, that one.
    #[command(flatten)]
    link: LinkArgs,
    /// This one address, nothing else
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u8).range(1..=247))]
    only: Option<u8>,
    /// Do not stop at the first unit that answers
    #[arg(long)]
    all: bool,
    /// Wait for an adapter to be plugged in
    #[arg(long, conflicts_with = "place")]
    wait: bool,
    /// Leave out the first N questions
    ///
    /// An interrupted search prints the number.
    #[arg(long, value_name = "N", default_value_t = 0)]
    resume: usize,
    /// Keep what is found, for --at NAME
    #[arg(long, value_name = "NAME")]
    save: Option<String>,
    /// Listen so long before the first question [default: 12]
    #[arg(long, value_name = "SECONDS", value_parser = duration)]
    listen_first: Option<Duration>,
    /// Longest wait for an answer
    ///
    /// Without it 50 to 500 ms, longer as the search goes on.
    #[arg(long, value_name = "MS", value_parser = milliseconds)]
    time_out: Option<Duration>,
    /// What is said about asking.
    #[command(flatten)]
    consent: ConsentArgs,
    /// The recording, once it is open.
    #[arg(skip)]
    recorder: Record,
}

/// How a search ended.
#[derive(Debug, Clone, PartialEq, Eq)]
enum SearchEnd {
    /// Enough is found.
    Found,
    /// Everything was asked.
    Exhausted,
    /// Somebody else talks: nothing was asked, or no more.
    Busy,
    /// Nobody said that asking is right: not a byte was sent.
    NotAsked,
    /// The user stopped.
    Stopped,
    /// The link failed, or what speaks is no unit.
    Trouble(LinkTrouble),
}

/// What is known at the end.
#[derive(Debug, Clone)]
struct FindReport {
    port: Option<LocalPort>,
    facts: LinkFacts,
    window: Duration,
    listened: Option<(Listening, Summary)>,
    fitting: Vec<(String, usize, usize)>,
    ended: SearchEnd,
    found: Vec<(Found, FoundIdentity)>,
    garbled: Vec<Garbled>,
    echoes: bool,
    is_noisy: bool,
    gateway: Option<ask::Behind>,
    /// Questions asked, and the time from the first of them to the end.
    questions: usize,
    took: Duration,
    /// Where to go on.
    resume: Option<usize>,
    /// The framing in which that number counts, where it is one.
    resume_in: Option<Framing>,
    saved: Option<PathBuf>,
    /// Until when the silence that was heard counts for a look.
    quiet_until: Option<jiff::Timestamp>,
}

impl FindReport {
    fn exit(&self) -> u8 {
        let names_somebody = matches!(self.listened, Some((Listening::Heard { .. }, _)));
        match &self.ended {
            SearchEnd::Found | SearchEnd::Busy if !self.found.is_empty() => 0,
            SearchEnd::Busy if names_somebody => 0,
            _ if !self.found.is_empty() => 0,
            SearchEnd::NotAsked => USAGE,
            SearchEnd::Stopped => INTERRUPTED,
            SearchEnd::Trouble(trouble) => failure_of(trouble).exit,
            _ => BUS,
        }
    }
}

/// Runs the command.
pub(crate) fn run(args: &FindArgs, as_json: bool, colour: bool) -> Result<u8, Failure> {
    if args.link.place.recording.is_some() {
        let hint = Some("packside listen --recording FILE reads what was recorded".to_owned());
        let message = "--recording: find asks a line, a recording has none";
        return Err(failure(USAGE, "usage", message, hint));
    }
    if let Some(name) = &args.save {
        places::check_name(name)?;
    }
    let profiles = known_profiles(args)?;
    let mut args = args.clone();
    let port = local_port(&mut args)?;
    let seed = reach::seed_of(&args.link.place)?;
    args.recorder = Record::of_look(&args.link, keep::What::Find, None, seed)?;
    let found = found(&mut args, port, &profiles, as_json, colour);
    args.recorder.end(found)
}

/// Finds the unit of a look of which no map is known: where it answers, who it is, and through which
/// framing. Nothing is recorded of the search.
pub(super) fn first_of(look: &CheckArgs) -> Result<(Found, FoundIdentity, Framing), Failure> {
    let mut link = look.link.clone();
    link.record = RecordArgs {
        record: None,
        go_on: false,
        no_keep: true,
    };
    let mut args = FindArgs {
        link,
        only: look.ask.only.or(look.ask.unit),
        all: false,
        wait: false,
        resume: 0,
        save: None,
        listen_first: look.ask.listen_first,
        time_out: look.ask.time_out,
        consent: look.ask.consent,
        recorder: Record::default(),
    };
    out::note("no register map was named: looking which unit this is");
    let profiles = known_profiles(&args)?;
    let port = local_port(&mut args)?;
    let report = search(open(&args)?, &args, port, &profiles)?;
    let framing = report.facts.framing;
    let next = next::next_command(&report, &args);
    let exit = report.exit();
    let mut found = report.found.into_iter();
    if let Some((found, who)) = found.next().filter(|(_, who)| !who.is_shared_address()) {
        return Ok((found, who, framing));
    }
    let (kind, message) = match &report.ended {
        SearchEnd::Trouble(trouble) => return Err(failure_of(trouble)),
        SearchEnd::Stopped => ("interrupted", "stopped"),
        SearchEnd::NotAsked => (
            "may-wake",
            "which unit this is was not asked: that may wake it (--may-wake, or a map with --profile)",
        ),
        SearchEnd::Busy => ("bus", "somebody else asks here: nothing was asked"),
        _ => ("bus", "no unit was found that says who it is"),
    };
    let exit = if exit == 0 { BUS } else { exit };
    Err(failure(exit, kind, message, Some(next)))
}

/// Opens the link, searches, and tells the result.
fn found(
    args: &mut FindArgs,
    port: Option<LocalPort>,
    profiles: &[Profile],
    as_json: bool,
    colour: bool,
) -> Result<u8, Failure> {
    let quiet = open(args)?;
    let mut report = search(quiet, args, port, profiles)?;
    if let Some(name) = &args.save {
        report.saved = save(&report, args, name)?;
    }
    report.quiet_until = keep_quiet(&report, args);
    out::result(&if as_json {
        line(&json::object(&report, next::next_command(&report, args)))
    } else {
        show::report(&report, args, colour)
    });
    Ok(report.exit())
}

/// Listens, and asks where that is right.
fn search(
    mut quiet: Quiet,
    args: &FindArgs,
    port: Option<LocalPort>,
    profiles: &[Profile],
) -> Result<FindReport, Failure> {
    let window = args.listen_first.unwrap_or_else(|| quiet_window(None));
    let mut report = FindReport {
        facts: quiet.facts().clone(),
        port,
        window,
        listened: None,
        fitting: Vec::new(),
        ended: SearchEnd::Exhausted,
        found: Vec::new(),
        garbled: Vec::new(),
        echoes: false,
        is_noisy: false,
        gateway: None,
        questions: 0,
        took: Duration::ZERO,
        resume: None,
        resume_in: None,
        saved: None,
        quiet_until: None,
    };
    if is_any_framing(args, &quiet) && !window.is_zero() {
        match passes_bytes_on(&mut quiet, window) {
            Ok(true) => {
                out::note("bytes come unasked: it passes on what it hears on its line");
                drop(quiet);
                let mut args = args.clone();
                args.link.place.framing = Some(FramingArg::Rtu);
                quiet = open(&args)?;
                report.facts = quiet.facts().clone();
            }
            Ok(false) => {
                let unheard = Overhear::new(quiet.now(), first_line(), window);
                report.listened = Some((Listening::Silent, unheard.summary()));
            }
            Err(LinkTrouble::Interrupted) => {
                report.ended = SearchEnd::Stopped;
                return Ok(report);
            }
            Err(trouble) => return Err(failure_of(&trouble)),
        }
    }
    if quiet.facts().can_overhear() && !window.is_zero() {
        match listen(&mut quiet, window) {
            Ok(heard) => report.listened = Some(heard),
            Err(LinkTrouble::Interrupted) => {
                report.ended = SearchEnd::Stopped;
                return Ok(report);
            }
            Err(trouble) => return Err(failure_of(&trouble)),
        }
    }
    if let Some((listening, summary)) = &report.listened {
        let fitting = crate::find::overhear::fitting(summary, profiles).into_iter();
        report.fitting = fitting
            .map(|(map, inside, of)| (map.profile.id.clone(), inside, of))
            .collect();
        if *listening != Listening::Silent && !args.consent.said().beside_others {
            report.ended = SearchEnd::Busy;
            return Ok(report);
        }
    }
    ask::ask(quiet, args, profiles, &mut report)?;
    Ok(report)
}

/// Whether this is a gateway of which nobody has said how frames are put into bytes there.
fn is_any_framing(args: &FindArgs, quiet: &Quiet) -> bool {
    args.link.place.gateway.is_some()
        && args.link.place.framing.is_none()
        && quiet.facts().framing == Framing::Tcp
}

/// Whether a gateway passes on what it hears on its line: then somebody may be asking there, whom a
/// first question of ours would disturb. A Modbus TCP gateway says nothing unasked.
fn passes_bytes_on(quiet: &mut Quiet, window: Duration) -> Result<bool, LinkTrouble> {
    say_listening(window);
    let until = quiet.now() + window;
    while quiet.now() < until {
        quiet.listen(until.min(quiet.now() + GLANCE))?;
        let events = quiet.drain();
        if events.iter().any(|event| matches!(event.what, What::In(_))) {
            return Ok(true);
        }
    }
    Ok(false)
}

fn say_listening(window: Duration) {
    out::note(&format!(
        "listening {:.1} s first, sending nothing: only one client may ask on a serial bus",
        window.as_secs_f64()
    ));
}

/// Listens at the usual settings first, then where what comes says.
fn listen(quiet: &mut Quiet, window: Duration) -> Result<(Listening, Summary), LinkTrouble> {
    say_listening(window);
    let ours = quiet.facts().line();
    let mut machine = Overhear::new(quiet.now(), ours.unwrap_or_else(first_line), window);
    if ours.is_none() {
        machine = machine.fixed();
    }
    let heard = moves::overhear(quiet, &mut machine)?;
    Ok((heard, machine.summary()))
}

/// All maps that can be had; one that cannot be read is said and left out.
fn known_profiles(args: &FindArgs) -> Result<Vec<Profile>, Failure> {
    let config = args.link.config.folder();
    let config = config.as_deref();
    let mut profiles = Vec::new();
    for name in packside_profiles::load::known(config) {
        match packside_profiles::find(&name, config) {
            Ok(found) => profiles.push(found.profile),
            Err(error) => out::say(&format!("note: the map {name} is left out: {error}")),
        }
    }
    if profiles.is_empty() {
        return Err(failure(
            LOCAL,
            "profile",
            "no register map can be read",
            None,
        ));
    }
    Ok(profiles)
}

/// Where the port is, and what is known of it. With none given: the one adapter there is, the one
/// that is plugged in now, or a list to choose from.
fn local_port(args: &mut FindArgs) -> Result<Option<LocalPort>, Failure> {
    if args.link.place.gateway.is_some() || args.link.place.simulated.is_some() {
        return Ok(None);
    }
    if args.wait {
        out::note("waiting for an adapter to be plugged in (Ctrl-C stops)");
        let interrupt = super::interrupt::wish();
        let Some(port) = wait_for_new(PLUG_IN, &interrupt) else {
            if interrupt.raised() {
                let message = "stopped before an adapter was plugged in";
                return Err(failure(INTERRUPTED, "interrupted", message, None));
            }
            let message = format!("no adapter was plugged in within {} s", PLUG_IN.as_secs());
            return Err(failure(LOCAL, "port", message, None));
        };
        args.link.place.serial = Some(port.name);
    }
    if let Some(name) = &args.link.place.serial {
        return Ok(Some(LocalPort::named(name)));
    }
    let ports = crate::link::ports();
    let adapters: Vec<&LocalPort> = ports.iter().filter(|port| port.adapter.is_some()).collect();
    if let [only] = adapters.as_slice() {
        out::note(&format!(
            "one serial adapter is present, using it: {}",
            only.name
        ));
        args.link.place.serial = Some(only.name.clone());
        return Ok(Some((*only).clone()));
    }
    for port in &ports {
        let fix = port.fix().into_iter();
        let known: Vec<String> = show::port(port).into_iter().chain(fix).collect();
        out::say(&known.join("; "));
    }
    let (message, hint) = if adapters.is_empty() {
        (
            "no serial adapter is plugged in",
            "plug it in now with packside find --wait, or go through a gateway: --gateway HOST",
        )
    } else {
        (
            "several serial adapters are plugged in",
            "say which: packside find --serial PORT",
        )
    };
    Err(failure(LOCAL, "port", message, Some(hint.to_owned())))
}

/// The settings at which listening begins.
fn first_line() -> LineSettings {
    prior::lines().next().map_or(
        LineSettings {
            baud: 9_600,
            parity: packside_profiles::Parity::None,
            stop_bits: 1,
        },
        |(line, _)| line,
    )
}

/// How long the adapter may hold an answer back.
fn hold_back(port: Option<&LocalPort>) -> Duration {
    let shown = port.and_then(|port| port.system.hold_back);
    let is_adapter = port.is_some_and(|port| port.adapter.is_some());
    shown.unwrap_or(if is_adapter {
        HOLD_BACK
    } else {
        Duration::ZERO
    })
}

/// Opens the link, quiet and recorded.
fn open(args: &FindArgs) -> Result<Quiet, Failure> {
    let mut quiet = connect(args)?;
    args.recorder.follow(&mut quiet);
    Ok(quiet)
}

fn connect(args: &FindArgs) -> Result<Quiet, Failure> {
    let line = args.link.place.line.unwrap_or_else(first_line);
    let plugged = args.link.plugged.map(Into::into);
    let Some(name) = &args.link.place.simulated else {
        return reach::open_place(&args.link.place, line, plugged, args.consent.said());
    };
    let scenario = reach::scenario_of(name)?;
    let found = packside_profiles::find(&scenario.profile, args.link.config.folder().as_deref());
    let profile = found
        .map_err(|error| failure(LOCAL, "profile", error.to_string(), None))?
        .profile;
    out::note(&format!(
        "simulated scenario {name}, {:.0} s after power-up, in virtual time: no real unit",
        scenario.look_at.as_secs_f64()
    ));
    let how = Simulated {
        age: scenario.look_at,
        plugged,
        line: Some(line),
        way: args.link.place.way(),
    };
    Ok(open_simulated_as(&scenario, &profile, how))
}

/// Keeps the silence for the look that follows, where nobody was heard before and while asking.
fn keep_quiet(report: &FindReport, args: &FindArgs) -> Option<jiff::Timestamp> {
    let was_silent = matches!(report.listened, Some((Listening::Silent, _)));
    let (found, _) = report.found.first()?;
    let LinkKind::Serial { port, .. } = &report.facts.kind else {
        return None;
    };
    if !was_silent || report.is_noisy || report.ended != SearchEnd::Found {
        return None;
    }
    let facts = LinkFacts {
        kind: LinkKind::Serial {
            port: port.clone(),
            line: found.line,
        },
        ..report.facts.clone()
    };
    heard::keep(
        &facts,
        report.window,
        heard::now(),
        args.link.config.folder().as_deref(),
    )
}

/// Keeps the first unit found under a name.
fn save(report: &FindReport, args: &FindArgs, name: &str) -> Result<Option<PathBuf>, Failure> {
    let first = report.found.first();
    let Some((found, identity)) = first.filter(|(_, who)| !who.is_shared_address()) else {
        return Ok(None);
    };
    if args.link.place.simulated.is_some() {
        let message = "--save: a simulated unit has no place to come back to";
        return Err(failure(USAGE, "usage", message, None));
    }
    let by_id = report
        .port
        .as_ref()
        .and_then(|port| port.system.by_id.clone());
    let is_gateway = args.link.place.gateway.is_some();
    let place = SavedPlace {
        format: places::FORMAT,
        serial: by_id
            .or_else(|| args.link.place.serial.clone())
            .filter(|_| !is_gateway),
        line: (!is_gateway).then(|| found.line.to_string()),
        gateway: args.link.place.gateway.clone(),
        framing: report
            .gateway
            .as_ref()
            .map(|behind| behind.framing)
            .filter(|_| is_gateway)
            .map(|framing| FramingArg::from(framing).id().to_owned()),
        unit: found.unit,
        profile: next::map_name(identity).map(str::to_owned),
        unit_serial: identity.serial.clone(),
    };
    places::save(&place, name, args.link.config.folder().as_deref()).map(Some)
}
