//! The conversation of others, from the events of a session.
//!
//! Does not: take any frame that could be our own answer or echo; those are told by
//! [`Pairing`] first.

use std::time::Duration;

use super::classify::{FOREIGN_WAIT, unit_and_pdu};
use super::exchange::{Exchange, Outcome, Stray, StrayKind};
use super::pairing::{Logged, Pairing};
use crate::event::{Event, Framing};
use crate::wire::{Ask, Reply, read_request};

/// Valid requests of somebody else: when, and to which unit.
pub fn foreign_requests(events: &[Event]) -> Vec<(Duration, u8)> {
    let log = log(events);
    let strays = log.iter().filter_map(|logged| match logged {
        Logged::Stray(stray) if stray.kind == StrayKind::ForeignRequest => Some(stray),
        _ => None,
    });
    strays
        .filter_map(|stray| Some((stray.at, *stray.bytes.first()?)))
        .collect()
}

/// Read requests of somebody else with their answers, as exchanges.
///
/// An answer counts if it follows its request directly, apart from noise, and fits it in unit,
/// function and length. Only on RTU others can be overheard.
pub fn overheard(events: &[Event]) -> Vec<Exchange> {
    let mut exchanges = Vec::new();
    let mut asked: Option<(Duration, Ask)> = None;
    for logged in log(events) {
        let Logged::Stray(stray) = logged else {
            asked = None;
            continue;
        };
        match stray.kind {
            StrayKind::Noise | StrayKind::Damaged => {}
            StrayKind::ForeignRequest => {
                asked = read_request(&stray.bytes).map(|ask| (stray.at, ask))
            }
            _ => {
                let number = u32::try_from(exchanges.len() + 1).unwrap_or(u32::MAX);
                let answered = asked
                    .take()
                    .and_then(|asked| answered(number, asked, &stray));
                exchanges.extend(answered);
            }
        }
    }
    exchanges
}

/// The exchange, if this frame answers that request.
fn answered(number: u32, (at, ask): (Duration, Ask), stray: &Stray) -> Option<Exchange> {
    let (unit, pdu) = unit_and_pdu(&stray.bytes)?;
    let in_time = stray.at.saturating_sub(at) <= FOREIGN_WAIT;
    let reply = ask
        .decode(pdu)
        .ok()
        .filter(|_| unit == ask.unit && in_time)?;
    Some(Exchange {
        number,
        ask,
        asked_at: at,
        sent_at: Some(at),
        ended_at: stray.at,
        first_byte_at: None,
        outcome: match reply {
            Reply::Answer(answer) => Outcome::Answered(answer),
            Reply::Exception(code) => Outcome::Exception(code),
        },
        strays: Vec::new(),
        fence: false,
    })
}

/// Everything that was no answer to us, in order.
fn log(events: &[Event]) -> Vec<Logged> {
    let framing = super::framing(events);
    if framing == Framing::Tcp {
        return Vec::new();
    }
    let mut pairing = Pairing::new(framing);
    pairing.log = Some(Vec::new());
    for event in events {
        pairing.take(event);
    }
    pairing.finish();
    pairing.log.unwrap_or_default()
}
