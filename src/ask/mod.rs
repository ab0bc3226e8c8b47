//! Which answer belongs to which question, and which to none.
//!
//! Input: [`Event`]s. Output: [`Exchange`]s, each a question with what came of it. [`Pairing`] is
//! the same machine live (inside [`Asker`]) and on replay ([`exchanges`]), so a recording gives what
//! the live session gave.
//!
//! Does not: send, wait, or read a clock.
//!
//! # Invariants
//! - An answer is accepted only if it can belong to no other question: right check, unit, function
//!   and length; first byte after the question went out; no earlier unanswered question, and no
//!   question heard from somebody else, that it would fit as well.
//! - What is not accepted is named, with its bytes ([`Stray`]).
//! - Memory is bounded whatever comes in; nothing panics.
//!
//! # Why only an answer settles what was asked before
//! Order is kept on the way to a unit, so its answer shows that earlier ones cannot come any more.
//! An exception shows nothing: a gateway may refuse by itself while a question before still waits
//! on the line behind it.
//!
//! # Limits
//! On RTU nothing in a frame says which of two questions of one shape it answers. A duplicate or
//! an unheard request's answer that comes while a question of its shape is open is accepted. So is
//! an answer that was held back for more than a minute: questions are given up by then.
//!
//! # Sources
//! - Modbus over Serial Line V1.02, 2.4.1; Modbus Messaging on TCP/IP V1.0b, 4.3 (transactions)

mod asker;
mod classify;
mod exchange;
mod frame;
mod overhear;
mod pairing;
#[cfg(test)]
mod tests;

pub use asker::{Asker, Next};
pub use exchange::{Exchange, Outcome, Silence, Stray, StrayKind};
pub use overhear::Talk;
pub(crate) use overhear::{Talking, Told};
pub use pairing::Pairing;

use std::borrow::Borrow;

use crate::event::{Event, What};
use crate::wire::Framing;

/// Replays events and gives the exchanges that ended in them.
pub fn exchanges(events: &[Event]) -> Vec<Exchange> {
    let mut pairing = Pairing::new(framing(events));
    events
        .iter()
        .flat_map(|event| pairing.take(event))
        .collect()
}

/// Framing of a session, from its first event.
pub(crate) fn framing(events: impl IntoIterator<Item: Borrow<Event>>) -> Framing {
    let opened = events
        .into_iter()
        .find_map(|event| match &event.borrow().what {
            What::Opened(facts) => Some(facts.framing),
            _ => None,
        });
    opened.unwrap_or(Framing::Rtu)
}
