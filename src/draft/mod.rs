//! From maps and recordings to what [`crate::physics`] weighs.
//!
//! Input: a draft as it is written, lines of register images, or what was said on a link. Output: claims and
//! images; what a person's answers leave of a draft. Does not: weigh registers, change a draft, or read a file.

mod claims;
mod images;
mod settle;
mod ways;

pub use claims::{bases, claims, in_map};
pub use images::{ImageError, from_exchanges, from_lines, units};
pub use settle::{
    Bearing, MOST_QUESTIONS, Question, Settled, Told, held, held_in, questions, settle,
};
pub use ways::{Held, Way, number, ways};
