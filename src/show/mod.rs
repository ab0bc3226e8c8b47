//! What people and programs read: the page to hand over.
//!
//! Does not: decide anything.

pub mod page;
