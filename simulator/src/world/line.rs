//! The line of a world: what is sent takes its time, and two that talk at once damage each other.
//!
//! Input: frames with the moment from which they may leave. Output: happenings in the world's queue.
//! Does not: decide what is answered.

use std::time::Duration;

use packside_profiles::LineSettings;

use super::{Happening, QUEUED, World};
use crate::frame::{Framing, Request, wrap};
use crate::mischief::Coming;
use crate::unit::Asker;

impl World {
    /// Two talk at once: both are damaged.
    pub(super) fn collide(&mut self, begins: Duration, ends: Duration, bytes: &mut [u8]) {
        let mut hit = false;
        for (at, what) in &mut self.queue {
            if let Happening::Arrives { began, bytes, .. } = what
                && *began < ends
                && at.0 > begins
            {
                hit = true;
                bytes.iter_mut().for_each(|byte| *byte ^= self.dice.byte());
            }
        }
        if hit {
            bytes.iter_mut().for_each(|byte| *byte ^= self.dice.byte());
        }
    }

    /// A gateway says that its unit is silent; a serial line says nothing.
    pub(super) fn nobody(
        &mut self,
        at: Duration,
        asker: Asker,
        request: &Request,
    ) -> Option<Duration> {
        let Asker::Client(client) = asker else {
            return None;
        };
        if self.framing != Framing::Tcp {
            return None;
        }
        // A gateway that is set up well gives up a little before its client does.
        let patience = Duration::from_millis(self.profile.answering.time_out_ms.into()) * 4 / 5;
        let pdu = [request.pdu.first()? | 0x80, 0x0b];
        let bytes = wrap(Framing::Tcp, request.transaction, request.unit, &pdu);
        let ends = at.max(self.line_free) + patience;
        self.line_free = ends;
        self.push(
            ends,
            Happening::Arrives {
                client: Some(client),
                began: ends,
                bytes,
            },
        );
        Some(ends)
    }

    /// Puts what comes of an answer on the line. Gives its end.
    pub(super) fn answer(
        &mut self,
        at: Duration,
        asker: Asker,
        request: &Request,
        coming: &[Coming],
    ) -> Option<Duration> {
        if self.queue.len() >= QUEUED {
            return None;
        }
        let client = match asker {
            Asker::Client(client) => Some(client),
            Asker::Inverter => None,
        };
        let silence = self.line.frame_silence();
        let mut end = None;
        for part in coming {
            let started = if self.framing == Framing::Tcp {
                at.max(self.line_free) + self.line.characters(request.pdu.len() + 3)
            } else {
                at.max(self.line_free)
            };
            let begins = started + silence + self.answer_time + part.later;
            end = Some(match self.framing {
                Framing::Rtu => self.transmit(client, begins, &part.bytes, part.bytewise),
                Framing::Tcp => self.deliver(client, begins, part),
            });
        }
        end
    }

    /// Sends bytes at character times, in chunks. Gives the end of the last one.
    pub(super) fn transmit(
        &mut self,
        client: Option<u32>,
        begins: Duration,
        bytes: &[u8],
        bytewise: Option<Duration>,
    ) -> Duration {
        let size = if bytewise.is_some() {
            1
        } else {
            chunk_size(self.line)
        };
        let mut sent = 0;
        let mut waited = Duration::ZERO;
        let mut ends = begins;
        for chunk in bytes.chunks(size) {
            let began = begins + waited + self.line.characters(sent);
            sent += chunk.len();
            ends = begins + waited + self.line.characters(sent);
            self.push(
                ends,
                Happening::Arrives {
                    client,
                    began,
                    bytes: chunk.to_vec(),
                },
            );
            waited += bytewise.unwrap_or_default();
        }
        self.line_free = self.line_free.max(ends);
        ends
    }

    /// Delivers what a gateway has received as a whole, or byte by byte.
    pub(super) fn deliver(
        &mut self,
        client: Option<u32>,
        begins: Duration,
        part: &Coming,
    ) -> Duration {
        let mut ends = begins + self.line.characters(part.bytes.len().saturating_sub(4));
        self.line_free = self.line_free.max(ends);
        let size = if part.bytewise.is_some() {
            1
        } else {
            part.bytes.len().max(1)
        };
        for chunk in part.bytes.chunks(size) {
            self.push(
                ends,
                Happening::Arrives {
                    client,
                    began: ends,
                    bytes: chunk.to_vec(),
                },
            );
            ends += part.bytewise.unwrap_or_default();
        }
        ends
    }
}

/// Characters that arrive together: few enough that a listener sees a frame grow, many enough that
/// a real driver can keep up.
fn chunk_size(line: LineSettings) -> usize {
    if line.baud > 38_400 { 32 } else { 8 }
}
