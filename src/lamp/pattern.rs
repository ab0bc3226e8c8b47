//! Patterns as cycles of on and off times, and the standard names.
//!
//! Does not: give a pattern a meaning; only a profile can.
//!
//! # Sources
//! - CiA 303-3 as reprinted in public code: on/off times, "approximately"; no tolerance is given.
//! - A device manual prints the single flash with a pause of 1.4 s: taken as a variant.
//! - IEC 60073 (reprint of low quality): slow 0.4..0.8 Hz, normal 1.4..2.8 Hz.

/// A pattern with a name.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Pattern {
    /// Stable name.
    pub id: String,
    /// On, off, on, off, ... in ms. Empty: steady.
    pub cycle_ms: Vec<u32>,
    /// Other printed forms of the same pattern, less usual.
    pub variants_ms: Vec<Vec<u32>>,
}

/// Rate bands of IEC 60073: an attribute of a pattern, not a rival of its name.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum RateBand {
    /// 0.4 to 0.8 Hz.
    Slow,
    /// 1.4 to 2.8 Hz.
    Normal,
}

impl RateBand {
    /// The band in which a repetition period falls, if any.
    #[must_use]
    pub fn of_period(period_ms: f64) -> Option<Self> {
        let hertz = 1000.0 / period_ms;
        if (0.4..=0.8).contains(&hertz) {
            Some(Self::Slow)
        } else if (1.4..=2.8).contains(&hertz) {
            Some(Self::Normal)
        } else {
            None
        }
    }

    /// Stable text.
    #[must_use]
    pub fn id(self) -> &'static str {
        match self {
            Self::Slow => "slow",
            Self::Normal => "normal",
        }
    }
}

impl Pattern {
    /// A pattern with one cycle.
    #[must_use]
    pub fn new(id: &str, cycle_ms: &[u32]) -> Self {
        Self {
            id: id.to_owned(),
            cycle_ms: cycle_ms.to_vec(),
            variants_ms: Vec::new(),
        }
    }

    /// Whether the lamp never changes.
    #[must_use]
    pub fn is_steady(&self) -> bool {
        self.period_ms() == 0
    }

    /// Whether the lamp is lit at a time after the start of a cycle, ms. For patterns that change.
    #[must_use]
    pub fn is_on_at(&self, at_ms: u32) -> bool {
        let mut rest = at_ms.checked_rem(self.period_ms()).unwrap_or_default();
        for (index, time) in self.cycle_ms.iter().enumerate() {
            if rest < *time {
                return index % 2 == 0;
            }
            rest -= time;
        }
        false
    }

    /// Length of the cycle, ms; 0 if steady.
    #[must_use]
    pub fn period_ms(&self) -> u32 {
        self.cycle_ms
            .iter()
            .fold(0, |sum, time| sum.saturating_add(*time))
    }
}

/// The standard names: `on off flickering blinking single-flash ... quadruple-flash`.
#[must_use]
pub fn standard_patterns() -> Vec<Pattern> {
    let mut single = Pattern::new("single-flash", &[200, 1000]);
    single.variants_ms.push(vec![200, 1400]);
    vec![
        Pattern::new("on", &[]),
        Pattern::new("off", &[]),
        Pattern::new("flickering", &[50, 50]),
        Pattern::new("blinking", &[200, 200]),
        single,
        Pattern::new("double-flash", &[200, 200, 200, 1000]),
        Pattern::new("triple-flash", &[200, 200, 200, 200, 200, 1000]),
        Pattern::new(
            "quadruple-flash",
            &[200, 200, 200, 200, 200, 200, 200, 1000],
        ),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;

    // Kind: derived (maps may use without a definition just what is recognised without one)
    #[test]
    fn maps_know_the_same_standard_names() {
        let ids: Vec<String> = standard_patterns().into_iter().map(|one| one.id).collect();
        assert_eq!(ids, packside_profiles::STANDARD_PATTERNS);
    }
}
