//! The current of the last two minutes, coarser the longer ago.
//!
//! Input: its readings as they come. Output: whether it held still over a stretch of time. Where two
//! readings were laid together, it may be called unsteady a moment too long, never steady in error.
//!
//! Does not: know what counts as still.

use std::collections::VecDeque;
use std::time::Duration;

/// Values older than this say nothing any more: no reading is fresh for longer.
const KEPT: Duration = Duration::from_secs(120);
/// Most stretches that are kept.
const STRETCHES: usize = 128;

/// A stretch of time in which the current lay between two values.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Stretch {
    from: Duration,
    until: Duration,
    low: f64,
    high: f64,
}

/// What the current did.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct Currents(VecDeque<Stretch>);

impl Currents {
    /// Takes the next reading.
    pub(crate) fn take(&mut self, at: Duration, amps: f64) {
        let same = |last: &&mut Stretch| last.low == amps && last.high == amps && last.until <= at;
        match self.0.back_mut().filter(same) {
            Some(last) => last.until = at,
            None => self.0.push_back(Stretch {
                from: at,
                until: at,
                low: amps,
                high: amps,
            }),
        }
        // The last one before the time that counts stays: it is the value at its begin.
        let is_old =
            |stretch: Option<&Stretch>| stretch.is_some_and(|s| at.saturating_sub(s.from) > KEPT);
        while is_old(self.0.get(1)) {
            self.0.pop_front();
        }
        if self.0.len() > STRETCHES {
            self.lay_together();
        }
    }

    /// Lays every two of the older half together.
    fn lay_together(&mut self) {
        let newer = self.0.split_off(STRETCHES / 2);
        let older: Vec<Stretch> = self.0.drain(..).collect();
        let joined = older.chunks(2).filter_map(|two| {
            let (first, last) = (two.first()?, two.last()?);
            Some(Stretch {
                from: first.from,
                until: last.until,
                low: first.low.min(last.low),
                high: first.high.max(last.high),
            })
        });
        self.0 = joined.chain(newer).collect();
    }

    /// Bytes that it holds beside itself.
    pub(crate) fn held(&self) -> usize {
        self.0.capacity() * size_of::<Stretch>()
    }

    /// Forgets everything.
    pub(crate) fn clear(&mut self) {
        self.0.clear();
    }

    /// By how much it moved from one moment to the other, A; nothing where no reading before or with the
    /// first and with or after the last shows it. Without any reading it is taken for still.
    pub(crate) fn moved(&self, from: Duration, until: Duration) -> Option<f64> {
        let Some(last) = self.0.back() else {
            return Some(0.0);
        };
        let before = self.0.iter().rposition(|stretch| stretch.from <= from)?;
        if last.until < until {
            return None;
        }
        let since = self.0.iter().skip(before);
        let (low, high) = since.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), one| {
            (low.min(one.low), high.max(one.high))
        });
        Some(high - low)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn seconds(n: u64) -> Duration {
        Duration::from_secs(n)
    }

    // Kind: derived (the readings are made here)
    #[test]
    fn current_is_still_only_where_readings_on_both_sides_show_it() {
        let mut currents = Currents::default();
        assert_eq!(currents.moved(seconds(0), seconds(9)), Some(0.0));
        for (at, amps) in [(1, 0.0), (2, 0.0), (4, 5.0), (6, 5.0), (9, 5.5)] {
            currents.take(seconds(at), amps);
        }
        assert_eq!(currents.moved(seconds(0), seconds(3)), None);
        assert_eq!(currents.moved(seconds(3), seconds(5)), Some(5.5));
        assert_eq!(currents.moved(seconds(4), seconds(6)), Some(0.5));
        assert_eq!(currents.moved(seconds(4), seconds(10)), None);
    }

    #[test]
    fn many_readings_are_laid_together_and_hide_no_movement() {
        let mut currents = Currents::default();
        for n in 0..2000 {
            let amps = if n == 1200 { 40.0 } else { f64::from(n % 3) };
            currents.take(Duration::from_millis(50 * u64::try_from(n).unwrap()), amps);
        }
        assert!(currents.0.len() <= STRETCHES, "{}", currents.0.len());
        assert_eq!(currents.moved(seconds(55), seconds(99)), Some(40.0));
        assert_eq!(currents.moved(seconds(90), seconds(99)), Some(2.0));
    }
}
