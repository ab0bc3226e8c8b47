//! What people and programs read: the screen of a look, the page to hand over, JSON, CSV.
//!
//! Does not: decide anything.

#[cfg(feature = "cli")]
pub mod csv;
pub mod explain;
pub mod json;
pub mod page;
pub mod paper;
pub mod reference;
pub mod screen;
