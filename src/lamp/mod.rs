//! Says which pattern a lamp shows, and what a profile says about it.
//!
//! In: taps, words, brightness samples or a film, all turned into one [`LampSeen`]: edges with an error
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

mod assign;
mod brightness;
mod film;
mod infer;
mod meaning;
mod numbers;
mod pattern;
mod ranking;
mod rhythm;
mod seen;
mod separate;
mod tapper;
mod trace;
mod words;

pub use film::{
    FilmProblem, FilmShape, FilmStill, FilmedLamp, Footage, LampColour, read_any_film, read_film,
};
pub use infer::rank;
pub use meaning::{Meaning, meanings, meanings_together, pattern_ids, patterns};
pub use pattern::{Pattern, RateBand, standard_patterns};
pub use ranking::{PatternChange, Ranked, Ranking};
pub use rhythm::Rhythm;
pub use seen::{Edge, LampSeen, Observer, Unclear};
pub use separate::{Difference, difference, look_alikes, rivals, watch_more_ms};
pub use tapper::{Key, TapProgress, Tapper};
pub use trace::{TraceProblem, read_any_text, read_trace};
pub use words::{Description, WordProblem, read_words};
