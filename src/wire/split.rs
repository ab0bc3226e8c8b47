//! Splits a stream of bytes into frames and noise.
//!
//! Input: chunks of bytes with the moment each was read. Output: [`ByteSpan`]s that together cover
//! every byte once, in order. The same splitter serves the asker and the listener.
//!
//! Does not: read a clock, pair answers with questions, or fail: what is no frame is noise.
//!
//! # Invariants
//! - Every byte pushed is in exactly one span, in order.
//! - After [`Splitter::next`] gave `None`, fewer bytes than one frame are held.
//!
//! # Why content decides and not silence
//! A USB adapter holds bytes back and a gateway cuts and joins them, so the times of reads do not
//! show where a frame ended. Length and CRC do. Bytes that may still become a frame are held until
//! more come or [`Splitter::next`] is told that the wait is over.
//!
//! # Why the expected answer is looked for first
//! Garbage before an answer can look like the begin of a long frame (on RTU, one time in 65536,
//! like a whole one) and would swallow the answer. So the answer to the open question is searched
//! at every offset. Only a whole valid frame around it wins over it: then it is data in there.

use std::collections::VecDeque;
use std::ops::Range;
use std::time::Duration;

use super::Framing;
use super::measure::FrameMeasure;
use super::question::Ask;
use super::{rtu, tcp};

/// When a byte came.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ByteStamp {
    /// When it was read.
    pub at: Duration,
    /// Number of the exchange whose request had gone out by then, if one was open.
    pub during: Option<u32>,
}

/// Consecutive bytes that are one thing.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ByteSpan {
    /// What they are.
    pub kind: SpanKind,
    /// The bytes.
    pub bytes: Vec<u8>,
    /// When the first came.
    pub first: ByteStamp,
    /// When the last came.
    pub last: ByteStamp,
}

/// What a span is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SpanKind {
    /// A whole frame: length and check fit.
    Frame,
    /// Anything else.
    Noise,
}

/// Splits one direction of one link.
#[derive(Debug, Clone)]
pub struct Splitter {
    framing: Framing,
    bytes: Vec<u8>,
    /// How many of the bytes came together, and when.
    chunks: VecDeque<(usize, ByteStamp)>,
}

impl Splitter {
    /// Nothing received yet.
    pub fn new(framing: Framing) -> Self {
        Self {
            framing,
            bytes: Vec::new(),
            chunks: VecDeque::new(),
        }
    }

    /// Adds received bytes.
    pub fn push(&mut self, bytes: &[u8], stamp: ByteStamp) {
        if !bytes.is_empty() {
            self.bytes.extend(bytes);
            self.chunks.push_back((bytes.len(), stamp));
        }
    }

    /// Bytes that are held because they may become a frame.
    pub fn held(&self) -> usize {
        self.bytes.len()
    }

    /// The next span, or `None` where more bytes are needed.
    ///
    /// `expected` is the open question and its transaction id (which RTU ignores). With `is_over`
    /// nothing more will come: no byte stays undecided.
    pub fn next(&mut self, expected: Option<(&Ask, u16)>, is_over: bool) -> Option<ByteSpan> {
        self.next_knowing(expected, &[], is_over)
    }

    /// As [`Splitter::next`], knowing other questions whose answers may still come. Their answers
    /// are not searched for, but taken whole where they stand.
    pub fn next_knowing(
        &mut self,
        expected: Option<(&Ask, u16)>,
        others: &[Ask],
        is_over: bool,
    ) -> Option<ByteSpan> {
        let wanted = expected.and_then(|(ask, transaction)| self.find(ask, transaction));
        let open = expected.map(|(ask, _)| ask);
        let may_wait = !is_over && wanted.is_none();
        let mut at = 0;
        let mut frame = None;
        while let Some(rest) = self.bytes.get(at..).filter(|rest| !rest.is_empty()) {
            if let Some(wanted) = wanted.as_ref().filter(|wanted| wanted.start == at) {
                frame = Some(wanted.len());
                break;
            }
            let is_rtu = self.framing == Framing::Rtu;
            let mut known = others.iter().chain(open).filter(|_| is_rtu);
            if may_wait && known.clone().any(|ask| rtu::begins_answer(ask, rest)) {
                break;
            }
            let measure = known
                .find_map(|ask| rtu::measure_answer(ask, rest))
                .map_or_else(|| self.measure(rest), FrameMeasure::Frame);
            match measure {
                FrameMeasure::Frame(length) if !self.swallows(at..at + length, wanted.as_ref()) => {
                    frame = Some(length);
                    break;
                }
                FrameMeasure::More if may_wait => break,
                _ => at += 1,
            }
        }
        if at > 0 {
            return self.cut(at, SpanKind::Noise);
        }
        self.cut(frame?, SpanKind::Frame)
    }

    fn measure(&self, bytes: &[u8]) -> FrameMeasure {
        match self.framing {
            Framing::Rtu => rtu::measure(bytes),
            Framing::Tcp => tcp::measure(bytes),
        }
    }

    /// Where the answer to this question stands.
    fn find(&self, ask: &Ask, transaction: u16) -> Option<Range<usize>> {
        let answers = |start: usize| {
            let rest = self.bytes.get(start..)?;
            let length = match self.framing {
                Framing::Rtu => rtu::measure_answer(ask, rest),
                Framing::Tcp => tcp::measure_answer(ask, transaction, rest),
            }?;
            Some(start..start + length)
        };
        if self.framing == Framing::Tcp {
            return (0..self.bytes.len()).find_map(answers);
        }
        // With every chunk all bytes before it are looked at again, so the first look is a cheap one.
        let begins = self.bytes.iter().zip(self.bytes.get(1..)?).enumerate();
        begins
            .filter(|(_, (unit, code))| **unit == ask.unit && **code & 0x7f == ask.function())
            .find_map(|(start, _)| answers(start))
    }

    /// Whether taking this frame would cut into the wanted one. A frame with a right CRC that holds
    /// all of the wanted one is let pass; a Modbus TCP header proves too little for that.
    fn swallows(&self, frame: Range<usize>, wanted: Option<&Range<usize>>) -> bool {
        wanted.is_some_and(|wanted| {
            let overlaps = frame.start < wanted.start && wanted.start < frame.end;
            overlaps && (self.framing == Framing::Tcp || frame.end < wanted.end)
        })
    }

    fn cut(&mut self, length: usize, kind: SpanKind) -> Option<ByteSpan> {
        let mut left = length.min(self.bytes.len());
        let (_, first) = *self.chunks.front()?;
        let mut last = first;
        let bytes = self.bytes.drain(..left).collect();
        while left > 0 {
            let (came, stamp) = self.chunks.front_mut()?;
            last = *stamp;
            let taken = left.min(*came);
            *came -= taken;
            left -= taken;
            if *came == 0 {
                self.chunks.pop_front();
            }
        }
        Some(ByteSpan {
            kind,
            bytes,
            first,
            last,
        })
    }
}
