//! A session with a unit, without a port and without a screen.
//!
//! Input: everything that happens ([`Session::push`]), what came of the last want ([`Session::take`]) and
//! the time ([`Session::next`]). Output: what it wants next, one [`Want`] after the other. It holds what makes
//! a good look: listening first, explaining what is heard, looking again while that may settle what is open,
//! overhearing instead of asking where others ask, reading a code that takes turns, the unit's own counters
//! of a bad line, rounds of looks, following a transition closely.
//!
//! Does not: own a port, block, read a clock, print, or allow a question: only the link makes a proof that
//! asking is right, and it may refuse any want. [`crate::drive`] moves a session over a link.
//!
//! # Invariants
//! - The same events, times and answers give the same wants.
//! - Every task ends: each wait and each row of questions has an end of its own, rounds where they are given one.
//!
//! # Example
//! See `examples/one_look.rs`, and [`crate::drive`].

mod begin;
mod look;
mod machine;
mod patience;
mod rounds;
mod stage;
mod trouble;
mod wake;
mod want;

pub use machine::Session;
pub use trouble::{Blame, LinkTrouble, MayWake, NotShown, PortGone};
pub(crate) use wake::touches_any;
pub use wake::{Wake, may_wake, quiet_window};
pub use want::{Came, End, Manner, Progress, Task, Until, Want, Word};
