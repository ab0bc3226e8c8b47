//! Moments of several sessions.
//!
//! Does not: read a clock.

use std::time::Duration;

/// A moment of a session. Sessions follow each other; how far apart they are nobody knows.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) struct Stamp {
    /// Number of the session.
    pub(crate) session: u32,
    /// Time since it began.
    pub(crate) at: Duration,
}

impl Stamp {
    /// Time since an earlier moment (none where it is a later one); not known across sessions.
    pub(crate) fn since(self, earlier: Self) -> Option<Duration> {
        self.within(earlier.session)
            .map(|at| at.saturating_sub(earlier.at))
    }

    /// The time, if it is one of this session.
    pub(crate) fn within(self, session: u32) -> Option<Duration> {
        (self.session == session).then_some(self.at)
    }
}
