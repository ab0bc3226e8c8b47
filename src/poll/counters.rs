//! What to ask a unit about the line itself: its own counters, over and over.
//!
//! Each reading of a counter is one more question that the unit hears or does not, so the difference
//! between the first and the last reading tells in which direction the damage lies.

use crate::wire::question::Counter;
use crate::wire::{Ask, Question};

/// So often each counter is read.
const ROUNDS: usize = 6;

/// Questions to this unit address, in order. Only for units that understand function 08.
pub fn counter_questions(unit: u8) -> Vec<Ask> {
    let counters = [Counter::ServerMessages, Counter::BusErrors];
    let all = counters.into_iter().cycle().take(ROUNDS * counters.len());
    all.map(|counter| Ask {
        unit,
        question: Question::Counter(counter),
    })
    .collect()
}
