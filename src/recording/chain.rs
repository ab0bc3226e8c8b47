//! The hash over every line.
//!
//! A line is a JSON object whose last member is `"h"`: the first 16 hex digits of SHA-256 over the
//! hash of the line before and the line without it.
//!
//! Does not: know what a line says.

use sha2::{Digest as _, Sha256};

/// Hex digits of a hash.
pub(super) const DIGITS: usize = 16;
/// What stands between a line and its hash.
const BEFORE: &str = ",\"h\":\"";
/// What stands behind it.
const BEHIND: &str = "\"}";

/// Hex digits.
type Hash = [u8; DIGITS];

/// The hashes of a file, line after line.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(super) struct Chain {
    /// Hash of the last line; none before the first.
    last: Option<Hash>,
    /// Lines so far.
    pub(super) lines: u64,
}

impl Chain {
    /// The chain behind a line with this hash, the last of so many.
    pub(super) fn behind(fingerprint: &str, lines: u64) -> Self {
        Self {
            last: fingerprint.as_bytes().try_into().ok(),
            lines,
        }
    }

    /// Hash of the last line; empty before the first.
    pub(super) fn fingerprint(&self) -> String {
        let digits = self.last.iter().flatten();
        digits.map(|digit| char::from(*digit)).collect()
    }

    /// Seals an object, given as its JSON text, and gives the whole line without its end.
    pub(super) fn seal(&mut self, object: &str) -> String {
        let open = object.strip_suffix('}').unwrap_or(object);
        self.last = Some(hash(self.last, open));
        self.lines += 1;
        format!("{open}{BEFORE}{}{BEHIND}", self.fingerprint())
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
        let computed = hash(self.last, open);
        let fits = found.is_some_and(|found| found.as_bytes() == computed);
        if fits {
            self.last = Some(computed);
            self.lines += 1;
        }
        fits
    }
}

/// Over the hash before and an object that is `open`: without its end.
fn hash(before: Option<Hash>, open: &str) -> Hash {
    let mut sha = Sha256::new();
    if let Some(before) = before {
        sha.update(before);
    }
    sha.update(open.as_bytes());
    sha.update(b"}");
    let digest = sha.finalize();
    let mut digits = [0; DIGITS];
    let (pairs, _) = digits.as_chunks_mut::<2>();
    for (pair, byte) in pairs.iter_mut().zip(digest) {
        *pair = [byte >> 4, byte & 0xf].map(|n| n + if n < 10 { b'0' } else { b'a' - 10 });
    }
    digits
}
