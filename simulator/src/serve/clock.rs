//! The one clock of this package: real time as time of the scenario.
//!
//! Input: where the scenario's time stands at the start, and how fast it runs. Output: its time
//! now, and how long to wait for a moment of it. Moments are absolute, so errors of single waits
//! do not add up. Does not: wait (the server waits for messages, with a time-out).

use std::time::{Duration, Instant, SystemTime};

/// A running clock.
#[derive(Debug, Clone, Copy)]
pub(super) struct Clock {
    began: Instant,
    from: Duration,
    speed: f64,
}

impl Clock {
    /// Starts at a time of the scenario. `speed` must be above zero.
    #[expect(
        clippy::disallowed_methods,
        reason = "the clock of the real-time server"
    )]
    pub(super) fn start(from: Duration, speed: f64) -> Self {
        Self {
            began: Instant::now(),
            from,
            speed,
        }
    }

    /// Time of the scenario now.
    pub(super) fn now(&self) -> Duration {
        self.from
            .saturating_add(scaled(self.began.elapsed(), self.speed))
    }

    /// Real time until a moment of the scenario; zero once it has passed.
    pub(super) fn until(&self, at: Duration) -> Duration {
        scaled(at.saturating_sub(self.now()), 1.0 / self.speed)
    }

    /// The moment of the scenario that is so much real time away.
    pub(super) fn after(&self, real: Duration) -> Duration {
        self.now().saturating_add(scaled(real, self.speed))
    }
}

/// What this computer's clock shows, as time since 1970; nothing before that.
#[expect(
    clippy::disallowed_methods,
    reason = "units served in real time show the real date"
)]
pub(super) fn since_1970() -> Duration {
    let now = SystemTime::now().duration_since(SystemTime::UNIX_EPOCH);
    now.unwrap_or_default()
}

fn scaled(time: Duration, by: f64) -> Duration {
    // Exactly as it is where nothing is to be scaled: no rounding in the usual case.
    if by == 1.0 {
        return time;
    }
    Duration::try_from_secs_f64(time.as_secs_f64() * by).unwrap_or(Duration::MAX)
}

#[cfg(test)]
mod tests {
    use super::*;

    // Kind: derived (10 s at half speed is 5 s of the scenario; 5 s of it take 10 s)
    #[test]
    fn scaled_times_follow_the_speed_and_never_overflow() {
        let ten = Duration::from_secs(10);
        assert_eq!(scaled(ten, 0.5), Duration::from_secs(5));
        assert_eq!(scaled(ten, 1.0), ten);
        assert_eq!(scaled(Duration::MAX, 1000.0), Duration::MAX);
    }

    #[test]
    fn clock_started_late_counts_from_there() {
        let clock = Clock::start(Duration::from_secs(90), 1.0);
        assert!(clock.now() >= Duration::from_secs(90));
        assert_eq!(clock.until(Duration::from_secs(90)), Duration::ZERO);
        assert!(clock.until(Duration::from_secs(9000)) > Duration::from_secs(8000));
    }
}
