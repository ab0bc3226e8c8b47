//! The way to the line: the port, the link, and listening before anything is asked.
//!
//! Does not: ask.

use std::time::Duration;

use packside_profiles::LineSettings;

use super::super::failure::{Failure, INTERRUPTED, LOCAL, failure};
use super::super::{interrupt, out, reach};
use super::args::FindArgs;
use super::show;
use crate::drive::find as moves;
use crate::event::What;
use crate::find::{Listening, Overhear, prior};
use crate::link::{LinkTrouble, LocalPort, Quiet, wait_for_new};
use crate::listen::Summary;
use crate::simulated::{Simulated, open_simulated_as};
use crate::wire::Framing;

/// Longest wait for an adapter to be plugged in.
const PLUG_IN: Duration = Duration::from_secs(300);

/// Time between two looks at what came.
const GLANCE: Duration = Duration::from_millis(500);

/// What a USB adapter holds back where the system does not show it.
// Kind: common practice (16 ms as adapters come)
const HOLD_BACK: Duration = Duration::from_millis(16);

/// Whether this is a gateway of which nobody has said how frames are put into bytes there.
pub(super) fn is_any_framing(args: &FindArgs, quiet: &Quiet) -> bool {
    args.link.place.gateway.is_some()
        && args.link.place.framing.is_none()
        && quiet.facts().framing == Framing::Tcp
}

/// Whether a gateway passes on what it hears on its line: then somebody may be asking there, whom a
/// first question of ours would disturb. A Modbus TCP gateway says nothing unasked.
pub(super) fn passes_bytes_on(quiet: &mut Quiet, window: Duration) -> Result<bool, LinkTrouble> {
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
pub(super) fn listen(
    quiet: &mut Quiet,
    window: Duration,
) -> Result<(Listening, Summary), LinkTrouble> {
    say_listening(window);
    let ours = quiet.facts().line();
    let mut machine = Overhear::new(quiet.now(), ours.unwrap_or_else(first_line), window);
    if ours.is_none() {
        machine = machine.fixed();
    }
    let heard = moves::overhear(quiet, &mut machine)?;
    Ok((heard, machine.summary()))
}

/// Where the port is, and what is known of it. With none given: the one adapter there is, the one
/// that is plugged in now, or a list to choose from.
pub(super) fn local_port(args: &mut FindArgs) -> Result<Option<LocalPort>, Failure> {
    if args.link.place.gateway.is_some() || args.link.place.simulated.is_some() {
        return Ok(None);
    }
    if args.wait {
        out::note("waiting for an adapter to be plugged in (Ctrl-C stops)");
        let interrupt = interrupt::wish();
        let Some(port) = wait_for_new(PLUG_IN, &interrupt) else {
            if interrupt.raised() {
                let message = "stopped before an adapter was plugged in";
                return Err(failure(INTERRUPTED, "interrupted", message, None));
            }
            let message = format!("no adapter was plugged in within {} s", PLUG_IN.as_secs());
            return Err(failure(LOCAL, "port", message, None));
        };
        args.link.place.serial = Some(port.name.into());
    }
    if let Some(name) = &args.link.place.serial {
        return Ok(Some(LocalPort::named(name.as_given())));
    }
    let ports = crate::link::ports();
    let adapters: Vec<&LocalPort> = ports.iter().filter(|port| port.adapter.is_some()).collect();
    if let [only] = adapters.as_slice() {
        out::note(&format!(
            "one serial adapter is present, using it: {}",
            only.name
        ));
        args.link.place.serial = Some(only.name.as_str().into());
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
pub(super) fn first_line() -> LineSettings {
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
pub(super) fn hold_back(port: Option<&LocalPort>) -> Duration {
    let shown = port.and_then(|port| port.system.hold_back);
    let is_adapter = port.is_some_and(|port| port.adapter.is_some());
    shown.unwrap_or(if is_adapter {
        HOLD_BACK
    } else {
        Duration::ZERO
    })
}

/// Opens the link, quiet and recorded.
pub(super) fn open(args: &FindArgs) -> Result<Quiet, Failure> {
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
        "simulated scenario {}, {:.0} s after power-up, in virtual time: no real unit",
        name.clean(),
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
