//! Whether the unit hears its inverter: the facts, and what they do not prove.
//!
//! Our own questions can be taken for the inverter. So "heard" counts only where our asking cannot
//! have made it so (`fed_by = writes | other-port`) or where somebody else's request to this unit
//! was overheard within the silence time.

use std::time::Duration;

use packside_profiles::model::{FedBy, Profile};
use packside_profiles::{Role, StateKind};

use super::shared::Shared;
use crate::event::Plugged;
use crate::evidence::flag_and_age::{ON_THE_WAY_S, is_at_its_end, slack_s};
use crate::evidence::heartbeat::Pulse;
use crate::evidence::samples::Given;
use crate::evidence::transitions::Fell;
use crate::evidence::unit::UnitMemory;
use crate::facts::doubt::LinkUnknown;

/// What is known of the inverter link.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum InverterLink {
    /// The inverter is heard.
    Heard,
    /// Silent, and never heard since power-up (`proven`), or not known whether ever heard.
    SilentSoFar {
        /// A point that our reads cannot set says "never heard".
        proven: bool,
        /// Its flag is down now, put down by our own questions: it counts us for the inverter.
        fed_by_us: bool,
    },
    /// Silent now, heard before.
    Lost {
        /// How long ago, as the unit says itself; nothing where that may have been us.
        heard_s: Option<u32>,
    },
    /// The silence time is not over: nothing is proven yet.
    TooEarly {
        /// Seconds until the flag can rise.
        remaining_s: u32,
        /// It is up all the same: left from before a restart, or not of this unit.
        is_up: bool,
        /// It restarted while it was looked at.
        restarted: bool,
    },
    /// It stopped waiting so long after our own first question, though the map says that these feed
    /// nothing.
    Woke { after: Duration },
    /// Cannot be told, with the reason.
    Unknown(LinkUnknown),
}

/// Judges the inverter link of one member.
pub(crate) fn link(evidence: &UnitMemory, profile: &Profile, shared: &Shared<'_>) -> InverterLink {
    if !has_flag(profile) {
        return match by_counter(evidence, profile) {
            open @ InverterLink::Unknown(LinkUnknown::NoSign | LinkUnknown::CounterUnseen) => {
                by_age(evidence, profile).unwrap_or(open)
            }
            told => told,
        };
    }
    let flag = &evidence.inverter;
    let Some(now_up) = flag.now_up else {
        return InverterLink::Unknown(LinkUnknown::FlagNotRead);
    };
    // What it hears and says so soon after it started by itself may all be from before.
    if evidence.uptime.rebooted_at.is_some()
        && let Some(remaining_s) = still_to_go(evidence, profile)
    {
        return InverterLink::TooEarly {
            remaining_s,
            is_up: now_up,
            restarted: true,
        };
    }
    let silence = Duration::from_secs(profile.inverter.silence_s.into());
    let foreign = shared.seen.line.foreign.get(&evidence.unit);
    let foreign_lately = foreign.is_some_and(|foreign| {
        foreign.last + silence >= shared.moment && foreign.last >= evidence.counts_from
    });
    let ours_cannot_feed = ours_cannot_feed(profile);
    // What is up before its time proves nothing: other flags may not be up yet.
    if now_up && let Some(remaining_s) = long_before_its_time(evidence, profile) {
        return InverterLink::TooEarly {
            remaining_s,
            is_up: true,
            restarted: evidence.uptime.rebooted_at.is_some(),
        };
    }
    if now_up || (flag.was_up && !ours_cannot_feed && !foreign_lately) {
        return silent(evidence, shared, ours_cannot_feed, !now_up);
    }
    // A counter that the inverter writes moves by no question of ours.
    let is_there = foreign_lately || evidence.inverter_counter.has_moved();
    if let Some(after) = woke_after_us(evidence).filter(|_| !is_there) {
        return InverterLink::Woke { after };
    }
    if foreign_lately {
        return InverterLink::Heard;
    }
    if !ours_cannot_feed {
        return InverterLink::Unknown(LinkUnknown::PerhapsFedByUs);
    }
    not_flagged(evidence, profile)
}

/// Whether no question of ours is taken for the inverter.
pub(super) fn ours_cannot_feed(profile: &Profile) -> bool {
    matches!(profile.inverter.fed_by, FedBy::Writes | FedBy::OtherPort)
}

/// Whether the unit itself says that its inverter is silent.
fn has_flag(profile: &Profile) -> bool {
    profile.inverter.flag.is_some() || profile.points_with(Role::InverterFlag).next().is_some()
}

/// By the counter that the inverter writes, where the unit has no flag of its own: it moves, or it
/// has stood still for the silence time.
fn by_counter(evidence: &UnitMemory, profile: &Profile) -> InverterLink {
    let unknown = InverterLink::Unknown;
    if profile
        .points_with(Role::InverterHeartbeat)
        .next()
        .is_none()
    {
        return unknown(LinkUnknown::NoSign);
    }
    let counter = &evidence.inverter_counter;
    let silence = Duration::from_secs(profile.inverter.silence_s.into());
    let stood = match counter.pulse(Duration::from_secs_f64(profile.refresh_s())) {
        Pulse::Moving => return InverterLink::Heard,
        Pulse::Frozen { stood } => Some(stood),
        Pulse::NotKnown => None,
    };
    if stood.is_none_or(|stood| stood < silence) {
        return match counter.has_moved() {
            true => InverterLink::Heard,
            false => unknown(LinkUnknown::CounterUnseen),
        };
    }
    let state = evidence.states.read().last().map(|(_, kind)| *kind);
    let flows = evidence
        .current()
        .is_some_and(|amps| amps.abs() > 2.0 * profile.unit.rest_current);
    if flows || (state == Some(StateKind::Running) && !counter.has_moved()) {
        return unknown(LinkUnknown::CounterStillInUse);
    }
    if counter.has_moved() {
        return InverterLink::Lost { heard_s: None };
    }
    InverterLink::SilentSoFar {
        proven: false,
        fed_by_us: false,
    }
}

/// By the time since the inverter was heard, where nothing else tells: within the silence time it is heard, beyond it
/// it is silent. Nothing where the unit does not tell it, or where our own questions may set it back.
fn by_age(evidence: &UnitMemory, profile: &Profile) -> Option<InverterLink> {
    let point = profile.points_with(Role::InverterAge).next()?;
    let age_s = evidence.number_that_counts(profile, Role::InverterAge)?;
    if !ours_cannot_feed(profile) {
        return None;
    }
    let slack = slack_s(point, profile);
    if is_at_least(evidence, profile) || !evidence.inverter_age.runs(slack) {
        return Some(InverterLink::Unknown(LinkUnknown::AgeUnseen));
    }
    let ever_heard = evidence.number_that_counts(profile, Role::InverterEverHeard);
    let uptime = evidence.number_that_counts(profile, Role::Uptime);
    // As old as the unit's own time: nothing was heard since it is on.
    let since_start = uptime.is_none_or(|up| age_s + slack >= up) && !evidence.uptime.wrapped;
    let never = ever_heard.map_or(since_start, |ever| ever <= 0.0);
    let silence_s = f64::from(profile.inverter.silence_s);
    Some(match (never, age_s > silence_s) {
        (false, false) => InverterLink::Heard,
        (false, true) => InverterLink::Lost {
            heard_s: Some(whole_seconds(age_s)),
        },
        (true, true) => InverterLink::SilentSoFar {
            proven: ever_heard.is_some(),
            fed_by_us: false,
        },
        (true, false) if since_start => InverterLink::TooEarly {
            remaining_s: whole_seconds(silence_s - age_s),
            is_up: false,
            restarted: evidence.uptime.rebooted_at.is_some(),
        },
        (true, false) => InverterLink::Unknown(LinkUnknown::NeverHeardNotFlagged),
    })
}

/// Whether the inverter is silent, where only the time since it was heard tells.
pub(super) fn is_silent_by_age(evidence: &UnitMemory, profile: &Profile) -> bool {
    !has_flag(profile)
        && matches!(
            by_age(evidence, profile),
            Some(InverterLink::Lost { .. } | InverterLink::SilentSoFar { .. })
        )
}

/// A map that says that questions feed nothing is believed once the unit stayed silent under them for
/// this long.
// Kind: invented (several times the refresh of a unit, a fraction of any silence time)
const UNMOVED: Duration = Duration::from_secs(10);

/// How long after our own first question a unit that waited stopped waiting, which the map says cannot
/// be: the map may be wrong there, and nobody else was heard.
fn woke_after_us(evidence: &UnitMemory) -> Option<Duration> {
    let asked_from = evidence.asked_from?;
    // Seen waiting under our questions for long, it does not take them for the inverter.
    let fell = |what: &Fell| what.soon_after(asked_from, UNMOVED);
    let at = fell(&evidence.inverter.fell).or_else(|| fell(&evidence.waits))?;
    Some(at.saturating_sub(asked_from))
}

/// The flag is down and our reads cannot have put it down.
fn not_flagged(evidence: &UnitMemory, profile: &Profile) -> InverterLink {
    let ever_heard = evidence.number_that_counts(profile, Role::InverterEverHeard);
    // What it says in its self-test may be from before.
    let uptime = evidence.number_that_counts(profile, Role::Uptime);
    let tests_itself = uptime.is_some_and(|s| s < profile.unit.self_test_s);
    match (ever_heard.map(|v| v > 0.0), still_to_go(evidence, profile)) {
        (Some(true), None) | (None, None) => InverterLink::Heard,
        (Some(true), _) if !tests_itself => InverterLink::Heard,
        (_, Some(remaining_s)) => InverterLink::TooEarly {
            remaining_s,
            is_up: false,
            restarted: evidence.uptime.rebooted_at.is_some(),
        },
        (Some(false), None) => InverterLink::Unknown(LinkUnknown::NeverHeardNotFlagged),
    }
}

/// Seconds of the silence time that are still to go where a flag for it is up and far too early for that: an
/// allowance of a fifth, and of what refresh and reading may take.
// Kind: common practice
fn long_before_its_time(evidence: &UnitMemory, profile: &Profile) -> Option<u32> {
    evidence.number_that_counts(profile, Role::Uptime)?;
    let left = still_to_go(evidence, profile)?;
    let silence_s = f64::from(profile.inverter.silence_s);
    (f64::from(left) > 0.2 * silence_s + profile.refresh_s() + ON_THE_WAY_S).then_some(left)
}

/// Seconds of the silence time that are still to go, if any are: all of them where nobody knows.
fn still_to_go(evidence: &UnitMemory, profile: &Profile) -> Option<u32> {
    let uptime = evidence.number_that_counts(profile, Role::Uptime);
    let silence_s = f64::from(profile.inverter.silence_s);
    // One that passed the end of its range has run for long.
    let early = uptime.is_none_or(|s| s < silence_s) && !evidence.uptime.wrapped;
    let left = (silence_s - uptime.unwrap_or_default()).clamp(0.0, silence_s);
    early.then(|| whole_seconds(left))
}

/// Rounds up to whole seconds.
fn whole_seconds(seconds: f64) -> u32 {
    (0..=86_400)
        .find(|s| f64::from(*s) >= seconds)
        .unwrap_or(86_400)
}

/// Whether the time since the inverter was heard says no more than "at least", or nothing: it stands, is at its end, or
/// does not rise as time goes by.
fn is_at_least(evidence: &UnitMemory, profile: &Profile) -> bool {
    let mut ages = evidence.each(profile);
    let age = ages.find(|(_, point, _)| point.role == Role::InverterAge);
    let is_number = age.is_some_and(|(_, point, track)| {
        let ends = match track.last.as_ref().map(|last| &last.what) {
            Some(Given::Decoded(decoded)) => is_at_its_end(point, decoded.raw),
            _ => false,
        };
        !ends && evidence.inverter_age.keeps_time(slack_s(point, profile))
    });
    !is_number || age_stands(evidence, profile)
}

/// Whether the time since the inverter was heard stands: it is not implemented, or fed by us. Where a counter of the
/// inverter stands as well nothing resets it between two reads, else only reads that fit no usual poll show that.
pub(super) fn age_stands(evidence: &UnitMemory, profile: &Profile) -> bool {
    let refresh = Duration::from_secs_f64(profile.refresh_s());
    let usual = Duration::from_secs(profile.answering.usual_poll_s.unwrap_or(1).into());
    let has_counter = profile
        .points_with(Role::InverterHeartbeat)
        .next()
        .is_some();
    let between_resets = if has_counter { refresh } else { usual };
    !evidence.inverter_counter.has_moved() && evidence.inverter_age.stands(between_resets, usual)
}

/// The inverter is silent; was it ever heard?
fn silent(
    evidence: &UnitMemory,
    shared: &Shared<'_>,
    ours_cannot_feed: bool,
    fed_by_us: bool,
) -> InverterLink {
    let last = |role| evidence.last_number(shared.profile, role);
    let point = last(Role::InverterEverHeard).map(|heard| heard > 0.0);
    let facts = shared.facts();
    let in_its_socket = facts.is_some_and(|f| f.plugged == Some(Plugged::InsteadOfInverter));
    // What was asked on this pair and never counted by the unit itself was never heard by it.
    let heard_before = match point.filter(|_| ours_cannot_feed) {
        Some(heard) => heard,
        None => shared.seen.asked_by_others.contains(&evidence.unit),
    };
    if heard_before && !in_its_socket {
        let age = last(Role::InverterAge)
            .filter(|_| ours_cannot_feed && !is_at_least(evidence, shared.profile));
        return InverterLink::Lost {
            heard_s: age.map(whole_seconds),
        };
    }
    InverterLink::SilentSoFar {
        proven: point == Some(false),
        fed_by_us,
    }
}
