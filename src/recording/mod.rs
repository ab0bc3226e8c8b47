//! The recording of a visit: a file to which lines are only added, each sealed by a hash.
//!
//! Input: events and what was shown. Output: the file, and back. [`Recorder`] writes, [`read()`]
//! reads; `lines` puts events into JSON and back; `chain` is the hash over every line.
//!
//! Does not: judge, plan, or decide what is worth keeping.
//!
//! # The file
//! One JSON object per line: `header` first, then `session`s, each with its events, `unit` (who
//! answered), `shown` (each verdict as displayed; never input to judging), `afresh` (only what follows is judged,
//! or everything again) and a `seal` at the end.
//! Every line ends with `"h"`, see `chain`. Times are nanoseconds since the session began.
//!
//! # Invariants
//! - A line is acknowledged once it is written whole; a person's lines are also synced to disk.
//! - A file cut at any byte opens; what is missing is said.
//! - A changed line is named; what stands before it is proven and used, nothing behind it is.
//! - One recorder at a time: the file is held alone while it is written.
//! - Lines of unknown types are kept out, counted, and said.
//!
//! # What the hashes prove
//! That nothing was changed by accident or by hand. Not who wrote it, nor when, nor that a file
//! without a seal is complete: the fingerprint printed at the end is to be noted elsewhere.

mod chain;
mod events;
mod lines;
mod read;
mod replay;
mod write;

#[cfg(test)]
mod tests;

pub use events::Events;
pub use read::{Afresh, Missing, ReadError, RecordedSession, Recording, read, read_from};
pub use write::{Recorder, WriteError};

use std::collections::BTreeSet;

use packside_profiles::Foreign;

use crate::event::Event;
use crate::facts::{FactKey, Finding, Judgement};

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
    /// What was found, by key; nothing in recordings of versions that did not note it.
    pub facts: Option<Vec<ShownFact>>,
}

/// The key of something that was found, as it stands in a recording: ids are stable, texts are not.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct ShownFact {
    /// Id of the finding.
    pub id: String,
    /// Unit address.
    pub unit: u8,
    /// Module.
    pub module: Option<u16>,
    /// Cell or sensor.
    pub item: Option<u16>,
    /// Id of where it comes from.
    pub source: String,
}

impl Shown {
    /// A judgement as it is displayed by this version, with its one line.
    pub fn of(judgement: &Judgement, summary: String) -> Self {
        Self {
            at: judgement.moment,
            tool: env!("CARGO_PKG_VERSION").to_owned(),
            verdict: judgement.verdict.kind.id().to_owned(),
            summary,
            facts: Some(ShownFact::all(judgement)),
        }
    }
}

impl ShownFact {
    /// The keys of all that was found, in order, each once.
    pub fn all(judgement: &Judgement) -> Vec<Self> {
        let noted = |key: FactKey| Self {
            id: key.kind.to_owned(),
            unit: key.unit,
            module: key.place.module,
            item: key.place.item,
            source: key.source.id().to_owned(),
        };
        let keys = judgement.findings.iter().map(Finding::key);
        let keys: BTreeSet<Self> = keys.map(noted).collect();
        keys.into_iter().collect()
    }
}

/// What a line of a session holds.
#[derive(Debug, Clone, PartialEq)]
pub enum Entry {
    /// Something happened.
    Event(Event),
    /// The unit answered with this serial number.
    Unit(Foreign),
    /// A verdict was displayed.
    Shown(Shown),
    /// From here on only what comes is judged (`true`), or everything again.
    Afresh(bool),
}
