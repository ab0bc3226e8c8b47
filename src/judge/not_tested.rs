//! What a look could not test, although it may be broken.
//!
//! Input: a judged member, its map. Output: the list, with what would test each. Does not: say what to do now (see `next`).

use std::collections::BTreeSet;

use packside_profiles::coverage::{Sight, coverage, never_tested};
use packside_profiles::model::{Gap, Profile};
use packside_profiles::{Class, Role, StateKind};

use super::gate::{Need, need};
use super::measure::at_rest;
use super::member::Member;
use super::next::roots;
use crate::facts::judgement::{Reading, ReadingQuality, ValueRemark};
use crate::facts::not_tested::{NotTested, Untested, When, WhyNot};

/// What this look could not test, although it may be broken.
pub(crate) fn not_tested(member: &Member, profile: &Profile, we_asked: bool) -> Vec<NotTested> {
    let mut list = Vec::new();
    let mut add = |what, why, when| list.push(NotTested::new(what, why, when));
    let state = member.state.as_ref().map(|state| state.kind);
    let connected = matches!(state, Some(StateKind::Standby | StateKind::Running));
    let current = member
        .readings
        .iter()
        .find(|r| r.role == Role::PackCurrent)
        .and_then(|r| r.number());
    let flowing = current.is_some_and(|amps| amps.abs() > profile.unit.rest_current);
    let switch_fault = roots(member).any(|f| f.class == Some(Class::SwitchFault));
    if connected && !member.precharge_seen {
        add(Untested::Precharge, WhyNot::NotCaught, When::NextPowerUp);
        let known = |r: &&Reading| r.role == Role::Switches && r.quality == ReadingQuality::Good;
        if !switch_fault && member.readings.iter().any(|r| known(&r)) {
            add(
                Untested::MainSwitches,
                WhyNot::ClosedThroughout,
                When::NextSwitchedOff,
            );
        }
    }
    if !connected && switch_fault {
        let (why, when) = (WhyNot::BehindBadSwitch, When::SwitchSettled);
        add(Untested::Precharge, why, when);
        add(Untested::MainFuse, why, when);
        add(Untested::InverterSideInsulation, why, when);
    } else if !connected {
        let when = When::PowerUp;
        add(Untested::Precharge, WhyNot::NotSeen, when);
        add(Untested::MainSwitches, WhyNot::NotSeen, when);
        add(Untested::MainFuse, WhyNot::NoCurrentPossible, when);
        let why = WhyNot::SideNotConnected;
        add(Untested::InverterSideInsulation, why, when);
    }
    if connected && !at_rest(&member.readings, profile) {
        add(Untested::CellBalance, WhyNot::NotAtRest, When::AtRest);
    }
    // Nothing on this wire tells the direction or the scale of a current from a second source.
    if flowing {
        let why = WhyNot::NoSecondMeter;
        add(Untested::CurrentSensor, why, When::BesideScreen);
    } else {
        let why = WhyNot::NoCurrent;
        add(Untested::CurrentSensor, why, When::SmallCurrent);
    }
    if !member.under_load {
        let why = if flowing {
            WhyNot::NoStep
        } else {
            WhyNot::NoCurrent
        };
        add(Untested::CellsUnderLoad, why, When::SmallCurrent);
    }
    if !member.charge_compared {
        add(Untested::ChargeReport, WhyNot::FlatCurve, When::AtTheEnds);
    }
    list.extend(insulation(&member.readings, profile));
    // What is known to be bad is not untested.
    let is_bad = |class| roots(member).any(|f| f.class == Some(class));
    list.retain(|item| match item.what {
        Untested::Precharge => !is_bad(Class::PrechargeFailed),
        Untested::MainFuse => !is_bad(Class::FuseOpen),
        _ => true,
    });
    unseen(&mut list, member, profile, Moment { connected, flowing });
    list.extend(unread(&member.readings, we_asked));
    list.extend(beyond(profile));
    list
}

/// The unit's own insulation measurement, where it gave none.
fn insulation(readings: &[Reading], profile: &Profile) -> Option<NotTested> {
    let what = Untested::Insulation;
    if !profile.points.iter().any(|p| p.role == Role::Insulation) {
        let when = When::Otherwise(Untested::EarthFaults);
        return Some(NotTested::new(what, WhyNot::NoPoint, when));
    }
    let reading = readings.iter().find(|r| r.role == Role::Insulation)?;
    let is_good = reading.quality == ReadingQuality::Good;
    (!is_good).then(|| NotTested::new(what, WhyNot::NoValidValue, When::Measured))
}

/// What shows in a look at this moment, and what not.
#[derive(Clone, Copy)]
struct Moment {
    connected: bool,
    flowing: bool,
}

/// Of everything that can go wrong what this look would not have shown, where it does not stand in the list already.
/// What is known to be bad is not untested.
fn unseen(list: &mut Vec<NotTested>, member: &Member, profile: &Profile, at: Moment) {
    let never = never_tested().unwrap_or_default();
    for covered in coverage(profile).unwrap_or_default() {
        let (why, when) = match covered.sight {
            Sight::AtRest | Sight::FlagOnly => continue,
            Sight::WithInverter if at.connected => continue,
            Sight::UnderCurrent if at.flowing => continue,
            Sight::WithInverter => (WhyNot::NotSeen, When::PowerUp),
            Sight::UnderCurrent => (WhyNot::NoCurrent, When::SmallCurrent),
            Sight::NotAtAll => (WhyNot::NotInMap, When::MapShows),
        };
        let mode = covered.mode;
        let id = mode.untested.as_ref().filter(|id| !never.contains(id));
        let Some(what) = id.and_then(|id| Untested::named(id)) else {
            continue;
        };
        let is_listed = list.iter().any(|item| item.what == what);
        let is_bad = roots(member).any(|f| f.class.is_some_and(|class| mode.is_said_by(class)));
        if !is_listed && !is_bad {
            list.push(NotTested::new(what, why, when));
        }
    }
}

/// What a verdict can do without and could not be read. That a unit has no value of it now is an answer.
fn unread(readings: &[Reading], we_asked: bool) -> impl Iterator<Item = NotTested> {
    let is_unread = |r: &&Reading| match r.quality {
        ReadingQuality::Good => false,
        ReadingQuality::NotAvailable => matches!(r.remark, Some(ValueRemark::Refused(_))),
        ReadingQuality::NeverAsked => we_asked,
        ReadingQuality::OutOfRange | ReadingQuality::Stale => true,
    };
    let refines = readings.iter().filter(|r| need(r.role) == Need::Nothing);
    let roles: BTreeSet<Role> = refines.filter(is_unread).map(|r| r.role).collect();
    let each = roles.into_iter();
    each.map(|role| NotTested::new(Untested::Unread(role), WhyNot::NotRead(role), When::Given))
}

/// What this map leaves unjudged, and what no wire and no lamp can tell of any unit.
fn beyond(profile: &Profile) -> Vec<NotTested> {
    let mut list = Vec::new();
    let mut add = |what, why, when| list.push(NotTested::new(what, why, when));
    for gap in &profile.gaps {
        let Gap::Limit { point, floor, .. } = gap else {
            continue;
        };
        if let Some(role) = profile.points.get(*point).map(|point| point.role) {
            let why = match floor {
                Some(_) => WhyNot::OnlyFloor(role),
                None => WhyNot::NoLimit(role),
            };
            add(Untested::Unjudged(role), why, When::MapComplete);
        }
    }
    let never = never_tested().unwrap_or_default().iter();
    for what in never.filter_map(|id| Untested::named(id)) {
        add(what, WhyNot::NoWire, When::Otherwise(what));
    }
    list
}

#[cfg(test)]
mod tests {
    use packside_profiles::coverage::failure_modes;

    use super::*;

    // Kind: derived (one table stands behind coverage and behind what no look tests)
    #[test]
    fn every_id_of_the_table_is_known_and_every_one_known_has_its_reason() {
        let modes = failure_modes().unwrap().iter();
        let of_modes: BTreeSet<&str> = modes.filter_map(|mode| mode.untested.as_deref()).collect();
        let never = never_tested().unwrap().iter().map(String::as_str);
        let all: BTreeSet<&str> = of_modes.into_iter().chain(never).collect();
        for id in &all {
            assert!(Untested::named(id).is_some(), "modes.toml: {id}");
        }
        let by_themselves = ["not-judged", "not-read"];
        for one in Untested::ALL {
            let is_told = all.contains(one.id()) || by_themselves.contains(&one.id());
            assert!(is_told, "{}", one.id());
        }
    }
}
