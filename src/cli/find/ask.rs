//! The asking half: the word, the search on a line or behind a gateway, and who answers.
//!
//! Does not: listen, or print the end.

use std::time::Duration;

use packside_profiles::model::{Profile, Table};
use packside_profiles::sunspec::{self, UnitAt, Walk};
use packside_profiles::{Known, LineSettings};

use super::super::args::FramingArg;
use super::super::failure::{Failure, USAGE, failure};
use super::super::out;
use super::super::reach::failure_of;
use super::super::session;
use super::{FindArgs, FindReport, SearchEnd, first_line, hold_back};
use crate::drive::find as moves;
use crate::event::{Consent, LinkFacts, LinkKind, What};
use crate::find::asked_at;
use crate::find::{
    Alike, Found, FoundIdentity, Listening, Plan, Search, Volley, VolleyReply, Who, who,
};
use crate::link::{Asking, LinkTrouble, Pacing, Quiet, Wake};
use crate::listen::Speaks;
use crate::wire::Framing;
use crate::wire::{Ask, Question};

/// What a network may add to an answer behind a gateway that passes bytes on.
const NETWORK: Duration = Duration::from_millis(250);
/// Addresses tried before another framing is, where not a byte comes.
const TO_TELL_FRAMING: usize = 3;
/// Times are told in seconds up to two of these.
const MINUTE: Duration = Duration::from_secs(60);

/// What was seen of a gateway.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Behind {
    /// How frames are put into bytes there.
    pub(super) framing: Framing,
    /// Addresses for which it says that the unit is silent (0B).
    pub(super) silent: usize,
    /// Addresses to which it says that it has no path, or no room (0A).
    pub(super) no_path: usize,
    /// Addresses for which it says nothing.
    pub(super) nothing: usize,
    /// Addresses at which it answers itself.
    pub(super) own: Vec<u8>,
    /// Addresses at which everything is refused, beside one that gives data.
    pub(super) refusing: Vec<u8>,
    /// Most questions that were outstanding.
    pub(super) most_open: usize,
}

impl Behind {
    fn new(framing: Framing) -> Self {
        Self {
            framing,
            silent: 0,
            no_path: 0,
            nothing: 0,
            own: Vec::new(),
            refusing: Vec::new(),
            most_open: 1,
        }
    }

    /// What came of a volley.
    fn of(volley: &Volley) -> Self {
        let count = |wanted: VolleyReply| {
            let replies = volley.replies().values();
            replies.filter(|reply| **reply == wanted).count()
        };
        Self {
            silent: count(VolleyReply::Silent),
            no_path: count(VolleyReply::NoPath),
            nothing: count(VolleyReply::Nothing),
            most_open: volley.most_open(),
            ..Self::new(Framing::Tcp)
        }
    }
}

/// Asks, where the user says so.
pub(super) fn ask(
    quiet: Quiet,
    args: &FindArgs,
    profiles: &[Profile],
    report: &mut FindReport,
) -> Result<(), Failure> {
    let is_gateway = report.facts.is_gateway();
    let plan = Plan {
        // Behind a gateway the number counts other questions as well.
        skip: if is_gateway { 0 } else { args.resume },
        ..plan(args, report)
    };
    let search = Search::new(plan, profiles);
    let progress = search.progress();
    if !is_gateway && args.resume > 0 && args.resume >= progress.of {
        let message = format!(
            "--resume: expected at most {}, found {}",
            progress.of.saturating_sub(1),
            args.resume
        );
        let hint = Some("leave it out to begin at the first question".to_owned());
        return Err(failure(USAGE, "usage", message, hint));
    }
    if is_gateway {
        out::note(
            "asking is for a gateway to a service or inverter socket. Up to 247 addresses, the likely ones first: one \
             that is silent costs the gateway's own time-out, all of them about 4 min where that is 1 s",
        );
    } else {
        out::note(&format!(
            "asking is for a service or inverter socket. Likely settings and addresses come first: most units answer \
             within seconds; every address once takes {}, all {} questions {}",
            long(search.once()),
            progress.of - progress.done,
            long(progress.left)
        ));
    }
    let wake = Wake::of(None, &Known::default(), &[]);
    let is_real = !matches!(quiet.facts().kind, LinkKind::Simulated { .. });
    let said = args.consent.said();
    let consent = Consent {
        may_wake: session::may_wake(wake.why().filter(|_| is_real), said.may_wake),
        ..said
    };
    let Ok(proof) = quiet.prove(&wake, report.window, consent) else {
        report.ended = SearchEnd::NotAsked;
        return Ok(());
    };
    let Ok(mut asking) = quiet.ask(proof, &moves::FUNCTIONS) else {
        report.ended = SearchEnd::Busy;
        return Ok(());
    };
    asking.pace(Pacing::FULL);
    let began = asking.now();
    let done = if is_gateway {
        behind_gateway(asking, args, profiles, report)
    } else {
        match on_a_line(&mut asking, search, profiles, report, said.beside_others) {
            Ok(()) => Ok(Some(asking)),
            Err(trouble) => Err(Stopped(trouble, Some(Box::new(asking)))),
        }
    };
    match done {
        Ok(Some(mut asking)) => close(&mut asking, began, report),
        Ok(None) => {}
        Err(Stopped(trouble, asking)) => {
            report.ended = match trouble {
                LinkTrouble::Interrupted => SearchEnd::Stopped,
                trouble => SearchEnd::Trouble(trouble),
            };
            if let Some(mut asking) = asking {
                close(&mut asking, began, report);
            }
        }
    }
    Ok(())
}

/// What ended a search early, and the link where it is still there.
struct Stopped(LinkTrouble, Option<Box<Asking>>);

impl From<LinkTrouble> for Stopped {
    fn from(trouble: LinkTrouble) -> Self {
        Self(trouble, None)
    }
}

fn plan(args: &FindArgs, report: &FindReport) -> Plan {
    let given = args.time_out.unwrap_or_default();
    let everything = Plan::everything(hold_back(report.port.as_ref()).max(given));
    Plan {
        lines: match args.link.place.line {
            Some(line) => vec![(asked_at(line), 1.0)],
            None => everything.lines,
        },
        units: args.only.map_or(everything.units, |unit| vec![unit]),
        all: args.all,
        skip: args.resume,
        ..everything
    }
}

/// How many questions it took, and how long.
fn close(asking: &mut Asking, began: Duration, report: &mut FindReport) {
    report.took = asking.now().saturating_sub(began);
    let events = asking.drain();
    let asked = events
        .iter()
        .filter(|event| matches!(event.what, What::Asked { .. }));
    report.questions = asked.count();
    report.echoes = asking.echoes();
}

/// The search over settings and addresses.
fn on_a_line(
    asking: &mut Asking,
    mut search: Search,
    profiles: &[Profile],
    report: &mut FindReport,
    bears_others: bool,
) -> Result<(), LinkTrouble> {
    search.bear_others(bears_others);
    let bar = bar("questions");
    let facts = report.facts.clone();
    let done = moves::search(asking, &mut search, |progress| {
        let (Some(bar), Some(trial)) = (&bar, progress.now) else {
            return;
        };
        bar.set_length(progress.of as u64);
        bar.set_position(progress.done as u64);
        let why = if progress.by_hint {
            ", since something was heard"
        } else {
            ""
        };
        bar.set_message(format!(
            "asking at {}, address {}{why}; at most {} more",
            settings_text(&facts, trial.line),
            trial.unit,
            long(progress.left)
        ));
    });
    if let Some(bar) = bar {
        bar.finish_and_clear();
    }
    report.garbled = search.garbled();
    report.is_noisy = search.is_noisy();
    let result = done.and_then(|()| identify(asking, search.found(), profiles, report));
    if search.foreign().is_some() {
        report.ended = SearchEnd::Busy;
    } else if search.found().is_empty() {
        report.ended = SearchEnd::Exhausted;
        if result.is_err() {
            report.resume = Some(search.progress().done.saturating_sub(1));
        }
    } else {
        report.ended = SearchEnd::Found;
    }
    result
}

/// Asks everybody found who they are.
fn identify(
    asking: &mut Asking,
    found: &[Found],
    profiles: &[Profile],
    report: &mut FindReport,
) -> Result<(), LinkTrouble> {
    for found in found {
        if asking.line().is_some_and(|ours| ours != found.line) {
            asking.set_line(found.line)?;
        }
        let mut who = Who::new(found, profiles);
        let done = moves::identify(asking, &mut who);
        let mut identity = who.identity();
        let done = done.and_then(|()| describe(asking, found, &mut identity));
        report.found.push((found.clone(), identity));
        done?;
    }
    Ok(())
}

/// Reads the models of a unit that describes itself, where no known map fits it better.
fn describe(
    asking: &mut Asking,
    found: &Found,
    identity: &mut FoundIdentity,
) -> Result<(), LinkTrouble> {
    let Some(mark) = identity.sunspec else {
        return Ok(());
    };
    let Ok(models) = sunspec::models() else {
        return Ok(());
    };
    let mut walk = Walk::from_mark(&models, mark);
    moves::describe(asking, found.unit, &mut walk)?;
    if let Some(chain) = walk.chain() {
        let at = UnitAt {
            unit: found.unit,
            line: found.line,
        };
        identity.take_chain(chain, at);
    }
    Ok(())
}

/// The search behind a gateway, in the framing given; where none is given in both: a few likely
/// addresses over Modbus TCP, then RTU bytes, then all others over Modbus TCP. That the first ones are
/// silent says nothing of the framing.
fn behind_gateway(
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
        let (heard, summary) = super::listen(&mut quiet, report.window)?;
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
        .and_then(|()| super::open(&args))
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

/// Modbus TCP to these addresses, of which so many are left out: gives whether that is what is spoken
/// there. With `tells_after` it ends where so many say nothing and no frame has come.
fn by_modbus_tcp(
    asking: &mut Asking,
    args: &FindArgs,
    (units, before): (&[u8], usize),
    tells_after: Option<usize>,
    profiles: &[Profile],
    report: &mut FindReport,
) -> Result<bool, LinkTrouble> {
    let question = first_question(profiles);
    let units = units.get(before..).unwrap_or_default();
    let mut volley = Volley::new(units, question, !args.all).then(other_questions(profiles));
    if let Some(silent) = tells_after {
        volley = volley.tells_after(silent);
    }
    let mut done = volley_with_bar(asking, &mut volley);
    if done.is_ok() && tells_after.is_none_or(|_| volley.has_heard()) && volley.alike().is_empty() {
        // Some answer one function only, and say nothing to all others.
        let silent: Vec<u8> = volley.replies().keys().copied().collect();
        let silent: Vec<u8> = units
            .iter()
            .copied()
            .filter(|unit| silent.contains(unit))
            .collect();
        let mut last = Volley::new(&silent, Question::ServerId, !args.all);
        done = volley_with_bar(asking, &mut last);
        if !last.alike().is_empty() {
            volley = last;
        }
    }
    if volley.is_shut_out() && done.is_ok() {
        done = Err(LinkTrouble::Lost(crate::link::PortGone::Closed));
    }
    let behind = Behind::of(&volley);
    if let Err(trouble) = done {
        report.resume = Some(before + volley.progress().0);
        // Whoever has answered so far is not forgotten.
        if volley.has_heard() {
            (report.gateway, report.resume_in) = (Some(behind), Some(Framing::Tcp));
        }
        return Err(trouble);
    }
    if !volley.has_heard() && tells_after.is_some() {
        return Ok(false);
    }
    report.gateway = Some(behind);
    name_all(asking, &volley, profiles, report)?;
    report.ended = if report.found.is_empty() {
        SearchEnd::Exhausted
    } else {
        SearchEnd::Found
    };
    Ok(volley.has_heard())
}

/// Asks who they are, those that give data first; what is one device at many addresses is one.
fn name_all(
    asking: &mut Asking,
    volley: &Volley,
    profiles: &[Profile],
    report: &mut FindReport,
) -> Result<(), LinkTrouble> {
    let mut silent = volley.replies().iter();
    let silent = silent.find(|(_, reply)| **reply == VolleyReply::Silent);
    let silent = silent.map(|(unit, _)| *unit);
    let alike = volley.alike();
    let gives_data = alike.iter().any(|one| one.refused.is_none());
    for Alike {
        units,
        refused,
        first_refusal,
        question,
        answer_time,
    } in alike
    {
        if units.len() > 1 && refused.is_some() && gives_data {
            // Beside one that gives data: the same device, or the gateway.
            if let Some(behind) = &mut report.gateway {
                behind.refusing.extend(units);
            }
            continue;
        }
        let found = |unit: u8| Found {
            line: first_line(),
            unit,
            refused: first_refusal,
            answer_time,
            ask: Ask { unit, question },
            also_lines: Vec::new(),
            also_at: Vec::new(),
        };
        let Some((first, others)) = units.split_first() else {
            continue;
        };
        let before = report.found.len();
        one_behind(asking, found(*first), silent, profiles, report)?;
        let mut others = others.iter();
        if let Some(second) = others.next() {
            one_behind(asking, found(*second), silent, profiles, report)?;
        }
        let is_one = match report.found.get(before..) {
            Some([(_, one), (_, other)]) => one.is_like(other),
            // The gateway itself, at many addresses.
            Some([]) => true,
            _ => false,
        };
        for unit in others {
            match report.found.get_mut(before) {
                Some((one, _)) if is_one => one.also_at.push(*unit),
                None if is_one => {}
                _ => one_behind(asking, found(*unit), silent, profiles, report)?,
            }
        }
        fold(&mut report.found);
    }
    Ok(())
}

/// Makes one entry of those that are the same device by what they say of themselves.
fn fold(found: &mut Vec<(Found, FoundIdentity)>) {
    let mut folded: Vec<(Found, FoundIdentity)> = Vec::new();
    for (one, identity) in found.drain(..) {
        let is_same = |(other, known): &&mut (Found, FoundIdentity)| {
            known.is_like(&identity)
                && (identity.serial.is_some()
                    || !other.also_at.is_empty()
                    || !one.also_at.is_empty())
        };
        match folded.iter_mut().find(is_same) {
            Some((known, _)) => {
                known.also_at.push(one.unit);
                known.also_at.extend(one.also_at);
                known.also_at.sort_unstable();
            }
            None => folded.push((one, identity)),
        }
    }
    *found = folded;
}

/// Asks all of them, with a bar on a terminal.
fn volley_with_bar(asking: &mut Asking, volley: &mut Volley) -> Result<(), LinkTrouble> {
    let bar = bar("addresses");
    let done = moves::volley(asking, volley, |volley| {
        if let Some(bar) = &bar {
            let (done, of) = volley.progress();
            bar.set_length(of as u64);
            bar.set_position(done as u64);
            bar.set_message("asking behind the gateway");
        }
    });
    if let Some(bar) = bar {
        bar.finish_and_clear();
    }
    done
}

/// What everybody is asked.
fn first_question(profiles: &[Profile]) -> Question {
    who::probes(profiles).first().map_or(
        Question::Read {
            table: Table::Holding,
            address: 0,
            count: 1,
        },
        |probe| probe.question,
    )
}

/// What those are asked who refuse the first question: they may have something else, or no registers.
fn other_questions(profiles: &[Profile]) -> Vec<Question> {
    let probes = who::probes(profiles).into_iter().skip(1);
    let mut questions: Vec<Question> = probes.map(|probe| probe.question).collect();
    questions.extend([Table::Input, Table::Holding].map(|table| Question::Read {
        table,
        address: 0,
        count: 1,
    }));
    questions.push(Question::ServerId);
    questions
}

/// Who answers for an address: a unit, or the gateway itself.
fn one_behind(
    asking: &mut Asking,
    found: Found,
    silent: Option<u8>,
    profiles: &[Profile],
    report: &mut FindReport,
) -> Result<(), LinkTrouble> {
    let (unit, question) = (found.unit, found.ask.question);
    let mut who = Who::new(&found, profiles);
    moves::identify(asking, &mut who)?;
    let mut identity = who.identity();
    describe(asking, &found, &mut identity)?;
    if identity.profile().is_none() && identity.sunspec.is_none() {
        // Nobody has read this yet, so that no cache can have it.
        let fresh = Question::Read {
            table: Table::Input,
            address: u16::from(unit) + 1,
            count: 1,
        };
        let silent = silent.map(|unit| Ask { unit, question });
        let itself = match silent {
            Some(silent) => moves::is_past_the_line(
                asking,
                silent,
                Ask {
                    unit,
                    question: fresh,
                },
            )?,
            None => None,
        };
        if itself == Some(true) {
            if let Some(behind) = &mut report.gateway {
                behind.own.push(unit);
            }
            return Ok(());
        }
    }
    report.found.push((found, identity));
    Ok(())
}

/// A bar on a terminal.
fn bar(what: &str) -> Option<indicatif::ProgressBar> {
    out::bar(&format!("  {{bar:24}} {{pos}}/{{len}} {what}  {{msg}}"))
}

/// A time in words, coarse.
pub(super) fn long(time: Duration) -> String {
    if time < MINUTE * 2 {
        format!("{} s", time.as_secs().max(1))
    } else if time < MINUTE * 90 {
        format!("{} min", time.as_secs() / 60)
    } else {
        format!("{:.1} h", time.as_secs_f64() / 3600.0)
    }
}

/// Settings of the line that a report is about.
pub(super) fn line_text(report: &FindReport, line: LineSettings) -> String {
    settings_text(&report.facts, line)
}

fn settings_text(facts: &LinkFacts, line: LineSettings) -> String {
    match facts.line() {
        Some(_) => line.to_string(),
        None => "the gateway's own settings".to_owned(),
    }
}

/// The failure that a trouble is, for its words.
pub(super) fn words_of(trouble: &LinkTrouble) -> Failure {
    failure_of(trouble)
}
