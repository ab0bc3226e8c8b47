//! The one place in this room that reads clocks: monotonic time since the session began, and the
//! wall clock that is noted beside it.

use std::time::{Duration, Instant};

use crate::event::{What, is_clock_break};

/// Time between two notes of the wall clock.
const NOTE_EVERY: Duration = Duration::from_secs(60);

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
pub fn wall() -> (String, i32) {
    let now = jiff::ZonedDateTime::now();
    (utc(now.timestamp()), now.offset().seconds() / 60)
}

/// UTC in RFC 3339.
fn utc(time: jiff::Timestamp) -> String {
    time.strftime("%Y-%m-%dT%H:%M:%S%.3fZ").to_string()
}

/// Time by the wall clock since 1970.
pub fn since_1970() -> Duration {
    let since = jiff::Timestamp::now().duration_since(jiff::Timestamp::UNIX_EPOCH);
    since.try_into().unwrap_or_default()
}

/// Decides when the wall clock is noted: every minute, and at once where it and the session's clock
/// went apart, because the computer slept or its clock was set.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct ClockWatch {
    due: Duration,
    /// Wall clock minus session clock when last noted, ms.
    offset_ms: Option<i64>,
}

impl ClockWatch {
    /// Takes both clocks, that of the wall since 1970. Gives the note, where one is due: this is called with
    /// every event, so the time is written out only then.
    pub(crate) fn note(&mut self, now: Duration, wall: Duration) -> Option<What> {
        let ms = |time: Duration| i64::try_from(time.as_millis()).ok();
        let offset = ms(wall).zip(ms(now)).map(|(wall, now)| wall - now);
        let known = self.offset_ms.zip(offset);
        let went_apart = known.is_some_and(|(before, now)| is_clock_break(before, now));
        if now < self.due && !went_apart {
            return None;
        }
        self.due = now + NOTE_EVERY;
        self.offset_ms = offset;
        let time = jiff::Timestamp::from_millisecond(ms(wall)?).ok()?;
        Some(What::Clock(utc(time)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::event::{ClockBreak, Event, clock_breaks};

    /// Notes at these seconds of the session and these wall clocks; gives what was noted.
    fn noted(clocks: &[(u64, &str)]) -> Vec<Event> {
        let mut watch = ClockWatch::default();
        let note = |(second, utc): &(u64, &str)| {
            let at = Duration::from_secs(*second);
            let wall: jiff::Timestamp = format!("2026-11-25T{utc}Z").parse().unwrap();
            let wall = wall.duration_since(jiff::Timestamp::UNIX_EPOCH);
            let what = watch.note(at, wall.try_into().unwrap())?;
            Some(Event { at, what })
        };
        clocks.iter().filter_map(note).collect()
    }

    fn broken(second: u64, apart_ms: i64) -> Vec<ClockBreak> {
        let at = Duration::from_secs(second);
        vec![ClockBreak { at, apart_ms }]
    }

    #[test]
    fn clock_is_noted_once_a_minute_and_a_second_of_drift_is_no_break() {
        let events = noted(&[
            (0, "10:00:00.000"),
            (30, "10:00:30.900"),
            (59, "10:00:59.000"),
            (60, "10:01:00.900"),
        ]);
        let seconds: Vec<u64> = events.iter().map(|event| event.at.as_secs()).collect();
        assert_eq!(seconds, [0, 60]);
        assert_eq!(clock_breaks(&events), []);
    }

    // Kind: invented (a lid closed for an hour; the session's clock stood still meanwhile)
    #[test]
    fn sleep_in_the_middle_is_noted_at_once() {
        let events = noted(&[
            (0, "10:00:00.000"),
            (20, "11:00:20.000"),
            (21, "11:00:21.000"),
        ]);
        assert_eq!(events.len(), 2);
        assert_eq!(clock_breaks(&events), broken(20, 3_600_000));
    }

    #[test]
    fn clock_set_back_is_noted_at_once() {
        let events = noted(&[(0, "10:00:00.000"), (20, "09:59:00.000")]);
        assert_eq!(clock_breaks(&events), broken(20, -80_000));
    }

    #[test]
    fn clock_that_cannot_be_read_is_no_break() {
        let at = Duration::from_secs;
        let clock = |second, text: &str| Event {
            at: at(second),
            what: What::Clock(text.to_owned()),
        };
        let events = [clock(0, "yesterday"), clock(1, "2026-11-25T10:00:00Z")];
        assert_eq!(clock_breaks(&events), []);
    }
}
