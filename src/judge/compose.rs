//! One verdict for all packs of a rack, or for the one unit there is.
//!
//! Input: judged members and what the line did. Output: the [`Judgement`]. Does not: judge a unit (see
//! `member`) or compare packs (see `rack`).

use std::time::Duration;

use packside_profiles::Role;
use packside_profiles::model::{Profile, Severity};

use super::causes::{self, LIKELY, Topic, worth_telling};
use super::headline::{headline, silent_packs};
use super::inverter::InverterLink;
use super::member::Member;
use super::{bus, next, not_tested, notices, rack, shared};
use crate::evidence::Seen;
use crate::facts::fact::Line;
use crate::facts::health::Health;
use crate::facts::judgement;
use crate::facts::step::{self, LookAgain, StepKind, Who};
use crate::facts::{
    Basis, Bus, Cause, Doubt, Finding, Identity, Judgement, MemberSummary, ModuleIdentity,
    NextStep, NotTested, Reason, Source, Step, Verdict, VerdictKind, sight,
};

/// One verdict for all members.
pub(super) fn compose(
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
    at_their_own_link(&mut steps, &deciding, &members);
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
    look_once(&mut steps);
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
        not_tested: not_tested(&members, profile, seen.we_asked()),
        findings,
        readings: members.into_iter().flat_map(|m| m.readings).collect(),
        bus,
    }
}

/// Where other packs hear the inverter it is on and set right: what is left is the link of those that do not.
fn at_their_own_link(steps: &mut Vec<NextStep>, deciding: &[&Member], all: &[Member]) {
    let waits = |m: &&&Member| {
        matches!(
            m.kind,
            VerdictKind::AwaitingInverter | VerdictKind::InverterLost
        )
    };
    let mut links: Vec<NextStep> = Vec::new();
    for member in deciding.iter().filter(waits) {
        let mut step = StepKind::PackLink.plain();
        step.at_pack(member.unit);
        links.push(step);
    }
    let is_heard = all.iter().any(|m| m.inverter == InverterLink::Heard);
    if links.is_empty() || !is_heard {
        return;
    }
    let is_of_inverter = |kind| {
        matches!(
            kind,
            StepKind::InverterPowered
                | StepKind::InverterSettings
                | StepKind::InverterSocket
                | StepKind::InverterCable
        )
    };
    steps.retain(|step| !is_of_inverter(step.kind()));
    steps.splice(0..0, links);
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
            *to_do = next::without_restart(to_do, class);
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
fn not_tested(members: &[Member], profile: &Profile, we_asked: bool) -> Vec<NotTested> {
    let answering = members.iter().filter(|m| m.kind != VerdictKind::BusProblem);
    let of_each: Vec<(u8, Vec<NotTested>)> = answering
        .map(|m| (m.unit, not_tested::not_tested(m, profile, we_asked)))
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

/// Leaves out a mere other look where another step ends with one.
fn look_once(steps: &mut Vec<NextStep>) {
    let ends_with_one = |step: &NextStep| {
        matches!(
            step.kind(),
            StepKind::LineFirst | StepKind::LetEqualise | StepKind::WaitForBusy
        )
    };
    let mere = Step::LookAgain {
        why: LookAgain::Open,
    };
    if steps.iter().any(ends_with_one) {
        steps.retain(|step| step.step != mere);
    }
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
