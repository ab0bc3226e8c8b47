//! The inverter of a world: it writes its sign of life and asks for the state, round by round.
//!
//! Input: its turns in the world's queue. Output: requests on the line, or, where it talks on
//! another wire, signs of life that no client can hear. Does not: take answers to heart.

use std::time::Duration;

use packside_profiles::Role;
use packside_profiles::model::{FedBy, InverterPort, Table};

use super::{Happening, World};
use crate::frame::{Framing, Request, wrap};

impl World {
    /// Whether the inverter talks now.
    pub fn inverter_talks(&self) -> bool {
        let planned = self.inverter.as_ref().is_some_and(|plan| {
            self.now >= plan.from && plan.until.is_none_or(|until| self.now < until)
        });
        self.inverter_forced.unwrap_or(planned)
    }

    /// One step of the inverter's round: at the first it also plans its next round.
    pub(super) fn inverter_turn(&mut self, at: Duration, step: usize) {
        let Some(every) = self.inverter.as_ref().map(|plan| plan.every) else {
            return;
        };
        let on_this_line =
            self.framing == Framing::Rtu && self.profile.inverter.port == InverterPort::ThisBus;
        if on_this_line && at < self.line_free && self.inverter_talks() {
            let free = self.line_free + self.line.frame_silence() + Duration::from_millis(2);
            self.push(free, Happening::InverterTurn { step });
            return;
        }
        if step == 0 {
            self.push(
                at + every.max(Duration::from_millis(200)),
                Happening::InverterTurn { step: 0 },
            );
            self.inverter_counter = self.inverter_counter.wrapping_add(1);
        }
        if !self.inverter_talks() {
            return;
        }
        if !on_this_line {
            let counter = self.inverter_counter;
            self.units
                .iter_mut()
                .filter(|unit| unit.is_on())
                .for_each(|unit| unit.feed_unseen(at, counter));
            return;
        }
        let Some((unit, pdu)) = self.round().into_iter().nth(step) else {
            return;
        };
        let bytes = wrap(Framing::Rtu, 0, unit, &pdu);
        let ends = self.transmit(None, at, &bytes, None);
        let request = Request {
            transaction: 0,
            unit,
            pdu,
        };
        self.push(ends, Happening::InverterRequest { step, request });
    }

    /// What the inverter asks in one round: a sign of life where writes feed the unit, and the
    /// state, of every unit.
    fn round(&self) -> Vec<(u8, Vec<u8>)> {
        let first_of = |role| self.profile.points.iter().find(|p| p.role == role);
        let mut round = Vec::new();
        for unit in &self.units {
            if self.profile.inverter.fed_by == FedBy::Writes {
                let [a, b] = first_of(Role::InverterHeartbeat)
                    .map_or(0, |p| p.address)
                    .to_be_bytes();
                let [c, d] = self.inverter_counter.to_be_bytes();
                round.push((unit.address, vec![6, a, b, c, d]));
            }
            if let Some(state) = first_of(Role::State) {
                let function = if state.table == Some(Table::Holding) {
                    3
                } else {
                    4
                };
                let [a, b] = state.address.to_be_bytes();
                round.push((unit.address, vec![function, a, b, 0, 1]));
            }
        }
        round
    }
}
