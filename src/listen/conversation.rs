//! Pairs what is overheard: each request with what came of it.
//!
//! Input: bytes with the time they were read. Output: [`Utterance`], in order, as soon as it is certain;
//! counts in [`Conversation::summary`].
//!
//! Does not: interpret registers. An answer counts only where it follows its request directly
//! ([`crate::wire::Stream`] says so); everything else is told as unasked.
//!
//! # When a request is over without an answer
//! When the next request comes, or after three times the longest answer time heard, at least half
//! a second; three seconds where no answer was heard yet. A retry is the same request again.
//!
//! # Invariants
//! - Memory is bounded, whatever comes in; nothing panics.

use std::time::Duration;

use super::tally::{Summary, Tally};
use crate::wire::{Piece, PieceKind, Stream};

/// Wait for an answer where none was heard yet.
const FIRST_WAIT: Duration = Duration::from_secs(3);
/// Least wait for an answer.
const LEAST_WAIT: Duration = Duration::from_millis(500);
/// Noise of so many bytes may have been a frame; less is what drivers leave on the line.
const COULD_BE_A_FRAME: usize = 4;

/// What came of a request.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Fate {
    /// Answered.
    Answered,
    /// Refused, with this exception code.
    Exception(u8),
    /// Nothing came.
    Unanswered,
    /// Bytes came that are no frame.
    Damaged,
    /// An answer to no request that was heard.
    Unasked,
    /// Said to all units, which nobody answers.
    Broadcast,
}

impl Fate {
    /// Stable word.
    pub fn id(self) -> &'static str {
        match self {
            Self::Answered => "answered",
            Self::Exception(_) => "exception",
            Self::Unanswered => "unanswered",
            Self::Damaged => "damaged",
            Self::Unasked => "unasked",
            Self::Broadcast => "broadcast",
        }
    }
}

/// A request and what came of it, or an answer without one.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Overheard {
    /// When its request, or else its answer, was complete.
    pub at: Duration,
    /// The request as a whole frame; empty where none was heard.
    pub request: Vec<u8>,
    /// The answer as a whole frame; empty where none was heard.
    pub answer: Vec<u8>,
    /// What came of it.
    pub fate: Fate,
    /// From the end of the request to the begin of the answer, as read: an upper bound.
    pub waited: Option<Duration>,
    /// The same request went unanswered just before.
    pub is_retry: bool,
}

impl Overheard {
    /// Unit address.
    pub fn unit(&self) -> u8 {
        self.frame().first().copied().unwrap_or_default()
    }

    /// Function code, without the bit of an exception.
    pub fn function(&self) -> u8 {
        self.frame().get(1).map_or(0, |code| code & 0x7f)
    }

    /// First register or coil, where the request names one.
    pub fn register(&self) -> Option<u16> {
        match *self.request {
            [_, 0x01..=0x06 | 0x0f | 0x10 | 0x16 | 0x17, high, low, ..] => {
                Some(u16::from_be_bytes([high, low]))
            }
            _ => None,
        }
    }

    /// How many registers or coils, where the request says so.
    pub fn count(&self) -> Option<u16> {
        match *self.request {
            [_, 0x01..=0x04 | 0x0f | 0x10 | 0x17, _, _, high, low, ..] => {
                Some(u16::from_be_bytes([high, low]))
            }
            [_, 0x05 | 0x06 | 0x16, ..] => Some(1),
            _ => None,
        }
    }

    fn frame(&self) -> &[u8] {
        if self.request.is_empty() {
            &self.answer
        } else {
            &self.request
        }
    }
}

/// What a conversation tells, in order.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Utterance {
    /// Something that was asked or answered.
    Exchange(Overheard),
    /// Bytes that are no frame.
    Noise {
        /// When the last of them was read.
        at: Duration,
        /// How many.
        bytes: usize,
    },
}

/// A request that waits for its answer.
#[derive(Debug, Clone)]
struct OpenRequest {
    frame: Vec<u8>,
    at: Duration,
    noise: usize,
    is_retry: bool,
}

/// Pairs what is overheard.
#[derive(Debug, Clone, Default)]
pub struct Conversation {
    stream: Stream,
    pairs: Pairs,
}

/// Everything behind the splitting.
#[derive(Debug, Clone, Default)]
struct Pairs {
    open: Option<OpenRequest>,
    /// The last request that went unanswered.
    unanswered: Vec<u8>,
    tally: Tally,
    told: Vec<Utterance>,
}

impl Conversation {
    /// Nothing was heard yet.
    pub fn new() -> Self {
        Self::default()
    }

    /// Takes received bytes and gives what is certain by now.
    pub fn take(&mut self, at: Duration, bytes: &[u8]) -> Vec<Utterance> {
        self.pass(at);
        self.pairs.tally.bytes += bytes.len() as u64;
        let pairs = &mut self.pairs;
        self.stream.feed(bytes, at, |piece| pairs.piece(&piece));
        std::mem::take(&mut self.pairs.told)
    }

    /// Time has passed without a byte.
    pub fn wait(&mut self, now: Duration) -> Vec<Utterance> {
        self.pass(now);
        std::mem::take(&mut self.pairs.told)
    }

    /// Nothing more will come.
    pub fn finish(&mut self, now: Duration) -> Vec<Utterance> {
        self.pass(now);
        let pairs = &mut self.pairs;
        self.stream.finish(|piece| pairs.piece(&piece));
        self.pairs.close();
        std::mem::take(&mut self.pairs.told)
    }

    /// What was heard so far.
    pub fn summary(&self) -> Summary {
        self.pairs.tally.summary()
    }

    fn pass(&mut self, now: Duration) {
        let pairs = &mut self.pairs;
        self.stream.pass(now, |piece| pairs.piece(&piece));
        let longest = pairs.tally.longest_answer();
        let wait = longest.map_or(FIRST_WAIT, |longest| (longest * 3).max(LEAST_WAIT));
        let is_over = |open: &OpenRequest| now.saturating_sub(open.at) > wait;
        // Bytes that wait for a decision may be the answer.
        if self.stream.held() == 0 && pairs.open.as_ref().is_some_and(is_over) {
            pairs.close();
        }
    }
}

impl Pairs {
    fn piece(&mut self, piece: &Piece<'_>) {
        match piece.kind {
            PieceKind::Noise => {
                self.tally.noise(piece.bytes.len());
                if let Some(open) = &mut self.open {
                    open.noise += piece.bytes.len();
                }
                self.told.push(Utterance::Noise {
                    at: piece.last,
                    bytes: piece.bytes.len(),
                });
            }
            PieceKind::Request => {
                self.close();
                self.tally.frame();
                let is_retry = self.unanswered == piece.bytes;
                self.tally.request(piece.bytes, piece.last, is_retry);
                self.open = Some(OpenRequest {
                    frame: piece.bytes.to_vec(),
                    at: piece.last,
                    noise: 0,
                    is_retry,
                });
                if piece.bytes.first() == Some(&0) {
                    self.close();
                }
            }
            PieceKind::Answer { answers } | PieceKind::Exception { answers } => {
                self.tally.frame();
                self.answer(piece, answers);
            }
            PieceKind::Unknown => {
                self.tally.frame();
                self.answer(piece, false);
            }
        }
    }

    fn answer(&mut self, piece: &Piece<'_>, answers: bool) {
        let open = if answers { self.open.take() } else { None };
        let Some(open) = open else {
            self.close();
            self.end(Overheard {
                at: piece.last,
                request: Vec::new(),
                answer: piece.bytes.to_vec(),
                fate: Fate::Unasked,
                waited: None,
                is_retry: false,
            });
            return;
        };
        let fate = match *piece.bytes {
            [_, function, code, ..] if function & 0x80 != 0 => Fate::Exception(code),
            _ => Fate::Answered,
        };
        self.unanswered.clear();
        self.end(Overheard {
            at: open.at,
            request: open.frame,
            answer: piece.bytes.to_vec(),
            fate,
            waited: Some(piece.first.saturating_sub(open.at)),
            is_retry: open.is_retry,
        });
    }

    /// The open request is over without an answer.
    fn close(&mut self) {
        let Some(open) = self.open.take() else { return };
        let fate = match open.frame.first() {
            Some(0) => Fate::Broadcast,
            _ if open.noise >= COULD_BE_A_FRAME => Fate::Damaged,
            _ => Fate::Unanswered,
        };
        self.unanswered.clone_from(&open.frame);
        self.end(Overheard {
            at: open.at,
            request: open.frame,
            answer: Vec::new(),
            fate,
            waited: None,
            is_retry: open.is_retry,
        });
    }

    fn end(&mut self, exchange: Overheard) {
        self.tally.exchange(&exchange);
        self.told.push(Utterance::Exchange(exchange));
    }
}
