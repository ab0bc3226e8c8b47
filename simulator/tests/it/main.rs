//! The simulated unit seen from outside: through its bytes, its lamps and its truth.
//!
//! Does not: use anything that is not public, or wait in real time (but for [`serve`], which waits
//! for sockets and terminals of this machine).

#![expect(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::indexing_slicing,
    reason = "helpers of tests: a panic with its place is the report"
)]

mod bits;
mod control;
mod field;
mod gateway;
mod hardware;
mod line;
mod protections;
mod registers;
mod serve;
mod stage;
mod states;
mod supervision;
