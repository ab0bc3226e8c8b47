//! How fast to ask where the tool may be an unseen second client.

use std::time::Duration;

/// Least time from one request to the next; grows on damage and shrinks back on clean answers.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Pacing {
    base: Duration,
    gap: Duration,
}

impl Pacing {
    /// As fast as the link allows.
    pub const FULL: Self = Self::every(Duration::ZERO);
    /// At most one request per second.
    pub const GENTLE: Self = Self::every(Duration::from_secs(1));
    /// A gap grows to at most this many times the base.
    const MOST: u32 = 8;

    /// At most one request per `base`.
    pub const fn every(base: Duration) -> Self {
        Self { base, gap: base }
    }

    /// The least time from one request to the next, now.
    pub fn gap(self) -> Duration {
        self.gap
    }

    /// Learns from an exchange whether the way is clean.
    pub(crate) fn learn(&mut self, is_clean: bool) {
        self.gap = if is_clean {
            (self.gap / 2).max(self.base)
        } else {
            (self.gap * 2).min(self.base * Self::MOST)
        };
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // Kind: derived
    // Note: 1 s doubled four times would be 16 s, held at 8 x 1 s, halved three times is 1 s again
    #[test]
    fn gap_grows_on_damage_and_shrinks_back() {
        let mut pacing = Pacing::GENTLE;
        for _ in 0..4 {
            pacing.learn(false);
        }
        assert_eq!(pacing.gap(), Duration::from_secs(8));
        for _ in 0..4 {
            pacing.learn(true);
        }
        assert_eq!(pacing.gap(), Duration::from_secs(1));
        let mut full = Pacing::FULL;
        full.learn(false);
        assert_eq!(full.gap(), Duration::ZERO);
    }
}
