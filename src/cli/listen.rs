//! `packside listen`: overhears a bus without sending a byte, and says what is wrong with it.
//!
//! Works on a [`Quiet`] link, which cannot transmit, on plain bytes, or on a recording. The same
//! events give the conversation, the readings and the verdict.
//!
//! Does not: ask. Judging is [`crate::judge::judge`]'s.

mod heard;
mod show;

use std::io::Read;
use std::path::PathBuf;
use std::time::Duration;

use clap::Args;
use packside_profiles::{Foreign, LineSettings};
use packside_simulator::Way;

use super::args::{AskArgs, CheckArgs, LinkArgs, SessionArg, duration, typed};
use super::failure::{Failure, LOCAL, USAGE, failure};
use super::places;
use super::prompt::Keys;
use super::reach::{self, LoadedProfile, failure_of};
use super::record::{self, Record};
use super::{keep, out};
use crate::event::{Consent, Event, LinkFacts, LinkKind, What};
use crate::link::{LinkTrouble, Quiet};
use crate::simulated::Simulated;
use crate::simulated::open_simulated_as;
use crate::wire::Framing;
use heard::ListenView;

/// Exit code where nothing valid was heard.
const NOTHING_VALID: u8 = 3;
/// Time between two looks at what came.
const TICK: Duration = Duration::from_millis(250);
/// How long a simulated line is listened to unless said otherwise.
const SIMULATED: Duration = Duration::from_secs(60);
/// Most other line settings that are tried, and how long each is listened at at most. Whoever set a time is
/// not kept longer than as long again by all of them together.
const TRIES: u8 = 4;
const TRY: Duration = Duration::from_secs(20);
/// Line settings where neither the arguments nor a profile say any.
const USUAL_LINE: &str = "9600-8E1";

/// Arguments of `listen`.
#[derive(Debug, Clone, Args)]
pub(crate) struct ListenArgs {
    /// Where the line is.
    #[command(flatten)]
    link: LinkArgs,
    /// Plain bytes without times; - reads them piped
    #[arg(long, value_name = "FILE|-", group = "place")]
    raw: Option<PathBuf>,
    /// Listen so long [default: until q or Ctrl-C]
    ///
    /// At most as long again at other settings where nothing fits. A simulated line is listened to for 60 s.
    #[arg(long, value_name = "SECONDS", value_parser = duration)]
    seconds: Option<Duration>,
    /// Register map; without one no readings
    ///
    /// A name (packside profile list), or a file.
    #[arg(long, value_name = "NAME|FILE")]
    profile: Option<Foreign>,
    /// Simulated: begin so long after power-up
    ///
    /// Without it 60 s before the scenario's look.
    #[arg(long, value_name = "SECONDS", value_parser = duration, requires = "simulated")]
    from: Option<Duration>,
    /// Which session of a recording.
    #[command(flatten)]
    session: SessionArg,
}

/// Stops where nothing can be overheard.
fn can_overhear(link: &LinkArgs) -> Result<(), Failure> {
    let is_far = link.place.gateway.is_some() || link.place.way().is_some();
    if !is_far || link.place.framing() != Framing::Tcp {
        return Ok(());
    }
    let message = "--framing tcp: nobody can be overheard behind a Modbus TCP gateway, it gives each client only its own \
                   answers";
    let hint =
        "listen on the serial side, or with --framing rtu where the gateway passes all bytes";
    Err(failure(
        USAGE,
        "cannot-overhear",
        message,
        Some(hint.to_owned()),
    ))
}

/// Listens to a line for so long, or until q, without a byte sent, and gives what came. It keeps itself as every
/// listening does.
pub(super) fn overhear(link: &LinkArgs, seconds: Duration) -> Result<Vec<Event>, Failure> {
    can_overhear(link)?;
    let args = ListenArgs {
        link: link.clone(),
        raw: None,
        seconds: Some(seconds),
        profile: None,
        from: None,
        session: SessionArg { session: None },
    };
    let filled = places::fill(&as_check(&args))?;
    let args = ListenArgs {
        link: filled.link,
        ..args
    };
    let loaded = profile(&args)?;
    let mut quiet = open(&args, args.link.place.line, Some(seconds), loaded.as_ref())?;
    let seed = reach::seed_of(&args.link.place)?;
    let record = Record::of_look(&args.link, keep::What::Listen, loaded.as_ref(), seed)?;
    record.follow(&mut quiet);
    out::note(&format!(
        "listening for {:.0} s, nothing is asked; q ends it",
        seconds.as_secs_f64()
    ));
    let end = quiet.now() + seconds;
    let keys = out::interactive().then(Keys::watch).flatten();
    let mut heard = Vec::new();
    let listened = loop {
        let now = quiet.now();
        if now >= end || keys.as_ref().is_some_and(Keys::say_stop) {
            break Ok(());
        }
        let listened = quiet.listen(end.min(now + TICK));
        heard.extend(quiet.drain());
        match listened {
            Ok(()) => {}
            Err(LinkTrouble::Interrupted) => break Ok(()),
            Err(trouble) => break Err(failure_of(&trouble)),
        }
    };
    drop(keys);
    record.close().and(listened).map(|()| heard)
}

/// Runs the command.
pub(crate) fn run(args: &ListenArgs, as_json: bool, colour: bool) -> Result<u8, Failure> {
    can_overhear(&args.link)?;
    let filled = places::fill(&as_check(args))?;
    let args = &ListenArgs {
        link: filled.link,
        profile: filled.ask.profile,
        ..args.clone()
    };
    let loaded = profile(args)?;
    let mut heard = ListenView::new(loaded.as_ref(), as_json, colour, command(args, None));
    heard.begin();
    if let Some(path) = &args.raw {
        raw(path, args, &mut heard)?;
    } else if let Some(path) = &args.link.place.recording {
        let recording = record::open(&keep::heard(path)?)?;
        let session = record::session(&recording, args.session.session)?;
        // One by one: all of them at once would take as much memory as the file.
        for event in &session.events {
            heard.take(vec![event]);
        }
    } else if let Err(failure) = live(args, &mut heard)? {
        // Whatever was heard is shown all the same.
        heard.end();
        return Err(failure);
    }
    if let Some(line) = heard.settled() {
        heard.go_on_with(command(args, Some(line)));
    }
    let is_valid = heard.end();
    Ok(if is_valid { 0 } else { NOTHING_VALID })
}

/// The profile asked for, that of the scenario, or none.
fn profile(args: &ListenArgs) -> Result<Option<LoadedProfile>, Failure> {
    if args.profile.is_none() && args.link.place.simulated.is_none() {
        return Ok(None);
    }
    reach::load_profile(&as_check(args)).map(Some)
}

/// The arguments that opening needs, as `check` has them.
fn as_check(args: &ListenArgs) -> CheckArgs {
    CheckArgs {
        link: args.link.clone(),
        ask: AskArgs {
            profile: args.profile.clone(),
            listen_first: Some(Duration::ZERO),
            ..AskArgs::default()
        },
        explain: None,
        full: false,
        lamps: Vec::new(),
        look_at: None,
        moment: None,
    }
}

/// Listens to a link until the time is over or the user stops. Where what came can only be told at
/// other line settings, these are listened at as well. Inside, what went wrong once something was heard.
fn live(args: &ListenArgs, heard: &mut ListenView<'_>) -> Result<Result<(), Failure>, Failure> {
    let seconds = args
        .seconds
        .or(args.link.place.simulated.as_ref().map(|_| SIMULATED));
    let mut quiet = open(args, args.link.place.line, seconds, heard.loaded)?;
    let seed = reach::seed_of(&args.link.place)?;
    let record = Record::of_look(&args.link, keep::What::Listen, heard.loaded, seed)?;
    record.follow(&mut quiet);
    let result = follow(&mut quiet, seconds, seconds.is_none(), heard);
    // The port must be free before it is opened again.
    drop(quiet);
    let result = result.and_then(|ended| match ended {
        ListenEnd::Stopped => Ok(()),
        ListenEnd::TimeOver => at_other_settings(args, seconds, &record, heard),
    });
    Ok(record.close().and(result))
}

/// Listens at the settings that what came points to, each in a session of its own.
fn at_other_settings(
    args: &ListenArgs,
    seconds: Option<Duration>,
    record: &Record,
    heard: &mut ListenView<'_>,
) -> Result<(), Failure> {
    for line in heard.worth_trying().into_iter().take(TRIES.into()) {
        let mut again = heard.again(line, command(args, Some(line)));
        let mut quiet = open(args, Some(line), seconds, again.loaded)?;
        record.session()?;
        record.follow(&mut quiet);
        let trial = Some(seconds.map_or(TRY, |all| (all / u32::from(TRIES)).min(TRY)));
        let ended = follow(&mut quiet, trial, false, &mut again)?;
        if again.is_valid() || again.is_explained() {
            // Whoever set no end wants to hear on, at the settings that fit.
            if seconds.is_none() && ended == ListenEnd::TimeOver && again.is_valid() {
                follow(&mut quiet, None, false, &mut again)?;
            }
            *heard = again;
            return Ok(());
        }
        if ended == ListenEnd::Stopped {
            break;
        }
    }
    Ok(())
}

/// Opens the link, at these line settings where they are given.
fn open(
    args: &ListenArgs,
    line: Option<LineSettings>,
    seconds: Option<Duration>,
    loaded: Option<&LoadedProfile>,
) -> Result<Quiet, Failure> {
    match &args.link.place.simulated {
        Some(name) => simulated(name, args, line, seconds.unwrap_or(SIMULATED), loaded),
        None => {
            let line = line.unwrap_or_else(|| usual_line(args, loaded));
            reach::open_to_listen(&as_check(args), line)
        }
    }
}

/// How listening ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum ListenEnd {
    TimeOver,
    Stopped,
}

/// Listens until the end. With `or_lost` also until what came shows that other settings should be
/// listened at.
fn follow(
    quiet: &mut Quiet,
    seconds: Option<Duration>,
    or_lost: bool,
    heard: &mut ListenView<'_>,
) -> Result<ListenEnd, Failure> {
    let mut think = quiet.now() + TRY;
    let end = seconds.map(|seconds| quiet.now() + seconds);
    let keys = (heard.is_in_place() && out::interactive())
        .then(Keys::watch)
        .flatten();
    loop {
        if keys.as_ref().is_some_and(Keys::say_stop) {
            return Ok(ListenEnd::Stopped);
        }
        let now = quiet.now();
        if end.is_some_and(|end| now >= end) {
            return Ok(ListenEnd::TimeOver);
        }
        if or_lost && now >= think {
            think = now + TRY;
            if !heard.worth_trying().is_empty() {
                return Ok(ListenEnd::TimeOver);
            }
        }
        let until = end.map_or(now + TICK, |end| end.min(now + TICK));
        let listened = quiet.listen(until);
        heard.take(quiet.drain());
        heard.now(quiet.now());
        match listened {
            Ok(()) => {}
            Err(LinkTrouble::Interrupted) => return Ok(ListenEnd::Stopped),
            Err(trouble) => return Err(failure_of(&trouble)),
        }
    }
}

/// A simulated line, from so long before the scenario's look that this is its end.
fn simulated(
    name: &Foreign,
    args: &ListenArgs,
    line: Option<LineSettings>,
    length: Duration,
    loaded: Option<&LoadedProfile>,
) -> Result<Quiet, Failure> {
    let scenario = reach::scenario_of(name)?;
    let Some(loaded) = loaded else {
        return Err(failure(
            LOCAL,
            "scenario",
            "the scenario names no register map",
            None,
        ));
    };
    let from = args
        .from
        .unwrap_or_else(|| scenario.look_at.saturating_sub(length));
    out::note(&format!(
        "simulated scenario {}, from {:.0} s after power-up, in virtual time: no real unit",
        name.clean(),
        from.as_secs_f64()
    ));
    let plugged = args.link.plugged.map(Into::into);
    let how = Simulated {
        age: from,
        plugged,
        line,
        // Listening is for the line itself, also where a gateway is on it.
        way: Some(args.link.place.way().unwrap_or(Way::Serial)),
    };
    Ok(open_simulated_as(&scenario, &loaded.profile, how))
}

/// Line settings given, those of the profile, or the usual ones.
fn usual_line(args: &ListenArgs, loaded: Option<&LoadedProfile>) -> LineSettings {
    let of_profile = loaded.map(|loaded| loaded.profile.answering.line);
    let usual = || USUAL_LINE.parse().ok();
    args.link
        .place
        .line
        .or(of_profile)
        .or_else(usual)
        .unwrap_or(LineSettings {
            baud: 9600,
            parity: packside_profiles::Parity::Even,
            stop_bits: 1,
        })
}

/// Plain bytes: everything at one moment, as no times are known.
fn raw(path: &PathBuf, args: &ListenArgs, heard: &mut ListenView<'_>) -> Result<(), Failure> {
    let unreadable = |error: std::io::Error| {
        let message = format!(
            "{}: cannot be read: {error}",
            packside_profiles::shown(&path)
        );
        failure(LOCAL, "file", message, None)
    };
    let mut input: Box<dyn Read> = if path.as_os_str() == "-" {
        Box::new(std::io::stdin().lock())
    } else {
        Box::new(std::fs::File::open(path).map_err(unreadable)?)
    };
    let kind = LinkKind::Serial {
        port: path.to_str().unwrap_or_default().into(),
        line: usual_line(args, heard.loaded),
    };
    let event = |what| Event {
        at: Duration::ZERO,
        what,
    };
    heard.without_times(args.link.place.line.is_some());
    heard.take(vec![event(What::Opened(LinkFacts {
        kind,
        framing: Framing::Rtu,
        plugged: args.link.plugged.map(Into::into),
        consent: Consent::default(),
    }))]);
    let mut block = vec![0; 64 * 1024];
    let mut is_empty = true;
    loop {
        let read = input.read(&mut block).map_err(unreadable)?;
        match block.get(..read) {
            None | Some([]) if is_empty => {
                let message = format!(
                    "--raw {}: expected the bytes that a line gave, found an empty file",
                    packside_profiles::shown(&path)
                );
                return Err(failure(LOCAL, "file", message, None));
            }
            None | Some([]) => return Ok(()),
            Some(bytes) => {
                is_empty = false;
                heard.take(vec![event(What::In(bytes.to_vec()))]);
            }
        }
    }
}

/// The place as it was given, for the next command; at other line settings where they are known.
fn command(args: &ListenArgs, at: Option<LineSettings>) -> String {
    let mut words = vec!["listen".to_owned()];
    let place = &args.link.place;
    words.extend(
        args.raw
            .as_ref()
            .map(|file| format!("--raw {}", typed(file))),
    );
    for (option, value) in [
        ("--serial", place.serial.clone()),
        (
            "--line",
            at.or(place.line).map(|line| line.to_string().into()),
        ),
        ("--gateway", place.gateway.clone()),
        ("--simulated", place.simulated.clone()),
        ("--profile", args.profile.clone()),
    ] {
        words.extend(value.map(|value| format!("{option} {}", typed(&value))));
    }
    if place.gateway.is_some() {
        words.push("--framing rtu".to_owned());
    }
    words.join(" ")
}
