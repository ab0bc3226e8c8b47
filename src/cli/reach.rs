//! From arguments to what a command works on: the profile, the open link, and trouble in words.
//!
//! Shared by every command that reaches a unit. Does not: ask, judge, or print results.

use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use packside_profiles::{Foreign, LineSettings, Profile, clean};
use packside_simulator::Way;
use sha2::{Digest as _, Sha256};

use super::args::{CheckArgs, Where};
use super::failure::{BUS, Failure, INTERRUPTED, LOCAL, USAGE, failure};
use super::out;
use crate::event::{Consent, Plugged};
use crate::lamp;
use crate::link::{
    Blame, Clock, LinkTrouble, LocalPort, Notice, OpenError, OpenOptions, Opening, Quiet, Target,
    since_1970,
};
use crate::simulated::Simulated;
use crate::simulated::open_simulated_now;
use crate::wire::hex;
use crate::words;

/// A profile with the fingerprint of its text.
pub(crate) struct LoadedProfile {
    /// The profile.
    pub(crate) profile: Profile,
    /// SHA-256 of its text, hex.
    pub(crate) sha256: String,
    /// Its text.
    pub(crate) text: String,
}

impl LoadedProfile {
    /// Fingerprints a loaded profile.
    pub(crate) fn new(profile: Profile, text: &str) -> Self {
        Self {
            profile,
            sha256: hex(&Sha256::digest(text.as_bytes())),
            text: text.to_owned(),
        }
    }
}

/// The profile asked for, or that of the scenario.
pub(crate) fn load_profile(args: &CheckArgs) -> Result<LoadedProfile, Failure> {
    let name = match (&args.ask.profile, &args.link.place.simulated) {
        (Some(name), _) => name.clone(),
        (None, Some(scenario)) => {
            return map_of(
                &scenario_of(scenario)?,
                args.link.config.folder().as_deref(),
            );
        }
        (None, None) => {
            let known: Vec<&str> = packside_profiles::shipped()
                .iter()
                .map(|(id, _)| *id)
                .collect();
            return Err(failure(
                USAGE,
                "usage",
                "no register map given: expected --profile NAME or FILE",
                Some(format!(
                    "packside find says what is at the other end of a cable, and which map fits; known maps: {}",
                    known.join(", ")
                )),
            ));
        }
    };
    let found = packside_profiles::find(name.as_given(), args.link.config.folder().as_deref())
        .map_err(|error| failure(LOCAL, "profile", error.to_string(), None))?;
    Ok(LoadedProfile::new(found.profile, &found.text))
}

/// The register map of a scenario.
pub(crate) fn map_of(
    scenario: &packside_simulator::Scenario,
    config: Option<&Path>,
) -> Result<LoadedProfile, Failure> {
    let map = scenario.load_map(config);
    let map = map.map_err(|error| failure(LOCAL, "profile", error.to_string(), None))?;
    Ok(LoadedProfile::new(map.profile, &map.text))
}

/// A scenario of the simulator by name or file.
pub(crate) fn scenario_of(name: &Foreign) -> Result<packside_simulator::Scenario, Failure> {
    packside_simulator::Scenario::find(name.as_given())
        .map_err(|error| failure(LOCAL, "scenario", error.to_string(), None))
}

/// The seed of a simulated place, for the head of a recording.
pub(crate) fn seed_of(place: &Where) -> Result<Option<u64>, Failure> {
    let scenario = place.simulated.as_ref().map(scenario_of).transpose()?;
    Ok(scenario.map(|scenario| scenario.seed))
}

/// Lamps as given on the command line, checked against the profile.
pub(crate) fn sightings(
    args: &CheckArgs,
    profile: &Profile,
) -> Result<Vec<(String, String)>, Failure> {
    args.lamps
        .iter()
        .map(|text| {
            let wrong = |message: String| failure(USAGE, "usage", message, None);
            let (lamp_id, pattern) = text.as_given().split_once('=').ok_or_else(|| {
                wrong(format!(
                    "--lamp: expected LAMP=PATTERN, for example fault=blinking, found \"{}\"",
                    text.clean()
                ))
            })?;
            let lamps: Vec<&str> = profile.lamps.iter().map(|l| l.id.as_str()).collect();
            if !lamps.contains(&lamp_id) {
                return Err(wrong(format!(
                    "--lamp: expected one of {}, found \"{}\"",
                    lamps.join(", "),
                    clean(lamp_id)
                )));
            }
            let patterns = lamp::pattern_ids(Some(profile));
            if !patterns.iter().any(|p| p == pattern) {
                return Err(wrong(format!(
                    "--lamp: expected one of {}, found \"{}\"",
                    patterns.join(", "),
                    clean(pattern)
                )));
            }
            Ok((lamp_id.to_owned(), pattern.to_owned()))
        })
        .collect()
}

/// Opens the link, quiet. `clock` is that of a session that began before.
pub(crate) fn open(
    args: &CheckArgs,
    profile: &Profile,
    plugged: Option<Plugged>,
    clock: Option<Clock>,
) -> Result<Quiet, Failure> {
    if let Some(name) = &args.link.place.simulated {
        let scenario = scenario_of(name)?;
        let look_at = args.look_at.unwrap_or(scenario.look_at);
        let window = args
            .ask
            .listen_first
            .unwrap_or_else(|| crate::link::quiet_window(Some(profile)));
        out::note(&format!(
            "simulated scenario {}, {:.0} s after power-up: no real unit",
            name.clean(),
            look_at.as_secs_f64()
        ));
        // Where nobody can be overheard nothing is listened to first.
        let way = args.link.place.way().unwrap_or(scenario.way());
        let window = if way == Way::Tcp {
            Duration::ZERO
        } else {
            window
        };
        let how = Simulated {
            age: look_at.saturating_sub(window),
            plugged,
            line: args.link.place.line,
            way: Some(way),
        };
        // A recording says when it was made: the clock of the unit is compared with that.
        let now = args.link.record.record.as_ref().map(|_| since_1970());
        return Ok(open_simulated_now(&scenario, profile, how, now));
    }
    let (target, options) = real(args, profile, plugged, clock)?;
    crate::link::open(&target, options, Box::new(say)).map_err(|error| failure_of_open(&error))
}

/// Says what a link tells.
fn say(notice: &Notice) {
    out::note(&words::progress::notice(notice));
}

/// A link, and whether it is open.
pub(crate) enum Reached {
    /// A simulated one.
    Open(Quiet),
    /// A real one, to be opened once it is needed.
    Closed(Opening),
}

/// The link of a session that began before.
pub(crate) fn link(
    args: &CheckArgs,
    profile: &Profile,
    plugged: Option<Plugged>,
    clock: Clock,
) -> Result<Reached, Failure> {
    if args.link.place.simulated.is_some() {
        return open(args, profile, plugged, Some(clock)).map(Reached::Open);
    }
    let (target, options) = real(args, profile, plugged, Some(clock))?;
    let say = Arc::new(say);
    Ok(Reached::Closed(Opening::new(target, options, say)))
}

/// Where a real unit is, and how it is opened.
fn real(
    args: &CheckArgs,
    profile: &Profile,
    plugged: Option<Plugged>,
    clock: Option<Clock>,
) -> Result<(Target, OpenOptions), Failure> {
    let target = target(&args.link.place, profile)?;
    let unit = args
        .ask
        .only
        .or(args.ask.unit)
        .unwrap_or(profile.answering.unit);
    if matches!(target, Target::Serial { .. }) && !(1..=247).contains(&unit) {
        let text = format!("expected a unit address from 1 to 247 on a serial line, found {unit}");
        return Err(failure(USAGE, "usage", text, None));
    }
    let given = args.link.interrupt.clone();
    let interrupt = given.unwrap_or_else(super::interrupt::wish);
    let options = OpenOptions {
        plugged,
        consent: args.ask.consent.said(),
        interrupt,
        clock,
    };
    Ok((target, options))
}

/// Opens a link that is only listened to, at these settings where it is a serial one.
pub(crate) fn open_to_listen(args: &CheckArgs, line: LineSettings) -> Result<Quiet, Failure> {
    open_place(
        &args.link.place,
        line,
        args.link.plugged.map(Into::into),
        Consent::default(),
    )
}

/// Opens a place that is not simulated, at these settings where it is a serial one.
pub(crate) fn open_place(
    place: &Where,
    line: LineSettings,
    plugged: Option<Plugged>,
    consent: Consent,
) -> Result<Quiet, Failure> {
    let target = target_at(place, line)?;
    let options = OpenOptions {
        plugged,
        consent,
        interrupt: super::interrupt::wish(),
        clock: None,
    };
    crate::link::open(&target, options, Box::new(say)).map_err(|error| failure_of_open(&error))
}

fn target(place: &Where, profile: &Profile) -> Result<Target, Failure> {
    target_at(place, place.line.unwrap_or(profile.answering.line))
}

/// Longest name of a port, bytes: that of any file.
const LONGEST_PORT: usize = 255;

/// Where the unit is; with nothing given and exactly one serial adapter present, that one.
fn target_at(place: &Where, line: LineSettings) -> Result<Target, Failure> {
    if let Some(address) = &place.gateway {
        return Target::gateway(address.as_given(), place.framing()).map_err(|why| {
            let message = format!("--gateway {}: {why}", address.clean());
            failure(USAGE, "usage", message, None)
        });
    }
    if let Some(port) = place
        .serial
        .as_ref()
        .filter(|port| port.as_given().len() > LONGEST_PORT)
    {
        let message = format!(
            "--serial: expected the name of a port, found {} characters",
            port.as_given().chars().count()
        );
        return Err(failure(USAGE, "usage", message, None));
    }
    if let Some(port) = &place.serial {
        return Ok(Target::Serial {
            port: port.clone(),
            line,
        });
    }
    let mut adapters = crate::link::ports();
    adapters.retain(|port| port.adapter.is_some());
    match adapters.as_slice() {
        [only] => {
            out::note(&format!(
                "one serial adapter is present, using it: {}",
                with_lasting_name(only)
            ));
            Ok(Target::Serial {
                port: only.name.as_str().into(),
                line,
            })
        }
        several => {
            let names: Vec<String> = several.iter().map(with_lasting_name).collect();
            let found = if names.is_empty() {
                "none".to_owned()
            } else {
                names.join(", ")
            };
            Err(failure(
                USAGE,
                "usage",
                format!(
                    "where is the unit? expected --serial PORT, --gateway HOST or --simulated SCENARIO; serial adapters present: {found}"
                ),
                Some("packside demo shows it without hardware".to_owned()),
            ))
        }
    }
}

/// A port, and beside it the name that stays the same when it is plugged in elsewhere.
fn with_lasting_name(port: &LocalPort) -> String {
    match &port.system.by_id {
        Some(lasting) => format!("{} (lasting name {lasting})", port.name),
        None => port.name.clone(),
    }
}

/// Exit code and stable word for whose business a trouble is.
fn by_blame(blame: Blame) -> (u8, &'static str) {
    match blame {
        Blame::ThisComputer => (LOCAL, "port"),
        Blame::Path => (BUS, "path"),
        Blame::Usage => (USAGE, "usage"),
        Blame::Stopped => (INTERRUPTED, "interrupted"),
    }
}

/// A failure from why a link could not be opened.
pub(crate) fn failure_of_open(error: &OpenError) -> Failure {
    let (exit, kind) = by_blame(error.blame());
    // Who holds a port, or which group may open it, is more than the opening could tell. Whoever merely
    // has it open is not in the way.
    let fix = match error {
        OpenError::PortBusy { port } | OpenError::PortForbidden { port, .. } => {
            LocalPort::named(port.as_given()).fix()
        }
        _ => None,
    };
    failure(exit, kind, error.to_string(), fix.or(error.hint()))
}

/// A failure from what happened to a link.
pub(crate) fn failure_of(trouble: &LinkTrouble) -> Failure {
    let (exit, kind) = by_blame(trouble.blame());
    failure(
        exit,
        kind,
        trouble.to_string(),
        trouble.hint().map(str::to_owned),
    )
}
