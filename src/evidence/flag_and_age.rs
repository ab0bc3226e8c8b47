//! Whether the unit's flag of a silent inverter and the time since it was heard can both be true, over several looks.
//!
//! Input: both as they were read. Output: whether they differ, and whether that was seen in more than one look. Does
//! not: say which of the two is wrong.

use std::time::Duration;

use packside_profiles::model::{Point, Profile};

use super::inverter_age::TWO_LOOKS;

/// Beyond so much of the silence time it is over, and before so much of it it is not.
// Kind: common practice
const OVER: f64 = 1.2;
pub(crate) const NOT_OVER: f64 = 0.8;
/// Once they agree for so long, what differed before was a flag or an age read too early.
// Kind: common practice
const FORGET: Duration = Duration::from_secs(60);

/// From the moment that a unit means to the one in which its answer is complete, s.
// Kind: common practice
pub(crate) const ON_THE_WAY_S: f64 = 2.0;

/// What refresh, one step and the way to us may add to a time that a unit tells, s.
pub(crate) fn slack_s(point: &Point, profile: &Profile) -> f64 {
    profile.refresh_s() + point.scale.value().abs() + ON_THE_WAY_S
}

/// Whether a counter stands at the end of its range: that says "at least", which is no number.
pub(crate) fn is_at_its_end(point: &Point, raw: u64) -> bool {
    let bits = point.raw_bits().clamp(1, 64);
    let most = u64::MAX >> (64 - bits);
    // The last value may say that there is none, so that a counter ends at the one before it.
    raw >= most - 1 || raw == most >> 1 || raw == (most >> 1) - 1
}

/// Whether a flag and a time since the inverter was heard contradict each other, with so much slack between both.
pub(crate) fn differ(is_up: bool, age_s: f64, silence_s: u32, slack_s: f64) -> bool {
    let silence_s = f64::from(silence_s);
    match is_up {
        true => age_s < NOT_OVER * silence_s - slack_s,
        false => age_s > OVER * silence_s + slack_s,
    }
}

/// In which looks both differed, since evidence of the inverter counts.
#[derive(Debug, Clone, Default)]
pub(crate) struct FlagAndAge {
    has_agreed: bool,
    /// The first look in which they differed and the last one.
    differed: Option<[Duration; 2]>,
}

impl FlagAndAge {
    /// Takes what both said at this moment.
    pub(crate) fn take(&mut self, at: Duration, differ: bool) {
        if differ {
            let first = self.differed.map_or(at, |[first, _]| first);
            self.differed = Some([first, at]);
            return;
        }
        self.has_agreed = true;
        self.differed = self
            .differed
            .filter(|[_, last]| at.saturating_sub(*last) < FORGET);
    }

    /// Whether they differed in two looks that lie far enough apart.
    pub(crate) fn in_two_looks(&self) -> bool {
        self.differed
            .is_some_and(|[first, last]| last.saturating_sub(first) >= TWO_LOOKS)
    }

    /// Whether what differs may be one of each, read before and after a change: they agreed in another look.
    pub(crate) fn may_be_of_two_moments(&self) -> bool {
        self.has_agreed && !self.in_two_looks()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn after(looks: &[(u64, bool)]) -> FlagAndAge {
        let mut both = FlagAndAge::default();
        for (second, differ) in looks {
            both.take(Duration::from_secs(*second), *differ);
        }
        both
    }

    // Kind: common practice (two looks at least 5 s apart)
    #[test]
    fn one_look_beside_others_that_agree_is_of_two_moments() {
        assert!(after(&[(0, false), (3, true)]).may_be_of_two_moments());
        assert!(after(&[(0, false), (3, true), (7, true)]).may_be_of_two_moments());
        assert!(!after(&[(0, false), (3, true), (8, true)]).may_be_of_two_moments());
        // It comes again within a minute.
        assert!(!after(&[(0, false), (3, true), (6, false), (20, true)]).may_be_of_two_moments());
        let apart = [(0, false), (3, true), (6, false), (70, false), (80, true)];
        assert!(after(&apart).may_be_of_two_moments());
        // Nothing else was ever seen.
        assert!(!after(&[(0, true)]).may_be_of_two_moments());
        assert!(!after(&[(0, true)]).in_two_looks());
    }

    // Kind: common practice
    #[test]
    fn slack_and_a_fifth_of_the_silence_time_are_allowed() {
        assert!(!differ(false, 56.9, 45, 3.0) && differ(false, 57.1, 45, 3.0));
        assert!(!differ(true, 33.1, 45, 3.0) && differ(true, 32.9, 45, 3.0));
    }
}
