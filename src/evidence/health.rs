//! How well the line does, counted question by question.
//!
//! Input: own questions that ended, and whether current flowed then. Output: a [`Health`]. Does not: say
//! what a count shows.

use std::collections::{BTreeMap, VecDeque};

use super::share::Share;
use crate::ask::{Exchange, Outcome, Silence, Stray, StrayKind};
use crate::wire::question::Counter;
use crate::wire::{Answer, Question, crc16};

/// How well a line does.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Health {
    /// Questions to which something came, or nothing where something was due: damaged ones.
    pub damaged: Share,
    /// The same for answers of at most 25 bytes.
    pub short: Share,
    /// The same for longer ones.
    pub long: Share,
    /// Damaged ones that are whole but for their first bytes.
    pub first_bytes: Share,
    /// Damaged ones while current flowed.
    pub with_current: Share,
    /// Damaged ones while none flowed.
    pub without_current: Share,
    /// Damaged answers that came before to a question from the same register on, damaged in the same way.
    pub repeated: u32,
    /// Questions while which readable text came.
    pub text: u32,
    /// The longest row of damaged answers.
    pub longest_row: u32,
    /// Answers that came too late, among all questions.
    pub late: Share,
    /// Answers "busy".
    pub busy: u32,
    /// Questions of ours while which somebody else asked.
    pub crossed: u32,
    /// What the unit itself counted, where it was asked.
    pub counted: Option<Counted>,
}

/// What a unit counted between our first and our last reading of its counters (function 08).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Counted {
    /// Unit address.
    pub unit: u8,
    /// Questions that we sent it meanwhile.
    pub questions: u32,
    /// Messages to it that it heard meanwhile, those of others included.
    pub heard: u32,
    /// Frames with a wrong check value that it saw meanwhile, whoever sent them.
    pub errors: Option<u32>,
    /// Answers to our questions that did not come whole meanwhile.
    pub damaged: u32,
}

/// Answers up to so many bytes count as short.
pub(crate) const SHORT: usize = 25;

/// More than this between two readings is no counting but a restart of the unit.
const COUNTED_AT_MOST: u32 = 10_000;
/// Alike so far, damaged answers are no work of chance.
const ALIKE: usize = 8;
/// Most damaged answers that later ones are compared with: the newest.
const BODIES: usize = 64;

/// Register, unit and function of a question, with the bytes of a damaged answer to it.
type Body = ((u8, u8, u16), Vec<u8>);

/// A line whose questions are counted as they end.
#[derive(Debug, Clone, Default)]
pub(crate) struct Counting {
    health: Health,
    row: u32,
    bodies: VecDeque<Body>,
    /// By unit address.
    counters: BTreeMap<u8, Counters>,
    /// The unit that first gave its count of messages.
    counting_unit: Option<u8>,
}

/// What a unit counted itself, and what we counted beside it.
#[derive(Debug, Clone, Default)]
struct Counters {
    questions: u32,
    damaged: u32,
    messages: Option<CounterEnds>,
    errors: Option<CounterEnds>,
}

/// The first and the last reading of a counter: its value, and our own counts of questions and of
/// damaged answers then.
#[derive(Debug, Clone, Copy)]
struct CounterEnds {
    first: (u16, u32, u32),
    last: Option<(u16, u32, u32)>,
}

impl Counting {
    /// Takes a question that ended. `current` says whether current flowed then, where that is known.
    pub(crate) fn take(&mut self, exchange: &Exchange, current: Option<bool>) {
        let damaged = is_damaged(exchange);
        let came = !matches!(
            exchange.outcome,
            Outcome::TimedOut(Silence::Nothing) | Outcome::LinkLost
        );
        let health = &mut self.health;
        let late = exchange.strays.iter().any(|s| s.kind == StrayKind::Late);
        health.late.count(late);
        let crossing = |s: &Stray| s.kind == StrayKind::ForeignRequest;
        health.crossed += u32::from(exchange.strays.iter().any(crossing));
        health.text += u32::from(text_came(exchange));
        if matches!(exchange.outcome, Outcome::Exception(0x05 | 0x06)) {
            health.busy += 1;
        }
        if came {
            health.damaged.count(damaged);
            if answer_length(exchange) <= SHORT {
                health.short.count(damaged);
            } else {
                health.long.count(damaged);
            }
            match current {
                Some(true) => health.with_current.count(damaged),
                Some(false) => health.without_current.count(damaged),
                None => {}
            }
            if damaged {
                health.first_bytes.count(only_first_bytes_wrong(exchange));
            }
            self.row = if damaged { self.row + 1 } else { 0 };
            health.longest_row = health.longest_row.max(self.row);
        }
        self.note_body(exchange);
        self.note_counters(exchange);
    }

    /// Bytes that it holds beside itself.
    pub(crate) fn held(&self) -> usize {
        let bodies = self.bodies.iter().map(|(_, bytes)| bytes.capacity());
        bodies.sum::<usize>()
            + self.bodies.capacity() * size_of::<Body>()
            + self.counters.len() * size_of::<Counters>()
    }

    /// What was counted so far.
    pub(crate) fn health(&self) -> Health {
        Health {
            counted: self.counted(),
            ..self.health
        }
    }

    /// Counts damaged answers that came before, to a question from the same register on and damaged in the
    /// same way: noise never does so, two units that answer on top of each other do.
    fn note_body(&mut self, exchange: &Exchange) {
        let Question::Read { address, .. } = exchange.ask.question else {
            return;
        };
        let bytes = torn_bytes(exchange);
        // The check value goes with the length asked for, the bytes before it do not.
        let body = bytes.len().saturating_sub(2);
        // A cut answer is alike in what is left of it.
        let whole = bytes.len() == answer_length(exchange);
        if !whole || body < ALIKE || only_first_bytes_wrong(exchange) {
            return;
        }
        let key = (exchange.ask.unit, exchange.ask.function(), address);
        let alike = |(other, before): &Body| {
            let both = body.min(before.len().saturating_sub(2));
            *other == key && both >= ALIKE && before.get(3..both) == bytes.get(3..both)
        };
        self.health.repeated += u32::from(self.bodies.iter().any(alike));
        if self.bodies.len() >= BODIES {
            self.bodies.pop_front();
        }
        self.bodies.push_back((key, bytes));
    }

    fn note_counters(&mut self, exchange: &Exchange) {
        let unit = exchange.ask.unit;
        let counters = self.counters.entry(unit).or_default();
        counters.questions = counters.questions.saturating_add(1);
        let whole = matches!(
            exchange.outcome,
            Outcome::Answered(_) | Outcome::Exception(_)
        );
        counters.damaged = counters.damaged.saturating_add(u32::from(!whole));
        let Outcome::Answered(Answer::Counter(value)) = exchange.outcome else {
            return;
        };
        let ends = match exchange.ask.question {
            Question::Counter(Counter::ServerMessages) => {
                self.counting_unit.get_or_insert(unit);
                &mut counters.messages
            }
            Question::Counter(Counter::BusErrors) => &mut counters.errors,
            _ => return,
        };
        let now = (value, counters.questions, counters.damaged);
        match ends {
            Some(ends) => ends.last = Some(now),
            None => {
                *ends = Some(CounterEnds {
                    first: now,
                    last: None,
                });
            }
        }
    }

    /// What the first unit that gave its counters counted between the first and the last reading of them.
    // Kind:   published
    // Source: Modbus Application Protocol V1.1b3, 6.8: 0C counts CRC errors seen on the bus, 0E messages
    //         addressed to the server, both 16 bits
    fn counted(&self) -> Option<Counted> {
        let unit = self.counting_unit?;
        let counters = self.counters.get(&unit)?;
        let grown = |ends: Option<CounterEnds>| {
            let ends = ends?;
            let (first, last) = (ends.first, ends.last?);
            let grown = u32::from(last.0.wrapping_sub(first.0));
            (grown <= COUNTED_AT_MOST).then_some((first, last, grown))
        };
        let (first, last, heard) = grown(counters.messages)?;
        Some(Counted {
            unit,
            questions: last.1 - first.1,
            heard,
            errors: grown(counters.errors).map(|(_, _, grown)| grown),
            damaged: last.2 - first.2,
        })
    }
}

/// The bytes of an answer that did not come whole.
fn torn_bytes(exchange: &Exchange) -> Vec<u8> {
    let torn = exchange
        .strays
        .iter()
        .filter(|s| matches!(s.kind, StrayKind::Damaged | StrayKind::Noise));
    torn.flat_map(|s| s.bytes.iter().copied()).collect()
}

/// Whether something readable that is no frame came while this question was open.
fn text_came(exchange: &Exchange) -> bool {
    exchange.strays.iter().any(|stray| {
        let readable = || stray.bytes.iter().all(|byte| is_readable(*byte));
        stray.kind == StrayKind::Noise && stray.bytes.len() > 3 && readable()
    })
}

/// Whether a byte is one of readable text.
pub(crate) fn is_readable(byte: u8) -> bool {
    matches!(byte, b'\t' | b'\n' | b'\r' | 0x20..=0x7e)
}

fn is_damaged(exchange: &Exchange) -> bool {
    let torn = |kind| matches!(kind, StrayKind::Damaged | StrayKind::Noise);
    // Text between whole answers is somebody else's, no damage of ours.
    if matches!(exchange.outcome, Outcome::Answered(_)) && text_came(exchange) {
        return false;
    }
    matches!(exchange.outcome, Outcome::TimedOut(Silence::Damaged))
        || exchange
            .strays
            .iter()
            .any(|stray| torn(stray.kind) && stray.bytes.len() > 3)
}

/// Bytes of the answer due.
fn answer_length(exchange: &Exchange) -> usize {
    match exchange.ask.question {
        Question::Read { count, .. } => 5 + 2 * usize::from(count),
        _ => 8,
    }
}

/// Whether the answer is whole but for its beginning: with the first bytes as they must be, what came
/// satisfies the check value.
fn only_first_bytes_wrong(exchange: &Exchange) -> bool {
    let bytes = torn_bytes(exchange);
    let unit = exchange.ask.unit;
    let due = match exchange.ask.question {
        Question::Read { count, .. } => u8::try_from(2 * u32::from(count))
            .map_or_else(|_| Vec::new(), |n| vec![unit, exchange.ask.function(), n]),
        // An answer of function 08 begins as its question does.
        Question::Echo(_) | Question::Counter(_) => {
            let pdu = exchange.ask.encode_pdu();
            std::iter::once(unit)
                .chain(pdu.into_iter().take(3))
                .collect()
        }
        _ => Vec::new(),
    };
    let rest = answer_length(exchange).saturating_sub(due.len());
    let fits = |tail: &[u8]| crc16(&[due.as_slice(), tail].concat()) == 0;
    !due.is_empty() && rest > 2 && bytes.windows(rest).any(fits)
}
