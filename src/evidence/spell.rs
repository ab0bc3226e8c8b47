//! For how long something out of order is to be reckoned with after it is over.
//!
//! Input: samples that are out of order or in order, in turn. Output: whether it is still open.
//!
//! Does not: know what was out of order, or say what follows from it.
//!
//! # Sources
//! - All times and counts here are common practice, none is published.

use std::time::Duration;

use super::stamp::Stamp;

/// Two samples so far apart are two, and confirm each other.
const CONFIRMS: Duration = Duration::from_secs(1);
/// What was seen once is open for so long, and so many good samples.
const ONCE: (Duration, u32) = (Duration::from_secs(10), 10);
/// What was confirmed is open for so many times its length.
const TIMES_ITS_LENGTH: u32 = 10;
/// Never for less, never for more than this.
const LEAST: Duration = Duration::from_secs(60);
const MOST: Duration = Duration::from_secs(30 * 60);
/// And not before so many good samples.
const GOOD: u32 = 12;

/// Good samples further apart than this do not show what was between them.
const BETWEEN: Duration = Duration::from_secs(120);

/// A time out of order, or several with good ones between.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Spell {
    /// The last good sample before it, where there was one: it may have begun right after that.
    from: Stamp,
    first: Stamp,
    last: Stamp,
    confirmed: bool,
    stays: bool,
    times: u32,
    good_since: Option<Stamp>,
    good: u32,
    /// Good samples under like conditions: the last one, how many, and the time that they cover.
    like: Option<Stamp>,
    like_samples: u32,
    like_for: Duration,
}

impl Spell {
    /// The first sample that is out of order.
    pub(crate) fn begin(at: Stamp) -> Self {
        Self {
            from: at,
            first: at,
            last: at,
            confirmed: false,
            stays: false,
            times: 1,
            good_since: None,
            good: 0,
            like: None,
            like_samples: 0,
            like_for: Duration::ZERO,
        }
    }

    /// The same, where the sample before was good.
    pub(crate) fn begin_after(good: Option<Stamp>, at: Stamp) -> Self {
        Self {
            from: good.unwrap_or(at),
            ..Self::begin(at)
        }
    }

    /// Another one.
    pub(crate) fn goes_on(&mut self, at: Stamp) {
        self.goes_on_by(at, CONFIRMS);
    }

    /// Another one of a unit that has a new image that often.
    pub(crate) fn goes_on_by(&mut self, at: Stamp, refresh: Duration) {
        if self.good_since.take().is_some() {
            self.times = self.times.saturating_add(1);
            (self.from, self.first, self.good) = (at, at, 0);
            (self.like, self.like_samples, self.like_for) = (None, 0, Duration::ZERO);
        }
        let apart = at.since(self.first);
        self.confirmed |= apart.is_none_or(|apart| apart >= CONFIRMS.max(refresh));
        self.last = at;
    }

    /// A sample that is out of order, whether or not there was one before.
    pub(crate) fn out(known: &mut Option<Self>, at: Stamp) -> &mut Self {
        match known {
            Some(known) => {
                known.goes_on(at);
                known
            }
            None => known.insert(Self::begin(at)),
        }
    }

    /// A sample that is in order.
    pub(crate) fn good(&mut self, at: Stamp) {
        self.is_good(at, true);
    }

    /// The same; `like` is whether the conditions are those under which it was out of order. Only these
    /// show that it would not be so again.
    pub(crate) fn is_good(&mut self, at: Stamp, like: bool) {
        self.good_since.get_or_insert(at);
        self.good = self.good.saturating_add(1);
        let before = self.like.take();
        if like {
            let passed = before.and_then(|before| at.since(before));
            self.like_for += passed
                .filter(|passed| *passed <= BETWEEN)
                .unwrap_or_default();
            self.like_samples = self.like_samples.saturating_add(1);
            self.like = Some(at);
        }
    }

    /// It is never forgotten.
    pub(crate) fn stay(&mut self) {
        self.stays = true;
    }

    /// When it was last out of order.
    pub(crate) fn last(&self) -> Stamp {
        self.last
    }

    /// How often it came.
    pub(crate) fn times(&self) -> u32 {
        self.times
    }

    /// Seen twice.
    pub(crate) fn is_confirmed(&self) -> bool {
        self.confirmed
    }

    /// From the last good sample before it to the first one after it: an upper bound.
    pub(crate) fn length(&self) -> Option<Duration> {
        self.good_since.unwrap_or(self.last).since(self.from)
    }

    /// Whether the last sample was in order.
    pub(crate) fn is_over(&self) -> bool {
        self.good_since.is_some()
    }

    /// Whether it is over and still to be reckoned with.
    pub(crate) fn is_open(&self, now: Stamp) -> bool {
        let Some(since) = self.good_since else {
            return false;
        };
        if self.stays || self.times > 1 {
            return true;
        }
        let Some(passed) = now.since(since) else {
            return self.confirmed;
        };
        if self.confirmed {
            let length = self.length().unwrap_or(MOST);
            let time = (length * TIMES_ITS_LENGTH).clamp(LEAST, MOST);
            return self.like_for < time || self.like_samples < GOOD;
        }
        passed < ONCE.0 || self.good < ONCE.1
    }
}
