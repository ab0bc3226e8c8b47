//! A count among tries, and how far it can be relied on.

use crate::statistics::wilson;

/// A count among tries.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Share {
    /// How often.
    pub hits: u32,
    /// Among how many.
    pub tries: u32,
}

impl Share {
    pub(super) fn count(&mut self, hit: bool) {
        self.tries += 1;
        self.hits += u32::from(hit);
    }

    /// Wilson's 95 % interval, 0 to 1; all of it where nothing was tried.
    pub fn interval(self) -> (f64, f64) {
        wilson(self.hits.into(), self.tries.into())
    }

    /// Whether this share is larger than another for certain.
    pub(crate) fn exceeds(self, other: Self) -> bool {
        self.tries > 0 && other.tries > 0 && self.interval().0 > other.interval().1
    }
}
