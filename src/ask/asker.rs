//! Says what to ask next, so that its answer can be told from every other.

use std::collections::VecDeque;
use std::time::Duration;

use packside_profiles::model::Table;

use super::exchange::{Exchange, Outcome};
use super::pairing::Pairing;
use crate::event::{Event, What};
use crate::wire::Framing;
use crate::wire::{Ask, Question};

/// Questions to one unit that may be unanswered at once; beyond that nothing is certain any more.
const UNANSWERED: usize = 32;
/// Answered questions that are remembered, as fences that are known to work.
const ANSWERED: usize = 16;

/// Exception code of a unit that does not understand the function.
const ILLEGAL_FUNCTION: u8 = 0x01;

/// What to do to get an answer to a wanted question.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Next {
    /// Ask it.
    Ask(Ask),
    /// First ask this one. Its answer settles that no earlier answer can come any more; an
    /// exception does not.
    Fence(Ask),
    /// No question could be told from those unanswered. They age out after a minute
    /// ([`Asker::tick`]).
    Stuck,
}

/// Asks one question at a time and pairs the answers.
#[derive(Debug, Clone)]
pub struct Asker {
    framing: Framing,
    functions: Vec<u8>,
    pairing: Pairing,
    answered: VecDeque<Ask>,
    /// Exchanges that ended while no event was taken.
    overdue: Vec<Exchange>,
}

impl Asker {
    /// `functions`: function codes that the unit understands and that may be asked.
    pub fn new(framing: Framing, functions: &[u8]) -> Self {
        Self {
            framing,
            functions: functions.to_vec(),
            pairing: Pairing::new(framing),
            answered: VecDeque::new(),
            overdue: Vec::new(),
        }
    }

    /// What to ask now to get an answer to this question.
    ///
    /// After a time-out that is a fence, unless the question itself differs from all unanswered
    /// ones: then it is its own. On Modbus TCP the transaction id tells answers apart.
    pub fn next(&self, wanted: Ask) -> Next {
        if self.framing == Framing::Tcp || self.is_telling(&wanted) {
            return Next::Ask(wanted);
        }
        if self.pairing.unanswered_of(wanted.unit).count() >= UNANSWERED {
            return Next::Stuck;
        }
        let number = self.fresh_number();
        let echo = Ask {
            unit: wanted.unit,
            question: Question::Echo(number),
        };
        let can_echo = self.functions.contains(&0x08) && self.echoes() == Some(false);
        let proven = self
            .answered
            .iter()
            .rev()
            .filter(|ask| ask.unit == wanted.unit);
        can_echo
            .then_some(echo)
            .into_iter()
            .chain(proven.copied())
            .chain(self.other_lengths(wanted))
            .find(|fence| self.is_telling(fence))
            .map_or(Next::Stuck, Next::Fence)
    }

    /// Opens an exchange: its event, already taken here, and the bytes to send. `time_out` is the
    /// whole wait from now.
    pub fn open(&mut self, now: Duration, ask: Ask, time_out: Duration) -> (Event, Vec<u8>) {
        let number = self.pairing.last_number().wrapping_add(1);
        let [_, _, a, b] = number.to_be_bytes();
        let transaction = (self.framing == Framing::Tcp).then_some(u16::from_be_bytes([a, b]));
        let bytes = match transaction {
            Some(transaction) => ask.encode_tcp(transaction),
            None => ask.encode_rtu(),
        };
        let what = What::Asked {
            exchange: number,
            ask,
            transaction,
            deadline: now.saturating_add(time_out),
        };
        let event = Event { at: now, what };
        let overdue = self.pairing.take(&event);
        self.overdue.extend(overdue);
        (event, bytes)
    }

    /// Takes an event and gives the exchanges that ended.
    pub fn take(&mut self, event: &Event) -> Vec<Exchange> {
        let mut done = std::mem::take(&mut self.overdue);
        done.extend(self.pairing.take(event));
        for exchange in &done {
            self.learn(exchange);
        }
        done
    }

    /// Time has passed without an event: questions unanswered for long are given up.
    pub fn tick(&mut self, now: Duration) {
        self.pairing.tick(now);
    }

    /// Whether the link gives our own requests back: `None` until it was shown either way.
    pub fn echoes(&self) -> Option<bool> {
        self.pairing.echoes()
    }

    /// The machine inside.
    pub fn pairing(&self) -> &Pairing {
        &self.pairing
    }

    fn learn(&mut self, exchange: &Exchange) {
        let is_echo = matches!(exchange.ask.question, Question::Echo(_));
        if is_echo && exchange.outcome == Outcome::Exception(ILLEGAL_FUNCTION) {
            self.functions.retain(|function| *function != 0x08);
        }
        let is_read = matches!(exchange.ask.question, Question::Read { .. });
        if !is_read || !matches!(exchange.outcome, Outcome::Answered(_)) {
            return;
        }
        self.answered.retain(|ask| *ask != exchange.ask);
        if self.answered.len() >= ANSWERED {
            self.answered.pop_front();
        }
        self.answered.push_back(exchange.ask);
    }

    /// Whether an answer to this question could belong to no unanswered one.
    fn is_telling(&self, ask: &Ask) -> bool {
        let mut unanswered = self.pairing.unanswered_of(ask.unit);
        !unanswered.any(|other| other.shares_answers_with(ask))
    }

    /// A number for function 08 that no unanswered question has.
    fn fresh_number(&self) -> u16 {
        let [_, _, a, b] = self.pairing.last_number().wrapping_add(1).to_be_bytes();
        u16::from_be_bytes([a, b]) ^ 0xa537
    }

    /// Reads at the wanted address with other lengths, shorter ones first, then with other
    /// functions.
    fn other_lengths(&self, wanted: Ask) -> impl Iterator<Item = Ask> {
        let functions = self.functions.clone();
        let (table, address, count) = match wanted.question {
            Question::Read {
                table,
                address,
                count,
            } => (table, address, count),
            _ => (Table::Holding, 0, 1),
        };
        let read = move |table, count| Ask {
            unit: wanted.unit,
            question: Question::Read {
                table,
                address,
                count,
            },
        };
        let most = most(table).min(u16::MAX - address);
        let lengths = (1..count).rev().chain(count.saturating_add(1)..=most);
        let own = lengths.map(move |count| read(table, count));
        let others = [
            (0x03, Table::Holding),
            (0x04, Table::Input),
            (0x02, Table::Discrete),
            (0x01, Table::Coil),
        ];
        let others = others
            .into_iter()
            .filter(move |(function, other)| functions.contains(function) && *other != table)
            .map(move |(_, other)| read(other, 1));
        own.chain(others)
    }
}

/// Most items of one read.
fn most(table: Table) -> u16 {
    match table {
        Table::Coil | Table::Discrete => 2000,
        Table::Holding | Table::Input => 125,
    }
}
