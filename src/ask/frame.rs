//! What can be said of a frame, or of bytes that are none, without knowing what was asked before.

use std::time::Duration;

use super::exchange::{Outcome, StrayKind};
use crate::wire::{Ask, Framing};

/// How long somebody else's request is taken to wait for its answer.
pub(super) const FOREIGN_WAIT: Duration = Duration::from_secs(3);

/// What a frame is.
pub(super) enum Named {
    /// The answer to the open question.
    Accepted(Outcome),
    /// Something else.
    Stray(StrayKind),
}

/// Parts of a whole RTU frame.
pub(super) fn unit_and_pdu(frame: &[u8]) -> Option<(u8, &[u8])> {
    let (unit, rest) = frame.split_first()?;
    let (pdu, _) = rest.split_last_chunk::<2>()?;
    Some((*unit, pdu))
}

/// Whether bytes that are no frame look like an answer to this question that was damaged: unit and
/// function stand in them, or they are as long as the answer.
pub(super) fn looks_like_answer(bytes: &[u8], ask: &Ask, framing: Framing) -> bool {
    let head = |pair: &[u8]| matches!(pair, [unit, function] if *unit == ask.unit && function & 0x7f == ask.function());
    let around = if framing == Framing::Rtu { 5 } else { 9 };
    let whole = ask.read_bytes().map(|data| data + around);
    bytes.windows(2).any(head) || whole == Some(bytes.len())
}
