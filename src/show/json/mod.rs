//! What the tool says as JSON: a contract, kept apart from the core types.
//!
//! Ids are stable, texts are not. Fields may be added; removing or changing one raises the number of
//! its schema. Bytes and raw words are lower-case hex; times are ms.
//!
//! Does not: decide anything, or print.

mod check;

pub use check::{check, error, ms, with_considered, with_story};
