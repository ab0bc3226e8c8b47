//! The cheapest way to read the wanted points.
//!
//! [`Look`] is one look at a unit, [`Follow`] reads the little that changes around a transition,
//! [`counter_questions`] what the unit itself counted of the line.
//! [`plan()`] cuts them into reads, [`split`] finds the missing ones after a refusal, and
//! [`cycle_time`] says how long the line needs at least.
//!
//! Does not: ask anything, or know a clock.

mod counters;
mod follow;
mod look;
mod plan;
mod wanted;

pub use counters::counter_questions;
pub use follow::Follow;
pub use look::{Look, LookWant};
pub use plan::{Cost, Read, Split, absolute, cycle_time, plan, split, unplanned};
pub use wanted::may_read;
