//! A request of somebody else, and what came of it.
//!
//! Does not: pair them (see `conversation`).

use std::time::Duration;

/// In what an answer differs from what was asked for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Mismatch {
    /// Another unit spoke.
    Unit,
    /// Another function.
    Function,
    /// More or fewer registers or coils.
    Length,
    /// Another register, value or object.
    Content,
}

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
    /// Answered with something else.
    Mismatched(Mismatch),
    /// An answer to no request that was heard.
    Unasked,
    /// A frame of a function that no standard names, by itself: who speaks is not known.
    Unlisted,
    /// The question came back from the line.
    Echo,
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
            Self::Mismatched(Mismatch::Unit) => "other-unit",
            Self::Mismatched(Mismatch::Function) => "other-function",
            Self::Mismatched(Mismatch::Length) => "other-length",
            Self::Mismatched(Mismatch::Content) => "other-content",
            Self::Unasked => "unasked",
            Self::Unlisted => "unlisted",
            Self::Echo => "echo",
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
    /// This tool asked it: only in a recording of its own.
    pub is_ours: bool,
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
