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
use crate::facts::sight::{Count, Others, Sight, Sights, Text};
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
        let settings = line.settings;
        sights.note(match line.is_swapped {
            true => Sight::SwappedProven { frames, settings },
            false => Sight::SettingsProven { frames, settings },
        });
    }
    let questions = exchanges.len();
    sights.note_if(seen.bytes_in == 0, Sight::Nothing { questions });
    if garbage {
        garbage_sights(&mut sights, &seen.unanswered);
    }
    let answers = Count::Came(damaged);
    sights.note_if(damaged > 0, Sight::Damaged { answers });
    let heard = Others::Frames(foreign);
    sights.note_if(foreign > 0, Sight::Foreign { heard });
    let answers = Count::Came(late);
    sights.note_if(late > 0, Sight::Late { answers });
    if in_vain > 0 {
        sights.note(Sight::AskedInVain { times: in_vain });
    } else if !asked.is_empty() {
        let times = asked.len();
        sights.note(Sight::AsksOther { times });
    }
    bus.health.of_content(&mut sights);
    sights.note_if(echo, Sight::Echo);
    sights.note_if(exception(0x0a), Sight::Exception0A);
    sights.note_if(exception(0x0b), Sight::Exception0B);
    let busy = Sight::Busy { answers: None };
    sights.note_if(exception(0x05) || exception(0x06), busy);
    sights.note_if(seen.was_lost(), Sight::Lost);
    sights
}

/// What bytes that make no frame look like, the most telling first.
fn garbage_sights(sights: &mut Sights, bytes: &[u8]) {
    if mostly(bytes, is_readable) {
        let came = Text::Bytes(bytes.len());
        return sights.note(Sight::Text { came });
    }
    let inverted = share(bytes, |b| matches!(b, 0x7e | 0x7f | 0xfe | 0xff));
    let too_fast = share(bytes, |b| {
        matches!(b, 0x00 | 0x80 | 0xe0 | 0xf8 | 0x98 | 0xe6)
    });
    sights.note(Sight::Garbage { bytes: bytes.len() });
    let percent = inverted;
    sights.note_if(percent >= 40, Sight::InvertedLook { percent });
    let percent = too_fast;
    sights.note_if(percent >= 60, Sight::TooFastLook { percent });
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
    let times: u32 = seen.talk.second_answers.values().sum();
    sights.note_if(times > 0, Sight::AnsweredTwice { times });
    let has = |kind| doubts.iter().any(|doubt| doubt.kind() == kind);
    let jumps = times == 0 && has(DoubtKind::TwoUnits);
    sights.note_if(jumps, Sight::IdentityJumps);
    sights.note_if(has(DoubtKind::PerhapsCache), Sight::Frozen);
    sights.note_if(seen.was_lost(), Sight::Lost);
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
        sights.note(Sight::AsksUs { times: us });
    } else if others > 0 {
        sights.note(Sight::AsksOther { times: others });
    } else if can_hear && heard >= 8 && foreign.is_empty() {
        sights.note(Sight::GarbageHeard { bytes: heard });
    } else if can_hear && here && bus.listened >= LISTENED_ENOUGH && heard == 0 {
        sights.note(Sight::NobodyHeard { seconds });
    }
    let elsewhere = !here && profile.inverter.port != InverterPort::Unknown;
    sights.note_if(elsewhere, Sight::OtherSocket);
    sights.note_if(in_its_socket, Sight::InItsSocket);
    let never = matches!(inverter, InverterLink::SilentSoFar { proven: true, .. });
    sights.note_if(never, Sight::NeverHeard);
    let lost = matches!(inverter, InverterLink::Lost { .. });
    sights.note_if(lost, Sight::HeardBefore);
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
