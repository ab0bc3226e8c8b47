//! Our own questions in a recording of Modbus TCP, where transaction ids say what belongs together.
//!
//! Input: what was asked, sent and received. Output: exchanges as on a line, each frame with the check
//! value that it would have there. Does not: pair RTU (see [`super::Conversation::sent`]).

use std::collections::BTreeMap;
use std::time::Duration;

use super::overheard::{Fate, Overheard};
use crate::wire::{Adu, ByteStamp, Framing, SpanKind, Splitter, sealed};

/// Questions that may be open at once.
const OPEN: usize = 64;

/// Pairs by transaction id.
#[derive(Debug, Clone)]
pub struct Numbered {
    splitter: Splitter,
    /// Exchange and its transaction id.
    asked: BTreeMap<u32, u16>,
    open: BTreeMap<u16, (Vec<u8>, Duration)>,
}

impl Default for Numbered {
    fn default() -> Self {
        Self {
            splitter: Splitter::new(Framing::Tcp),
            asked: BTreeMap::new(),
            open: BTreeMap::new(),
        }
    }
}

impl Numbered {
    /// A question is about to be sent under this id.
    pub fn asked(&mut self, exchange: u32, transaction: u16) {
        if self.asked.len() >= OPEN {
            self.asked.pop_first();
        }
        self.asked.insert(exchange, transaction);
    }

    /// We sent these bytes, a whole frame.
    pub fn sent(&mut self, at: Duration, bytes: &[u8]) {
        if let Some(adu) = Adu::read(bytes).filter(|_| self.open.len() < OPEN) {
            self.open.insert(adu.transaction, (on_a_line(&adu), at));
        }
    }

    /// These bytes came.
    pub fn received(&mut self, at: Duration, bytes: &[u8]) -> Vec<Overheard> {
        let stamp = ByteStamp { at, during: None };
        self.splitter.push(bytes, stamp);
        let mut done = Vec::new();
        while let Some(span) = self.splitter.next(None, false) {
            let frame = Adu::read(&span.bytes).filter(|_| span.kind == SpanKind::Frame);
            let Some(adu) = frame else {
                continue;
            };
            let answer = on_a_line(&adu);
            done.push(match self.open.remove(&adu.transaction) {
                Some((request, asked_at)) => Overheard {
                    at: asked_at,
                    fate: match *adu.pdu {
                        [0x80..=0xff, code, ..] => Fate::Exception(code),
                        _ => Fate::Answered,
                    },
                    waited: Some(at.saturating_sub(asked_at)),
                    is_ours: true,
                    ..alone(at, request, answer)
                },
                None => alone(at, Vec::new(), answer),
            });
        }
        done
    }

    /// The wait for an answer is over.
    pub fn passed(&mut self, exchange: u32) -> Option<Overheard> {
        let transaction = self.asked.remove(&exchange)?;
        let (request, at) = self.open.remove(&transaction)?;
        Some(unanswered(at, request))
    }

    /// Nothing more will come.
    pub fn finish(&mut self) -> Vec<Overheard> {
        let open = std::mem::take(&mut self.open).into_values();
        open.map(|(request, at)| unanswered(at, request)).collect()
    }
}

/// The frame as it would be on a line.
fn on_a_line(adu: &Adu<'_>) -> Vec<u8> {
    sealed([&[adu.unit], adu.pdu].concat())
}

fn unanswered(at: Duration, request: Vec<u8>) -> Overheard {
    Overheard {
        fate: Fate::Unanswered,
        is_ours: true,
        ..alone(at, request, Vec::new())
    }
}

fn alone(at: Duration, request: Vec<u8>, answer: Vec<u8>) -> Overheard {
    Overheard {
        at,
        request,
        answer,
        fate: Fate::Unasked,
        waited: None,
        is_retry: false,
        is_ours: false,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // Kind:   published
    // Source: Modbus Messaging on TCP/IP Implementation Guide V1.0b, 3.1.3 (header); Modbus Application
    //         Protocol V1.1b3, 6.4 (read input registers, the example)
    #[test]
    fn question_and_answer_are_joined_by_their_number() {
        let mut ours = Numbered::default();
        let second = Duration::from_secs(1);
        ours.asked(1, 7);
        ours.sent(Duration::ZERO, &[0, 7, 0, 0, 0, 6, 17, 4, 0, 8, 0, 1]);
        ours.asked(2, 8);
        ours.sent(Duration::ZERO, &[0, 8, 0, 0, 0, 6, 17, 4, 0, 8, 0, 1]);
        let told = ours.received(second, &[0, 8, 0, 0, 0, 5, 17, 4, 2, 0, 10]);
        let [one] = told.as_slice() else {
            panic!("{told:?}")
        };
        assert_eq!(
            (one.fate, one.waited, one.is_ours),
            (Fate::Answered, Some(second), true)
        );
        assert_eq!(one.answer[..5], [17, 4, 2, 0, 10]);
        assert_eq!(ours.passed(1).map(|one| one.fate), Some(Fate::Unanswered));
        assert_eq!(ours.passed(2), None);
        assert_eq!(ours.finish(), []);
    }
}
