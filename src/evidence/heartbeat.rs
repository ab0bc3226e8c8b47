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

/// Judges the samples of one counter, in the order of time; `interval` is the refresh interval.
pub(crate) fn pulse(samples: &[(Duration, f64)], interval: Duration) -> Pulse {
    let Some(&(last_at, last)) = samples.last() else {
        return Pulse::NotKnown;
    };
    let run: Vec<Duration> = samples
        .iter()
        .rev()
        .take_while(|(_, value)| same(*value, last))
        .map(|(at, _)| *at)
        .collect();
    let stood = run
        .last()
        .map_or(Duration::ZERO, |first| last_at.saturating_sub(*first));
    if run.len() >= 3 && stood >= interval * 3 && gaps_differ(&run, interval) {
        return Pulse::Frozen { stood };
    }
    if samples.iter().any(|(_, value)| !same(*value, last)) {
        return Pulse::Moving;
    }
    Pulse::NotKnown
}

fn same(a: f64, b: f64) -> bool {
    (a - b).abs() < f64::EPSILON
}

/// Times newest first.
fn gaps_differ(run: &[Duration], interval: Duration) -> bool {
    let gaps = || {
        run.iter()
            .zip(run.iter().skip(1))
            .map(|(newer, older)| newer.saturating_sub(*older))
    };
    let longest = gaps().max().unwrap_or_default();
    let shortest = gaps().min().unwrap_or_default();
    longest.saturating_sub(shortest) * 10 >= interval
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(samples: &[(u64, f64)], expected: Pulse) {
        let samples: Vec<_> = samples
            .iter()
            .map(|(ms, v)| (Duration::from_millis(*ms), *v))
            .collect();
        assert_eq!(
            pulse(&samples, Duration::from_secs(1)),
            expected,
            "{samples:?}"
        );
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
