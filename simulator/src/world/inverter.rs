//! Those in a world that ask by themselves: the inverter, and perhaps a second client.
//!
//! Input: their turns in the world's queue. Output: requests on the line, or, where the inverter
//! talks on another wire, signs of life that no client can hear. Does not: use what the answers
//! say; a poller only notices whether one came, and asks again where none did.
//!
//! # Invariants
//! - A poller has at most one turn or question waiting: a round that takes longer than its period
//!   delays the next one.

use std::time::Duration;

use packside_profiles::Role;
use packside_profiles::model::{FedBy, InverterPort, Table};

use super::air::Party;
use super::{Happening, Sent, World};
use crate::frame::{Framing, Request, wrap};
use crate::scenario::InverterReads;
use crate::unit::Asker;

/// Shortest period of a poller.
const SHORTEST: Duration = Duration::from_millis(200);

/// Where a poller stands in its round.
#[derive(Debug, Clone, Copy)]
pub(super) struct Turn {
    /// The inverter or the second client.
    pub(super) who: Party,
    /// Number of the question in the round.
    pub(super) step: usize,
    /// How often this question was asked before without an answer.
    pub(super) tries: u8,
    /// When the round began.
    pub(super) began: Duration,
}

impl Turn {
    /// The first of a round.
    pub(super) fn first(who: Party, began: Duration) -> Self {
        Self {
            who,
            step: 0,
            tries: 0,
            began,
        }
    }
}

/// How a poller behaves.
struct Habit {
    every: Duration,
    talks: bool,
    listens_first: bool,
    retries: u8,
}

impl World {
    /// Whether the inverter talks now.
    pub fn inverter_talks(&self) -> bool {
        let planned = self.inverter.as_ref().is_some_and(|plan| {
            self.now >= plan.from && plan.until.is_none_or(|until| self.now < until)
        });
        self.inverter_forced.unwrap_or(planned) && self.inverter_has_supply()
    }

    /// Whether an inverter that lives on the battery has had it for long enough.
    fn inverter_has_supply(&self) -> bool {
        let boots = self
            .inverter
            .as_ref()
            .and_then(|plan| plan.starts_from_battery);
        boots.is_none_or(|boot| {
            self.battery_live_since
                .is_some_and(|since| self.now >= since + boot)
        })
    }

    /// Which wire the inverter talks on.
    fn inverter_port(&self) -> InverterPort {
        let planned = self.inverter.as_ref().and_then(|plan| plan.port);
        planned.unwrap_or(self.profile.inverter.port)
    }

    /// How hard the inverter works: the share of the current it asks for that really flows.
    pub(super) fn inverter_power(&self) -> f64 {
        let wanted = self
            .inverter
            .as_ref()
            .map_or(0.0, |plan| plan.current.abs());
        let flows = self.units.first().map_or(0.0, |unit| unit.current().abs());
        if wanted > 0.0 {
            (flows / wanted).min(1.0)
        } else {
            0.0
        }
    }

    fn habit(&self, who: Party) -> Option<Habit> {
        if who == Party::Second {
            let plan = self.second.as_ref()?;
            return Some(Habit {
                every: plan.every,
                talks: self.now >= plan.from && plan.until.is_none_or(|until| self.now < until),
                listens_first: plan.listens_first,
                retries: plan.retries,
            });
        }
        let plan = self.inverter.as_ref()?;
        Some(Habit {
            every: plan.every,
            talks: self.inverter_talks() && !self.inverter_is_cut,
            listens_first: plan.listens_first,
            retries: plan.retries,
        })
    }

    /// A poller's turn: it asks its next question, or ends its round.
    pub(super) fn take_turn(&mut self, at: Duration, turn: Turn) {
        let Some(habit) = self.habit(turn.who) else {
            return;
        };
        let next_round = at.max(turn.began + habit.every.max(SHORTEST));
        let rest = Happening::Turn(Turn::first(turn.who, next_round));
        let on_this_line =
            turn.who == Party::Second || self.inverter_port() == InverterPort::ThisBus;
        let busy = on_this_line && at < self.line_free && habit.talks;
        if busy && habit.listens_first {
            self.push(self.free_from(at), Happening::Turn(turn));
            return;
        }
        let is_inverter = turn.who == Party::Inverter;
        let counts = self.inverter.as_ref().is_none_or(|plan| plan.counts);
        if turn.step == 0 && turn.tries == 0 && is_inverter && counts {
            self.inverter_counter = self.inverter_counter.wrapping_add(1);
        }
        if !on_this_line && habit.talks && is_inverter {
            self.feed_unseen(at);
        }
        let question = if on_this_line && habit.talks {
            self.round(turn.who).into_iter().nth(turn.step)
        } else {
            None
        };
        let Some((unit, pdu)) = question else {
            self.push(next_round, rest);
            return;
        };
        let bytes = wrap(Framing::Rtu, 0, unit, &pdu);
        let sent = self.transmit(turn.who, None, at, &bytes, None);
        let request = Request {
            transaction: 0,
            unit,
            pdu,
        };
        self.push(
            sent.ends,
            Happening::Asked {
                turn,
                sent,
                request,
            },
        );
    }

    fn feed_unseen(&mut self, at: Duration) {
        // A unit that expects it on another wire does not hear it on this one.
        let expected = self.profile.inverter.port;
        if expected != InverterPort::Unknown && expected != self.inverter_port() {
            return;
        }
        let counter = self.inverter_counter;
        let polled = |address: u8| {
            let plan = self.inverter.as_ref();
            plan.is_none_or(|plan| plan.polls.is_empty() || plan.polls.contains(&address))
        };
        for unit in &mut self.units {
            if unit.is_on() && polled(unit.address) {
                unit.feed_unseen(at, counter);
            }
        }
    }

    /// A poller's question is over: the units answer it if they have heard it.
    pub(super) fn asked(&mut self, at: Duration, turn: Turn, sent: Sent, request: &Request) {
        let asker = if turn.who == Party::Second {
            Asker::Second
        } else {
            Asker::Inverter
        };
        let bytes = wrap(Framing::Rtu, 0, request.unit, &request.pdu);
        let heard = self.units_hear(turn.who, sent.begins, sent.ends, bytes.clone());
        let answered = if heard == (bytes, false) {
            self.request(at, asker, request)
        } else {
            self.count_damage(1);
            None
        };
        match answered {
            Some(sent) => self.push(sent.ends, Happening::Answered { turn, sent }),
            None => self.next_turn(at + self.time_out(), turn, false),
        }
    }

    /// An answer to a poller is over.
    pub(super) fn answered(&mut self, at: Duration, turn: Turn, sent: Sent) {
        let heard = self.hears_answer(turn.who, sent);
        self.next_turn(at, turn, heard);
    }

    fn next_turn(&mut self, at: Duration, turn: Turn, done: bool) {
        let retries = self.habit(turn.who).map_or(0, |habit| habit.retries);
        let next = if done || turn.tries >= retries {
            Turn {
                step: turn.step + 1,
                tries: 0,
                ..turn
            }
        } else {
            Turn {
                tries: turn.tries + 1,
                ..turn
            }
        };
        let gap = self.line.frame_silence() + Duration::from_millis(10);
        self.push(at + gap, Happening::Turn(next));
    }

    /// What a poller asks in one round. The inverter: a sign of life where writes feed the unit,
    /// and the state, of every unit. A second client: a block of values.
    fn round(&self, who: Party) -> Vec<(u8, Vec<u8>)> {
        let own: Vec<u8> = self.units.iter().map(|unit| unit.address).collect();
        if who == Party::Second {
            let Some(plan) = &self.second else {
                return Vec::new();
            };
            let block = self.first_block(plan.registers);
            let asked = own.first().copied().zip(block);
            return asked.into_iter().collect();
        }
        let plan = self.inverter.clone().unwrap_or_default();
        let addresses = if plan.polls.is_empty() {
            own
        } else {
            plan.polls
        };
        let writes = plan
            .writes
            .unwrap_or(self.profile.inverter.fed_by == FedBy::Writes);
        let first_of = |role| self.profile.points.iter().find(|p| p.role == role);
        let mut round = Vec::new();
        for address in addresses {
            if writes {
                let [a, b] = first_of(Role::InverterHeartbeat)
                    .map_or(0, |p| p.address)
                    .to_be_bytes();
                let [c, d] = self.inverter_counter.to_be_bytes();
                round.push((address, vec![6, a, b, c, d]));
            }
            if let Some(state) = first_of(Role::State) {
                let function = read_function(state.table);
                let count: u16 = match plan.reads {
                    InverterReads::Nothing => continue,
                    InverterReads::State => 1,
                    InverterReads::Block => self.block_from(state.table, state.address),
                };
                let [a, b] = state.address.to_be_bytes();
                let [c, d] = count.to_be_bytes();
                round.push((address, vec![function, a, b, c, d]));
            }
        }
        round
    }

    /// Registers from an address to the end of its readable range, as many as one read takes.
    fn block_from(&self, table: Option<Table>, from: u16) -> u16 {
        let spans = self.profile.spans.iter();
        let span = spans
            .filter(|span| Some(span.table) == table)
            .find(|span| (span.from..=span.to).contains(&from));
        span.map_or(1, |span| (span.to - from).saturating_add(1).min(125))
    }

    /// A read of the first registers that the profile says are there.
    fn first_block(&self, most: u16) -> Option<Vec<u8>> {
        let span = self
            .profile
            .spans
            .iter()
            .find(|span| matches!(span.table, Table::Input | Table::Holding))?;
        let [a, b] = span.from.to_be_bytes();
        let there = span.to.saturating_sub(span.from).saturating_add(1);
        let [c, d] = there.min(most).to_be_bytes();
        Some(vec![read_function(Some(span.table)), a, b, c, d])
    }
}

fn read_function(table: Option<Table>) -> u8 {
    if table == Some(Table::Holding) { 3 } else { 4 }
}
