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
//! the order of the verdict; `compose` one verdict for all; `next` steps and what is not tested;
//! `causes` weighed bus problems.

use std::borrow::Borrow;
use std::sync::Arc;
use std::time::Duration;

use packside_profiles::model::Profile;

mod adds_up;
mod answers;
mod beside;
mod bus;
mod case;
pub(crate) mod causes;
mod cautions;
mod compose;
mod contradictions;
mod decide;
mod flags;
mod fuzz;
mod gate;
mod headline;
mod identity;
mod image;
mod inverter;
mod measure;
mod member;
mod next;
mod not_tested;
mod notices;
mod plausible;
mod precharge;
mod rack;
mod remembered;
pub mod resistance;
mod roots;
mod sag;
pub(crate) mod shared;
mod sightings;
mod unanswered;
mod warm;

pub use crate::evidence::words::TURN;
pub use bus::{Garble, garbled};
pub use case::Case;
pub use causes::priors_of_line;
pub(crate) use causes::{LIKELY, PROVEN};
pub use fuzz::any_events;
pub(crate) use gate::is_needed;
pub(crate) use identity::version;
pub(crate) use measure::TOUCH_LIMIT_V;

use crate::ask::Talk;
use crate::event::{Event, What};
use crate::evidence::Seen;
use crate::evidence::samples::{self, MemberEvidence};
use crate::facts::doubt::{Contradiction, LinkUnknown};
use crate::facts::{Doubt, Judgement, VerdictKind};
use compose::compose;
use member::Member;
use shared::Shared;
use unanswered::{without_answer, without_profile};

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
                why: LinkUnknown::CounterUnseen | LinkUnknown::AgeUnseen
            }
            | Doubt::OfTwoMoments { .. }
            | Doubt::SpreadUnderLoad { .. }
    ) || is_of_one_look(open)
}

/// Whether flag and age of the inverter differ, and a look some seconds later may show that they agree.
pub fn is_of_one_look(open: &Doubt) -> bool {
    matches!(
        open,
        Doubt::Contradiction {
            what: Contradiction::HeardLongAgo { once: true, .. }
                | Contradiction::SilentJustHeard { once: true, .. }
        }
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
