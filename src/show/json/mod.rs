//! What the tool says as JSON: a contract, kept apart from the core types.
//!
//! One plain struct for every object, in the order of its fields; the schemas in `docs/schema/` are made
//! from them. Ids are stable, texts are not. Fields may be added; removing or changing one raises the
//! number of its schema. Bytes and raw words are lower-case hex; times since the session
//! began are ms, a moment by the wall clock is RFC 3339 with its offset.
//!
//! Does not: decide anything, or print.

use std::collections::BTreeMap;
use std::time::Duration;

use serde::Serialize;

use crate::wire::Framing;

pub mod check;
pub mod compare;
pub mod demo;
pub mod draft;
pub mod explain;
pub mod failed;
pub mod find;
pub mod lamp;
pub mod listen;
pub mod profile;
pub mod report;
pub mod retest;
pub mod visit;
pub mod watch;

#[cfg(test)]
mod schema;

pub use check::Check;
pub use failed::{Failed, Trouble};

/// Version of this tool.
pub(crate) const TOOL: &str = env!("CARGO_PKG_VERSION");

/// One object on one line.
pub fn line(object: &impl Serialize) -> String {
    // Keys are strings and no field fails to serialize: the only two ways in which this could fail.
    serde_json::to_string(object).unwrap_or_default() + "\n"
}

/// Whole milliseconds.
pub(crate) fn ms(time: Duration) -> u64 {
    u64::try_from(time.as_millis()).unwrap_or(u64::MAX)
}

/// Milliseconds with one decimal.
fn fine_ms(time: Duration) -> f64 {
    (time.as_secs_f64() * 10_000.0).round() / 10.0
}

/// One decimal.
fn tenths(value: f64) -> f64 {
    (value * 10.0).round() / 10.0
}

/// Three decimals.
fn thousandths(value: f64) -> f64 {
    (value * 1000.0).round() / 1000.0
}

/// Counts by exception code, hex.
fn by_code(counts: impl Iterator<Item = (u8, u32)>) -> BTreeMap<String, u32> {
    counts.map(|(code, n)| (format!("{code:02x}"), n)).collect()
}

/// Name of a framing.
pub(crate) fn framing(framing: Framing) -> &'static str {
    match framing {
        Framing::Rtu => "rtu",
        Framing::Tcp => "tcp",
    }
}
