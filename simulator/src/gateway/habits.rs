//! What a gateway does of itself: answers for itself, reads, has another client, ends idle connections.
//!
//! Input: the moments of its agenda. Output: questions and answers of its own. Does not: decide what
//! becomes of the questions of its clients.

use std::time::Duration;

use super::network::Connection;
use super::{Gateway, GatewayState, Job, RIVAL, Task, serial};
use crate::frame::{Request, wrap};
use crate::world::World;

/// Its own registers: a mark and what counts up; there are so many.
const OWN_REGISTERS: u16 = 8;

impl Gateway {
    /// Registers of its own: how many connections it has had, how many questions it has asked.
    pub(super) fn own_answer(&self, question: &[u8]) -> Vec<u8> {
        let function = question.first().copied().unwrap_or_default();
        let Some((_, from, count)) = serial::as_read(question) else {
            return vec![function | 0x80, 1];
        };
        if count == 0 || from.saturating_add(count) > OWN_REGISTERS {
            return vec![function | 0x80, 2];
        }
        // Kind: invented
        let word = |register: u16| match register {
            0 => 0x6761,
            1 => self.connected.to_be_bytes()[7].into(),
            2 => u16::from_be_bytes([self.asked.to_be_bytes()[6], self.asked.to_be_bytes()[7]]),
            _ => 0,
        };
        let words = (from..from + count).flat_map(|register| word(register).to_be_bytes());
        let mut answer = vec![function, u8::try_from(count * 2).unwrap_or(0)];
        answer.extend(words);
        answer
    }

    /// Reads the whole stack by itself.
    pub(super) fn poll(&mut self, at: Duration, world: &mut World) {
        let is_waiting = self.jobs.iter().any(|job| job.client.is_none());
        // A round that takes longer than its period delays the next one.
        if self.state == GatewayState::Works && !is_waiting {
            for (unit, pdu) in self.whole_map.clone() {
                let request = Request {
                    transaction: 0,
                    unit,
                    pdu,
                };
                self.jobs.push_back(Job {
                    client: None,
                    request,
                });
            }
            self.next(at, world);
        }
        let every = self.plan.polls_every.unwrap_or(Duration::from_secs(60));
        self.push(at + every.max(Duration::from_millis(200)), Task::Poll);
    }

    /// The rival asks, for as long as it is connected.
    pub(super) fn rival_asks(&mut self, at: Duration) {
        let rival = self.plan.rival.as_ref().filter(|rival| rival.is_there(at));
        let every = rival.map(|rival| rival.every);
        let question = self.whole_map.first().cloned();
        let (Some(every), Some((unit, pdu))) = (every, question) else {
            return;
        };
        if !self.connections.contains_key(&RIVAL) {
            return;
        }
        self.rival_asked = self.rival_asked.wrapping_add(1);
        let frame = wrap(self.framing, self.rival_asked, unit, &pdu);
        self.send_from(at, RIVAL, &frame);
        self.push(at + every.max(Duration::from_millis(200)), Task::RivalAsks);
    }

    /// Looks for idle connections at the first moment at which one can be.
    pub(super) fn watch_idle(&mut self) {
        let periods = [self.plan.idle_close, self.plan.idle_lost];
        let living = self.connections.values().filter(|one| !one.is_lost);
        let first = living.map(|one| one.used).min();
        let at = periods.into_iter().flatten().min().zip(first);
        if let Some((period, used)) = at.filter(|_| !self.watches_idle) {
            self.watches_idle = true;
            self.push(used + period, Task::Idle);
        }
    }

    /// Closes or forgets connections on which nothing was said for long.
    pub(super) fn end_idle(&mut self, at: Duration) {
        let idle = |one: &Connection, period: Option<Duration>| {
            period.is_some_and(|period| at >= one.used + period)
        };
        let (lost, close) = (self.plan.idle_lost, self.plan.idle_close);
        let mut closed = Vec::new();
        for (client, connection) in &mut self.connections {
            connection.is_lost |= idle(connection, lost);
            if idle(connection, close) {
                closed.push(*client);
            }
        }
        for client in closed {
            self.close(at, client);
        }
        self.watches_idle = false;
        self.watch_idle();
    }
}
