//! The conversation of others, from the events of a session.
//!
//! Does not: take any frame that could be our own answer or echo; those are told by
//! [`Pairing`] first.

use std::collections::{BTreeMap, VecDeque};
use std::time::Duration;

use super::classify::{FOREIGN_WAIT, unit_and_pdu};
use super::exchange::{Exchange, Outcome, Stray, StrayKind};
use super::pairing::{Logged, Pairing};
use crate::event::{Event, Framing};
use crate::wire::{Ask, Reply, read_request};

/// Answered questions whose second answer is waited for.
const ANSWERED: usize = 4;

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

/// Units that answered a question of ours a second time, with other content, and how often.
///
/// Nobody else had asked in between: two units have this address, one slower than the other. The
/// slower one may come when the next question is open already.
pub fn second_answers(events: &[Event]) -> BTreeMap<u8, u32> {
    let mut counts = BTreeMap::new();
    let mut answered: VecDeque<Ask> = VecDeque::new();
    for logged in log(events) {
        match logged {
            Logged::Ours(ask) => {
                answered.push_front(ask);
                answered.truncate(ANSWERED);
            }
            Logged::Stray(stray) if stray.kind == StrayKind::ForeignRequest => answered.clear(),
            Logged::Stray(stray) if is_for_another_question(stray.kind) => {
                let Some((unit, pdu)) = unit_and_pdu(&stray.bytes) else {
                    continue;
                };
                let fits = |ask: &Ask| ask.unit == unit && ask.decode(pdu).is_ok();
                if let Some(place) = answered.iter().position(fits) {
                    answered.remove(place);
                    *counts.entry(unit).or_insert(0) += 1;
                }
            }
            Logged::Stray(_) => {}
        }
    }
    counts
}

/// Valid, from the unit, and no answer to the question that is open.
fn is_for_another_question(kind: StrayKind) -> bool {
    matches!(
        kind,
        StrayKind::ForeignAnswer | StrayKind::WrongCount | StrayKind::WrongFunction
    )
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
