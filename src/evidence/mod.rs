//! What the events of a session come to, before anybody judges it.
//!
//! Input: events, a register map. Output: what was asked, answered and heard ([`Seen`]), what every
//! point of every unit gave over time (`samples`), whether a counter of the unit moves (`heartbeat`).
//!
//! Does not: find anything, or know a limit.

pub(crate) mod heartbeat;
pub(crate) mod samples;
pub(crate) mod seen;

pub use seen::Seen;
