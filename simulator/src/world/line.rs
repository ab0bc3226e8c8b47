//! The line of a world: what is sent takes its time, and each party hears it its own way.
//!
//! Input: frames with the moment from which they may leave. Output: happenings in the world's
//! queue, and bytes as the tool's terminal reads them. Does not: decide what is answered, compute
//! bits (see [`super::air`]).

use std::time::Duration;

use packside_profiles::LineSettings;

use super::air::{Party, Taken, nanos};
use super::{Arrival, Happening, QUEUED, Sent, World};
use crate::line_plan::HELD_BYTES;
use crate::mischief::Coming;
use crate::uart::Heard;
use crate::unit::Asker;

/// Where there is no common wire: characters at the start of a transmission that suffer.
const LOOSE_CHARACTERS: usize = 3;

impl World {
    /// When somebody who waits until nobody talks may begin, at this time or later.
    pub(crate) fn free_from(&self, at: Duration) -> Duration {
        if at < self.line_free {
            self.line_free + self.line.frame_silence() + Duration::from_millis(2)
        } else {
            at
        }
    }

    /// Time after which whoever asks gives up.
    pub(super) fn time_out(&self) -> Duration {
        Duration::from_millis(self.profile.answering.time_out_ms.into())
    }

    /// Puts what comes of an answer on the line. Gives when it was there.
    pub(super) fn answer(
        &mut self,
        at: Duration,
        (talker, asker): (Party, Asker),
        coming: &[Coming],
    ) -> Option<Sent> {
        if self.queue.len() >= QUEUED {
            return None;
        }
        let client = match asker {
            Asker::Client(client) => Some(client),
            Asker::Inverter | Asker::Second => None,
        };
        let silence = self.line.frame_silence();
        let answer_time = if talker == Party::Neighbour {
            self.neighbour_answer_time
        } else {
            self.answer_time
        };
        let mut sent: Option<Sent> = None;
        for part in coming {
            let begins = at + silence + answer_time + part.later;
            let now_sent = self.transmit(talker, client, begins, &part.bytes, part.bytewise);
            let begins = sent.map_or(now_sent.begins, |sent| sent.begins);
            sent = Some(Sent { begins, ..now_sent });
        }
        sent
    }

    /// Sends bytes at character times, in chunks, once the sender has ended what it is sending.
    pub(super) fn transmit(
        &mut self,
        talker: Party,
        client: Option<u32>,
        begins: Duration,
        bytes: &[u8],
        bytewise: Option<Duration>,
    ) -> Sent {
        let free = self.talks_until.get(&talker).copied();
        let begins = begins.max(free.unwrap_or_default());
        let size = if bytewise.is_some() {
            1
        } else {
            chunk_size(self.line)
        };
        let mut sent = 0;
        let mut waited = Duration::ZERO;
        let mut ends = begins;
        for chunk in bytes.chunks(size) {
            let began = begins + waited + self.air.characters(talker, sent);
            sent += chunk.len();
            ends = begins + waited + self.air.characters(talker, sent);
            self.air.add(self.now, talker, began, ends, chunk);
            self.push(
                ends,
                Happening::Arrives {
                    client,
                    on_wire: Some((talker, began)),
                    bytes: chunk.to_vec(),
                },
            );
            waited += bytewise.unwrap_or_default();
        }
        self.loosen(talker, begins);
        self.talks_until.insert(talker, ends);
        self.line_free = self.line_free.max(ends);
        Sent { begins, ends }
    }

    /// Without a common wire the pair floats away while nobody drives it, and the first
    /// characters of whoever begins suffer: rarely, and often while the inverter works hard.
    pub(super) fn loosen(&mut self, talker: Party, begins: Duration) {
        // Kind: invented (comes and goes, follows the inverter's power)
        let chance = 5.0 + 35.0 * self.inverter_power();
        if self.has_common_wire || !self.noise_dice.percent(chance) {
            return;
        }
        let window = nanos(self.air.characters(talker, LOOSE_CHARACTERS));
        let bit = window / 33;
        for _ in 0..3 {
            let after = self.noise_dice.next() % window.max(1);
            let length = bit / 2 + self.noise_dice.next() % bit.max(1);
            let from = begins + Duration::from_nanos(after);
            self.air.spike(from, Duration::from_nanos(length));
        }
    }

    /// An adapter that hears itself gives its client's bytes back, in chunks.
    pub(super) fn echo(&mut self, client: u32, begins: Duration, bytes: &[u8]) {
        let mut sent = 0;
        for chunk in bytes.chunks(chunk_size(self.line)) {
            sent += chunk.len();
            let arrives = Happening::Arrives {
                client: Some(client),
                on_wire: None,
                bytes: chunk.to_vec(),
            };
            self.push(begins + self.air.characters(Party::Tool, sent), arrives);
        }
    }

    /// What somebody sent is over; gives to the clients what the tool's adapter made of it.
    pub(super) fn arrive(
        &mut self,
        at: Duration,
        client: Option<u32>,
        on_wire: Option<(Party, Duration)>,
        bytes: Vec<u8>,
    ) {
        let bytes = match on_wire {
            None => self.tty.read_good(bytes),
            Some((talker, began)) => match self.air.take(Party::Tool, talker, began, at) {
                Taken::AsSent => self.tty.read_good(bytes),
                Taken::Heard(heard) => {
                    self.settle_later(at, client);
                    self.tty.read(&heard)
                }
            },
        };
        self.hand_over(at, client, bytes);
    }

    /// Gives bytes to the clients, or to an adapter that holds them back.
    fn hand_over(&mut self, at: Duration, client: Option<u32>, bytes: Vec<u8>) {
        if bytes.is_empty() {
            return;
        }
        let Some(period) = self.hold_back.filter(|period| !period.is_zero()) else {
            self.arrived.push(Arrival { at, client, bytes });
            return;
        };
        if self.held.is_empty() {
            let passed = at.as_nanos() / period.as_nanos();
            let next = period.saturating_mul(u32::try_from(passed + 1).unwrap_or(u32::MAX));
            self.push(next.max(at), Happening::Release);
        }
        self.held.push((client, bytes));
        if self
            .held
            .iter()
            .map(|(_, bytes)| bytes.len())
            .sum::<usize>()
            >= HELD_BYTES
        {
            self.release(at);
        }
    }

    /// The adapter hands over what it holds, in one piece for each client.
    pub(super) fn release(&mut self, at: Duration) {
        let mut pieces: Vec<Arrival> = Vec::new();
        for (client, bytes) in std::mem::take(&mut self.held) {
            match pieces.last_mut() {
                Some(piece) if piece.client == client => piece.bytes.extend(bytes),
                _ => pieces.push(Arrival { at, client, bytes }),
            }
        }
        self.arrived.extend(pieces);
    }

    /// Looks again for a character whose end is still to come.
    fn settle_later(&mut self, at: Duration, client: Option<u32>) {
        if self.air.is_in_character(Party::Tool) {
            let later = at + self.air.characters(Party::Tool, 1);
            self.push(later, Happening::Settle { client });
        }
    }

    /// Noise and late bits of which the tool's adapter makes bytes.
    pub(super) fn settle(&mut self, at: Duration, client: Option<u32>) {
        // Where somebody talks, the end of what is said settles it.
        if self.air.is_busy(Party::Tool, at) {
            return;
        }
        let heard = self.air.settle(Party::Tool, at);
        self.settle_later(at, client);
        let bytes = self.tty.read(&heard);
        self.hand_over(at, client, bytes);
    }

    /// What the units make of bytes: those after the last bad one, and whether there was one.
    ///
    /// A frame with a bad character is thrown away as a whole (Modbus over Serial Line V1.02,
    /// 2.5.1.1 and 2.4.2: a frame with an error is ignored).
    pub(super) fn units_hear(
        &mut self,
        talker: Party,
        begins: Duration,
        ends: Duration,
        sent: Vec<u8>,
    ) -> (Vec<u8>, bool) {
        match self.air.take(Party::Units, talker, begins, ends) {
            Taken::AsSent => (sent, false),
            Taken::Heard(heard) => {
                let bad = heard.iter().rposition(|one| !one.is_good());
                let rest = heard.get(bad.map_or(0, |at| at + 1)..).unwrap_or_default();
                (rest.iter().map(|one| one.byte).collect(), bad.is_some())
            }
        }
    }

    /// Whether a party that asked hears a whole answer.
    pub(super) fn hears_answer(&mut self, who: Party, sent: Sent) -> bool {
        match self.air.take(who, Party::Units, sent.begins, sent.ends) {
            Taken::AsSent => true,
            Taken::Heard(heard) => {
                let bytes: Vec<u8> = heard.iter().map(|one| one.byte).collect();
                let good = heard.iter().all(Heard::is_good);
                good && bytes.len() >= 4 && crate::frame::crc(&bytes) == 0
            }
        }
    }
}

/// Characters that arrive together: few enough that a listener sees a frame grow, many enough that
/// a real driver can keep up.
fn chunk_size(line: LineSettings) -> usize {
    if line.baud > 38_400 { 32 } else { 8 }
}
