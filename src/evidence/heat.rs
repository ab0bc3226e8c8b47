//! Temperatures that rise faster than cells do by themselves.
//!
//! Input: one number after the other of one sensor. Output: a jump, which is a sensor or its wire, or heat,
//! which is a danger to people and is never forgotten.
//!
//! Does not: test limits.
//!
//! # Why a jump upwards is heat until it came back
//! A connector that gives way shows a number and then the old one again. Heat stays. Taking the second for
//! the first sends somebody to a burning cabinet, so what has not come back yet is heat.

use std::collections::VecDeque;
use std::time::Duration;

use super::stamp::Stamp;

/// No cell warms or cools faster than this between two looks that are close together, K.
// Kind: common practice (cells change by less than a degree a minute)
const JUMP_K: f64 = 10.0;
/// Two looks this close count as close together.
const CLOSE: Duration = Duration::from_secs(30);
/// A sensor that returns has come back at least this share of its jump.
const CAME_BACK: f64 = 0.5;
/// A rise that is fast, K/s, and the least that is one and no step of the register, K.
// Kind: common practice
const FAST: (f64, f64) = (1.0, 5.0);
/// A rise at rest, K/s, the least, K, and over how many samples.
// Kind: common practice (a kelvin a minute: nothing but a cell that heats itself does that without current)
const AT_REST: (f64, f64, usize) = (1.0 / 60.0, 3.0, 4);
/// Samples that are kept, the sparser the longer ago, and how close together they come at most.
const SAMPLES: usize = 12;
const APART: Duration = Duration::from_secs(1);
/// Samples further back do not count.
const WINDOW: Duration = Duration::from_secs(180);

/// Two readings, and the time between them.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Jump {
    pub(crate) before: f64,
    pub(crate) after: f64,
    pub(crate) within: Duration,
}

/// What one sensor did. There is one for every sensor, and few ever jump.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct Heat {
    recent: VecDeque<(Stamp, f64)>,
    /// How many of them, the last ones, came without current.
    without_current: usize,
    /// A jump upwards that may still come back.
    pending: Option<Box<Jump>>,
    /// The first one that is a sensor.
    jumped: Option<Box<Jump>>,
    /// The steepest rise that is heat.
    rises: Option<Box<Jump>>,
}

impl Heat {
    /// Takes the next number; `step` is what one step of the register comes to, `at_rest` whether no current
    /// flows.
    pub(crate) fn take(&mut self, at: Stamp, celsius: f64, step: f64, at_rest: bool) {
        if self.recent.capacity() == 0 {
            // Exactly what it may hold: there is one of these for every sensor.
            self.recent.reserve_exact(SAMPLES + 1);
        }
        let before = self.recent.back().copied();
        if let Some(jump) = self.pending.take() {
            // Whatever stays, or only comes part of the way back, is heat.
            if jump.after - celsius >= CAME_BACK * (jump.after - jump.before) {
                self.jumped.get_or_insert(jump);
                self.recent.clear();
            } else {
                self.heats(*jump);
            }
        } else if let Some((when, was)) = before
            && let Some(within) = at.since(when)
            && within <= CLOSE
            && (celsius - was).abs() > JUMP_K
        {
            let jump = Jump {
                before: was,
                after: celsius,
                within,
            };
            if celsius > was {
                self.pending = Some(Box::new(jump));
            } else {
                self.jumped.get_or_insert(Box::new(jump));
                self.recent.clear();
            }
        }
        self.keep(at, celsius);
        self.without_current = if at_rest { self.without_current + 1 } else { 0 };
        if self.pending.is_none() {
            self.rise(step);
        }
    }

    /// A jump that is no temperature.
    pub(crate) fn jumped(&self) -> Option<Jump> {
        self.jumped.as_deref().copied()
    }

    /// A rise that is one.
    pub(crate) fn rises(&self) -> Option<Jump> {
        let rises = self.rises.as_deref().or(self.pending.as_deref());
        rises.copied()
    }

    /// Bytes that it holds beside itself.
    pub(crate) fn held(&self) -> usize {
        let jumps = [&self.pending, &self.jumped, &self.rises];
        let jumps = jumps.into_iter().flatten().count();
        self.recent.capacity() * size_of::<(Stamp, f64)>() + jumps * size_of::<Jump>()
    }

    fn keep(&mut self, at: Stamp, celsius: f64) {
        let in_window = |(when, _): &(Stamp, f64)| at.since(*when).is_some_and(|ago| ago <= WINDOW);
        while self.recent.front().is_some_and(|one| !in_window(one)) {
            self.recent.pop_front();
        }
        let apart = |(when, _): &(Stamp, f64)| at.since(*when).is_some_and(|ago| ago >= APART);
        if self.recent.back().is_none_or(apart) {
            self.recent.push_back((at, celsius));
            if self.recent.len() > SAMPLES {
                for place in [5, 3, 1] {
                    self.recent.remove(place);
                }
            }
        }
    }

    /// Looks at the rises from each earlier sample to the last one.
    fn rise(&mut self, step: f64) {
        let Some((at, celsius)) = self.recent.back().copied() else {
            return;
        };
        // Most samples of most sensors rise by less than anything that counts.
        let least = AT_REST.1.min(FAST.1).max(3.0 * step);
        let rises = self
            .recent
            .iter()
            .rev()
            .enumerate()
            .skip(1)
            .filter(|(_, (_, was))| celsius - was >= least)
            .filter_map(|(back, (when, was))| {
                let jump = Jump {
                    before: *was,
                    after: celsius,
                    within: at.since(*when)?,
                };
                Some((back + 1, jump))
            });
        let is_heat = |(count, jump): &(usize, Jump)| {
            let by = jump.after - jump.before;
            let a_second = by / jump.within.as_secs_f64().max(0.001);
            let over = |(rate, least): (f64, f64)| by >= least && a_second >= rate;
            let slow = (AT_REST.2..=self.without_current).contains(count) && self.climbs(*count);
            over(FAST) || (slow && over((AT_REST.0, AT_REST.1)))
        };
        let steepest = rises.filter(is_heat).max_by(|a, b| {
            let by = |jump: &Jump| jump.after - jump.before;
            by(&a.1).total_cmp(&by(&b.1))
        });
        if let Some((_, jump)) = steepest {
            self.heats(jump);
        }
    }

    /// Whether none of the last samples is below the one before it.
    fn climbs(&self, count: usize) -> bool {
        let last = self.recent.iter().rev().take(count).map(|one| one.1);
        last.clone().zip(last.skip(1)).all(|(now, was)| now >= was)
    }

    fn heats(&mut self, jump: Jump) {
        let by = |jump: &Jump| jump.after - jump.before;
        if self
            .rises
            .as_ref()
            .is_none_or(|known| by(&jump) > by(known))
        {
            self.rises = Some(Box::new(jump));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn after(samples: &[(f64, f64)], at_rest: bool) -> Heat {
        let mut heat = Heat::default();
        for (seconds, celsius) in samples {
            let at = Stamp::new(0, Duration::from_secs_f64(*seconds));
            heat.take(at, *celsius, 1.0, at_rest);
        }
        heat
    }

    // Kind: common practice
    #[test]
    fn what_returns_in_the_next_sample_is_a_sensor_and_what_stays_is_heat() {
        let back = after(&[(0.0, 21.0), (2.0, 49.0), (4.0, 21.0), (6.0, 21.0)], true);
        assert!(back.jumped().is_some() && back.rises().is_none());
        let stays = after(&[(0.0, 21.0), (2.0, 34.0), (4.0, 34.0)], true);
        assert!(stays.jumped().is_none() && stays.rises().is_some());
        let not_yet = after(&[(0.0, 21.0), (2.0, 34.0)], true);
        assert!(not_yet.rises().is_some());
        let drop = after(&[(0.0, 41.0), (2.0, 21.0), (4.0, 21.0)], true);
        assert!(drop.jumped().is_some() && drop.rises().is_none());
    }

    // Kind: derived (13 K in 4.5 s are 2.9 K/s, none of the steps above 10 K)
    #[test]
    fn a_fast_rise_is_heat_and_stays_known_when_it_has_ended() {
        let rise = [
            (0.0, 21.0),
            (1.5, 25.0),
            (3.0, 30.0),
            (4.5, 34.0),
            (60.0, 30.0),
            (120.0, 22.0),
        ];
        assert!(after(&rise, false).rises().is_some());
    }

    // Kind: common practice
    #[test]
    fn a_kelvin_a_minute_is_heat_at_rest_alone() {
        let rise: Vec<(f64, f64)> = (0..6)
            .map(|n| (f64::from(n) * 30.0, 21.0 + f64::from(n)))
            .collect();
        assert!(after(&rise, true).rises().is_some());
        assert!(after(&rise, false).rises().is_none());
        let dithers: Vec<(f64, f64)> = (0..60)
            .map(|n| (f64::from(n) * 2.0, 21.0 + f64::from(n % 2)))
            .collect();
        assert!(after(&dithers, true).rises().is_none());
    }
}
