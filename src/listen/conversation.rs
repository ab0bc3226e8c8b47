//! Pairs what is overheard: each request with what came of it.
//!
//! Input: bytes with the time they were read. Output: [`Utterance`], in order, as soon as it is certain;
//! counts in [`Conversation::summary`].
//!
//! Does not: interpret registers. An answer counts only where it follows its request directly
//! ([`crate::wire::Stream`] says so), or where another unit was asked in between and nothing was lost
//! since. What another unit says instead, or at another length, is told as that.
//!
//! # Echoes
//! Adapters and converters give back what is sent. A question that comes again within `ECHO` is its
//! echo; without times only where nearly every question comes twice, since a second try looks alike.
//!
//! # When a request is over without an answer
//! When the next request comes, or after three times the longest answer time heard, at least half
//! a second; three seconds where no answer was heard yet. A retry is the same request again.
//!
//! # Invariants
//! - Memory is bounded, whatever comes in; nothing panics.

use std::collections::VecDeque;
use std::time::Duration;

use super::overheard::{Fate, Mismatch, Overheard};
use super::tally::{Summary, Tally};
use crate::wire::{Piece, PieceKind, Stream, can_answer};

/// Wait for an answer where none was heard yet.
const FIRST_WAIT: Duration = Duration::from_secs(3);
/// Least wait for an answer.
const LEAST_WAIT: Duration = Duration::from_millis(500);
/// Noise of so many bytes may have been a frame; less is what drivers leave on the line.
const COULD_BE_A_FRAME: usize = 4;
/// An echo comes within this time. No client gives up sooner.
const ECHO: Duration = Duration::from_millis(60);
/// Questions in a row that came twice, before that counts as an echo where there are no times.
const ECHOES: u32 = 3;
/// Questions to other units that may wait beside the last one.
const ASIDE: usize = 8;

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
    is_ours: bool,
    /// It has come back from the line.
    is_echoed: bool,
    /// The answer to an older question came first.
    is_overtaken: bool,
    /// It stands for the second time in a row: its echo, or a second try.
    is_doubled: bool,
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
    /// Questions before it to other units, which may still be answered.
    aside: VecDeque<OpenRequest>,
    /// Questions in a row that came twice.
    doubled: u32,
    /// What we sent and have not heard back from the stream.
    sent: VecDeque<Vec<u8>>,
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

    /// Bytes that we sent ourselves: a question of ours, in a recording.
    pub fn sent(&mut self, at: Duration, frame: &[u8]) -> Vec<Utterance> {
        if self.pairs.sent.len() < ASIDE {
            self.pairs.sent.push_back(frame.to_vec());
        }
        self.take(at, frame)
    }

    /// An exchange that is known as such, as behind a gateway that numbers them.
    pub fn exchange(&mut self, exchange: Overheard) -> Vec<Utterance> {
        let pairs = &mut self.pairs;
        for frame in [&exchange.request, &exchange.answer] {
            pairs.tally.bytes += frame.len() as u64;
            if !frame.is_empty() {
                pairs.tally.frame(frame, false);
            }
        }
        if !exchange.request.is_empty() {
            pairs.tally.request(
                &exchange.request,
                exchange.at,
                exchange.is_retry,
                exchange.is_ours,
            );
        }
        pairs.end(exchange);
        std::mem::take(&mut pairs.told)
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
        self.pairs.close_all();
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
        // Bytes that wait for a decision may be the answer.
        if self.stream.held() == 0 {
            pairs.close_older(|open| now.saturating_sub(open.at) > wait);
            if pairs
                .open
                .as_ref()
                .is_some_and(|open| now.saturating_sub(open.at) > wait)
            {
                pairs.close();
            }
        }
    }
}

impl Pairs {
    fn piece(&mut self, piece: &Piece<'_>) {
        match piece.kind {
            PieceKind::Noise => self.noise(piece),
            PieceKind::Request => {
                self.tally.frame(piece.bytes, false);
                self.request(piece);
            }
            PieceKind::Answer { answers } | PieceKind::Exception { answers } => {
                self.tally.frame(piece.bytes, !answers);
                self.answer(piece, answers);
            }
            PieceKind::Unknown => {
                self.tally.frame(piece.bytes, false);
                self.close_all();
                self.alone(piece, Fate::Unlisted);
            }
        }
    }

    fn noise(&mut self, piece: &Piece<'_>) {
        let open = self.open.as_ref().map(|open| &*open.frame);
        self.tally.noise(piece.bytes, open);
        if let Some(open) = &mut self.open {
            open.noise += piece.bytes.len();
        }
        if piece.bytes.len() >= COULD_BE_A_FRAME {
            // What stood there may have been their answer, or another question.
            self.close_older(|_| true);
        }
        self.told.push(Utterance::Noise {
            at: piece.last,
            bytes: piece.bytes.len(),
        });
    }

    fn request(&mut self, piece: &Piece<'_>) {
        if self.comes_back(piece) {
            return;
        }
        let is_ours = self.sent.front().is_some_and(|sent| sent == piece.bytes);
        if is_ours {
            self.sent.pop_front();
        }
        let unit = piece.bytes.first();
        let is_doubled = self
            .open
            .as_ref()
            .is_some_and(|open| open.frame == piece.bytes);
        // Whoever asks another unit need not have heard the answer of the first one.
        match self.open.take() {
            Some(open) if open.noise == 0 && open.frame.first() != unit => {
                self.close_older(|older| older.frame.first() == open.frame.first());
                self.aside.push_back(open);
            }
            open => {
                self.open = open;
                self.close();
            }
        }
        let is_full = self.aside.len() > ASIDE;
        let first = self.aside.front().map(|open| open.frame.clone());
        self.close_older(|open| {
            open.frame.first() == unit || is_full && Some(&open.frame) == first.as_ref()
        });
        let is_retry = self.unanswered == piece.bytes;
        self.tally
            .request(piece.bytes, piece.last, is_retry, is_ours);
        self.open = Some(OpenRequest {
            frame: piece.bytes.to_vec(),
            at: piece.last,
            noise: 0,
            is_retry,
            is_ours,
            is_echoed: false,
            is_overtaken: false,
            is_doubled,
        });
        if unit == Some(&0) {
            self.close();
        }
    }

    /// Whether the open question has come back from the line, or, where it already had, is answered by
    /// its copy.
    fn comes_back(&mut self, piece: &Piece<'_>) -> bool {
        let Some(open) = self.open.as_mut() else {
            return false;
        };
        if open.frame != piece.bytes || open.noise > 0 {
            return false;
        }
        if open.is_echoed {
            let is_answer = can_answer(&open.frame, piece.bytes);
            if is_answer {
                self.answer(piece, true);
            }
            return is_answer;
        }
        self.doubled += u32::from(!open.is_doubled);
        let after = piece.first.saturating_sub(open.at);
        let is_timed = open.at > Duration::ZERO;
        if after > ECHO || !is_timed && self.doubled <= ECHOES {
            return false;
        }
        self.echo(piece);
        true
    }

    /// The open question was heard once more and waits on.
    fn echo(&mut self, piece: &Piece<'_>) {
        let Some(open) = self.open.as_mut() else {
            return;
        };
        open.is_echoed = true;
        open.at = piece.last;
        let is_ours = open.is_ours;
        self.end(Overheard {
            at: piece.last,
            request: piece.bytes.to_vec(),
            answer: Vec::new(),
            fate: Fate::Echo,
            waited: None,
            is_retry: false,
            is_ours,
        });
    }

    fn answer(&mut self, piece: &Piece<'_>, answers: bool) {
        // Where everything comes back, the first copy of a write is no answer yet.
        let is_copy = |open: &OpenRequest| !open.is_echoed && open.frame == piece.bytes;
        if answers && self.doubled > ECHOES && self.open.as_ref().is_some_and(is_copy) {
            self.echo(piece);
            return;
        }
        let open = if answers {
            // Who was asked before has had its time.
            self.close_older(|_| true);
            self.open.take()
        } else {
            self.waiting(piece)
        };
        let Some(open) = open else {
            self.something_else(piece);
            return;
        };
        if !open.is_doubled && !open.is_echoed {
            self.doubled = 0;
        }
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
            is_ours: open.is_ours,
        });
    }

    /// The question that this answers, of those to other units asked before the last one; or the last one,
    /// where another's answer came first.
    fn waiting(&mut self, piece: &Piece<'_>) -> Option<OpenRequest> {
        let fits = |open: &OpenRequest| can_answer(&open.frame, piece.bytes);
        if let Some(at) = self.aside.iter().position(fits) {
            if let Some(open) = &mut self.open {
                open.is_overtaken = true;
            }
            return self.aside.remove(at);
        }
        self.open
            .take_if(|open| open.is_overtaken && open.noise == 0 && fits(open))
    }

    /// An answer that is none to what was asked last.
    fn something_else(&mut self, piece: &Piece<'_>) {
        let Some(open) = self.open.take_if(|open| open.noise < COULD_BE_A_FRAME) else {
            self.close_all();
            self.alone(piece, Fate::Unasked);
            return;
        };
        let mismatch = mismatch(&open.frame, piece.bytes);
        self.close_older(|_| true);
        self.unanswered.clone_from(&open.frame);
        self.end(Overheard {
            at: open.at,
            request: open.frame,
            answer: piece.bytes.to_vec(),
            fate: Fate::Mismatched(mismatch),
            waited: None,
            is_retry: open.is_retry,
            is_ours: open.is_ours,
        });
    }

    /// A frame that belongs to no request.
    fn alone(&mut self, piece: &Piece<'_>, fate: Fate) {
        self.end(Overheard {
            at: piece.last,
            request: Vec::new(),
            answer: piece.bytes.to_vec(),
            fate,
            waited: None,
            is_retry: false,
            is_ours: false,
        });
    }

    fn close_all(&mut self) {
        self.close_older(|_| true);
        self.close();
    }

    /// Ends the questions set aside for which this holds.
    fn close_older(&mut self, is_over: impl Fn(&OpenRequest) -> bool) {
        if self.aside.is_empty() {
            return;
        }
        let (over, rest): (VecDeque<OpenRequest>, _) =
            self.aside.drain(..).partition(|open| is_over(open));
        self.aside = rest;
        for open in over {
            self.over(open);
        }
    }

    /// The open request is over without an answer.
    fn close(&mut self) {
        if let Some(open) = self.open.take() {
            self.over(open);
        }
    }

    fn over(&mut self, open: OpenRequest) {
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
            is_ours: open.is_ours,
        });
    }

    fn end(&mut self, exchange: Overheard) {
        self.tally.exchange(&exchange);
        self.told.push(Utterance::Exchange(exchange));
    }
}

/// In what an answer differs from what was asked for.
fn mismatch(request: &[u8], answer: &[u8]) -> Mismatch {
    let ([unit, asked, ..], [other, said, ..]) = (request, answer) else {
        return Mismatch::Function;
    };
    match (unit == other, said & 0x7f == *asked, said) {
        (false, ..) => Mismatch::Unit,
        (_, false, _) => Mismatch::Function,
        (.., 0x01..=0x04 | 0x17) => Mismatch::Length,
        _ => Mismatch::Content,
    }
}
