//! Splits an overheard stream, both directions in one, into requests, answers and noise.
//!
//! Input: chunks of bytes with the time each was read. Output: [`Piece`]s that together cover every
//! byte once, in order; for an answer, whether it answers the request before it. Nothing is copied
//! per frame: pieces borrow.
//!
//! Does not: read a clock, know a unit, or fail: what is no frame is noise.
//!
//! # Invariants
//! - Every byte fed is in exactly one piece, in order.
//! - Memory is bounded: at most [`Stream::MOST_HELD`] bytes wait for a decision.
//! - Never panics, whatever comes in.
//!
//! # How a frame is told
//! Content decides: the first bytes give the lengths that are possible ([`super::shape`]), the CRC
//! says which of them it is. Times are a hint only, for adapters hold bytes back: after a pause of
//! two seconds what is incomplete is given up.
//!
//! # How the direction is told
//! By the conversation: what can answer the request before it is its answer. Writes are answered
//! with their own copy, and a read of an address like 03xx can look like an answer with three
//! bytes. Where such a frame stands behind noise, the noise may have been its request: then the
//! next frame decides, and what the noise looks like.
//!
//! # Functions that nobody knows
//! Whatever fills the gap between two known frames to the byte with a right CRC is a frame. In
//! other gaps evidence is counted, see [`super::gap`].
//!
//! # Sources
//! - Modbus over Serial Line V1.02, 2.4.1: a request, then its answer, one at a time

use std::collections::VecDeque;
use std::time::Duration;

use super::gap::{GAP, Side, Strange};
use super::shape::{self, LONGEST, Length, SHORTEST};
use super::window::{Windows, ends_with_its_crc};

/// After a pause like this, bytes no longer belong to one frame. Adapters and networks leave holes of
/// more than a second.
const PAUSE: Duration = Duration::from_secs(2);
/// So long an answer that has begun is waited for.
const HOLE: Duration = Duration::from_secs(10);
/// How long a request is taken to wait for its answer.
const ANSWER_WAIT: Duration = Duration::from_secs(3);
/// A copy of a write that comes later than this is a second try and no answer. Units that were heard
/// to be slower get more, up to the latter: no client is known to give up sooner.
const COPY_WAIT: Duration = Duration::from_millis(300);
const LONGEST_COPY_WAIT: Duration = Duration::from_secs(1);
/// Bytes of noise that may stand between a request and its answer: what drivers leave when they
/// let go of the line. More may hide a lost answer and another request.
const SPLINTERS: usize = 3;
/// Noise that is kept back to be compared with the frame behind it.
const KEPT_NOISE: usize = 264;
/// Noise is given out in pieces of at most so many bytes.
const RUN: usize = 1024;
/// Input is worked through in blocks of this size.
const BLOCK: usize = 4096;

/// What a piece is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PieceKind {
    /// Somebody asks.
    Request,
    /// An answer; `answers`: to the request directly before it.
    Answer {
        /// Whether it answers the request before it.
        answers: bool,
    },
    /// A refusal; `answers` as for an answer.
    Exception {
        /// Whether it answers the request before it.
        answers: bool,
    },
    /// A frame with a right CRC whose function or content no standard names; direction unknown.
    Unknown,
    /// No frame.
    Noise,
}

/// Consecutive bytes that are one thing.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Piece<'a> {
    /// What they are.
    pub kind: PieceKind,
    /// The bytes.
    pub bytes: &'a [u8],
    /// When the first of them was read.
    pub first: Duration,
    /// When the last of them was read.
    pub last: Duration,
}

/// Which directions a frame can have.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Can {
    Request,
    Answer,
    Either,
    Refusal,
}

/// What stands at a place.
enum FrameFound {
    Frame(usize, Can),
    More,
    Nothing,
}

/// A frame whose direction waits for the next frame.
#[derive(Debug, Clone, Copy)]
struct Deferred {
    start: usize,
    end: usize,
    /// What it is if the next frame does not answer it.
    else_request: bool,
    /// How many of its bytes stand in the noise before it.
    likeness: usize,
}

/// The last request, while its answer may come.
#[derive(Debug, Clone, Default)]
struct LastRequest {
    /// Its bytes; empty where there is none.
    frame: Vec<u8>,
    at: Duration,
    /// Noise since then.
    noise: usize,
    /// Length of its answer, if it says so.
    answer: Option<usize>,
}

/// Splits both directions of an RTU line.
#[derive(Debug, Clone, Default)]
pub struct Stream {
    bytes: Vec<u8>,
    windows: Windows,
    /// When the bytes came: index of the first, time. Oldest first.
    times: VecDeque<(usize, Duration)>,
    /// Everything before was given out.
    given: usize,
    /// Everything before is decided; up to `at` it is noise.
    decided: usize,
    /// Where a frame is looked for.
    at: usize,
    /// No decision at `at` before there are so many bytes.
    needs: usize,
    deferred: Option<Deferred>,
    asked: LastRequest,
    /// The noise now running has been given out in part.
    noise_is_cut: bool,
    /// A frame was heard since the begin or the last pause.
    frame_before: bool,
    strange: Strange,
    /// Longest wait for an answer that can be nothing else.
    longest_wait: Duration,
    last_in: Duration,
}

impl Stream {
    /// Most bytes that wait for a decision.
    pub const MOST_HELD: usize = RUN + 3 * LONGEST;

    /// Nothing was heard yet.
    pub fn new() -> Self {
        Self::default()
    }

    /// Bytes that wait for a decision.
    pub fn held(&self) -> usize {
        self.bytes.len()
    }

    /// Takes received bytes and gives the pieces that are decided by them.
    pub fn feed(&mut self, bytes: &[u8], at: Duration, mut give: impl FnMut(Piece<'_>)) {
        self.pass(at, &mut give);
        self.last_in = at;
        for block in bytes.chunks(BLOCK) {
            let from = self.bytes.len();
            if self.times.back().is_none_or(|(_, time)| *time != at) {
                self.times.push_back((from, at));
            }
            self.bytes.extend_from_slice(block);
            self.scan(false, &mut give);
            self.compact();
        }
    }

    /// Time has passed. After a pause everything that waits is decided.
    pub fn pass(&mut self, now: Duration, mut give: impl FnMut(Piece<'_>)) {
        let wait = if self.is_answer_begun() { HOLE } else { PAUSE };
        if !self.bytes.is_empty() && now.saturating_sub(self.last_in) > wait {
            self.finish(&mut give);
        }
    }

    /// Whether what waits is the begin of the answer that is due.
    fn is_answer_begun(&self) -> bool {
        let length = self.needs.saturating_sub(self.at);
        self.at == self.decided && self.needs > self.bytes.len() && self.is_due(length)
    }

    /// Decides everything that waits: nothing more will come, or not soon.
    pub fn finish(&mut self, mut give: impl FnMut(Piece<'_>)) {
        self.scan(true, &mut give);
        self.compact();
        (self.frame_before, self.noise_is_cut) = (false, false);
    }

    /// Takes out whatever can be decided.
    fn scan(&mut self, is_over: bool, give: &mut dyn FnMut(Piece<'_>)) {
        loop {
            if !is_over && self.bytes.len() < self.needs.max(self.at + SHORTEST) {
                break;
            }
            match self.look(is_over) {
                FrameFound::Frame(length, can) => {
                    self.needs = 0;
                    self.frame(length, can, give);
                }
                FrameFound::More => break,
                FrameFound::Nothing if self.at >= self.bytes.len() => break,
                FrameFound::Nothing => {
                    self.at = self.next_candidate();
                    if self.at - self.decided > GAP {
                        self.search_run(give);
                    }
                    if self.at - self.given > RUN {
                        self.cut_noise(give);
                    }
                }
            }
        }
        if is_over {
            self.at = self.bytes.len();
            self.settle_deferred(None, give);
            self.strange(self.at, (Side::Silence, (self.at, self.at)), GAP, give);
            self.gap(give);
        }
    }

    /// The next place at which a frame can begin.
    fn next_candidate(&self) -> usize {
        let from = self.at + 2;
        let rest = self.bytes.get(from..).unwrap_or_default();
        let found = rest.windows(2).position(
            |next| matches!(next, [function, third] if shape::may_begin(*function, *third)),
        );
        // The last byte may be the function of a frame that has just begun.
        from - 1 + found.unwrap_or(rest.len().saturating_sub(1))
    }

    /// What stands at `at`.
    #[inline]
    fn look(&mut self, is_over: bool) -> FrameFound {
        let Some(rest) = self.bytes.get(self.at..) else {
            return FrameFound::Nothing;
        };
        let [_, function, ..] = *rest else {
            return FrameFound::Nothing;
        };
        if !shape::is_public(function) || rest.len() < SHORTEST {
            return FrameFound::Nothing;
        }
        if function & 0x80 != 0 {
            let length = if self.is_refusal_due(rest) {
                Length::Is(5)
            } else {
                shape::exception(rest)
            };
            return match length {
                Length::Is(length) if length > rest.len() && !is_over => self.wait_for(length),
                Length::Is(length) if self.sealed(length) => {
                    FrameFound::Frame(length, Can::Refusal)
                }
                _ => FrameFound::Nothing,
            };
        }
        let answer = shape::answer(rest);
        let has = rest.len();
        // The answer that is due comes first: it must not be cut where it looks like a request.
        if let Length::Is(length) = answer
            && self.is_due(length)
        {
            if length > has && !is_over {
                return self.wait_for(length);
            }
            if self.sealed(length) {
                let rest = self.bytes.get(self.at..).unwrap_or_default();
                let can = if shape::request(rest) == answer {
                    Can::Either
                } else {
                    Can::Answer
                };
                return FrameFound::Frame(length, can);
            }
        }
        let request = self
            .bytes
            .get(self.at..)
            .map_or(Length::Never, shape::request);
        let mut needs = usize::MAX;
        for (way, can) in [(request, Can::Request), (answer, Can::Answer)] {
            match way {
                Length::Is(length) if length > LONGEST => {}
                Length::Is(length) | Length::Needs(length) if length > has => {
                    needs = needs.min(length);
                }
                Length::Is(length) if self.sealed(length) => {
                    let can = if request == answer { Can::Either } else { can };
                    return FrameFound::Frame(length, can);
                }
                _ => {}
            }
        }
        if needs != usize::MAX && !is_over {
            return self.wait_for(needs);
        }
        FrameFound::Nothing
    }

    fn wait_for(&mut self, length: usize) -> FrameFound {
        self.needs = self.at + length;
        FrameFound::More
    }

    /// Whether the bytes at `at` begin like the answer that the last request waits for.
    #[inline]
    fn is_due(&self, length: usize) -> bool {
        if self.deferred.is_some() || self.asked.answer != Some(length) {
            return false;
        }
        let here = self.bytes.get(self.at..).and_then(<[u8]>::first_chunk::<2>);
        here.is_some() && here == self.asked.frame.first_chunk::<2>()
    }

    /// Whether the bytes begin like a refusal of the last request.
    fn is_refusal_due(&self, rest: &[u8]) -> bool {
        let ([unit, function, ..], [asked_of, asked, ..]) = (rest, &*self.asked.frame) else {
            return false;
        };
        self.deferred.is_none() && unit == asked_of && *function == asked | 0x80
    }

    #[inline]
    fn sealed(&mut self, length: usize) -> bool {
        if self.at == self.decided {
            // In step with the frames nearly every try fits: no registers for them.
            let frame = self.bytes.get(self.at..self.at + length);
            return frame.is_some_and(ends_with_its_crc);
        }
        self.windows.is_sealed(&self.bytes, self.at, length)
    }
}

mod settle;
mod strange;
#[cfg(test)]
mod tests;
