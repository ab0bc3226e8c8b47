//! The search behind a gateway whose framing may not be known.
//!
//! Does not: ask over Modbus TCP itself, see `volley`.

use std::time::Duration;

use packside_profiles::{Known, Profile};

use super::super::args::FramingArg;
use super::super::out;
use super::args::FindArgs;
use super::line::{Stopped, on_a_line, plan};
use super::report::{Behind, FindReport, SearchEnd};
use super::volley::by_modbus_tcp;
use super::way;
use super::way::first_line;
use crate::drive::find as moves;
use crate::event::Consent;
use crate::find::{Listening, Plan, Search, Volley};
use crate::link::{Asking, LinkTrouble, Quiet, Wake};
use crate::listen::Speaks;
use crate::wire::Framing;

/// What a network may add to an answer behind a gateway that passes bytes on.
const NETWORK: Duration = Duration::from_millis(250);

/// Addresses tried before another framing is, where not a byte comes.
const TO_TELL_FRAMING: usize = 3;

/// The search behind a gateway, in the framing given; where none is given in both: a few likely
/// addresses over Modbus TCP, then RTU bytes, then all others over Modbus TCP. That the first ones are
/// silent says nothing of the framing.
pub(super) fn behind_gateway(
    mut asking: Asking,
    args: &FindArgs,
    profiles: &[Profile],
    report: &mut FindReport,
) -> Result<Option<Asking>, Stopped> {
    if report.facts.framing == Framing::Rtu {
        report.resume_in = Some(Framing::Rtu);
        return by_rtu(asking, args, args.resume, profiles, report).map(Some);
    }
    let units = args
        .only
        .map_or_else(Volley::likely_first, |unit| vec![unit]);
    let is_given = args.link.place.framing.is_some();
    let few = if is_given {
        units.len()
    } else {
        TO_TELL_FRAMING.min(units.len())
    };
    let of_rtu = Search::new(rtu_plan(args, 0, report), profiles)
        .progress()
        .of;
    if is_given || args.resume < few {
        let tells_after = (!is_given).then_some(few - args.resume);
        let before = args.resume;
        let is_spoken = match by_modbus_tcp(
            &mut asking,
            args,
            (&units, before),
            tells_after,
            profiles,
            report,
        ) {
            Err(LinkTrouble::WrongSpeaker(Speaks::Rtu)) if !is_given => false,
            Err(trouble) => return Err(Stopped(trouble, Some(Box::new(asking)))),
            Ok(is_spoken) => is_spoken,
        };
        if is_spoken || is_given {
            return Ok(Some(asking));
        }
    }
    if args.resume < few + of_rtu {
        drop(asking);
        let skip = args.resume.saturating_sub(few);
        let rtu = after_silence(args, skip, profiles, report);
        report.resume = report.resume.map(|resume| resume + few);
        let Some(rtu) = rtu? else {
            return Ok(None);
        };
        asking = rtu;
        let is_over = report.ended != SearchEnd::Exhausted || !report.garbled.is_empty();
        if is_over || few == units.len() {
            return Ok(Some(asking));
        }
    }
    out::note(
        "no RTU answer either; asking all other addresses over Modbus TCP on a new connection",
    );
    drop(asking);
    asking = ask_again(quiet_again(args, FramingArg::Tcp)?)?;
    report.facts.framing = Framing::Tcp;
    let before = few + args.resume.saturating_sub(few + of_rtu);
    let done = by_modbus_tcp(&mut asking, args, (&units, before), None, profiles, report);
    if report.resume_in.is_none() {
        report.resume = report.resume.map(|resume| resume + of_rtu);
    }
    match done {
        Ok(_) => Ok(Some(asking)),
        Err(trouble) => Err(Stopped(trouble, Some(Box::new(asking)))),
    }
}

/// RTU bytes on a new connection, where nothing came over Modbus TCP; nothing where somebody else is heard.
fn after_silence(
    args: &FindArgs,
    skip: usize,
    profiles: &[Profile],
    report: &mut FindReport,
) -> Result<Option<Asking>, Stopped> {
    out::note("no Modbus TCP frame came so far; trying RTU bytes over TCP on a new connection");
    let mut quiet = quiet_again(args, FramingArg::Rtu)?;
    // Where it was not listened to before, somebody can be overheard only now.
    if report.listened.is_none() && !report.window.is_zero() {
        let (heard, summary) = way::listen(&mut quiet, report.window)?;
        let is_silent = heard == Listening::Silent;
        report.listened = Some((heard, summary));
        if !is_silent && !args.consent.said().beside_others {
            report.facts.framing = Framing::Rtu;
            report.ended = SearchEnd::Busy;
            return Ok(None);
        }
    }
    by_rtu(ask_again(quiet)?, args, skip, profiles, report).map(Some)
}

/// RTU bytes over TCP, at the gateway's own line settings.
fn by_rtu(
    mut asking: Asking,
    args: &FindArgs,
    skip: usize,
    profiles: &[Profile],
    report: &mut FindReport,
) -> Result<Asking, Stopped> {
    report.facts.framing = Framing::Rtu;
    report.gateway = Some(Behind::new(Framing::Rtu));
    let search = Search::new(rtu_plan(args, skip, report), profiles);
    match on_a_line(
        &mut asking,
        search,
        profiles,
        report,
        args.consent.said().beside_others,
    ) {
        Ok(()) => Ok(asking),
        Err(trouble) => Err(Stopped(trouble, Some(Box::new(asking)))),
    }
}

fn rtu_plan(args: &FindArgs, skip: usize, report: &FindReport) -> Plan {
    Plan {
        lines: vec![(first_line(), 1.0)],
        hold_back: NETWORK.max(args.time_out.unwrap_or_default()),
        skip,
        ..plan(args, report)
    }
}

fn lost(why: String) -> LinkTrouble {
    LinkTrouble::Lost(crate::link::PortGone::StillGone { why })
}

/// A new connection in this framing.
fn quiet_again(args: &FindArgs, framing: FramingArg) -> Result<Quiet, LinkTrouble> {
    let mut args = args.clone();
    args.link.place.framing = Some(framing);
    let session = args.recorder.session();
    session
        .and_then(|()| way::open(&args))
        .map_err(|failure| lost(failure.message))
}

/// Asks on a new connection, for which the word that was given still holds.
fn ask_again(quiet: Quiet) -> Result<Asking, LinkTrouble> {
    let wake = Wake::of(None, &Known::default(), &[]);
    let proof = quiet
        .prove(&wake, Duration::ZERO, Consent::BOTH)
        .map_err(|why| lost(why.to_string()))?;
    let asking = quiet.ask(proof, &moves::FUNCTIONS);
    asking.map_err(|back| lost(back.1.to_string()))
}
