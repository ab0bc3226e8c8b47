//! Whether the time since the inverter was heard is a number that can be used.
//!
//! Input: the samples of it. Output: whether it stands, and whether it keeps time. Does not: say what that means.

use std::time::Duration;

use super::heartbeat::{Pulse, PulseCounter};

/// Looks this far apart show at what pace it rises.
// Kind: common practice
pub(super) const TWO_LOOKS: Duration = Duration::from_secs(5);
/// A clock gains or loses no more than this share of the time.
// Kind: common practice
const PACE: f64 = 0.2;

/// The time since the inverter was heard, over several answers.
#[derive(Debug, Clone, Default)]
pub(crate) struct InverterAge {
    counter: PulseCounter,
    /// The first sample since it last fell, and the last one.
    run: Option<[(Duration, f64); 2]>,
}

impl InverterAge {
    /// Takes the next sample, s.
    pub(crate) fn take(&mut self, at: Duration, age: f64) {
        self.counter.take(at, age);
        let new = (at, age);
        self.run = Some(match self.run {
            Some([first, last]) if last.1 <= age => [first, new],
            _ => [new, new],
        });
    }

    /// Whether it never moved and stands, in unequal reads over two usual polls of an inverter: then it is not
    /// implemented, or fed by us. `interval` is the shortest that may lie between two resets of it.
    pub(crate) fn stands(&self, interval: Duration, usual_poll: Duration) -> bool {
        let pulse = self.counter.pulse(interval);
        let long = matches!(pulse, Pulse::Frozen { stood } if stood >= usual_poll * 2);
        long && !self.counter.has_moved()
    }

    /// Whether it was seen to move, and moved by no more than the time that went by: nothing else is known to set it.
    pub(crate) fn runs(&self, slack_s: f64) -> bool {
        self.counter.has_moved() && self.run.is_some_and(|run| at_pace(run, slack_s))
    }

    /// Whether it rises as time goes by, as far as can be told; `slack_s` is what refresh and step may add.
    pub(crate) fn keeps_time(&self, slack_s: f64) -> bool {
        self.run.is_none_or(|run @ [(from, _), (to, _)]| {
            to.saturating_sub(from) < TWO_LOOKS || at_pace(run, slack_s)
        })
    }
}

fn at_pace([(from, low), (to, high)]: [(Duration, f64); 2], slack_s: f64) -> bool {
    let passed_s = to.saturating_sub(from).as_secs_f64();
    (high - low - passed_s).abs() <= PACE * passed_s + slack_s
}

#[cfg(test)]
mod tests {
    use super::*;

    fn after(samples: &[(u64, f64)]) -> InverterAge {
        let mut age = InverterAge::default();
        for (ms, value) in samples {
            age.take(Duration::from_millis(*ms), *value);
        }
        age
    }

    // Kind: common practice (0.8 to 1.2 s a second between resets)
    #[test]
    fn age_keeps_time_between_resets_only() {
        let keeps = |samples| after(samples).keeps_time(2.0);
        assert!(keeps(&[(0, 300.0), (30_000, 330.0)]));
        assert!(keeps(&[(0, 300.0), (30_000, 337.0)]));
        assert!(!keeps(&[(0, 300.0), (30_000, 390.0)]));
        assert!(!keeps(&[(0, 300.0), (30_000, 315.0)]));
        assert!(!keeps(&[(0, 5.0), (30_000, 5.0)]));
        assert!(keeps(&[(0, 5.0), (4_000, 5.0)]), "too early to tell");
        assert!(keeps(&[(0, 9.0), (10_000, 1.0), (20_000, 11.0)]), "a reset");
    }

    // Kind: common practice
    #[test]
    fn age_runs_once_it_was_seen_to_rise_or_fall() {
        let runs = |samples| after(samples).runs(4.0);
        assert!(runs(&[(0, 3.0), (1_100, 4.0)]));
        assert!(runs(&[(0, 4.0), (2_200, 0.0)]), "heard meanwhile");
        assert!(!runs(&[(0, 3.0), (1_100, 3.0)]), "not seen to move");
        assert!(!runs(&[(0, 3.0), (1_100, 40_000.0)]), "no clock");
        assert!(!runs(&[(0, 3.0), (1_000, 4.0), (30_000, 4.0)]), "stuck");
        assert!(!runs(&[]));
    }

    // Kind: common practice
    #[test]
    fn age_that_moved_once_never_stands() {
        let stands =
            |samples| after(samples).stands(Duration::from_secs(1), Duration::from_secs(2));
        assert!(stands(&[(0, 0.0), (1_300, 0.0), (4_200, 0.0)]));
        assert!(!stands(&[
            (0, 1.0),
            (2_000, 0.0),
            (3_300, 0.0),
            (6_200, 0.0)
        ]));
    }
}
