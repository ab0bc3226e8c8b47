//! From events to a verdict: the only way there is.
//!
//! Input: events, a profile, a moment. Output: a [`Judgement`]. Pure: no I/O, no clock, no
//! randomness, no layout; the same events, profile and version give the same result.
//!
//! # Invariants
//! - A finding about the battery is never drawn from a frame that failed its check.
//! - A root alarm or measured violation is never explained by a silent inverter.
//! - Missing evidence is evidence of nothing: it keeps the gate shut and is named.
//!
//! # Where to look
//! [`judgement`] the result; `evidence` samples from exchanges; `readings` their latest values;
//! `flags`, `measure`, `heartbeat`, `inverter` the facts; `gate` what must have been read; `member`
//! the order of the verdict; `next` steps and what is not tested; `causes` weighed bus problems.

use std::borrow::Cow;
use std::ops::RangeInclusive;
use std::time::Duration;

use packside_profiles::Role;
use packside_profiles::model::{Profile, Severity};

mod adds_up;
mod answers;
mod bus;
mod causes;
pub(crate) mod evidence;
mod flags;
mod gate;
pub(crate) mod heartbeat;
mod inverter;
pub mod judgement;
mod measure;
mod member;
mod next;
mod notices;
pub(crate) mod readings;
mod sightings;

pub use judgement::{
    Basis, Bus, Cause, Finding, Identity, Judgement, MemberSummary, ModuleIdentity, NextStep,
    NotTested, Reading, ReadingQuality, Source, Verdict, VerdictKind,
};
pub(crate) use measure::with_unit;
pub(crate) use member::version;
pub use notices::NOTICES;

use crate::ask::{Exchange, Talk};
use crate::event::{Event, LinkFacts, What, clock_breaks};
use judgement::{root_ids, sort_by_weight};
use member::{Member, Shared};

/// Judges what the events show at a moment (the last link event where none is given).
pub fn judge(events: &[Event], profile: Option<&Profile>, moment: Option<Duration>) -> Judgement {
    let moment = moment.unwrap_or_else(|| last_moment(events));
    let seen = up_to(events, moment);
    let facts = seen.iter().find_map(|e| match &e.what {
        What::Opened(facts) => Some(facts.clone()),
        _ => None,
    });
    let talk = Talk::of(&seen);
    let exchanges = &talk.own;
    let bus = bus::statistics(&seen, exchanges, talk.foreign_requests.len());
    let Some(profile) = profile else {
        return without_profile(moment, bus, &seen, exchanges, facts.as_ref());
    };
    let sightings = sightings::last_of_each(events, moment);
    let said = answers::not_in_order(events);
    let shared = Shared {
        profile,
        facts: facts.as_ref(),
        foreign: &talk.foreign_requests,
        sightings: &sightings,
        said: &said,
        answered_twice: &talk.second_answers,
        moment,
        clocks_broke_at: clock_breaks(&seen).last().map(|broken| broken.at),
    };
    let evidence = evidence::gather(talk.all(), profile);
    let ours = of_interest(profile, exchanges);
    let mut members: Vec<Member> = evidence
        .iter()
        .filter(|e| ours.as_ref().is_none_or(|ours| ours.contains(&e.unit)))
        .map(|e| {
            if e.answered == 0 {
                member::silent(e.unit)
            } else {
                member::judge(e, &shared)
            }
        })
        .collect();
    let expected = expected_members(profile, &evidence);
    add_absent(&mut members, expected);
    if members.iter().all(|m| m.kind == VerdictKind::BusProblem) {
        let mut judgement = without_answer(moment, bus, &seen, exchanges, facts.as_ref());
        judgement.readings = members.into_iter().flat_map(|m| m.readings).collect();
        return judgement;
    }
    compose(moment, bus, members, profile)
}

/// The events until a moment; a long recording is not copied where they stand in the order of time.
fn up_to(events: &[Event], moment: Duration) -> Cow<'_, [Event]> {
    let end = events.iter().take_while(|e| e.at <= moment).count();
    if let Some((before, after)) = events.split_at_checked(end)
        && after.iter().all(|event| event.at > moment)
    {
        return Cow::Borrowed(before);
    }
    let seen = events.iter().filter(|event| event.at <= moment);
    Cow::Owned(seen.cloned().collect())
}

/// What every point of every unit gave over time, from own questions and overheard ones.
pub(crate) fn evidence_in(events: &[Event], profile: &Profile) -> Vec<evidence::MemberEvidence> {
    evidence::gather(Talk::of(events).all(), profile)
}

/// The moment judged where none is given: the last link event, else the last event.
fn last_moment(events: &[Event]) -> Duration {
    let last_link = events.iter().rev().find(|e| e.what.is_link());
    last_link.or(events.last()).map_or(Duration::ZERO, |e| e.at)
}

/// Addresses that must be there, from the count that the first pack gives.
fn expected_members(profile: &Profile, evidence: &[evidence::MemberEvidence]) -> Vec<u8> {
    let Some(members) = profile.members.as_ref().filter(|m| m.count.is_some()) else {
        return Vec::new();
    };
    let first = evidence.iter().find(|e| e.answered > 0);
    let count = first
        .and_then(|e| e.pack_count(profile))
        .unwrap_or(1)
        .min(members.at_most.into());
    let start = evidence.iter().map(|e| e.unit).min().unwrap_or(1);
    (0..count)
        .filter_map(|i| start.checked_add(u8::try_from(i).ok()?))
        .collect()
}

/// Addresses that a look is about, where we asked: from the first one asked as many as the profile
/// has packs. What others ask of other units is not our business. Nothing where only others asked.
fn of_interest(profile: &Profile, own: &[Exchange]) -> Option<RangeInclusive<u8>> {
    let first = own.iter().map(|exchange| exchange.ask.unit).min()?;
    let packs = profile
        .members
        .as_ref()
        .map_or(1, |members| members.at_most);
    Some(first..=first.saturating_add(packs.saturating_sub(1)))
}

/// Members that the rack expects and nobody asked.
fn add_absent(members: &mut Vec<Member>, expected: Vec<u8>) {
    for unit in expected {
        if !members.iter().any(|m| m.unit == unit) {
            let mut absent = member::silent(unit);
            absent.why = vec![format!("pack at address {unit} was not asked")];
            members.push(absent);
        }
    }
}

/// One verdict for all members.
fn compose(moment: Duration, bus: Bus, members: Vec<Member>, profile: &Profile) -> Judgement {
    let kind = rack_kind(&members);
    let many = members.len() > 1;
    let deciding: Vec<&Member> = members
        .iter()
        .filter(|m| {
            m.kind == kind || (kind == VerdictKind::Undecided && m.kind == VerdictKind::BusProblem)
        })
        .collect();
    let mut why = Vec::new();
    let mut steps: Vec<NextStep> = Vec::new();
    let mut not_tested: Vec<NotTested> = Vec::new();
    for member in &deciding {
        let lead = if many {
            format!("address {}: ", member.unit)
        } else {
            String::new()
        };
        why.extend(member.why.iter().map(|text| format!("{lead}{text}")));
        for step in next::steps(member, profile, moment.as_secs()) {
            if !steps.iter().any(|s| s.text == step.text) {
                steps.push(step);
            }
        }
    }
    next::rank(&mut steps);
    for member in members.iter().filter(|m| m.kind != VerdictKind::BusProblem) {
        for item in next::not_tested(member, profile) {
            if !not_tested.iter().any(|n| n.id == item.id) {
                not_tested.push(item);
            }
        }
    }
    let identity = identity(&members);
    let mut findings: Vec<Finding> = members.iter().flat_map(|m| m.findings.clone()).collect();
    for silent in members.iter().filter(|m| m.kind == VerdictKind::BusProblem) {
        let mut missing = notices::notice("member-missing", silent.unit, &silent.why.join("; "));
        missing.severity = Severity::Warning;
        missing.source = Source::Bus;
        findings.push(missing);
    }
    sort_by_weight(&mut findings);
    let summary = summary(kind, &deciding, &findings);
    Judgement {
        moment,
        identity,
        verdict: Verdict {
            kind,
            basis: Basis::Rule,
            summary,
            why,
            causes: Vec::new(),
            next: steps,
        },
        not_tested,
        findings,
        readings: members.into_iter().flat_map(|m| m.readings).collect(),
        bus,
    }
}

/// DESIGN: a fault in any member is the fault of the rack; some silent or ungated is undecided.
fn rack_kind(members: &[Member]) -> VerdictKind {
    let any = |kind| members.iter().any(|m| m.kind == kind);
    if any(VerdictKind::Fault) {
        return VerdictKind::Fault;
    }
    if any(VerdictKind::Undecided) || any(VerdictKind::BusProblem) {
        return VerdictKind::Undecided;
    }
    [
        VerdictKind::NotReady,
        VerdictKind::InverterLost,
        VerdictKind::AwaitingInverter,
    ]
    .into_iter()
    .find(|kind| any(*kind))
    .unwrap_or(VerdictKind::Normal)
}

/// The verdict in one sentence.
fn summary(kind: VerdictKind, deciding: &[&Member], findings: &[Finding]) -> String {
    let unconfirmed = deciding.iter().any(|m| m.unconfirmed);
    let roots = || root_ids(findings).join(", ");
    match kind {
        VerdictKind::Normal => {
            "In service: the inverter is heard and no fault was found so far.".to_owned()
        }
        VerdictKind::NotReady => format!("Not ready, no defect seen: {}.", roots()),
        VerdictKind::Fault if unconfirmed => {
            format!("Fault (unit not recognised for certain): {}.", roots())
        }
        VerdictKind::Fault => format!("Real fault: {}.", roots()),
        VerdictKind::AwaitingInverter => {
            "Only waiting for the inverter: no fault was found so far.".to_owned()
        }
        VerdictKind::InverterLost => {
            "The inverter fell silent: no fault was found in the unit so far.".to_owned()
        }
        VerdictKind::BusProblem => {
            "No valid answer: nothing can be said about the unit.".to_owned()
        }
        VerdictKind::Undecided => undecided_summary(deciding),
    }
}

/// What keeps it open, in a few words.
fn undecided_summary(deciding: &[&Member]) -> String {
    use inverter::InverterLink;
    let one_reason = deciding.iter().all(|member| member.why.len() == 1);
    let text = match deciding.first().map(|member| &member.inverter) {
        Some(InverterLink::TooEarly { .. }) if one_reason => {
            "Too early to say: the silence time is not over."
        }
        Some(InverterLink::Unknown(_)) if one_reason => {
            "Not settled: whether the unit hears its inverter is not known."
        }
        _ => "Not settled: something is missing or contradicts.",
    };
    text.to_owned()
}

fn identity(members: &[Member]) -> Identity {
    let text = |member: &Member, role: Role, module: Option<u16>| {
        member
            .readings
            .iter()
            .find(|r| r.role == role && r.place.module == module)
            .and_then(|r| r.value.as_ref())
            .map(member::value_text)
    };
    let Some(first) = members.first() else {
        return Identity::default();
    };
    let mut positions: Vec<u16> = first
        .readings
        .iter()
        .filter(|r| r.role == Role::ModuleSerial || r.role == Role::ModuleVoltage)
        .filter_map(|r| r.place.module)
        .collect();
    positions.sort_unstable();
    positions.dedup();
    Identity {
        serial: text(first, Role::Serial, None),
        model: text(first, Role::Model, None),
        firmware: text(first, Role::Firmware, None),
        modules: positions
            .into_iter()
            .map(|position| ModuleIdentity {
                position,
                serial: text(first, Role::ModuleSerial, Some(position)),
                firmware: text(first, Role::ModuleFirmware, Some(position)),
            })
            .collect(),
        members: members
            .iter()
            .map(|m| MemberSummary {
                unit: m.unit,
                serial: text(m, Role::Serial, None),
                firmware: text(m, Role::Firmware, None),
                kind: m.kind,
                state: m.state.clone(),
            })
            .collect(),
    }
}

/// No unit gave a valid answer: weigh the causes.
fn without_answer(
    moment: Duration,
    bus: Bus,
    events: &[Event],
    exchanges: &[Exchange],
    facts: Option<&LinkFacts>,
) -> Judgement {
    let ranked = causes::rank(&bus::observe(events, exchanges, facts));
    let share = ranked.first().map_or(0, |(cause, _)| cause.per_mille);
    let mut next: Vec<NextStep> = Vec::new();
    for (_, step) in ranked
        .iter()
        .filter(|(cause, _)| cause.per_mille >= 80)
        .take(4)
    {
        next.push(step.clone());
    }
    next.sort_by_key(|s| s.needs);
    let asked = bus.requests;
    let why = vec![format!(
        "{asked} questions, no valid answer; {} bytes came in all",
        bus.bytes_in
    )];
    Judgement {
        moment,
        identity: Identity::default(),
        verdict: Verdict {
            kind: VerdictKind::BusProblem,
            basis: Basis::Weighed(share),
            summary: "No valid answer: nothing can be said about the unit.".to_owned(),
            why,
            causes: ranked
                .into_iter()
                .map(|(cause, _)| cause)
                .filter(|c| c.per_mille >= 10)
                .collect(),
            next,
        },
        not_tested: Vec::new(),
        findings: Vec::new(),
        readings: Vec::new(),
        bus,
    }
}

/// Without a profile only the bus can be judged.
fn without_profile(
    moment: Duration,
    bus: Bus,
    events: &[Event],
    exchanges: &[Exchange],
    facts: Option<&LinkFacts>,
) -> Judgement {
    let answered = bus.answered > 0
        || bus
            .exceptions
            .iter()
            .any(|(code, _)| !matches!(code, 0x0a | 0x0b));
    let mut judgement = without_answer(moment, bus, events, exchanges, facts);
    if answered {
        judgement.verdict.kind = VerdictKind::Undecided;
        judgement.verdict.basis = Basis::Rule;
        judgement.verdict.causes.clear();
        judgement.verdict.summary =
            "Undecided: a unit answers, but no profile says what its registers mean.".to_owned();
    }
    judgement
}
