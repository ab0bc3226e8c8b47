//! The recording of a visit: a file to which lines are only added, each sealed by a hash.
//!
//! Input: events and what was shown. Output: the file, and back. [`Recorder`] writes, [`read()`]
//! reads; `lines` puts events into JSON and back; `chain` is the hash over every line.
//!
//! Does not: judge, plan, or decide what is worth keeping.
//!
//! # The file
//! One JSON object per line: `header` first, then `session`s, each with its events, `unit` (who
//! answered), `shown` (each verdict as displayed; never input to judging) and a `seal` at the end.
//! Every line ends with `"h"`, see `chain`. Times are nanoseconds since the session began.
//!
//! # Invariants
//! - A line is acknowledged once it is written whole; a person's lines are also synced to disk.
//! - A file cut at any byte opens; what is missing is said.
//! - A changed line is named, and nothing of the file is used.
//! - Lines of unknown types are kept out, counted, and said.
//!
//! # What the hashes prove
//! That nothing was changed by accident or by hand. Not who wrote it, nor when, nor that a file
//! without a seal is complete: the fingerprint printed at the end is to be noted elsewhere.

mod chain;
mod events;
mod lines;
mod read;
mod write;

#[cfg(test)]
mod tests;

pub use events::Events;
pub use read::{Missing, ReadError, Recording, Session, read, read_from};
pub use write::{Recorder, WriteError};

use crate::event::Event;

/// Name and version of the file format.
pub const SCHEMA: &str = "packside.visit/1";

/// First line of a recording.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Header {
    /// Version of the tool that began the file.
    pub tool: String,
    /// Register map of the visit, whole: the file can be judged without any other.
    pub profile: Option<ProfileText>,
    /// Seed of the scenario, where no real unit was there.
    pub simulated_seed: Option<u64>,
}

/// A register map as text.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ProfileText {
    /// Its id.
    pub id: String,
    /// SHA-256 of the text, hex.
    pub sha256: String,
    /// The text.
    pub text: String,
}

/// Begin of a session: the tool was started.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Start {
    /// Wall clock, RFC 3339 in UTC.
    pub utc: String,
    /// Local time minus UTC, in minutes.
    pub offset_minutes: i32,
}

/// A verdict as it was displayed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Shown {
    /// Moment judged, since the session began.
    pub at: std::time::Duration,
    /// Version of the tool.
    pub tool: String,
    /// Id of the verdict.
    pub verdict: String,
    /// Its one line.
    pub summary: String,
}

/// What a line of a session holds.
#[derive(Debug, Clone, PartialEq)]
pub enum Entry {
    /// Something happened.
    Event(Event),
    /// The unit answered with this serial number.
    Unit(String),
    /// A verdict was displayed.
    Shown(Shown),
}
