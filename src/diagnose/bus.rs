//! How the conversation went: counts, answer times, who else was heard, and what silence looks like.

use std::time::Duration;

use packside_profiles::LineSettings;

use super::causes::Observations;
use super::judgement::Bus;
use crate::ask::{Exchange, Outcome, StrayKind};
use crate::event::{Event, Framing, LinkFacts, What};
use crate::listen::settings::{Class, Hypothesis, explain};
use crate::listen::waveform::Received;

/// Counts and answer times.
pub(crate) fn statistics(events: &[Event], exchanges: &[Exchange], foreign: usize) -> Bus {
    let mut bus = Bus {
        foreign_requests: count(foreign),
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
    bus.bytes_in = events
        .iter()
        .map(|e| {
            if let What::In(bytes) = &e.what {
                bytes.len() as u64
            } else {
                0
            }
        })
        .sum();
    bus.listened = listened(events);
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

/// Time spent listening without asking.
fn listened(events: &[Event]) -> Duration {
    let mut total = Duration::ZERO;
    let mut since = None;
    for event in events {
        match event.what {
            What::Listening(true) => since = Some(event.at),
            What::Listening(false) => {
                total += since.take().map_or(Duration::ZERO, |from: Duration| {
                    event.at.saturating_sub(from)
                });
            }
            _ => {}
        }
    }
    let last = events.last().map_or(Duration::ZERO, |e| e.at);
    total + since.map_or(Duration::ZERO, |from| last.saturating_sub(from))
}

/// What a bus without a valid answer looked like.
pub(crate) fn observe(
    events: &[Event],
    exchanges: &[Exchange],
    facts: Option<&LinkFacts>,
) -> Observations {
    let bytes: Vec<u8> = events
        .iter()
        .filter_map(|e| {
            if let What::In(b) = &e.what {
                Some(b.as_slice())
            } else {
                None
            }
        })
        .flatten()
        .copied()
        .collect();
    let stray = |kind: StrayKind| {
        exchanges
            .iter()
            .any(|e| e.strays.iter().any(|s| s.kind == kind))
    };
    let exception = |code: u8| {
        exchanges
            .iter()
            .any(|e| e.outcome == Outcome::Exception(code))
    };
    let (echo, foreign) = (
        stray(StrayKind::Echo),
        stray(StrayKind::ForeignRequest)
            || stray(StrayKind::ForeignAnswer)
            || stray(StrayKind::WrongUnit),
    );
    let (damaged, late) = (stray(StrayKind::Damaged), stray(StrayKind::Late));
    let answered = exceptions_or_answers(exchanges);
    let text = mostly(&bytes, |b| matches!(b, b'\t' | b'\n' | b'\r' | 0x20..=0x7e));
    let garbage = !bytes.is_empty() && !echo && !foreign && !damaged && !late && !answered;
    let proven = facts
        .and_then(LinkFacts::line)
        .filter(|_| garbage)
        .and_then(|line| proven(&bytes, line));
    Observations {
        swapped_proven: proven.is_some_and(|line| line.is_swapped),
        settings_proven: proven.is_some_and(|line| !line.is_swapped),
        nothing: bytes.is_empty(),
        garbage: garbage && !text,
        inverted_look: garbage
            && !text
            && share(&bytes, |b| matches!(b, 0x7e | 0x7f | 0xfe | 0xff)) >= 40,
        too_fast_look: garbage
            && !text
            && share(&bytes, |b| {
                matches!(b, 0x00 | 0x80 | 0xe0 | 0xf8 | 0x98 | 0xe6)
            }) >= 60,
        text: text && garbage,
        damaged,
        echo,
        foreign,
        late,
        exception_0a: exception(0x0a),
        exception_0b: exception(0x0b),
        gateway: facts.is_some_and(LinkFacts::is_gateway),
        tcp_framing: facts.is_some_and(|f| f.framing == Framing::Tcp),
        lost: events.iter().any(|e| matches!(e.what, What::Lost { .. })),
    }
}

/// How the line really is, where the bytes received prove it.
fn proven(bytes: &[u8], ours: LineSettings) -> Option<Hypothesis> {
    let explanation = explain(&Received::unmarked(bytes), ours);
    match &explanation.class {
        Class::Survives(lines) if explanation.is_proven() => lines.first().copied(),
        _ => None,
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
