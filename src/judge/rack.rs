//! Packs side by side: compared before they may connect.
//!
//! Input: the members of a rack. Output: the same, with what tells them apart. Packs that are
//! connected already share one voltage; packs that are not may drive a large current when they do.

use packside_profiles::model::{LiesIn, Profile, Severity};
use packside_profiles::{Foreign, Role, Value};

use super::measure::charging;
use super::member::Member;
use super::notices::notice;
use super::shared::first;
use super::{cautions, measure, warm};
use crate::evidence::warm::alone;
use crate::facts::caution::Caution;
use crate::facts::doubt::{Contradiction, Doubt};
use crate::facts::fact::{Compared, Fact, FactKind};
use crate::facts::judgement::{Disposition, Finding, Reading, Source, VerdictKind, Why};
use crate::facts::step::{NextStep, StepKind};

/// Packs may connect while they are no further apart than this, V, where the map does not say.
// Kind: common practice
const LIKE_ENOUGH_V: f64 = 0.3;
/// And no further apart in charge than this, % points: on the flat part of the curve like voltages do not
/// show like charge.
// Kind: common practice
const LIKE_ENOUGH_CHARGE: f64 = 10.0;
/// Two lists of cells of which so many are equal are one list read twice.
// Kind: common practice
const SAME_CELLS: f64 = 0.9;
/// Two uptimes of one control unit lie no further apart than reading them takes, s.
const SAME_START_S: f64 = 5.0;

/// Compares all packs of a rack.
pub(crate) fn compare(members: &mut [Member], profile: &Profile) {
    one_pack_twice(members, profile);
    copied_numbers(members, profile);
    warm_pack(members, profile);
    between_packs(members, profile);
    unlike_volts(members, profile);
    unlike_charge(members, profile);
    unlike_beside_a_fault(members);
}

/// Beside a fault the harm that unlike packs would do stands in the first lines as well.
fn unlike_beside_a_fault(members: &mut [Member]) {
    let is_fault = |m: &&mut Member| m.kind == VerdictKind::Fault;
    if members.iter().any(is_unlike)
        && let Some(member) = members.iter_mut().find(is_fault)
    {
        member.why.insert(0, Why::Caution(Caution::PacksUnlike));
    }
}

/// Whether it may not be connected to the others.
fn is_unlike(member: &Member) -> bool {
    let unlike = [FactKind::PacksUnlike, FactKind::PacksUnlikeCharge];
    member
        .findings
        .iter()
        .any(|f| unlike.contains(&f.fact.kind()))
}

/// Keeps a member open that was not decided by something graver.
fn keep_open(member: &mut Member, doubt: Doubt, reason: Why) {
    if !matches!(member.kind, VerdictKind::Fault | VerdictKind::BusProblem) {
        member.kind = VerdictKind::Undecided;
        member.why.insert(0, reason);
    }
    member.doubts.push(doubt);
    if member.without_roots != VerdictKind::BusProblem {
        member.without_roots = VerdictKind::Undecided;
    }
}

/// One pack that answers at two addresses: the other one was never seen.
fn one_pack_twice(members: &mut [Member], profile: &Profile) {
    let mut twice: Vec<(usize, u8)> = Vec::new();
    for (n, member) in members.iter().enumerate() {
        let same = members
            .iter()
            .take(n)
            .find(|other| is_one_pack(other, member, profile));
        twice.extend(same.map(|other| (n, other.unit)));
    }
    for (n, other) in twice {
        if let Some(member) = members.get_mut(n) {
            let what = Contradiction::SamePack {
                first: other,
                second: member.unit,
            };
            let doubt = Doubt::Contradiction { what };
            keep_open(member, doubt.clone(), Why::Doubts(vec![doubt]));
        }
    }
}

/// Currents that together come to less than this share of the largest flow between packs.
// Kind: common practice
const CANCELS: f64 = 0.1;
/// Smaller currents are no equalising, A.
// Kind: common practice
const EQUALISES: f64 = 5.0;

/// Current from pack to pack, nothing of it to or from the inverter.
fn between_packs(members: &mut [Member], profile: &Profile) {
    let current = |m: &Member| Some((m.unit, charging(&m.readings, profile)?));
    let all: Vec<(u8, f64)> = members.iter().filter_map(current).collect();
    let out = all.iter().min_by(|a, b| a.1.total_cmp(&b.1)).copied();
    let into = all.iter().max_by(|a, b| a.1.total_cmp(&b.1)).copied();
    let (Some(out), Some(into), true) = (out, into, all.len() == members.len()) else {
        return;
    };
    let largest = into.1.max(-out.1);
    let sum: f64 = all.iter().map(|(_, amps)| amps).sum();
    if largest <= EQUALISES || sum.abs() > CANCELS * largest {
        return;
    }
    // It is no inverter that takes more than is granted.
    let blames_inverter = |doubt: &Doubt| {
        matches!(
            doubt,
            Doubt::Contradiction {
                what: Contradiction::BeyondGranted { .. }
            }
        )
    };
    let mut is_told = false;
    for member in members.iter_mut() {
        member.doubts.retain(|doubt| !blames_inverter(doubt));
        member.why.retain(|why| match why {
            Why::Doubts(doubts) => !doubts.iter().all(blames_inverter),
            _ => true,
        });
        // Nor is it at the inverter's screen that this current is stopped.
        for why in &mut member.why {
            if matches!(why, Why::Caution(Caution::StopCurrent { .. })) {
                *why = Why::Caution(Caution::BetweenPacks { out, into });
                is_told = true;
            }
        }
    }
    // Beside a fault it stands in the first lines as well.
    let decides = |m: &&mut Member| m.kind == VerdictKind::Fault;
    let unit = members.iter_mut().find(decides).map_or(out.0, |m| m.unit);
    if let Some(member) = members.iter_mut().find(|m| m.unit == unit) {
        let doubt = Doubt::PacksEqualise { out, into };
        keep_open(member, doubt.clone(), Why::Doubts(vec![doubt]));
        if !is_told {
            let caution = Caution::BetweenPacks { out, into };
            member.why.insert(0, Why::Caution(caution));
        }
    }
}

/// The serial number of a pack, unless it is blank.
fn serial(member: &Member) -> Option<&Foreign> {
    let reading = member.readings.iter().find(|r| r.role == Role::Serial)?;
    match &reading.value {
        Some(Value::Text(text)) if !text.is_blank() => Some(text),
        _ => None,
    }
}

/// Packs with one serial number that are two for certain: that is told, and no more.
fn copied_numbers(members: &mut [Member], profile: &Profile) {
    let mut copied: Vec<(usize, u8)> = Vec::new();
    for (n, member) in members.iter().enumerate() {
        let earlier = members.iter().take(n);
        let same = earlier.clone().find(|other| {
            serial(other).is_some()
                && serial(other) == serial(member)
                && !is_one_pack(other, member, profile)
        });
        copied.extend(same.map(|other| (n, other.unit)));
    }
    for (n, first) in copied {
        if let Some(member) = members.get_mut(n) {
            let second = member.unit;
            let mut found = notice(second, Compared::SameSerial { first, second });
            found.severity = Severity::Warning;
            member.findings.push(found);
        }
    }
}

/// Packs beside each other that carry no current, as modules of one stack: the one that stands alone heats.
fn warm_pack(members: &mut [Member], profile: &Profile) {
    let at_rest = |m: &Member| !measure::current_flows(&m.readings, profile);
    let answering = || members.iter().filter(|m| m.kind != VerdictKind::BusProblem);
    if !answering().all(at_rest) {
        return;
    }
    let packs = answering().filter_map(|m| Some((m.unit.into(), warm::middle(&m.readings)?)));
    let Some((unit, celsius, next)) = alone(packs) else {
        return;
    };
    let Some(member) = members.iter_mut().find(|m| u16::from(m.unit) == unit) else {
        return;
    };
    let mut found = warm::warm(member.unit, None, (celsius, next), None);
    found.disposition = Some(Disposition::StayAway);
    let is_told = |f: &Finding| f.is_root_alarm() && cautions::is_heat(f);
    if member.findings.iter().any(is_told) {
        return;
    }
    let caution = cautions::warm_part(&found, false).map(Why::Caution);
    member.why = match member.kind {
        VerdictKind::Fault => std::mem::take(&mut member.why),
        _ => Vec::new(),
    };
    member.why.push(Why::of(&found));
    member.why.splice(0..0, caution);
    (member.kind, member.without_roots) = match member.kind {
        VerdictKind::Fault => (VerdictKind::Fault, member.without_roots),
        other => (VerdictKind::Fault, other),
    };
    member.findings.push(found);
}

/// One serial number, one counter, one start and like cells.
fn is_one_pack(one: &Member, other: &Member, profile: &Profile) -> bool {
    let cells = |m: &Member| -> Vec<f64> {
        let cells = m.readings.iter().filter(|r| r.role == Role::CellVoltage);
        cells.filter_map(Reading::number).collect()
    };
    let (a, b) = (cells(one), cells(other));
    let equal = a.iter().zip(&b).filter(|(a, b)| a == b).count();
    // Both were read at their own times: what counts is when it started.
    let started = |m: &Member| {
        let uptime = m.readings.iter().find(|r| r.role == Role::Uptime)?;
        Some(uptime.number()? + uptime.age?.as_secs_f64())
    };
    serial(one).is_some()
        && serial(one) == serial(other)
        && started(one)
            .zip(started(other))
            .is_some_and(|(a, b)| (a - b).abs() <= SAME_START_S)
        && beats_alike(one, other, profile)
        && !a.is_empty()
        && a.len() == b.len()
        && equal as f64 >= SAME_CELLS * a.len() as f64
}

/// Whether two own counters may be one: it went on from the one reading to the other by no more than the time
/// between them, at up to ten steps a refresh.
fn beats_alike(one: &Member, other: &Member, profile: &Profile) -> bool {
    let beat = |m: &Member| {
        let reading = m.readings.iter().find(|r| r.role == Role::OwnHeartbeat)?;
        Some((reading.number()?, reading.age?.as_secs_f64()))
    };
    let Some(((a, age_a), (b, age_b))) = beat(one).zip(beat(other)) else {
        return true;
    };
    let range = profile
        .points_with(Role::OwnHeartbeat)
        .next()
        .map_or(f64::INFINITY, |p| 2f64.powf(p.raw_bits().into()));
    // The older reading first.
    let went_on = if age_a >= age_b { b - a } else { a - b };
    let steps = 10.0 * ((age_a - age_b).abs() / profile.refresh_s() + 2.0);
    went_on.rem_euclid(range) <= steps
}

/// Packs that are not connected yet, against all others.
fn unlike_charge(members: &mut [Member], profile: &Profile) {
    let charge = |m: &Member| Some((m.unit, first(&m.readings, Role::Soc)?));
    let all: Vec<(u8, f64)> = members.iter().filter_map(charge).collect();
    let low = all.iter().min_by(|a, b| a.1.total_cmp(&b.1)).copied();
    let high = all.iter().max_by(|a, b| a.1.total_cmp(&b.1)).copied();
    let all_closed = members.iter().all(|m| is_closed(&m.readings, profile));
    let (Some(low), Some(high), false) = (low, high, all_closed) else {
        return;
    };
    let of_map = profile.members.as_ref().and_then(|m| m.join_within_percent);
    let limit = of_map.unwrap_or(LIKE_ENOUGH_CHARGE);
    if high.1 - low.1 <= limit {
        return;
    }
    tell(
        members,
        Compared::PacksUnlikeCharge { low, high, limit }.into(),
        low.0,
    );
}

/// Compares the voltages of packs that are not connected yet with those of all.
fn unlike_volts(members: &mut [Member], profile: &Profile) {
    let volts: Vec<(u8, f64)> = members
        .iter()
        .filter(|m| !is_closed(&m.readings, profile))
        .filter_map(|m| Some((m.unit, first(&m.readings, Role::PackVoltage)?)))
        .collect();
    let any_volts = members
        .iter()
        .filter_map(|m| Some((m.unit, first(&m.readings, Role::PackVoltage)?)));
    let all: Vec<(u8, f64)> = any_volts.collect();
    let low = all.iter().min_by(|a, b| a.1.total_cmp(&b.1)).copied();
    let high = all.iter().max_by(|a, b| a.1.total_cmp(&b.1)).copied();
    let (Some(low), Some(high), false) = (low, high, volts.is_empty()) else {
        return;
    };
    let of_map = profile.members.as_ref().and_then(|m| m.join_within_v);
    let limit = of_map.unwrap_or(LIKE_ENOUGH_V);
    if high.1 - low.1 <= limit {
        return;
    }
    tell(
        members,
        Compared::PacksUnlike { low, high, limit }.into(),
        low.0,
    );
}

/// Puts what tells packs apart to the lowest of them.
fn tell(members: &mut [Member], fact: Fact, unit: u8) {
    let Some(member) = members.iter_mut().find(|m| m.unit == unit) else {
        return;
    };
    let doubt = Doubt::PacksUnlike {
        found: fact.clone(),
    };
    let mut found = notice(unit, fact);
    found.severity = Severity::Warning;
    found.source = Source::Measured;
    found.lies_in = LiesIn::SiteCondition;
    let reason = Why::of(&found);
    member.findings.push(found);
    keep_open(member, doubt, reason);
}

/// The steps that keep unlike packs apart and make them alike, where none of the steps does: whatever else is wrong, what is
/// mended must not connect onto packs of another voltage.
pub(crate) fn keep_apart(members: &[Member], steps: &[NextStep]) -> Vec<NextStep> {
    if !members.iter().any(is_unlike) {
        return Vec::new();
    }
    let is_told = |kind| steps.iter().any(|s| s.kind() == kind);
    let both = [StepKind::PacksApart, StepKind::LikePacks];
    let untold = both.into_iter().filter(|kind| !is_told(*kind));
    untold.map(StepKind::plain).collect()
}

/// Whether the unit reports its switches closed; without such a point it may be.
fn is_closed(readings: &[Reading], profile: &Profile) -> bool {
    let closed = profile.unit.switches_closed;
    let switches = readings.iter().find(|r| r.role == Role::Switches);
    switches.is_none_or(|r| r.raw.is_some_and(|raw| raw & closed == closed))
}
