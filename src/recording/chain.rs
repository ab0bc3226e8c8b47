//! The hash over every line.
//!
//! A line is a JSON object whose last member is `"h"`: the first 16 hex digits of SHA-256 over the
//! hash of the line before and the line without it.
//!
//! Does not: know what a line says.

use sha2::{Digest as _, Sha256};

use crate::wire::hex;

/// Hex digits of a hash.
pub(super) const DIGITS: usize = 16;
/// What stands between a line and its hash.
const BEFORE: &str = ",\"h\":\"";
/// What stands behind it.
const BEHIND: &str = "\"}";

/// The hashes of a file, line after line.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(super) struct Chain {
    /// Hash of the last line; empty before the first.
    pub(super) last: String,
    /// Lines so far.
    pub(super) lines: u64,
}

impl Chain {
    /// Seals an object, given as its JSON text, and gives the whole line without its end.
    pub(super) fn seal(&mut self, object: &str) -> String {
        let hash = hash(&self.last, object);
        let open = object.strip_suffix('}').unwrap_or(object);
        let line = format!("{open}{BEFORE}{hash}{BEHIND}");
        self.last = hash;
        self.lines += 1;
        line
    }

    /// The object in a sealed line; nothing where its hash does not fit.
    pub(super) fn open(&mut self, line: &str) -> Option<String> {
        let head = line
            .len()
            .checked_sub(BEFORE.len() + DIGITS + BEHIND.len())?;
        let (open, seal) = line.split_at_checked(head)?;
        let found = seal.strip_prefix(BEFORE)?.strip_suffix(BEHIND)?;
        let object = format!("{open}}}");
        let computed = hash(&self.last, &object);
        if found != computed {
            return None;
        }
        self.last = computed;
        self.lines += 1;
        Some(object)
    }
}

fn hash(before: &str, object: &str) -> String {
    let digest = Sha256::new()
        .chain_update(before.as_bytes())
        .chain_update(object.as_bytes())
        .finalize();
    let mut hex = hex(&digest);
    hex.truncate(DIGITS);
    hex
}
