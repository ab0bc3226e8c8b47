//! The cheapest way to read the wanted points.
//!
//! [`Look`] is one look at a unit, [`Follow`] reads the little that changes around a transition.
//! [`plan()`] cuts them into reads, [`split`] finds the missing ones after a refusal, and
//! [`cycle_time`] says how long the line needs at least.
//!
//! Does not: ask anything, or know a clock.

mod follow;
mod look;
mod plan;

pub use follow::Follow;
pub use look::{Look, Want, may_read};
pub use plan::{Cost, Read, Split, absolute, cycle_time, plan, split, unplanned};
