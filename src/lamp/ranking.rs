//! Patterns by how likely each was seen, and what is left where none was.
//!
//! Does not: weigh anything (see [`super::infer`]).

use super::rhythm::Rhythm;
use super::seen::Unclear;

/// From here on a pattern counts as recognised.
pub(super) const ENOUGH: f64 = 0.9;

/// One pattern and how probable it is.
#[derive(Debug, Clone, PartialEq)]
pub struct Ranked {
    /// Pattern id.
    pub id: String,
    /// Between 0 and 1.
    pub probability: f64,
    /// Most probable period, ms, if the pattern has one.
    pub period_ms: Option<f64>,
}

/// The pattern changed while somebody watched.
#[derive(Debug, Clone, PartialEq)]
pub struct PatternChange {
    /// When, ms.
    pub at_ms: f64,
    /// Pattern before.
    pub before: String,
    /// Pattern after.
    pub after: String,
}

/// Patterns, the most probable first.
#[derive(Debug, Clone, PartialEq)]
pub struct Ranking {
    /// Every pattern looked at.
    pub ranked: Vec<Ranked>,
    /// Probability that it was none of them.
    pub other: f64,
    /// Whether the first is sure enough to act on.
    pub enough: bool,
    /// A change of pattern in the middle, if that explains it better.
    pub change: Option<PatternChange>,
    /// What it does where that is sure and no pattern has it: it has no standard name.
    pub unnamed: Option<Rhythm>,
    /// Why it suffices for nothing, if so.
    pub unclear: Option<Unclear>,
}

impl Ranking {
    /// The most probable pattern, if it beats "none of these".
    #[must_use]
    pub fn first(&self) -> Option<&Ranked> {
        self.ranked
            .first()
            .filter(|ranked| ranked.probability > self.other)
    }

    /// The pattern that holds now: the first, or the later one where it changed.
    #[must_use]
    pub fn latest(&self) -> Option<&str> {
        let changed = self.change.as_ref().map(|change| change.after.as_str());
        changed.or_else(|| self.first().map(|first| first.id.as_str()))
    }

    /// What it is called where that is sure: the name of the pattern that holds, else what it is.
    #[must_use]
    pub fn name(&self) -> Option<String> {
        let unnamed = || self.unnamed.as_ref().map(Rhythm::to_string);
        let named = self.latest().map(str::to_owned);
        named.or_else(unnamed).filter(|_| self.enough)
    }

    /// Patterns that cannot be told apart by what was seen: all with at least a tenth.
    #[must_use]
    pub fn leaders(&self) -> Vec<&Ranked> {
        self.ranked
            .iter()
            .filter(|ranked| ranked.probability >= 0.1)
            .collect()
    }

    /// Nothing is known.
    #[must_use]
    pub fn unknown() -> Self {
        Self::from_weights(Vec::new(), 1.0)
    }

    /// Builds a ranking from weights.
    pub(super) fn from_weights(mut ranked: Vec<Ranked>, other: f64) -> Self {
        let sum = other + ranked.iter().map(|one| one.probability).sum::<f64>();
        let sum = if sum > 0.0 { sum } else { 1.0 };
        for one in &mut ranked {
            one.probability /= sum;
        }
        ranked.sort_by(|a, b| b.probability.total_cmp(&a.probability));
        let enough = ranked.first().is_some_and(|one| one.probability >= ENOUGH);
        Self {
            ranked,
            other: other / sum,
            enough,
            change: None,
            unnamed: None,
            unclear: None,
        }
    }

    /// It does this, and no pattern does.
    pub(super) fn unnamed(self, rhythm: Rhythm) -> Self {
        let ranked = self.ranked.into_iter().map(|one| Ranked {
            probability: 0.0,
            ..one
        });
        Self {
            enough: true,
            unnamed: Some(rhythm),
            ..Self::from_weights(ranked.collect(), 1.0)
        }
    }

    /// Nothing follows from it, and why.
    pub(super) fn unclear(self, why: Unclear) -> Self {
        Self {
            enough: false,
            unnamed: None,
            unclear: Some(why),
            ..self
        }
    }
}
