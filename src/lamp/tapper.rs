//! Turns keys pressed at a lamp into what was seen, while somebody watches.
//!
//! In: [`Key`]s with their times. Out: [`TapProgress`], and at the end a ranking. Does not: read keys or a
//! clock, or draw.
//!
//! # Invariants
//! - At most [`MOST_TAPS`] taps are kept, the latest.
//! - Watching begins with the first tap and, for judging, ends with the last: how long somebody looked
//!   at the keyboard afterwards says nothing about the lamp.

use std::time::Duration;

use super::infer::rank;
use super::pattern::Pattern;
use super::ranking::{Ranked, Ranking};
use super::seen::{Edge, LampSeen};
use super::separate::watch_more_ms;

/// Taps kept.
const MOST_TAPS: usize = 200;
/// A tap this shortly before the first one is not missed, it was not watched for.
const LEAD_MS: f64 = 1.0;

/// What a person tells with one key.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Key {
    /// The lamp lights up; the only key used.
    Flash,
    /// The lamp lights up; going out is told as well.
    LightsUp,
    /// The lamp goes out.
    GoesOut,
    /// It shines and does not change.
    Steady,
    /// It is dark and stays so.
    Dark,
    /// Forget all taps.
    Again,
}

/// What the taps so far amount to.
#[derive(Debug, Clone, PartialEq)]
pub struct TapProgress {
    /// Taps so far.
    pub taps: usize,
    /// From the first tap to the last.
    pub watched_ms: f64,
    /// Patterns, the most probable first.
    pub ranking: Ranking,
    /// How much longer to watch; 0 if it is enough.
    pub more_ms: f64,
}

/// Collects taps.
#[derive(Debug, Clone, Default)]
pub struct Tapper {
    taps: Vec<(Duration, Key)>,
    steady: Option<bool>,
}

impl Tapper {
    /// Nothing tapped yet.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Takes one key with the time at which it was pressed.
    pub fn press(&mut self, at: Duration, key: Key) {
        match key {
            Key::Again => *self = Self::new(),
            Key::Steady | Key::Dark => self.steady = Some(key == Key::Steady),
            Key::Flash | Key::LightsUp | Key::GoesOut => {
                self.steady = None;
                if self.taps.len() >= MOST_TAPS {
                    self.taps.remove(0);
                }
                self.taps.push((at, key));
            }
        }
    }

    /// Whether nothing was told yet.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.taps.is_empty() && self.steady.is_none()
    }

    /// What was seen, if taps tell it. Once the key for going out was used, all edges count.
    #[must_use]
    pub fn seen(&self) -> Option<LampSeen> {
        let first = self.taps.first().filter(|_| self.steady.is_none())?.0;
        let ms = |at: Duration| (at.saturating_sub(first)).as_secs_f64() * 1000.0 + LEAD_MS;
        let watched_ms = self.taps.last().map_or(0.0, |tap| ms(tap.0)) + LEAD_MS;
        if self.taps.iter().any(|tap| tap.1 == Key::GoesOut) {
            let edge = |(at, key): &(Duration, Key)| Edge {
                at_ms: ms(*at),
                lit: *key != Key::GoesOut,
            };
            return Some(LampSeen::two_key_taps(
                self.taps.iter().map(edge).collect(),
                watched_ms,
            ));
        }
        let times: Vec<f64> = self.taps.iter().map(|tap| ms(tap.0)).collect();
        Some(LampSeen::taps(&times, watched_ms))
    }

    /// What the taps so far amount to; nothing while there are too few.
    #[must_use]
    pub fn progress(&self, patterns: &[Pattern]) -> Option<TapProgress> {
        if let Some(lit) = self.steady {
            return Some(TapProgress {
                taps: 0,
                watched_ms: 0.0,
                ranking: steady(lit, patterns),
                more_ms: 0.0,
            });
        }
        let seen = self.seen().filter(|seen| seen.edges.len() >= 3)?;
        let ranking = rank(&seen, patterns);
        let watched_ms = seen.to_ms;
        Some(TapProgress {
            taps: seen.edges.len(),
            watched_ms,
            more_ms: watch_more_ms(&ranking, watched_ms),
            ranking,
        })
    }
}

/// A person who says that a lamp does not change errs seldom (our choice).
fn steady(lit: bool, patterns: &[Pattern]) -> Ranking {
    let told = if lit { "on" } else { "off" };
    let ranked = patterns.iter().map(|pattern| Ranked {
        id: pattern.id.clone(),
        probability: if pattern.id == told { 0.97 } else { 0.0 },
        period_ms: None,
    });
    Ranking::from_weights(ranked.collect(), 0.03)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::lamp::standard_patterns;

    fn tapped(keys: &[(u64, Key)]) -> Tapper {
        let mut tapper = Tapper::new();
        for (at_ms, key) in keys {
            tapper.press(Duration::from_millis(*at_ms), *key);
        }
        tapper
    }

    fn first(tapper: &Tapper) -> Option<String> {
        let progress = tapper.progress(&standard_patterns())?;
        progress.ranking.first().map(|first| first.id.clone())
    }

    // Kind:   published
    // Source: CiA 303-3 (reprint): double flash 200/200/200/1000 ms, tapped 20 s after the start, 30 ms off
    #[test]
    fn one_key_at_every_lighting_up_of_a_double_flash_is_recognised() {
        let start = 20_000;
        let keys: Vec<(u64, Key)> = (0..4)
            .flat_map(|cycle| {
                [
                    (start + cycle * 1600 + 30, Key::Flash),
                    (start + cycle * 1600 + 390, Key::Flash),
                ]
            })
            .collect();
        let tapper = tapped(&keys);
        assert_eq!(first(&tapper).as_deref(), Some("double-flash"));
        let progress = tapper.progress(&standard_patterns()).unwrap();
        assert!(progress.ranking.enough);
        assert_eq!(progress.taps, 8);
    }

    // Kind:   published
    // Source: CiA 303-3 (reprint): single flash 200/1000 ms
    #[test]
    fn two_keys_tell_a_single_flash() {
        let keys: Vec<(u64, Key)> = (0..5)
            .flat_map(|cycle| {
                [
                    (cycle * 1200 + 500, Key::LightsUp),
                    (cycle * 1200 + 720, Key::GoesOut),
                ]
            })
            .collect();
        assert_eq!(first(&tapped(&keys)).as_deref(), Some("single-flash"));
    }

    // Kind: invented
    #[test]
    fn steady_dark_and_again_are_told_by_one_key() {
        assert_eq!(first(&tapped(&[(5, Key::Steady)])).as_deref(), Some("on"));
        assert_eq!(first(&tapped(&[(5, Key::Dark)])).as_deref(), Some("off"));
        assert!(tapped(&[(5, Key::Flash), (9, Key::Again)]).is_empty());
        assert_eq!(
            first(&tapped(&[
                (5, Key::Dark),
                (400, Key::Flash),
                (800, Key::Flash),
                (1200, Key::Flash),
                (1600, Key::Flash)
            ]))
            .as_deref(),
            Some("blinking")
        );
    }

    // Kind: invented
    #[test]
    fn two_taps_amount_to_nothing_and_a_thousand_are_bounded() {
        assert!(
            tapped(&[(1, Key::Flash), (400, Key::Flash)])
                .progress(&standard_patterns())
                .is_none()
        );
        let many: Vec<(u64, Key)> = (0..1000).map(|n| (n * 400, Key::Flash)).collect();
        assert_eq!(tapped(&many).seen().unwrap().edges.len(), MOST_TAPS);
    }
}
