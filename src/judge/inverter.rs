//! Whether the unit hears its inverter: the facts, and what they do not prove.
//!
//! Our own questions can be taken for the inverter. So "heard" counts only where our asking cannot
//! have made it so (`fed_by = writes | other-port`) or where somebody else's request to this unit
//! was overheard within the silence time.

use std::time::Duration;

use packside_profiles::model::{FedBy, Profile};
use packside_profiles::{Quality, Role, StateKind};

use super::flags::{TURN, is_up};
use crate::event::{LinkFacts, Plugged};
use crate::evidence::samples::{MemberEvidence, Seen};
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
    },
    /// It stopped waiting so long after our own first question, though the map says that these feed
    /// nothing.
    Woke { after: Duration },
    /// Cannot be told, with the reason.
    Unknown(LinkUnknown),
}

/// What speaks about the link besides the unit's own points.
pub(crate) struct Circumstances<'a> {
    /// The link, if it was opened.
    pub(crate) facts: Option<&'a LinkFacts>,
    /// Times of requests of somebody else to this unit.
    pub(crate) foreign: &'a [Duration],
    /// When our own first question to this unit went out, if we asked.
    pub(crate) asked_from: Option<Duration>,
    /// Moment judged.
    pub(crate) moment: Duration,
    /// Since when evidence counts: the last restart of the unit or break of the clocks, if any.
    pub(crate) counts_from: Option<Duration>,
}

/// Judges the inverter link of one member.
pub(crate) fn link(
    evidence: &MemberEvidence,
    profile: &Profile,
    around: &Circumstances<'_>,
) -> InverterLink {
    let since = around.counts_from.unwrap_or_default();
    let flag = flag_series(evidence, profile, since);
    let Some((_, now_up)) = flag.last().copied() else {
        return InverterLink::Unknown(LinkUnknown::FlagNotRead);
    };
    let silence = Duration::from_secs(profile.inverter.silence_s.into());
    let foreign_lately = around
        .foreign
        .iter()
        .any(|at| *at + silence >= around.moment && *at >= since);
    let ours_cannot_feed = matches!(profile.inverter.fed_by, FedBy::Writes | FedBy::OtherPort);
    let was_up = flag.iter().any(|(_, up)| *up);
    if now_up || (was_up && !ours_cannot_feed && !foreign_lately) {
        return silent(evidence, profile, around, ours_cannot_feed, !now_up);
    }
    let woke = woke_after_us(evidence, profile, around, &flag);
    if let Some(after) = woke.filter(|_| !foreign_lately) {
        return InverterLink::Woke { after };
    }
    if foreign_lately {
        return InverterLink::Heard;
    }
    if !ours_cannot_feed {
        return InverterLink::Unknown(LinkUnknown::PerhapsFedByUs);
    }
    not_flagged(evidence, profile, since)
}

/// A map that says that questions feed nothing is believed once the unit stayed silent under them for
/// this long.
// Kind: invented (several times the refresh of a unit, a fraction of any silence time)
const UNMOVED: Duration = Duration::from_secs(10);

/// How long after our own first question a unit that waited stopped waiting, which the map says cannot
/// be: the map may be wrong there, and nobody else was heard.
fn woke_after_us(
    evidence: &MemberEvidence,
    profile: &Profile,
    around: &Circumstances<'_>,
    flag: &[(Duration, bool)],
) -> Option<Duration> {
    let asked_from = around.asked_from?;
    let since = around.counts_from.unwrap_or_default().max(asked_from);
    let states = evidence.states(profile);
    let waits = states
        .iter()
        .map(|(at, kind)| (*at, *kind == StateKind::Waiting));
    let fell = |series: Vec<(Duration, bool)>| {
        let first = series.iter().find(|(at, up)| *up && *at >= since)?.0;
        let down = series.iter().find(|(at, up)| !*up && *at > first)?.0;
        // Seen waiting under our questions for long, it does not take them for the inverter.
        let last_up = series.iter().rev().find(|(at, up)| *up && *at < down)?.0;
        (last_up.saturating_sub(asked_from) < UNMOVED).then_some(down)
    };
    let at = fell(flag.to_vec()).or_else(|| fell(waits.collect()))?;
    Some(at.saturating_sub(asked_from))
}

/// The flag is down and our reads cannot have put it down.
fn not_flagged(evidence: &MemberEvidence, profile: &Profile, since: Duration) -> InverterLink {
    let last = |role| {
        evidence
            .series(profile, role)
            .into_iter()
            .rev()
            .find(|(at, _)| *at >= since)
            .map(|(_, v)| v)
    };
    let uptime = last(Role::Uptime);
    let ever_heard = last(Role::InverterEverHeard).map(|v| v > 0.0);
    let silence_s = f64::from(profile.inverter.silence_s);
    let early = uptime.is_none_or(|s| s < silence_s);
    match (ever_heard, early) {
        (Some(true), _) | (None, false) => InverterLink::Heard,
        (Some(false) | None, true) => {
            let left = (silence_s - uptime.unwrap_or_default()).clamp(0.0, silence_s);
            InverterLink::TooEarly {
                remaining_s: whole_seconds(left),
            }
        }
        (Some(false), false) => InverterLink::Unknown(LinkUnknown::NeverHeardNotFlagged),
    }
}

/// Rounds up to whole seconds.
fn whole_seconds(seconds: f64) -> u32 {
    (0..=86_400)
        .find(|s| f64::from(*s) >= seconds)
        .unwrap_or(86_400)
}

/// The inverter is silent; was it ever heard?
fn silent(
    evidence: &MemberEvidence,
    profile: &Profile,
    around: &Circumstances<'_>,
    ours_cannot_feed: bool,
    fed_by_us: bool,
) -> InverterLink {
    let point = evidence
        .series(profile, Role::InverterEverHeard)
        .last()
        .map(|(_, v)| *v > 0.0);
    let in_its_socket = around
        .facts
        .is_some_and(|f| f.plugged == Some(Plugged::InsteadOfInverter));
    // What was asked on this pair and never counted by the unit itself was never heard by it.
    let heard_before = match point.filter(|_| ours_cannot_feed) {
        Some(heard) => heard,
        None => !around.foreign.is_empty(),
    };
    if heard_before && !in_its_socket {
        let age = evidence.series(profile, Role::InverterAge).pop();
        return InverterLink::Lost {
            heard_s: age
                .filter(|_| ours_cannot_feed)
                .map(|(_, seconds)| whole_seconds(seconds)),
        };
    }
    InverterLink::SilentSoFar {
        proven: point == Some(false),
        fed_by_us,
    }
}

/// When the flag was seen up or down, since a moment.
fn flag_series(
    evidence: &MemberEvidence,
    profile: &Profile,
    since: Duration,
) -> Vec<(Duration, bool)> {
    let flag = profile
        .inverter
        .flag
        .as_ref()
        .and_then(|id| profile.flags.iter().find(|f| f.id == *id));
    let mut series = Vec::new();
    for (_, point, samples) in evidence.each(profile) {
        let carries_flag = flag.is_some_and(|f| f.point == point.id);
        let alone = flag.is_none() && point.role == Role::InverterFlag;
        if !carries_flag && !alone {
            continue;
        }
        let mut last_up: Option<Duration> = None;
        for sample in samples.iter().filter(|s| s.at >= since) {
            let Seen::Decoded(decoded) = &sample.what else {
                continue;
            };
            if decoded.quality == Quality::Good {
                let shown = flag.map_or(decoded.raw != 0, |f| is_up(f, decoded.raw));
                if shown {
                    last_up = Some(sample.at);
                }
                // A code that takes turns shows others in between.
                let turns = point.rotates && last_up.is_some_and(|at| at + TURN >= sample.at);
                series.push((sample.at, shown || turns));
            }
        }
    }
    series.sort_by_key(|(at, _)| *at);
    series
}

/// The last moment at which the uptime showed a restart: it stepped back, or has grown by less than the
/// time that passed, to no more than that time (what stands still, or is an old answer, is no restart).
pub(crate) fn rebooted_at(evidence: &MemberEvidence, profile: &Profile) -> Option<Duration> {
    let uptime = evidence.series(profile, Role::Uptime);
    let point = profile.points.iter().find(|p| p.role == Role::Uptime)?;
    let step = 2.0 * point.scale.value().abs();
    let restarted = |a: &(Duration, f64), b: &(Duration, f64)| {
        let passed = b.0.saturating_sub(a.0).as_secs_f64();
        // Clocks of units are off by a percent at most (common practice).
        let slack = step.max(5.0).max(0.01 * passed);
        b.1 < a.1 || (b.1 > a.1 && b.1 <= passed && a.1 + passed - b.1 > slack)
    };
    let mut pairs = uptime.iter().zip(uptime.iter().skip(1)).rev();
    pairs.find(|(a, b)| restarted(a, b)).map(|(_, b)| b.0)
}
