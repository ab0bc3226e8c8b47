//! How the conversation went: counts, answer times, who else was heard, and what silence looks like.

use std::time::Duration;

use packside_profiles::LineSettings;
use packside_profiles::model::{InverterPort, Profile};

use super::inverter::InverterLink;
use super::member::we_hold_its_socket;
use crate::ask::{Exchange, Outcome, StrayKind};
use crate::event::{Event, LinkFacts, What};
use crate::evidence::seen::Seen;
use crate::facts::doubt::{Doubt, DoubtKind};
use crate::facts::health::is_readable;
use crate::facts::judgement::Bus;
use crate::facts::sight::{Sight, Sights};
use crate::listen::settings::{Class, Hypothesis, explain};
use crate::listen::waveform::Received;
use crate::wire::Framing;

/// Counts and answer times.
pub(crate) fn statistics(seen: &Seen) -> Bus {
    let exchanges = &seen.talk.own;
    let mut bus = Bus {
        foreign_requests: count(seen.talk.foreign_requests.len()),
        bytes_in: seen.bytes_in,
        listened: seen.listened(),
        ..Bus::default()
    };
    let mut answer_times = Vec::new();
    for exchange in exchanges {
        bus.requests += 1;
        match &exchange.outcome {
            Outcome::Answered(_) => bus.answered += 1,
            Outcome::Exception(code) => note_exception(&mut bus, *code),
            Outcome::TimedOut(_) => {
                bus.timeouts += 1;
                bus.damaged +=
                    u32::from(exchange.strays.iter().any(|s| s.kind == StrayKind::Damaged));
            }
            Outcome::LinkLost => bus.timeouts += 1,
        }
        for stray in &exchange.strays {
            match stray.kind {
                StrayKind::Late => bus.late += 1,
                StrayKind::Echo => bus.echo = true,
                StrayKind::Noise => bus.noise_bytes += stray.bytes.len() as u64,
                _ => {}
            }
        }
        let answered = matches!(
            exchange.outcome,
            Outcome::Answered(_) | Outcome::Exception(_)
        );
        if let (true, Some(first), Some(sent)) =
            (answered, exchange.first_byte_at, exchange.sent_at)
        {
            answer_times.push(first.saturating_sub(sent));
        }
    }
    answer_times.sort_unstable();
    let share = |numerator: usize| {
        answer_times
            .get(answer_times.len() * numerator / 10)
            .copied()
    };
    bus.answer_p50 = share(5);
    bus.answer_p90 = share(9);
    bus.answer_max = answer_times.last().copied();
    bus
}

fn count(n: usize) -> u32 {
    u32::try_from(n).unwrap_or(u32::MAX)
}

fn note_exception(bus: &mut Bus, code: u8) {
    match bus.exceptions.iter_mut().find(|(known, _)| *known == code) {
        Some((_, n)) => *n += 1,
        None => {
            bus.exceptions.push((code, 1));
            bus.exceptions.sort_unstable();
        }
    }
}

/// What a bus without a valid answer looked like. Of several ways to see garbage only the most
/// telling is noted, so that one happening counts once.
pub(crate) fn observe(seen: &Seen, bus: &Bus) -> Sights {
    let (exchanges, facts) = (&seen.talk.own, seen.facts());
    let asked = &seen.talk.foreign_requests;
    let strays = |kinds: &[StrayKind]| {
        let of = |e: &Exchange| e.strays.iter().filter(|s| kinds.contains(&s.kind)).count();
        exchanges.iter().map(of).sum::<usize>()
    };
    let exception = |code: u8| {
        exchanges
            .iter()
            .any(|e| e.outcome == Outcome::Exception(code))
    };
    let echo = strays(&[StrayKind::Echo]) > 0;
    // Requests count wherever they were heard; the others only beside our own questions.
    let ours = |unit: u8| exchanges.is_empty() || exchanges.iter().any(|e| e.ask.unit == unit);
    let in_vain = asked.iter().filter(|(_, unit)| ours(*unit)).count();
    let foreign = strays(&[StrayKind::ForeignAnswer, StrayKind::WrongUnit]) + asked.len();
    // Modbus TCP has no check value: what does not parse there is garbage.
    let by_tcp = facts.is_some_and(|f| f.framing == Framing::Tcp);
    let (damaged, late) = (strays(&[StrayKind::Damaged]), strays(&[StrayKind::Late]));
    let damaged = if by_tcp { 0 } else { damaged };
    let garbage = seen.bytes_in > 0
        && !echo
        && foreign + damaged + late == 0
        && !exceptions_or_answers(exchanges);
    let line = facts.and_then(LinkFacts::line).filter(|_| garbage);
    let mut sights = on_link(facts);
    if let Some((line, frames)) = line.and_then(|line| proven(&seen.unanswered, line)) {
        let (sight, how) = if line.is_swapped {
            (Sight::SwappedProven, "with the pair turned round, as")
        } else {
            (Sight::SettingsProven, "at")
        };
        let words = format!(
            "{frames} frames were heard that read right only {how} {}",
            line.settings
        );
        sights.note_as(sight, words);
    }
    if seen.bytes_in == 0 {
        let words = format!("{} questions, not one byte came back", exchanges.len());
        sights.note_as(Sight::Nothing, words);
    }
    if garbage {
        garbage_sights(&mut sights, &seen.unanswered);
    }
    for (sight, count, what) in [
        (Sight::Damaged, damaged, "answers with a wrong check value"),
        (Sight::Foreign, foreign, "valid frames of others"),
        (Sight::Late, late, "answers after the time-out"),
    ] {
        if count > 0 {
            sights.note_as(sight, format!("{count} {what} came"));
        }
    }
    if in_vain > 0 {
        let words =
            format!("somebody else asked this unit {in_vain} times and got no answer either");
        sights.note_as(Sight::AskedInVain, words);
    } else if !asked.is_empty() {
        let words = format!(
            "somebody asked other unit addresses {} times, this one never",
            asked.len()
        );
        sights.note_as(Sight::AsksOther, words);
    }
    bus.health.of_content(&mut sights);
    sights.note(Sight::Echo, echo);
    sights.note(Sight::Exception0A, exception(0x0a));
    sights.note(Sight::Exception0B, exception(0x0b));
    sights.note(Sight::Busy, exception(0x05) || exception(0x06));
    sights.note(Sight::Lost, seen.was_lost());
    sights
}

/// What bytes that make no frame look like, the most telling first.
fn garbage_sights(sights: &mut Sights, bytes: &[u8]) {
    if mostly(bytes, is_readable) {
        let words = format!("the {} bytes that came are readable text", bytes.len());
        return sights.note_as(Sight::Text, words);
    }
    let inverted = share(bytes, |b| matches!(b, 0x7e | 0x7f | 0xfe | 0xff));
    let too_fast = share(bytes, |b| {
        matches!(b, 0x00 | 0x80 | 0xe0 | 0xf8 | 0x98 | 0xe6)
    });
    let words = format!("{} bytes came, none of them in a valid frame", bytes.len());
    sights.note_as(Sight::Garbage, words);
    if inverted >= 40 {
        let words = format!("{inverted} % of the bytes are 7E, 7F, FE or FF");
        sights.note_as(Sight::InvertedLook, words);
    }
    if too_fast >= 60 {
        let words = format!("{too_fast} % of the bytes are 00, 80, E0, F8 and the like");
        sights.note_as(Sight::TooFastLook, words);
    }
}

/// What the link is, nothing seen yet.
fn on_link(facts: Option<&LinkFacts>) -> Sights {
    Sights::on(
        facts.is_some_and(LinkFacts::is_gateway),
        facts.is_some_and(|f| f.framing == Framing::Tcp),
    )
}

/// What a line on which units answer looked like.
pub(crate) fn line_sights(seen: &Seen, bus: &Bus, doubts: &[Doubt]) -> Sights {
    let mut sights = on_link(seen.facts());
    bus.health.sights(&mut sights);
    let twice: u32 = seen.talk.second_answers.values().sum();
    if twice > 0 {
        let words = format!("{twice} questions were answered twice with other content");
        sights.note_as(Sight::AnsweredTwice, words);
    }
    let has = |kind| doubts.iter().any(|doubt| doubt.kind() == kind);
    sights.note(Sight::IdentityJumps, twice == 0 && has(DoubtKind::TwoUnits));
    sights.note(Sight::Frozen, has(DoubtKind::PerhapsCache));
    sights.note(Sight::Lost, seen.was_lost());
    sights
}

/// Listening for less says nothing about who asks here.
const LISTENED_ENOUGH: Duration = Duration::from_secs(5);

/// What speaks for one reason or another why this unit hears no inverter.
pub(crate) fn inverter_sights(
    seen: &Seen,
    bus: &Bus,
    unit: u8,
    inverter: &InverterLink,
    profile: &Profile,
) -> Sights {
    let (foreign, facts) = (&seen.talk.foreign_requests, seen.facts());
    let mut sights = on_link(facts);
    let in_its_socket = we_hold_its_socket(facts);
    let here = profile.inverter.port == InverterPort::ThisBus;
    let can_hear = facts.is_some_and(LinkFacts::can_overhear) && !in_its_socket;
    let heard = seen.heard;
    let seconds = bus.listened.as_secs_f64();
    let silence = Duration::from_secs(profile.inverter.silence_s.into());
    let lately = |wanted: &dyn Fn(u8) -> bool| {
        let fits = |(at, asked): &&(Duration, u8)| *at + silence >= seen.end && wanted(*asked);
        foreign.iter().filter(fits).count()
    };
    let (us, others) = (
        lately(&|asked| asked == unit),
        lately(&|asked| asked != unit),
    );
    if us > 0 {
        let words =
            format!("somebody asked this unit {us} times, yet it says that it hears no inverter");
        sights.note_as(Sight::AsksUs, words);
    } else if others > 0 {
        let words = format!("somebody asked other unit addresses {others} times, this one never");
        sights.note_as(Sight::AsksOther, words);
    } else if can_hear && heard >= 8 && foreign.is_empty() {
        let words = format!("{heard} bytes that make no frame were heard while we listened");
        sights.note_as(Sight::GarbageHeard, words);
    } else if can_hear && here && bus.listened >= LISTENED_ENOUGH && heard == 0 {
        let words = format!("nobody asked on this pair in the {seconds:.0} s that we listened");
        sights.note_as(Sight::NobodyHeard, words);
    }
    sights.note(
        Sight::OtherSocket,
        !here && profile.inverter.port != InverterPort::Unknown,
    );
    sights.note(Sight::InItsSocket, in_its_socket);
    sights.note(
        Sight::NeverHeard,
        matches!(inverter, InverterLink::SilentSoFar { proven: true, .. }),
    );
    sights.note(
        Sight::HeardBefore,
        matches!(inverter, InverterLink::Lost { .. }),
    );
    sights
}

/// How the line really is, where the bytes received prove it, and by how many frames.
fn proven(bytes: &[u8], ours: LineSettings) -> Option<(Hypothesis, usize)> {
    let explanation = explain(&Received::unmarked(bytes), ours);
    match &explanation.class {
        Class::Survives(lines) if explanation.is_proven() => {
            Some((*lines.first()?, explanation.evidence.frames))
        }
        _ => None,
    }
}

/// What bytes heard while listening say of the line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Garble {
    /// Nothing came, or what came reads right, or it is too little to tell.
    None,
    /// Bytes come, and no frame among them.
    Unexplained,
    /// They are frames, proven, over a swapped pair or at other settings.
    Proven,
}

/// Whether somebody talks here in a way that our settings and wires turn into garbage.
pub fn garbled(events: &[Event], ours: LineSettings) -> Garble {
    let came = events.iter().filter_map(|event| match &event.what {
        What::In(bytes) => Some(bytes.as_slice()),
        _ => None,
    });
    let bytes: Vec<&[u8]> = came.collect();
    let explanation = explain(&Received::unmarked(&bytes.concat()), ours);
    match explanation.class {
        Class::Survives(_) if explanation.is_proven() => Garble::Proven,
        Class::Survives(_) | Class::Lost(_) => Garble::Unexplained,
        _ => Garble::None,
    }
}

fn exceptions_or_answers(exchanges: &[Exchange]) -> bool {
    exchanges
        .iter()
        .any(|e| matches!(e.outcome, Outcome::Answered(_) | Outcome::Exception(_)))
}

/// Share of bytes of a kind, in percent.
fn share(bytes: &[u8], is: impl Fn(u8) -> bool) -> usize {
    bytes.iter().filter(|b| is(**b)).count() * 100 / bytes.len().max(1)
}

fn mostly(bytes: &[u8], is: impl Fn(u8) -> bool) -> bool {
    bytes.len() >= 8 && share(bytes, is) >= 95
}
