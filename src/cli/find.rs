//! `packside find`: from an unknown cable to a talking unit.
//!
//! Looks at the port, listens, and only after the caution and an explicit word asks. The search is
//! [`crate::drive::find`]'s; here are the arguments, the link, the progress and the end. Does not: judge a
//! battery, or ask where somebody else is heard asking.

mod args;
mod ask;
mod json;
mod next;
mod progress;
mod report;
mod show;
mod way;

use std::path::PathBuf;
use std::time::Duration;

use packside_profiles::{Foreign, Profile};

pub(crate) use args::FindArgs;
use ask::Teller;
use report::{FindReport, SearchEnd};
use way::{local_port, open};

use super::args::{CheckArgs, FramingArg, RecordArgs};
use super::failure::{BUS, Failure, LOCAL, USAGE, failure};
use super::places::{self, SavedPlace};
use super::reach::{self, failure_of};
use super::record::Record;
use super::{heard, keep, out};
use crate::drive::find as moves;
use crate::event::{LinkFacts, LinkKind};
use crate::find::{FindEnd, Findings, Found, FoundIdentity, Listening, Search, Wanted};
use crate::link::{LinkTrouble, LocalPort, Quiet, quiet_window};
use crate::show::json::line as json_line;
use crate::wire::Framing;

/// Runs the command.
pub(crate) fn run(args: &FindArgs, as_json: bool, colour: bool) -> Result<u8, Failure> {
    if args.link.place.recording.is_some() {
        let hint = Some("packside listen --recording FILE reads what was recorded".to_owned());
        let message = "--recording: find asks a line, a recording has none";
        return Err(failure(USAGE, "usage", message, hint));
    }
    if let Some(name) = &args.save {
        places::plain_name(name)?;
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
    let framing = report.findings.facts.framing;
    let next = next::next_command(&report, &args);
    let exit = report.exit();
    let mut found = report.findings.found.into_iter();
    if let Some((found, who)) = found.next().filter(|(_, who)| !who.is_shared_address()) {
        return Ok((found, who, framing));
    }
    let (kind, message) = match &report.ended {
        SearchEnd::Trouble(trouble) => return Err(failure_of(trouble)),
        SearchEnd::Stopped => ("interrupted", "stopped"),
        SearchEnd::Over(FindEnd::NotAsked) => (
            "may-wake",
            "which unit this is was not asked: that may wake it (--may-wake, or a map with --profile)",
        ),
        SearchEnd::Over(FindEnd::Busy) => ("bus", "somebody else asks here: nothing was asked"),
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
        json_line(&json::object(&report, next::next_command(&report, args)))
    } else {
        show::report(&report, args, colour)
    });
    Ok(report.exit())
}

/// Listens, and asks where that is right.
fn search(
    quiet: Quiet,
    args: &FindArgs,
    port: Option<LocalPort>,
    profiles: &[Profile],
) -> Result<FindReport, Failure> {
    let wanted = Wanted {
        line: args.link.place.line,
        unit: args.only,
        framing: args.link.place.framing.map(Into::into),
        all: args.all,
        skip: args.resume,
        hold_back: port.as_ref().map_or(Duration::ZERO, LocalPort::holds_back),
        time_out: args.time_out,
        window: args.listen_first.unwrap_or_else(|| quiet_window(None)),
        consent: args.consent.said(),
    };
    // Behind a gateway the number counts other questions as well.
    if !quiet.facts().is_gateway() {
        resumes_within(&wanted, profiles)?;
    }
    let mut report = FindReport {
        port,
        window: wanted.window,
        ended: SearchEnd::Stopped,
        findings: Findings::new(quiet.facts().clone()),
        fitting: Vec::new(),
        saved: None,
        quiet_until: None,
    };
    let mut teller = Teller::new(args, quiet.facts().clone());
    let findings = &mut report.findings;
    let quiet = match moves::listen_first(quiet, &wanted, findings, &mut teller) {
        Ok(quiet) => quiet,
        Err(LinkTrouble::Interrupted) => return Ok(report),
        Err(trouble) => return Err(failure_of(&trouble)),
    };
    if let Some((_, summary)) = &findings.listened {
        let fitting = crate::find::overhear::fitting(summary, profiles).into_iter();
        report.fitting = fitting
            .map(|(map, inside, of)| (map.profile.id.clone(), inside, of))
            .collect();
    }
    let done = moves::ask(quiet, &wanted, profiles, findings, &mut teller);
    report.ended = match done {
        Ok(()) => SearchEnd::Over(report.findings.ended),
        Err(trouble) => trouble.into(),
    };
    Ok(report)
}

/// Refuses to go on behind the last question.
fn resumes_within(wanted: &Wanted, profiles: &[Profile]) -> Result<(), Failure> {
    let of = Search::new(wanted.plan(), profiles).progress().of;
    if wanted.skip == 0 || wanted.skip < of {
        return Ok(());
    }
    let (most, found) = (of.saturating_sub(1), wanted.skip);
    let message = format!("--resume: expected at most {most}, found {found}");
    let hint = Some("leave it out to begin at the first question".to_owned());
    Err(failure(USAGE, "usage", message, hint))
}

/// All maps that can be had; one that cannot be read is said and left out.
fn known_profiles(args: &FindArgs) -> Result<Vec<Profile>, Failure> {
    let config = args.link.config.folder();
    let config = config.as_deref();
    let mut profiles = Vec::new();
    for name in packside_profiles::load::known(config) {
        match packside_profiles::find(name.as_given(), config) {
            Ok(found) => profiles.push(found.profile),
            Err(error) => {
                let name = name.clean();
                out::say(&format!("note: the map {name} is left out: {error}"));
            }
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

/// Keeps the silence for the look that follows, where nobody was heard before and while asking.
fn keep_quiet(report: &FindReport, args: &FindArgs) -> Option<jiff::Timestamp> {
    let was_silent = matches!(report.findings.listened, Some((Listening::Silent, _)));
    let (found, _) = report.findings.found.first()?;
    let LinkKind::Serial { port, .. } = &report.findings.facts.kind else {
        return None;
    };
    if !was_silent || report.findings.is_noisy || report.ended != SearchEnd::Over(FindEnd::Found) {
        return None;
    }
    let facts = LinkFacts {
        kind: LinkKind::Serial {
            port: port.clone(),
            line: found.line,
        },
        ..report.findings.facts.clone()
    };
    heard::keep(
        &facts,
        report.window,
        heard::now(),
        args.link.config.folder().as_deref(),
    )
}

/// Keeps the first unit found under a name.
fn save(report: &FindReport, args: &FindArgs, name: &Foreign) -> Result<Option<PathBuf>, Failure> {
    let first = report.findings.found.first();
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
            .map(Foreign::from)
            .or_else(|| args.link.place.serial.clone())
            .filter(|_| !is_gateway),
        line: (!is_gateway).then(|| found.line.to_string().into()),
        gateway: args.link.place.gateway.clone(),
        framing: report
            .findings
            .gateway
            .as_ref()
            .map(|behind| behind.framing)
            .filter(|_| is_gateway)
            .map(|framing| FramingArg::from(framing).id().into()),
        unit: found.unit,
        profile: next::map_name(identity).map(Foreign::from),
        unit_serial: identity.serial.as_deref().map(Foreign::from),
    };
    places::save(&place, name, args.link.config.folder().as_deref()).map(Some)
}
