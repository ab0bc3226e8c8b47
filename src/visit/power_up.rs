//! When a followed power-up is over, and how it went.
//!
//! Input: judgements and the time since the step began. Output: go on, or the end with its reason.
//! Also says whether the pre-charge was seen, from the states that were read.
//!
//! Does not: read the wire, or judge the unit.

use std::time::Duration;

use packside_profiles::StateKind;
use packside_profiles::model::Profile;

pub use crate::event::FollowedEnd;
use crate::facts::{Judgement, VerdictKind};

/// Added to the silence time before "not yet" is said.
const GRACE: Duration = Duration::from_secs(30);
/// How long a unit with its inverter is followed.
const FOLLOW: Duration = Duration::from_secs(240);

/// Whether to follow on.
#[derive(Debug, Clone, PartialEq)]
pub enum Pace {
    /// Look again.
    GoOn,
    /// The step is over, for what the verdict says, and perhaps because an inverter was heard.
    Over(FollowedEnd, InverterHeard),
}

/// Whether an inverter is, or was, heard already although none should be.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum InverterHeard {
    /// It is, or was.
    Already,
    /// Nothing to say of it.
    AsItShould,
}

/// A unit powered up without its inverter.
pub fn alone(judgement: &Judgement, since: Duration, profile: &Profile) -> Pace {
    let longest = Duration::from_secs(profile.inverter.silence_s.into()) + GRACE;
    match judgement.verdict.kind {
        VerdictKind::Fault => Pace::Over(FollowedEnd::Fault, InverterHeard::AsItShould),
        VerdictKind::AwaitingInverter => {
            Pace::Over(FollowedEnd::PassSoFar, InverterHeard::AsItShould)
        }
        VerdictKind::Normal | VerdictKind::InverterLost => {
            Pace::Over(FollowedEnd::PassSoFar, InverterHeard::Already)
        }
        _ if since < longest => Pace::GoOn,
        _ => Pace::Over(FollowedEnd::NotYet, InverterHeard::AsItShould),
    }
}

/// A unit with its inverter.
pub fn with_inverter(judgement: &Judgement, since: Duration) -> Pace {
    match judgement.verdict.kind {
        VerdictKind::Fault => Pace::Over(FollowedEnd::Fault, InverterHeard::AsItShould),
        VerdictKind::Normal => Pace::Over(FollowedEnd::PassSoFar, InverterHeard::AsItShould),
        _ if since < FOLLOW => Pace::GoOn,
        _ => Pace::Over(FollowedEnd::NotYet, InverterHeard::AsItShould),
    }
}

/// Whether the pre-charge was seen in the states read, each with its time, oldest first.
pub fn precharge(states: &[(Duration, StateKind)]) -> String {
    let is_live = |kind: StateKind| matches!(kind, StateKind::Running | StateKind::Standby);
    let seen: Vec<usize> = (0..states.len())
        .filter(|n| states.get(*n).is_some_and(|s| s.1 == StateKind::Precharge))
        .collect();
    let at = |n: usize| states.get(n).map(|s| s.0.as_secs_f64());
    if let (Some(first), Some(last)) = (seen.first(), seen.last()) {
        let shortest = at(*last).zip(at(*first)).map_or(0.0, |(l, f)| l - f);
        let before = first.checked_sub(1).and_then(at);
        let longest = at(last + 1)
            .zip(before)
            .map(|(after, before)| after - before);
        return match longest {
            Some(longest) if shortest < 0.05 => {
                format!("pre-charge observed, shorter than {longest:.1} s")
            }
            Some(longest) => {
                format!("pre-charge observed, it took {shortest:.1} to {longest:.1} s")
            }
            None => format!("pre-charge observed for at least {shortest:.1} s"),
        };
    }
    let live = states.iter().position(|(_, kind)| is_live(*kind));
    match live {
        Some(n) if n > 0 => {
            let gap = at(n).zip(at(n - 1)).map_or(0.0, |(a, b)| a - b);
            format!(
                "pre-charge not observed: the unit went into service between two reads {gap:.1} s apart"
            )
        }
        Some(_) => "pre-charge not observed: the unit was in service already".to_owned(),
        None => "pre-charge not observed: the unit did not go into service".to_owned(),
    }
}
