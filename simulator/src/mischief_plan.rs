//! What a scenario says about bad habits of a line or a gateway: which, how often, when.
//!
//! Input: `[[mischief]]` entries of a scenario. Output: plans with their defaults. Does not: act on
//! them (see `mischief`).

use std::fmt;
use std::time::Duration;

use packside_profiles::Role;
use serde::Deserialize;

use crate::scenario::{some_time, time};

/// Kinds of bad habits.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum MischiefKind {
    /// The answer is lost.
    Drop,
    /// Bits of the answer are flipped (on TCP: of its header).
    Damage,
    /// The answer comes `delay` later.
    Late,
    /// The answer comes again `delay` after it.
    Twice,
    /// An answer of another unit comes before it.
    Foreign,
    /// The adapter sends the request back first.
    Echo,
    /// Bytes of noise come before the answer.
    Garbage,
    /// The answer ends early.
    Cut,
    /// The answer comes byte by byte, `delay` apart.
    Bytewise,
    /// Reads of points with `role` are refused with exception `code`.
    Exception,
    /// The answer carries another unit address.
    WrongUnit,
    /// The unit is not there at all.
    NoAnswer,
}

impl fmt::Display for MischiefKind {
    /// As scenario files write it.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Drop => "drop",
            Self::Damage => "damage",
            Self::Late => "late",
            Self::Twice => "twice",
            Self::Foreign => "foreign",
            Self::Echo => "echo",
            Self::Garbage => "garbage",
            Self::Cut => "cut",
            Self::Bytewise => "bytewise",
            Self::Exception => "exception",
            Self::WrongUnit => "wrong-unit",
            Self::NoAnswer => "no-answer",
        })
    }
}

/// A bad habit, how often and when.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Mischief {
    /// What.
    pub kind: MischiefKind,
    /// How often, percent of the answers.
    #[serde(default = "always")]
    pub chance: f64,
    /// At most so many times.
    pub times: Option<u32>,
    /// From this time on.
    #[serde(default, deserialize_with = "time")]
    pub from: Duration,
    /// Until this time.
    #[serde(default, deserialize_with = "some_time")]
    pub until: Option<Duration>,
    /// Only answers of this unit address.
    pub unit: Option<u8>,
    /// For `late`, `twice`, `bytewise`.
    #[serde(default = "second", deserialize_with = "time")]
    pub delay: Duration,
    /// For `damage` (bits flipped), `garbage` and `cut` (bytes).
    #[serde(default = "one")]
    pub amount: u16,
    /// For `exception`.
    #[serde(default = "two")]
    pub code: u8,
    /// For `exception`.
    pub role: Option<Role>,
}

fn always() -> f64 {
    100.0
}

fn second() -> Duration {
    Duration::from_secs(1)
}

fn one() -> u16 {
    1
}

fn two() -> u8 {
    2
}
