//! How the conversation went: counts, answer times, who else was heard, and what silence looks like.

use std::time::Duration;

use packside_profiles::LineSettings;
use packside_profiles::model::{InverterPort, Profile};

use super::inverter::InverterLink;
use super::shared::we_hold_its_socket;
use crate::ask::StrayKind;
use crate::event::{Event, LinkFacts, What};
use crate::evidence::Seen;
use crate::evidence::health::is_readable;
use crate::evidence::line::UnansweredBytes;
use crate::facts::doubt::{Doubt, DoubtKind};
use crate::facts::judgement::Bus;
use crate::facts::sight::{HowMany, Others, Sight, Sights, Text};
use crate::listen::settings::{Class, Hypothesis, explain};
use crate::listen::waveform::Received;
use crate::wire::Framing;

/// Counts and answer times.
pub(crate) fn statistics(seen: &Seen) -> Bus {
    let line = &seen.line;
    let times = &line.answer_times;
    Bus {
        requests: line.requests,
        answered: line.answered,
        exceptions: line
            .exceptions
            .iter()
            .map(|(code, n)| (*code, *n))
            .collect(),
        timeouts: line.timeouts,
        damaged: line.damaged,
        late: line.strays(StrayKind::Late),
        foreign_requests: line.requests_to(|_| true),
        echo: line.strays(StrayKind::Echo) > 0,
        noise_bytes: line.noise_bytes,
        bytes_in: line.bytes_in,
        answer_p50: times.share(5),
        answer_p90: times.share(9),
        answer_max: times.longest(),
        listened: line.listened(),
        ..Bus::default()
    }
}

/// What a bus without a valid answer looked like. Of several ways to see garbage only the most
/// telling is noted, so that one happening counts once.
pub(crate) fn observe(seen: &Seen, bus: &Bus) -> Sights {
    let (line, facts) = (&seen.line, seen.line.facts.as_ref());
    let exception = |code: u8| line.exceptions.contains_key(&code);
    let echo = bus.echo;
    // Requests count wherever they were heard; the others only beside our own questions.
    let ours = |unit: u8| line.asked.is_empty() || line.asked.contains(&unit);
    let (asked, in_vain) = (bus.foreign_requests, line.requests_to(ours));
    let foreign = line.strays(StrayKind::ForeignAnswer) + line.strays(StrayKind::WrongUnit) + asked;
    // Modbus TCP has no check value: what does not parse there is garbage.
    let by_tcp = facts.is_some_and(|f| f.framing == Framing::Tcp);
    let (damaged, late) = (line.strays(StrayKind::Damaged), bus.late);
    let damaged = if by_tcp { 0 } else { damaged };
    let answered = bus.answered > 0 || !bus.exceptions.is_empty();
    let garbage = bus.bytes_in > 0 && !echo && foreign + damaged + late == 0 && !answered;
    let ours = facts.and_then(LinkFacts::line).filter(|_| garbage);
    let mut sights = on_link(facts);
    if let Some((really, frames)) = ours.and_then(|ours| proven(&line.unanswered, ours)) {
        let settings = really.settings;
        sights.note(match really.is_swapped {
            true => Sight::SwappedProven { frames, settings },
            false => Sight::SettingsProven { frames, settings },
        });
    }
    let questions = bus.requests;
    sights.note_if(bus.bytes_in == 0, Sight::Nothing { questions });
    if garbage {
        garbage_sights(&mut sights, &line.unanswered);
    }
    let answers = HowMany::Came(damaged);
    sights.note_if(damaged > 0, Sight::Damaged { answers });
    let heard = Others::Frames(foreign);
    sights.note_if(foreign > 0, Sight::Foreign { heard });
    let answers = HowMany::Came(late);
    sights.note_if(late > 0, Sight::Late { answers });
    if in_vain > 0 {
        sights.note(Sight::AskedInVain { times: in_vain });
    } else if asked > 0 {
        sights.note(Sight::AsksOther { times: asked });
    }
    bus.health.of_content(&mut sights);
    sights.note_if(echo, Sight::Echo);
    sights.note_if(exception(0x0a), Sight::Exception0A);
    sights.note_if(exception(0x0b), Sight::Exception0B);
    let busy = Sight::Busy { answers: None };
    sights.note_if(exception(0x05) || exception(0x06), busy);
    sights.note_if(line.was_lost, Sight::Lost);
    sights
}

/// What bytes that make no frame look like, the most telling first.
fn garbage_sights(sights: &mut Sights, bytes: &UnansweredBytes) {
    if bytes.len() >= 8 && bytes.share(is_readable) >= 95 {
        let came = Text::Bytes(bytes.len());
        return sights.note(Sight::Text { came });
    }
    sights.note(Sight::Garbage { bytes: bytes.len() });
    let percent = bytes.share(|b| matches!(b, 0x7e | 0x7f | 0xfe | 0xff));
    sights.note_if(percent >= 40, Sight::InvertedLook { percent });
    let percent = bytes.share(|b| matches!(b, 0x00 | 0x80 | 0xe0 | 0xf8 | 0x98 | 0xe6));
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
    let mut sights = on_link(seen.line.facts.as_ref());
    bus.health.sights(&mut sights);
    let times: u32 = seen.twice.values().sum();
    sights.note_if(times > 0, Sight::AnsweredTwice { times });
    let has = |kind| doubts.iter().any(|doubt| doubt.kind() == kind);
    let jumps = times == 0 && has(DoubtKind::TwoUnits);
    sights.note_if(jumps, Sight::IdentityJumps);
    sights.note_if(has(DoubtKind::PerhapsCache), Sight::Frozen);
    sights.note_if(seen.line.was_lost, Sight::Lost);
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
    let (line, facts) = (&seen.line, seen.line.facts.as_ref());
    let mut sights = on_link(facts);
    let in_its_socket = we_hold_its_socket(facts);
    let here = profile.inverter.port == InverterPort::ThisBus;
    let can_hear = facts.is_some_and(LinkFacts::can_overhear) && !in_its_socket;
    let heard = line.heard;
    let seconds = bus.listened.as_secs_f64();
    let silence = Duration::from_secs(profile.inverter.silence_s.into());
    let from = line.end.saturating_sub(silence);
    let lately = |wanted: &dyn Fn(u8) -> bool| -> u32 {
        let fitting = line.foreign.iter().filter(|(unit, _)| wanted(**unit));
        fitting.map(|(_, requests)| requests.since(from)).sum()
    };
    let (us, others) = (
        lately(&|asked| asked == unit),
        lately(&|asked| asked != unit),
    );
    if us > 0 {
        sights.note(Sight::AsksUs { times: us });
    } else if others > 0 {
        sights.note(Sight::AsksOther { times: others });
    } else if can_hear && heard >= 8 && line.foreign.is_empty() {
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
fn proven(bytes: &UnansweredBytes, ours: LineSettings) -> Option<(Hypothesis, usize)> {
    let explanation = bytes.explanation(ours);
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
