//! The way to the unit: opens it, listens first, and asks only where that is shown to be right.
//!
//! A [`Port`] moves bytes and tells the time; it is real (a worker thread) or virtual (the
//! simulator).
//!
//! Does not: interpret registers, or know what an answer means.

pub mod port;

pub use port::{Arrived, Port, PortGone};
