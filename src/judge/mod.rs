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
//! `flags`, `measure`, `inverter` the facts; `gate` what must have been read; `member`
//! the order of the verdict; `next` steps and what is not tested; `causes` weighed bus problems.

use std::borrow::Borrow;
use std::sync::Arc;
use std::time::Duration;

use packside_profiles::Role;
use packside_profiles::model::{Profile, Severity};

mod adds_up;
mod answers;
mod beside;
mod bus;
mod case;
pub(crate) mod causes;
mod cautions;
mod contradictions;
mod decide;
mod flags;
mod fuzz;
mod gate;
mod identity;
mod image;
mod inverter;
mod measure;
mod member;
mod next;
mod notices;
mod plausible;
mod rack;
mod remembered;
pub mod resistance;
mod roots;
mod sag;
pub(crate) mod shared;
mod sightings;
mod warm;

pub use crate::evidence::words::TURN;
pub use bus::{Garble, garbled};
pub use case::Case;
pub use causes::priors_of_line;
pub use fuzz::any_events;
pub(crate) use identity::version;

use crate::ask::Talk;
use crate::event::{Event, What};
use crate::evidence::Seen;
use crate::evidence::samples::{self, MemberEvidence};
use crate::facts::doubt::LinkUnknown;
use crate::facts::fact::{Deed, Line};
use crate::facts::headline::RootKnown;
use crate::facts::health::Health;
use crate::facts::judgement::{self, root_ids};
use crate::facts::step::{self, StepKind, Who};
use crate::facts::{
    Basis, Bus, Cause, Doubt, DoubtKind, Finding, Headline, Identity, Judgement, MemberSummary,
    ModuleIdentity, NextStep, NotTested, Reason, Source, Step, Verdict, VerdictKind, Why, sight,
};
use causes::Topic;
use inverter::InverterLink;
use member::Member;
use shared::Shared;

/// Judges what the events of one session show at a moment (the last link event where none is given).
///
/// Of what came behind the moment only the answers of people count: what is true of a unit does not
/// expire by being said late.
pub fn judge(
    events: impl IntoIterator<Item: Borrow<Event>>,
    profile: Option<&Profile>,
    moment: Option<Duration>,
) -> Judgement {
    let profile = profile.map(|profile| Arc::new(profile.clone()));
    match moment {
        None => {
            let case = Case::of(profile, events);
            case.verdict(case.moment())
        }
        Some(moment) => {
            let mut case = Case::new(profile);
            let counts =
                |event: &Event| event.at <= moment || matches!(event.what, What::Answer(_));
            for event in events {
                if counts(event.borrow()) {
                    case.push(event.borrow());
                }
            }
            case.verdict(moment)
        }
    }
}

/// Judges what was seen until a moment.
fn judge_seen(seen: &Seen, moment: Duration) -> Judgement {
    let mut bus = bus::statistics(seen);
    let Some(profile) = seen.profile() else {
        return without_profile(bus, seen, moment);
    };
    bus.health = seen.line.health.health();
    let sightings = sightings::last_of_each(seen, moment);
    let said = answers::not_in_order(&seen.said);
    let shared = Shared {
        profile,
        seen,
        sightings: &sightings,
        said: &said,
        moment,
    };
    let units = || seen.units.values();
    let mut members: Vec<Member> = units()
        .map(|e| {
            if e.answered == 0 {
                member::silent(e.unit, true)
            } else {
                member::judge(e, &shared)
            }
        })
        .collect();
    let expected = expected_members(profile, seen);
    add_absent(&mut members, expected);
    if members.iter().all(|m| m.kind == VerdictKind::BusProblem) {
        let mut judgement = without_answer(bus, seen, moment);
        judgement.profile = seen.shared_profile();
        judgement.readings = members.into_iter().flat_map(|m| m.readings).collect();
        return judgement;
    }
    rack::compare(&mut members, profile);
    compose(bus, members, (seen, moment), profile)
}

/// Whether another look may settle a point that is open.
pub fn by_looking_again(open: &Doubt) -> bool {
    matches!(
        open,
        Doubt::NotRead { .. }
            | Doubt::NotAsked { .. }
            | Doubt::HeartbeatUnseen
            | Doubt::GoneSilent { .. }
            | Doubt::NotInService { .. }
            | Doubt::Terminals { .. }
            | Doubt::CurrentWhileOpen { .. }
            | Doubt::NotRecognised { .. }
            | Doubt::Unexplained { .. }
            | Doubt::InverterNotShown {
                why: LinkUnknown::CounterUnseen
            }
            | Doubt::OfTwoMoments { .. }
            | Doubt::SpreadUnderLoad { .. }
    )
}

/// What every point of every unit gave over time, from own questions and overheard ones.
pub(crate) fn evidence_in(events: &[Event], profile: &Profile) -> Vec<MemberEvidence> {
    samples::gather(Talk::of(events).all(), profile)
}

/// Addresses that must be there, from the count that the first pack gives.
fn expected_members(profile: &Profile, seen: &Seen) -> Vec<u8> {
    let Some(members) = profile.members.as_ref().filter(|m| m.count.is_some()) else {
        return Vec::new();
    };
    let first = seen.units.values().find(|e| e.answered > 0);
    let count = first
        .and_then(|e| e.pack_count(profile))
        .unwrap_or(1)
        .min(members.at_most.into());
    let start = seen.units.keys().next().copied().unwrap_or(1);
    (0..count)
        .filter_map(|i| start.checked_add(u8::try_from(i).ok()?))
        .collect()
}

/// Members that the rack expects and nobody asked.
fn add_absent(members: &mut Vec<Member>, expected: Vec<u8>) {
    for unit in expected {
        if !members.iter().any(|m| m.unit == unit) {
            members.push(member::silent(unit, false));
        }
    }
}

/// One verdict for all members.
fn compose(
    bus: Bus,
    members: Vec<Member>,
    (seen, moment): (&Seen, Duration),
    profile: &Profile,
) -> Judgement {
    let kind = rack_kind(&members);
    let deciding: Vec<&Member> = members
        .iter()
        .filter(|m| {
            m.kind == kind || (kind == VerdictKind::Undecided && m.kind == VerdictKind::BusProblem)
        })
        .collect();
    let doubts: Vec<Doubt> = deciding.iter().flat_map(|m| m.doubts.clone()).collect();
    let line = bus::line_sights(seen, &bus, &doubts);
    let considered = consider(kind, &deciding, &bus, &line, (seen, profile));
    let settling = causes::steps(&considered);
    let (why, mut steps) = reasons_and_steps(
        &deciding,
        members.len() > 1,
        profile,
        moment,
        (&settling, &bus.health),
    );
    if kind == VerdictKind::Undecided && deciding.iter().all(|m| speaks_of_line(m)) {
        settle_line(&mut steps, settling, &considered);
    }
    let unit = members.first().map_or(0, |m| m.unit);
    let all_answer = members.iter().all(|m| m.kind != VerdictKind::BusProblem);
    let beside = all_answer.then(|| others_ask(&bus, unit)).flatten();
    if kind != VerdictKind::Undecided {
        let too = line_too(kind, &bus, &line, beside.as_ref());
        if too.is_some() && kind == VerdictKind::Normal {
            steps = vec![next::hand_over_later()];
        }
        steps.extend(too);
    }
    keep_apart(&members, &mut steps, profile);
    step::by_risk(&mut steps);
    let findings = findings(
        &members,
        bad_line(&bus, &line, unit).into_iter().chain(beside),
    );
    let headline = silent_packs(&members, &deciding)
        .unwrap_or_else(|| headline(kind, &deciding, &doubts, &findings));
    let without_roots = without_roots(&members);
    let gate_filled = members.iter().all(Member::fills_gate);
    let open = if kind == VerdictKind::Undecided {
        doubts.clone()
    } else {
        Vec::new()
    };
    Judgement {
        profile: seen.shared_profile(),
        moment,
        identity: identity(&members),
        verdict: Verdict {
            kind,
            basis: Basis::Rule,
            headline,
            why,
            open,
            without_roots,
            gate_filled,
            causes: worth_telling(&considered),
            considered,
            next: steps,
        },
        not_tested: not_tested(&members, profile),
        findings,
        readings: members.into_iter().flat_map(|m| m.readings).collect(),
        bus,
    }
}

/// Adds what settles the causes of a bad line. One likely cause says what to look at: the general steps are said by it.
fn settle_line(steps: &mut Vec<NextStep>, settling: Vec<NextStep>, considered: &[Cause]) {
    let known: Vec<StepKind> = steps.iter().map(NextStep::kind).collect();
    let first = settling.first().map(NextStep::kind);
    steps.extend(settling.into_iter().filter(|s| !known.contains(&s.kind())));
    let is_likely = considered.first().is_some_and(|c| c.per_mille >= LIKELY);
    if is_likely && first.is_some() && known.contains(&StepKind::LineFirst) {
        let is_general = |kind| matches!(kind, StepKind::LineFirst | StepKind::LookAgain);
        steps.retain(|step| !is_general(step.kind()));
    }
}

/// Keeps unlike packs apart: what was restarted may connect onto packs of another voltage.
fn keep_apart(members: &[Member], steps: &mut Vec<NextStep>, profile: &Profile) {
    steps.extend(rack::keep_apart(members, steps));
    if !steps.iter().any(|s| s.kind() == StepKind::LikePacks) {
        return;
    }
    steps.retain(|s| s.kind() != StepKind::DoesItReturn);
    let roots = || members.iter().flat_map(|m| &m.findings);
    for step in steps {
        let Step::WorkOnRoot { at, to_do, .. } = &mut step.step else {
            continue;
        };
        let root = roots().find(|f| f.is_root_alarm() && at.ids.contains(&f.id));
        if let Some(class) = root.and_then(|root| root.class)
            && next::may_restart(to_do, profile)
        {
            *to_do = Deed::Usual(class).alone();
        }
    }
}

/// Reasons and steps of the members that decided, each step once; in a rack with the address.
fn reasons_and_steps(
    deciding: &[&Member],
    several: bool,
    profile: &Profile,
    moment: Duration,
    (settling, line): (&[NextStep], &Health),
) -> (Vec<Reason>, Vec<NextStep>) {
    let mut why = Vec::new();
    let mut steps: Vec<NextStep> = Vec::new();
    for member in deciding {
        why.extend(member.why.iter().map(|why| Reason {
            unit: several.then_some(member.unit),
            why: why.clone(),
        }));
        for mut step in next::steps(member, profile, moment.as_secs(), settling, line) {
            if several {
                step.at_pack(member.unit);
            }
            if !steps.iter().any(|s| s.step == step.step) {
                steps.push(step);
            }
        }
    }
    (why, steps)
}

/// What no member that answered could test, each once, and at which address where not at all of them.
fn not_tested(members: &[Member], profile: &Profile) -> Vec<NotTested> {
    let answering = members.iter().filter(|m| m.kind != VerdictKind::BusProblem);
    let of_each: Vec<(u8, Vec<NotTested>)> = answering
        .map(|m| (m.unit, next::not_tested(m, profile)))
        .collect();
    let mut list: Vec<NotTested> = Vec::new();
    for item in of_each.iter().flat_map(|(_, items)| items) {
        if list.iter().any(|known| known.what == item.what) {
            continue;
        }
        let has = |items: &[NotTested]| items.iter().any(|other| other.what == item.what);
        let at = of_each.iter().filter(|(_, items)| has(items));
        let at: Vec<u8> = at.map(|(unit, _)| *unit).collect();
        let mut item = item.clone();
        if at.len() < of_each.len() {
            item.units = at;
        }
        list.push(item);
    }
    list
}

/// Findings of all members, those that are missing, and what is said of the line.
fn findings(members: &[Member], of_line: impl Iterator<Item = Finding>) -> Vec<Finding> {
    let mut findings: Vec<Finding> = members.iter().flat_map(|m| m.findings.clone()).collect();
    for silent in members.iter().filter(|m| m.kind == VerdictKind::BusProblem) {
        let fact = Line::MemberMissing {
            asked: silent.asked,
        };
        let mut missing = notices::notice(silent.unit, fact);
        missing.severity = Severity::Warning;
        missing.source = Source::Bus;
        findings.push(missing);
    }
    findings.extend(of_line);
    judgement::sort_by_weight(&mut findings);
    findings
}

/// Causes of what this verdict leaves open: of the silent inverter, or of a line that does badly.
fn consider(
    kind: VerdictKind,
    deciding: &[&Member],
    bus: &Bus,
    line: &sight::Sights,
    (seen, profile): (&Seen, &Profile),
) -> Vec<Cause> {
    let waits = matches!(
        kind,
        VerdictKind::AwaitingInverter | VerdictKind::InverterLost
    );
    match deciding.first() {
        Some(member) if waits => {
            let sights = bus::inverter_sights(seen, bus, member.unit, &member.inverter, profile);
            causes::rank(Topic::Inverter, &sights)
        }
        _ if bus.health.is_bad() || (kind == VerdictKind::Undecided && !line.is_empty()) => {
            causes::rank(Topic::BadLine, line)
        }
        _ => Vec::new(),
    }
}

/// Whether a member is open because of what did not come over the line.
fn speaks_of_line(member: &Member) -> bool {
    let of_line = |doubt: &Doubt| {
        matches!(
            doubt,
            Doubt::NotRead { .. }
                | Doubt::NotAsked { .. }
                | Doubt::TwoUnits { .. }
                | Doubt::PerhapsCache { .. }
                | Doubt::HeartbeatUnseen
        )
    };
    member.doubts.iter().any(of_line)
}

/// A remark where the line does badly, with the likeliest reason.
fn bad_line(bus: &Bus, line: &sight::Sights, unit: u8) -> Option<Finding> {
    if !bus.health.is_bad() {
        return None;
    }
    let ranked = causes::rank(Topic::BadLine, line);
    let cause = Box::new(ranked.into_iter().next()?);
    let mut found = notices::notice(unit, Line::BadLine { cause });
    found.severity = Severity::Warning;
    found.source = Source::Bus;
    Some(found)
}

/// A remark where somebody else was heard while we asked.
fn others_ask(bus: &Bus, unit: u8) -> Option<Finding> {
    if bus.requests == 0 || bus.foreign_requests == 0 {
        return None;
    }
    let fact = Line::OthersAsk {
        foreign: bus.foreign_requests,
        ours: bus.requests,
        lost: bus.timeouts,
    };
    let mut found = notices::notice(unit, fact);
    found.source = Source::Bus;
    if bus.timeouts > 0 {
        found.severity = Severity::Warning;
    }
    Some(found)
}

/// What to do about the line once what was found in the unit is settled.
fn line_too(
    kind: VerdictKind,
    bus: &Bus,
    line: &sight::Sights,
    others: Option<&Finding>,
) -> Option<NextStep> {
    if bus.health.is_bad() {
        let steps = causes::steps(&causes::rank(Topic::BadLine, line));
        let wanted = steps.into_iter().next()?;
        let first = Some(Box::new(wanted.step));
        return Some(Step::LineToo { first }.needing(wanted.needs, Who::Technician));
    }
    // Where the unit hears its inverter, that is who asks.
    let waits = matches!(
        kind,
        VerdictKind::AwaitingInverter | VerdictKind::InverterLost
    );
    let lost = others.filter(|found| waits && found.severity == Severity::Warning);
    lost.map(|_| StepKind::LineToo.plain())
}

/// Causes with a share worth telling.
fn worth_telling(considered: &[Cause]) -> Vec<Cause> {
    considered
        .iter()
        .filter(|cause| cause.per_mille >= 10)
        .cloned()
        .collect()
}

/// The verdict if every root were gone and all else the same.
fn without_roots(members: &[Member]) -> Option<VerdictKind> {
    let has_roots = members
        .iter()
        .any(|m| m.findings.iter().any(Finding::is_root_alarm));
    has_roots.then(|| worst(members.iter().map(|m| m.without_roots)))
}

/// DESIGN: a fault in any member is the fault of the rack; some silent or ungated is undecided.
fn rack_kind(members: &[Member]) -> VerdictKind {
    worst(members.iter().map(|m| m.kind))
}

fn worst(kinds: impl Iterator<Item = VerdictKind>) -> VerdictKind {
    let kinds: Vec<VerdictKind> = kinds.collect();
    let any = |kind| kinds.contains(&kind);
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
fn headline(
    kind: VerdictKind,
    deciding: &[&Member],
    doubts: &[Doubt],
    findings: &[Finding],
) -> Headline {
    let roots = root_ids(findings);
    let known = judgement::telling(findings).map_or_else(RootKnown::default, |first| RootKnown {
        number: first.fact.has_deciding_number(),
        module: first.place.module.is_some(),
        item: first.place.item.is_some(),
    });
    match kind {
        VerdictKind::Normal => Headline::InService,
        VerdictKind::NotReady => Headline::NotReady { roots, known },
        VerdictKind::Fault => Headline::Fault {
            roots,
            known,
            unconfirmed: deciding.iter().any(|m| m.unconfirmed),
        },
        VerdictKind::AwaitingInverter => Headline::Waiting,
        VerdictKind::InverterLost => {
            let heard_s = deciding.first().and_then(|m| match m.inverter {
                InverterLink::Lost { heard_s } => heard_s,
                _ => None,
            });
            Headline::InverterLost { heard_s }
        }
        VerdictKind::BusProblem => Headline::NoAnswer { because: None },
        VerdictKind::Undecided => undecided(doubts),
    }
}

/// Where all that is open is that packs of a rack give no answer: which, and which others there are.
fn silent_packs(members: &[Member], deciding: &[&Member]) -> Option<Headline> {
    let is_silent = |m: &Member| m.kind == VerdictKind::BusProblem;
    if members.len() < 2 || deciding.is_empty() || !deciding.iter().all(|m| is_silent(m)) {
        return None;
    }
    let (mut silent, mut others) = (Vec::new(), Vec::new());
    for (number, member) in (1..).zip(members) {
        match is_silent(member) {
            true => silent.push((number, member.unit)),
            false => others.push(number),
        }
    }
    Some(Headline::SilentPacks { silent, others })
}

/// The points that were not read, where they are few.
fn few_unread(doubts: &[Doubt]) -> Option<Vec<String>> {
    let unread = doubts.iter().filter_map(|doubt| match doubt {
        Doubt::NotRead { name, .. } => Some(name.clone()),
        _ => None,
    });
    let names: Vec<String> = unread.collect();
    (1..=3).contains(&names.len()).then_some(names)
}

/// What keeps it open, in a few words: the first reason, and how many others there are.
fn undecided(doubts: &[Doubt]) -> Headline {
    let mut kinds: Vec<DoubtKind> = Vec::new();
    for kind in doubts.iter().map(Doubt::kind) {
        if !kinds.contains(&kind) {
            kinds.push(kind);
        }
    }
    // What is gone explains what is missing.
    kinds.sort_by_key(|kind| *kind != DoubtKind::GoneSilent);
    let first = kinds.first().copied();
    match few_unread(doubts).filter(|_| first == Some(DoubtKind::NotRead)) {
        Some(names) => Headline::Unread { names },
        None if kinds == [DoubtKind::TooEarly] => Headline::TooEarly,
        None => Headline::Open {
            first,
            more: kinds.len().saturating_sub(1),
        },
    }
}

fn identity(members: &[Member]) -> Identity {
    let text = |member: &Member, role: Role, module: Option<u16>| {
        member
            .readings
            .iter()
            .find(|r| r.role == role && r.place.module == module)
            .and_then(|r| r.value.as_ref())
            .map(shared::value_text)
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

/// A cause with this share, per mille, is proven.
pub(crate) const PROVEN: u32 = 990;
/// A cause with this share, per mille, is likely.
pub(crate) const LIKELY: u32 = 500;

/// No unit gave a valid answer: weigh the causes.
fn without_answer(bus: Bus, seen: &Seen, moment: Duration) -> Judgement {
    let nothing_yet = !seen.we_asked() && bus.bytes_in == 0 && !seen.line.was_lost;
    let sights = bus::observe(seen, &bus);
    let considered = if nothing_yet {
        Vec::new()
    } else {
        causes::rank(Topic::NoAnswer, &sights)
    };
    let share = considered.first().map_or(0, |cause| cause.per_mille);
    let mut next = causes::steps(&considered);
    // Frames heard whole were not swapped at our adapter: what is left is the unit's end.
    if sights.has(sight::SightKind::Foreign) {
        let swap = |one: &&mut NextStep| one.kind() == StepKind::SwapPair;
        for one in next.iter_mut().filter(swap) {
            *one = StepKind::UnitPlug.plain();
        }
    }
    let asked = bus.requests;
    let bytes = bus.bytes_in;
    let why = match (nothing_yet, asked) {
        (true, _) => Why::NothingYet,
        (false, 0) => Why::OnlyHeard {
            bytes,
            asked: seen.line.foreign.keys().copied().take(3).collect(),
        },
        (false, _) => Why::NoAnswer { asked, bytes },
    };
    let proven = considered.first().filter(|_| share >= PROVEN);
    let headline = Headline::NoAnswer {
        because: proven.map(|cause| cause.kind),
    };
    Judgement {
        profile: None,
        moment,
        identity: Identity::default(),
        verdict: Verdict {
            kind: VerdictKind::BusProblem,
            basis: if nothing_yet {
                Basis::Rule
            } else {
                Basis::Weighed(share)
            },
            headline,
            why: vec![Reason { unit: None, why }],
            open: Vec::new(),
            without_roots: None,
            gate_filled: false,
            causes: worth_telling(&considered),
            considered,
            next,
        },
        not_tested: Vec::new(),
        findings: Vec::new(),
        readings: Vec::new(),
        bus,
    }
}

/// Without a profile only the bus can be judged.
fn without_profile(bus: Bus, seen: &Seen, moment: Duration) -> Judgement {
    let answered = bus.answered > 0
        || bus
            .exceptions
            .iter()
            .any(|(code, _)| !matches!(code, 0x0a | 0x0b));
    let mut judgement = without_answer(bus, seen, moment);
    if answered {
        judgement.verdict.kind = VerdictKind::Undecided;
        judgement.verdict.basis = Basis::Rule;
        judgement.verdict.causes.clear();
        judgement.verdict.considered.clear();
        judgement.verdict.headline = Headline::NoMap;
    }
    judgement
}
