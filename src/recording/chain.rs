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
        let open = object.strip_suffix('}').unwrap_or(object);
        let hash = hash(&self.last, open);
        let line = format!("{open}{BEFORE}{hash}{BEHIND}");
        self.last = hash;
        self.lines += 1;
        line
    }

    /// Checks a sealed line and goes on behind it; gives whether its hash fits. The seal is one more
    /// member of the line's object.
    pub(super) fn open(&mut self, line: &str) -> bool {
        let head = line.len().checked_sub(BEFORE.len() + DIGITS + BEHIND.len());
        let Some((open, seal)) = head.and_then(|head| line.split_at_checked(head)) else {
            return false;
        };
        let found = seal
            .strip_prefix(BEFORE)
            .and_then(|seal| seal.strip_suffix(BEHIND));
        let computed = hash(&self.last, open);
        let fits = found == Some(&computed);
        if fits {
            self.last = computed;
            self.lines += 1;
        }
        fits
    }
}

/// Over the hash before and an object that is `open`: without its end.
fn hash(before: &str, open: &str) -> String {
    let digest = Sha256::new()
        .chain_update(before.as_bytes())
        .chain_update(open.as_bytes())
        .chain_update(b"}")
        .finalize();
    hex(digest.get(..DIGITS / 2).unwrap_or_default())
}
