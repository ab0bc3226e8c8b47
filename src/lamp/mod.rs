//! Says which pattern a lamp shows, and what a profile says about it.
//!
//! In: taps, words or brightness samples, all turned into one [`LampSeen`]: edges with an error
//! model. Out: a [`Ranking`] of patterns, and [`Meaning`]s under a profile.
//!
//! Does not: know registers, read a clock, a key or a file.
//!
//! # Invariants
//! - A standard gives a pattern its name, never its meaning for a battery.
//! - Dark never means sound; no sighting proves a unit sound.
//! - Same input, same answer.
//!
//! # Sources
//! - CiA 303-3 (reprints): the eight states; IEC 60073 (reprint): slow and normal rate.

mod brightness;
mod infer;
mod meaning;
mod pattern;
mod seen;
mod separate;
mod tapper;
mod trace;
mod words;

pub use infer::{PatternChange, Ranked, Ranking, rank};
pub use meaning::{Meaning, meanings, meanings_together, pattern_ids, patterns};
pub use pattern::{Pattern, RateBand, standard_patterns};
pub use seen::{Edge, LampSeen, Observer};
pub use separate::{Difference, difference, look_alikes, rivals, watch_more_ms};
pub use tapper::{Key, TapProgress, Tapper};
pub use trace::{TraceProblem, read_any_text, read_trace};
pub use words::{Description, WordProblem, read_words};
