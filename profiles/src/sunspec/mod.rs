//! Batteries that describe themselves by the open SunSpec models: found, read, and made into a map.
//!
//! Input: what the registers of a unit hold, from the mark "SunS" on. Output: the text of an ordinary
//! register map for just this unit, so that every command, screen and rule works as with any map.
//!
//! What stands where in a model and what it means is data: `profiles/sunspec/models.toml`. Here is only
//! what the models have in common: the chain, the sentinels, scale points, blocks that repeat until the
//! model ends.
//!
//! Does not: talk to a unit. [`Walk`] says what to read next and takes what came.
//!
//! # Invariants
//! - A walk ends, whatever a unit answers: models, registers and questions are bounded.
//! - Nothing is taken for a value that a model marks as not implemented, or whose scale is not.
//! - A chain that cannot be followed to its end gives a map with which nothing clean can be said.

mod compose;
mod data;
mod example;
mod floor;
mod numbers;
mod spelling;
mod spot;
mod told;
mod walk;
mod words;

pub use compose::{NoMap, UnitAt, map_of, with_models};
pub use data::{Model, Models, models};
pub use example::example;
pub use walk::{Chain, ChainEnd, FoundModel, MARK_AT, Walk, WalkAnswer, WalkStep};

/// The name under which the map of a SunSpec unit is asked for: it is made when the unit is read.
pub const NAME: &str = "sunspec";
