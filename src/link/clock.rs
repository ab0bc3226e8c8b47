//! The one place in this room that reads a clock: monotonic time since the session began.

use std::time::{Duration, Instant};

/// Monotonic time from an origin that a session keeps for all its ports.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Clock {
    origin: Instant,
}

impl Clock {
    /// A session begins now.
    #[expect(clippy::disallowed_methods, reason = "the clock of the real driver")]
    pub(crate) fn start() -> Self {
        Self {
            origin: Instant::now(),
        }
    }

    /// Time since the session began.
    pub(crate) fn now(self) -> Duration {
        self.origin.elapsed()
    }
}
