//! Moves the machines that decide what to do over links that do it.
//!
//! Does not: decide anything; every want comes from a machine, every refusal from the link.

pub mod find;
