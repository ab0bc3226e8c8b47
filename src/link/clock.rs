//! The one place in this room that reads clocks: monotonic time since the session began, and the
//! wall clock that is noted beside it.

use std::time::{Duration, Instant};

/// Monotonic time from an origin that a session keeps for all its ports.
#[derive(Debug, Clone, Copy)]
pub struct Clock {
    origin: Instant,
}

impl Clock {
    /// A session begins now.
    #[expect(clippy::disallowed_methods, reason = "the clock of the real driver")]
    pub fn start() -> Self {
        Self {
            origin: Instant::now(),
        }
    }

    /// Time since the session began.
    pub fn now(self) -> Duration {
        self.origin.elapsed()
    }
}

/// The wall clock: UTC in RFC 3339, and local time minus UTC in minutes.
pub(crate) fn wall() -> (String, i32) {
    let now = jiff::ZonedDateTime::now();
    let utc = now
        .timestamp()
        .strftime("%Y-%m-%dT%H:%M:%S%.3fZ")
        .to_string();
    (utc, now.offset().seconds() / 60)
}
