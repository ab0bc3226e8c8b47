//! What people and programs read: the screen of a look, the page to hand over, JSON.
//!
//! Does not: decide anything.

pub mod explain;
pub mod json;
pub mod page;
pub mod paper;
pub mod reference;
pub mod screen;
