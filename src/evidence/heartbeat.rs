//! Whether a counter moves, stands still, or cannot be told.
//!
//! *Moving* = two different values. *Frozen* = three equal values over at least three refresh
//! intervals of the profile, with unequal gaps. Anything between is *not known*.
//!
//! # Why unequal gaps
//! A counter that is reset or wraps with a period P shows the same value at every multiple of P.
//! Equal gaps could hit just that; gaps that differ by more than a tenth of the interval cannot.

use std::time::Duration;

/// What a counter does.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Pulse {
    /// Two different values were seen.
    Moving,
    /// Three equal values over three intervals, with unequal gaps.
    Frozen {
        /// How long the value stood.
        stood: Duration,
    },
    /// Not enough was seen.
    NotKnown,
}

/// The samples of one counter, in the order in which they came.
#[derive(Debug, Clone, Default)]
pub(crate) struct PulseCounter {
    last: Option<(Duration, f64)>,
    /// Since when it shows the last value, and how often it was read since.
    run_from: Duration,
    run: u32,
    /// Shortest and longest gap between these readings.
    gaps: Option<(Duration, Duration)>,
    /// When it last showed another value, and one that was another one again.
    moved_after: Option<Duration>,
    moved_twice_after: Option<Duration>,
}

impl PulseCounter {
    /// Takes the next sample.
    pub(crate) fn take(&mut self, at: Duration, value: f64) {
        match self.last {
            Some((before, same_value)) if same(same_value, value) => {
                let gap = at.saturating_sub(before);
                let (shortest, longest) = self.gaps.unwrap_or((gap, gap));
                self.gaps = Some((shortest.min(gap), longest.max(gap)));
                self.run = self.run.saturating_add(1);
            }
            last => {
                self.moved_twice_after = self.moved_after;
                self.moved_after = last.map(|(before, _)| before);
                self.run_from = at;
                self.run = 1;
                self.gaps = None;
            }
        }
        self.last = Some((at, value));
    }

    /// Whether the last sample is the first one of its value.
    pub(crate) fn has_just_moved(&self) -> bool {
        self.run == 1
    }

    /// Forgets what was before a moment.
    pub(crate) fn begin_at(&mut self, from: Duration) {
        let kept = self.last.filter(|(at, _)| *at >= from);
        *self = Self::default();
        if let Some((at, value)) = kept {
            self.take(at, value);
        }
    }

    /// Whether it was seen to move at all.
    pub(crate) fn has_moved(&self) -> bool {
        self.moved_after.is_some()
    }

    /// In how long a time before its last sample it moved twice: some units set it back once when it stops.
    pub(crate) fn moved_twice_within(&self) -> Option<Duration> {
        Some(self.last?.0.saturating_sub(self.moved_twice_after?))
    }

    /// What it does; `interval` is the refresh interval.
    pub(crate) fn pulse(&self, interval: Duration) -> Pulse {
        let Some((last_at, _)) = self.last else {
            return Pulse::NotKnown;
        };
        let stood = last_at.saturating_sub(self.run_from);
        let differ = |(shortest, longest): (Duration, Duration)| {
            longest.saturating_sub(shortest) * 10 >= interval
        };
        if self.run >= 3 && stood >= interval * 3 && self.gaps.is_some_and(differ) {
            return Pulse::Frozen { stood };
        }
        if self.has_moved() {
            return Pulse::Moving;
        }
        Pulse::NotKnown
    }
}

fn same(a: f64, b: f64) -> bool {
    (a - b).abs() < f64::EPSILON
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(samples: &[(u64, f64)], expected: Pulse) {
        let mut counter = PulseCounter::default();
        for (ms, value) in samples {
            counter.take(Duration::from_millis(*ms), *value);
        }
        let pulse = counter.pulse(Duration::from_secs(1));
        assert_eq!(pulse, expected, "{samples:?}");
    }

    // Kind: invented (the rule itself is the project's own)
    #[test]
    fn two_different_values_are_moving() {
        check(&[(0, 7.0), (1100, 8.0)], Pulse::Moving);
    }

    #[test]
    fn two_equal_values_are_not_known() {
        check(&[(0, 7.0), (5000, 7.0)], Pulse::NotKnown);
        check(&[], Pulse::NotKnown);
    }

    #[test]
    fn three_equal_values_with_equal_gaps_are_not_known() {
        check(&[(0, 7.0), (2000, 7.0), (4000, 7.0)], Pulse::NotKnown);
    }

    #[test]
    fn three_equal_values_too_close_are_not_known() {
        check(&[(0, 7.0), (1000, 7.0), (2500, 7.0)], Pulse::NotKnown);
    }

    #[test]
    fn three_equal_values_over_three_intervals_are_frozen() {
        check(
            &[(0, 7.0), (1300, 7.0), (3200, 7.0)],
            Pulse::Frozen {
                stood: Duration::from_millis(3200),
            },
        );
    }

    #[test]
    fn counter_that_stops_later_is_frozen() {
        check(
            &[(0, 1.0), (1000, 2.0), (2300, 2.0), (5000, 2.0)],
            Pulse::Frozen {
                stood: Duration::from_millis(4000),
            },
        );
    }
}
