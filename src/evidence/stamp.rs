//! Moments of several sessions.
//!
//! Does not: read a clock.

use std::num::NonZeroU32;
use std::time::Duration;

/// A moment of a session. Sessions follow each other; how far apart they are nobody knows.
///
/// Each instance of a unit keeps several: packed, one takes 16 bytes instead of 24, also where it may be none.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) struct Stamp {
    /// Number of the session, from 1.
    nth: NonZeroU32,
    /// Time since it began.
    seconds: u64,
    nanos: u32,
}

impl Default for Stamp {
    fn default() -> Self {
        Self::new(0, Duration::ZERO)
    }
}

impl Stamp {
    /// This time since a session began, by the number of the session, from 0.
    pub(crate) fn new(session: u32, at: Duration) -> Self {
        Self {
            nth: NonZeroU32::MIN.saturating_add(session),
            seconds: at.as_secs(),
            nanos: at.subsec_nanos(),
        }
    }

    /// Number of the session, from 0.
    pub(crate) fn session(self) -> u32 {
        self.nth.get() - 1
    }

    /// Time since the session began.
    pub(crate) fn at(self) -> Duration {
        Duration::new(self.seconds, self.nanos)
    }

    /// Time since an earlier moment (none where it is a later one); not known across sessions.
    pub(crate) fn since(self, earlier: Self) -> Option<Duration> {
        self.within(earlier.session())
            .map(|at| at.saturating_sub(earlier.at()))
    }

    /// The time, if it is one of this session.
    pub(crate) fn within(self, session: u32) -> Option<Duration> {
        (self.session() == session).then(|| self.at())
    }
}
