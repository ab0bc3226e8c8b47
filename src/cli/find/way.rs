//! The way to the line: the port and the link.
//!
//! Does not: listen, or ask.

use std::time::Duration;

use super::super::failure::{Failure, INTERRUPTED, LOCAL, failure};
use super::super::{interrupt, out, reach};
use super::args::FindArgs;
use super::show;
use crate::find::prior;
use crate::link::{LocalPort, Quiet, wait_for_new};
use crate::simulated::{Simulated, open_simulated_as};

/// Longest wait for an adapter to be plugged in.
const PLUG_IN: Duration = Duration::from_secs(300);

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

/// Opens the link, quiet and recorded.
pub(super) fn open(args: &FindArgs) -> Result<Quiet, Failure> {
    let mut quiet = connect(args)?;
    args.recorder.follow(&mut quiet);
    Ok(quiet)
}

fn connect(args: &FindArgs) -> Result<Quiet, Failure> {
    let line = args.link.place.line.unwrap_or_else(prior::first_line);
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
