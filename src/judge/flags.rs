//! The unit's own flags: what is up, what was up, what may be hidden, what nobody has defined.
//!
//! Every flag that may be a root is listed: no parsimony that hides a second fault. A status flag
//! is explained by an active flag that brings it along, or by the state; by the silent inverter
//! only if its class allows that.

use std::time::Duration;

use packside_profiles::model::{Clears, Flag, LiesIn, Point, Profile, Severity};
use packside_profiles::{Class, Instance, Role, StateKind};

use crate::evidence::map::is_word;
use crate::evidence::stamp::Stamp;
use crate::evidence::track::Track;
use crate::evidence::unit::UnitMemory;
pub(crate) use crate::evidence::words::is_up;
use crate::evidence::words::{FlagSeen, TURN, state_explains, word};
use crate::facts::doubt::{Doubt, Shows, Undefined};
use crate::facts::fact::{Deed, FlagIndex, Flagged, Follows, PointIndex, Remedy, Spot};
use crate::facts::judgement::{Certainty, Finding, Source};

/// What the flags of one member say.
#[derive(Debug, Clone, Default)]
pub(crate) struct FlagPicture {
    /// Active now, earlier or latched.
    pub(crate) findings: Vec<Finding>,
    /// Ids of flags that are up in the latest answers.
    pub(crate) active: Vec<String>,
    /// What keeps the gate shut: undefined bits, unknown codes, hidden flags, unexplained statuses,
    /// roots that were seen earlier.
    pub(crate) doubts: Vec<Doubt>,
}

/// One flag at one instance of its word.
struct Raised<'a> {
    flag: &'a Flag,
    index: FlagIndex,
    role: Role,
    at: Spot,
    raw: u64,
    /// When it was first seen up, in this session, and whether it was up before the last restart already.
    since: Option<Duration>,
    returned: bool,
    /// It was up once while the inverter's flag in the same answers was down and nothing else brought it.
    before_silence: bool,
}

/// Reads all flags of a member. `measured` are the classes that good readings settle by themselves.
pub(crate) fn picture(
    evidence: &UnitMemory,
    profile: &Profile,
    state: Option<StateKind>,
    measured: &[Class],
) -> FlagPicture {
    let rebooted_at = evidence.uptime.rebooted_at;
    let mut picture = FlagPicture::default();
    let mut raised = Vec::new();
    for (instance, point, track) in evidence.each(profile) {
        let Some((words, shown)) = track.words().zip(shown_now(track)) else {
            continue;
        };
        let numbered = profile.flags.iter().enumerate();
        let mine: Vec<(FlagIndex, &Flag)> = numbered
            .filter(|(_, f)| f.point == point.id)
            .map(|(index, flag)| (FlagIndex(index), flag))
            .collect();
        let flags: Vec<&Flag> = mine.iter().map(|(_, flag)| *flag).collect();
        raised.extend(
            mine.iter()
                .zip(&words.flags)
                .filter_map(|((index, flag), seen)| {
                    Some(Raised {
                        flag,
                        index: *index,
                        role: point.role,
                        at: spot(instance),
                        raw: shown.iter().copied().find(|raw| is_up(flag, *raw))?,
                        since: seen.first_up.and_then(|up| up.within(evidence.session)),
                        returned: rebooted_at
                            .zip(seen.first_up)
                            .is_some_and(|(reboot, first)| first < reboot),
                        before_silence: seen.before_silence,
                    })
                }),
        );
        let strange = shown
            .iter()
            .filter_map(|raw| undefined(point, &flags, *raw, || instance.name(profile)));
        picture.doubts.extend(strange);
        picture
            .doubts
            .extend(hidden(point, profile, &flags, &shown, measured));
        for (flag, seen) in mine.iter().zip(&words.flags) {
            if !shown.iter().any(|raw| is_up(flag.1, *raw)) {
                let now = track
                    .last
                    .as_ref()
                    .map_or_else(Stamp::default, |last| last.at);
                earlier(
                    &mut picture,
                    evidence,
                    (*flag, seen, now),
                    (point, instance),
                );
            }
        }
    }
    picture.active = raised
        .iter()
        .filter(|r| r.role != Role::LatchedWord)
        .map(|r| r.flag.id.clone())
        .collect();
    for one in &raised {
        let finding = finding(evidence.unit, one, &raised, state, &mut picture.doubts);
        picture.findings.push(finding);
    }
    picture
}

/// The words that say what is up now, newest first; nothing where the last one cannot be relied on.
fn shown_now(track: &Track) -> Option<Vec<u64>> {
    let last = track.last.as_ref()?;
    Some(track.words()?.shown_now(word(&last.what)?, last.at))
}

/// Bits and codes that the profile does not know.
fn undefined(point: &Point, flags: &[&Flag], raw: u64, name: impl Fn() -> String) -> Option<Doubt> {
    if point.role == Role::FaultCode {
        let known = raw == 0
            || flags.iter().any(|f| f.values.contains(&raw))
            || point.values.iter().any(|v| v.is == raw);
        return (!known).then(|| Doubt::UndefinedBit {
            what: Undefined::Code {
                name: name(),
                code: raw,
            },
        });
    }
    if !is_word(point.role) {
        return None;
    }
    let defined = flags
        .iter()
        .filter_map(|f| f.bit)
        .fold(0u64, |mask, bit| mask | (1u64 << bit.min(63)));
    let strange = raw & !defined;
    (strange != 0).then(|| Doubt::UndefinedBit {
        what: Undefined::Bit {
            name: name(),
            raw,
            bit: strange.trailing_zeros(),
        },
    })
}

/// Flags that a code of higher rank may hide, unless a measurement settles them.
fn hidden(
    point: &Point,
    profile: &Profile,
    flags: &[&Flag],
    shown_now: &[u64],
    measured: &[Class],
) -> Option<Doubt> {
    let raw = *shown_now.first()?;
    if raw == 0 && !point.rotates {
        return None;
    }
    if !point.hides_others && !point.rotates {
        return None;
    }
    let shown = flags
        .iter()
        .find(|f| f.values.contains(&raw))
        .and_then(|f| f.rank);
    let may_hide = |flag: &&&Flag| {
        let ranked_below = match (shown, flag.rank) {
            (Some(shown), Some(rank)) => rank > shown,
            _ => true,
        };
        let elsewhere = profile
            .flags
            .iter()
            .any(|f| f.point != point.id && f.class == flag.class);
        let silent = flag.class == Class::InverterSilent;
        (ranked_below || point.rotates)
            && !flag.values.iter().any(|value| shown_now.contains(value))
            && !silent
            && !elsewhere
            && !measured.contains(&flag.class)
    };
    let hidden: Vec<String> = flags
        .iter()
        .filter(may_hide)
        .map(|f| f.id.clone())
        .collect();
    (!hidden.is_empty()).then(|| Doubt::MayHide {
        point: point.id.clone(),
        shows: match point.rotates {
            true => Shows::InTurn(shown_now.to_vec()),
            false => Shows::One(raw),
        },
        hidden,
    })
}

fn finding(
    unit: u8,
    one: &Raised<'_>,
    all: &[Raised<'_>],
    state: Option<StateKind>,
    doubts: &mut Vec<Doubt>,
) -> Finding {
    let flag = one.flag;
    let latched = one.role == Role::LatchedWord;
    let (follows, too_early) = explained_by(one, all, state);
    if flag.class.is_status() && follows.is_none() && !latched {
        let flag = flag.id.clone();
        doubts.push(match too_early {
            true => Doubt::BeforeItsCause { flag },
            false => Doubt::Unexplained { flag },
        });
    }
    let to_check = flag.class == Class::NeedsCheck && !latched;
    if to_check && flag.severity == Severity::Alarm {
        let flag = flag.id.clone();
        doubts.push(Doubt::NeedsCheck { flag });
    }
    let is_stored = latched && flag.severity == Severity::Alarm;
    // An earth fault comes and goes with the weather; no number of now takes it back.
    if is_stored && flag.class == Class::InsulationLow {
        let flag = flag.id.clone();
        doubts.push(Doubt::SeenEarlier { flag, at: None });
    }
    // What neither time nor charge heals, and only service takes back.
    let stays = is_stored && matches!(flag.class, Class::CellBelowMinimum | Class::ShortCircuit);
    let severity = if too_early {
        Severity::Warning
    } else if (latched && !stays) || flag.class.is_status() {
        Severity::Notice
    } else {
        flag.severity
    };
    let active = |r: &Raised<'_>| r.role != Role::LatchedWord && r.flag.class == flag.class;
    let (at, raw) = (one.at, one.raw);
    let fact = if latched {
        Flagged::Stored {
            flag: one.index,
            at,
            raw,
            up_now: all.iter().any(active),
            contradicted: None,
        }
    } else {
        Flagged::Up {
            flag: one.index,
            at,
            raw,
            contradicted: None,
            shown: None,
        }
    };
    let root = (!flag.class.is_status() || too_early)
        && (!latched || stays)
        && !matches!(flag.class, Class::InverterSilent | Class::NeedsCheck);
    Finding {
        fact: fact.into(),
        id: flag.class.id(),
        class: Some(flag.class),
        severity,
        source: Source::Flag,
        root,
        follows_from: follows,
        lies_in: flag.lies_in,
        clears: Some(flag.clears),
        unit,
        place: one.at.place,
        to_do: remedy(one, root && severity == Severity::Alarm),
        since: one.since,
        returned: one.returned,
        sure: Certainty::Likely,
        disposition: None,
    }
}

/// What the map advises for a flag; else, of one that is no mere status, what the trade does.
fn remedy(one: &Raised<'_>, is_root: bool) -> Remedy {
    let deed = match one.flag.class {
        _ if !one.flag.to_do.is_empty() => Deed::OfMap(one.index),
        Class::OffButton | Class::Maintenance | Class::Disabled => Deed::FindPerson,
        class if is_root => Deed::Usual(class),
        _ => Deed::Nothing,
    };
    deed.alone()
}

/// The word as facts name it.
fn spot(instance: &Instance) -> Spot {
    Spot {
        point: PointIndex(instance.point),
        place: instance.place,
    }
}

/// What explains a status flag: an active flag that brings it along, or the state. Also whether it
/// was there before the silence that would explain it.
fn explained_by(
    one: &Raised<'_>,
    all: &[Raised<'_>],
    state: Option<StateKind>,
) -> (Option<Follows>, bool) {
    let flag = one.flag;
    if !flag.class.is_status() {
        return (None, false);
    }
    let silence = |r: &Raised<'_>| r.flag.class == Class::InverterSilent;
    let by_flag = all
        .iter()
        .filter(|r| r.role != Role::LatchedWord && r.flag.brings.contains(&flag.id))
        .filter(|r| {
            !silence(r) || (flag.class.may_follow_inverter_silence() && !one.before_silence)
        })
        .min_by_key(|r| silence(r));
    if let Some(cause) = by_flag {
        return (Some(Follows::Finding(cause.flag.class)), false);
    }
    if one.before_silence {
        return (None, true);
    }
    let by_state = state.filter(|s| state_explains(*s, flag.class));
    (by_state.map(Follows::State), false)
}

/// A root that was up earlier and is not now.
fn earlier(
    picture: &mut FlagPicture,
    evidence: &UnitMemory,
    ((index, flag), seen, now): ((FlagIndex, &Flag), &FlagSeen, Stamp),
    (point, instance): (&Point, &Instance),
) {
    let root =
        !flag.class.is_status() && !matches!(flag.class, Class::InverterSilent | Class::NeedsCheck);
    if !root || flag.severity != Severity::Alarm || point.role == Role::LatchedWord {
        return;
    }
    let Some((seen_at, raw)) = seen.last_up else {
        return;
    };
    let rebooted_at = evidence.uptime.rebooted_at;
    let reboot_between = rebooted_at.is_some_and(|reboot| reboot > seen_at);
    // A condition that was lifted is no memory; anything else is believed to be over only after a while.
    let is_over = flag.class.is_condition() && seen.times() < 2 || !seen.is_open(now);
    let cleared = flag.clears == Clears::BySelf && !reboot_between && is_over;
    // What comes and goes is there, whatever the last answer caught of it.
    let flickers = seen.times() >= 2 && now.since(seen_at).is_some_and(|ago| ago <= TURN);
    let fact = Flagged::Earlier {
        flag: index,
        at: spot(instance),
        raw,
        seen_at: seen_at.within(evidence.session),
    };
    if !cleared {
        picture.doubts.push(Doubt::SeenEarlier {
            flag: flag.id.clone(),
            at: seen_at.within(evidence.session),
        });
    }
    picture.findings.push(Finding {
        fact: fact.into(),
        id: flag.class.id(),
        class: Some(flag.class),
        severity: if flickers {
            Severity::Alarm
        } else {
            Severity::Warning
        },
        source: Source::Flag,
        root: flickers,
        follows_from: None,
        lies_in: if cleared || flickers {
            flag.lies_in
        } else {
            LiesIn::Unknown
        },
        clears: Some(flag.clears),
        unit: evidence.unit,
        place: instance.place,
        to_do: Deed::SeeWhetherItReturns.alone(),
        since: seen.first_up.and_then(|up| up.within(evidence.session)),
        returned: false,
        sure: Certainty::Open,
        disposition: None,
    });
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ask::{Exchange, Outcome};
    use crate::evidence::map::Map;
    use crate::facts::DoubtKind;
    use crate::wire::{Answer, Ask, Question};
    use packside_profiles::model::Table;
    use std::sync::Arc;

    /// An answer with state and alarm words of the shipped stack.
    fn answer(at: u64, state: u16, alarm_2: u16) -> Exchange {
        let at = Duration::from_secs(at);
        let question = Question::Read {
            table: Table::Input,
            address: 0,
            count: 5,
        };
        Exchange {
            number: 1,
            ask: Ask { unit: 1, question },
            asked_at: at,
            sent_at: Some(at),
            ended_at: at,
            first_byte_at: Some(at),
            outcome: Outcome::Answered(Answer::Registers(vec![state, 0, alarm_2, 0, 0])),
            strays: Vec::new(),
            fence: false,
        }
    }

    fn doubts(exchanges: &[Exchange]) -> Vec<DoubtKind> {
        let profile = packside_profiles::find("generic-hv-stack", None)
            .unwrap()
            .profile;
        let map = Map::new(Arc::new(profile.clone()));
        let mut evidence = UnitMemory::new(1, 0, Duration::ZERO, &map);
        for exchange in exchanges {
            evidence.take(exchange, &map);
        }
        let picture = picture(&evidence, &profile, Some(StateKind::Waiting), &[]);
        picture.doubts.iter().map(Doubt::kind).collect()
    }

    const RUNNING: u16 = 5;
    const WAITING: u16 = 2;
    const SILENT: u16 = 1 << 8;
    const SWITCHES_OPEN: u16 = 1 << 9;

    // Kind: invented (the shipped map)
    #[test]
    fn status_that_was_up_in_service_before_the_silence_is_a_root() {
        let now = answer(60, WAITING, SILENT | SWITCHES_OPEN);
        let in_service = answer(1, RUNNING, SWITCHES_OPEN);
        assert_eq!(
            doubts(&[in_service, now.clone()]),
            [DoubtKind::BeforeItsCause]
        );
        // Waiting already, or come together with the silence: it follows.
        let waiting = answer(1, WAITING, SWITCHES_OPEN);
        assert_eq!(doubts(&[waiting, now.clone()]), []);
        let clean = answer(1, RUNNING, 0);
        assert_eq!(doubts(&[clean, now]), []);
    }
}
