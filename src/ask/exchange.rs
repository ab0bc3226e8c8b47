//! A question and what came of it.

use std::time::Duration;

use crate::wire::{Answer, Ask};

/// A question and what came of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Exchange {
    /// Its number, rising within a session.
    pub number: u32,
    /// The question.
    pub ask: Ask,
    /// When it was about to be sent.
    pub asked_at: Duration,
    /// When its last byte was on the wire: computed where the line is known, else when the write
    /// returned. `None` if it was never sent.
    pub sent_at: Option<Duration>,
    /// When it ended: last byte of the answer, end of the wait, loss of the link.
    pub ended_at: Duration,
    /// When the first byte of the accepted answer was read.
    pub first_byte_at: Option<Duration>,
    /// What came of it.
    pub outcome: Outcome,
    /// What else was received meanwhile.
    pub strays: Vec<Stray>,
    /// Asked while earlier questions to the unit had no answer: its own answer settles that theirs
    /// can no longer come.
    pub fence: bool,
}

/// What came of a question.
#[derive(Debug, Clone, PartialEq)]
pub enum Outcome {
    /// An answer that can belong to no other question.
    Answered(Answer),
    /// The unit refused, with this exception code.
    Exception(u8),
    /// No accepted answer within the wait.
    TimedOut(Silence),
    /// The link was lost meanwhile.
    LinkLost,
}

/// What a wait without an accepted answer was like.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Silence {
    /// Not a byte came.
    Nothing,
    /// Bytes came that pass no check.
    Damaged,
    /// Our own request came back and nothing else.
    OnlyEcho,
    /// Valid frames came, but none that answers this question for certain.
    OnlyNotOurs,
}

/// Bytes that are no accepted answer.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Stray {
    /// When the last of them was read.
    pub at: Duration,
    /// What they are.
    pub kind: StrayKind,
    /// The bytes.
    pub bytes: Vec<u8>,
}

/// What stray bytes are.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum StrayKind {
    /// An answer to an earlier question whose wait was over.
    Late,
    /// The answer to an earlier question once more.
    Duplicate,
    /// A valid answer to a question that we did not ask.
    ForeignAnswer,
    /// A valid request that we did not send.
    ForeignRequest,
    /// Our own request.
    Echo,
    /// Fits the open question but for the unit address.
    WrongUnit,
    /// From the unit asked, for another function.
    WrongFunction,
    /// From the unit asked and the function asked, with another length or sub-function.
    WrongCount,
    /// Looks like an answer to the open question but fails its check, or is cut.
    Damaged,
    /// No frame, nor anything like one.
    Noise,
    /// A Modbus TCP frame with a transaction id that is not known.
    ForeignTransaction,
    /// Fits the open question, and an earlier unanswered one or a foreign one just as well.
    Doubtful,
}
