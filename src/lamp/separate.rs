//! What would tell two patterns apart, and how long to go on watching.
//!
//! In: a [`Ranking`] and what was seen. Out: [`Difference`]s. Does not: put them into words.

use super::pattern::{Pattern, standard_patterns};
use super::ranking::Ranking;

/// Watching is enough after two cycles of the longest standard pattern, 2 x 2.4 s.
const LEAST_WATCHED_MS: f64 = 4800.0;
/// Watching goes on for at least this long where the leaders are still close.
const MORE_MS: f64 = 3000.0;

/// What differs between two patterns, as one can see it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Difference {
    /// Neither changes: whether the lamp is lit or dark.
    LitOrDark,
    /// One of the two does not change at all.
    Changes,
    /// How many flashes come between two long pauses.
    FlashCount(usize, usize),
    /// How long a whole repetition lasts, ms.
    Period(u32, u32),
    /// How long the lamp stays lit, ms.
    LitTime(u32, u32),
    /// Nothing a person or a camera could see.
    Nothing,
}

/// What differs between two patterns.
#[must_use]
pub fn difference(one: &Pattern, other: &Pattern) -> Difference {
    let flashes = |pattern: &Pattern| pattern.cycle_ms.len() / 2;
    match (one.is_steady(), other.is_steady()) {
        (true, true) => return Difference::LitOrDark,
        (false, false) => {}
        _ => return Difference::Changes,
    }
    if flashes(one) != flashes(other) {
        return Difference::FlashCount(flashes(one), flashes(other));
    }
    let far = |a: u32, b: u32| f64::from(a.abs_diff(b)) > 0.2 * f64::from(a.max(b));
    if far(one.period_ms(), other.period_ms()) {
        return Difference::Period(one.period_ms(), other.period_ms());
    }
    let lit = |pattern: &Pattern| pattern.cycle_ms.first().copied().unwrap_or_default();
    if far(lit(one), lit(other)) {
        return Difference::LitTime(lit(one), lit(other));
    }
    Difference::Nothing
}

/// The second leader with what would tell it from the first, if two are close.
#[must_use]
pub fn rivals(ranking: &Ranking, patterns: &[Pattern]) -> Option<(String, String, Difference)> {
    let leaders = ranking.leaders();
    let [first, second, ..] = leaders.as_slice() else {
        return None;
    };
    let find = |id: &str| patterns.iter().find(|pattern| pattern.id == id);
    let differs = difference(find(&first.id)?, find(&second.id)?);
    Some((first.id.clone(), second.id.clone(), differs))
}

/// How much longer to watch, ms; 0 if it is enough.
#[must_use]
pub fn watch_more_ms(ranking: &Ranking, watched_ms: f64) -> f64 {
    let rest = (LEAST_WATCHED_MS - watched_ms).max(0.0);
    if ranking.enough {
        rest
    } else {
        rest.max(MORE_MS)
    }
}

/// Profile patterns that nobody can tell from a standard one, as pairs of ids.
#[must_use]
pub fn look_alikes(patterns: &[Pattern]) -> Vec<(String, String)> {
    let standard = standard_patterns();
    let own = patterns
        .iter()
        .filter(|one| !standard.iter().any(|known| known.id == one.id));
    own.flat_map(|own| {
        let same = |known: &&Pattern| difference(own, known) == Difference::Nothing;
        standard
            .iter()
            .filter(same)
            .map(|known| (own.id.clone(), known.id.clone()))
            .collect::<Vec<_>>()
    })
    .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::lamp::{LampSeen, rank};

    fn between(one: &str, other: &str) -> Difference {
        let known = standard_patterns();
        let find = |id: &str| known.iter().find(|pattern| pattern.id == id).unwrap();
        difference(find(one), find(other))
    }

    // Kind:   derived
    // Source: the on and off times of the standard patterns
    #[test]
    fn difference_of_standard_patterns_is_what_one_can_see() {
        assert_eq!(between("on", "off"), Difference::LitOrDark);
        assert_eq!(between("on", "blinking"), Difference::Changes);
        assert_eq!(
            between("double-flash", "triple-flash"),
            Difference::FlashCount(2, 3)
        );
        assert_eq!(
            between("blinking", "flickering"),
            Difference::Period(400, 100)
        );
    }

    // Kind: invented
    #[test]
    fn difference_of_nearly_equal_cycles_is_nothing_and_is_found_in_a_profile() {
        let own = Pattern::new("own-wink", &[210, 190]);
        let mut known = standard_patterns();
        known.push(own);
        assert_eq!(
            look_alikes(&known),
            [("own-wink".to_owned(), "blinking".to_owned())]
        );
        let lit = (
            Pattern::new("a", &[200, 800]),
            Pattern::new("b", &[800, 200]),
        );
        assert_eq!(difference(&lit.0, &lit.1), Difference::LitTime(200, 800));
    }

    // Kind: derived (two cycles of the longest standard pattern: 2 x 2.4 s)
    #[test]
    fn watching_is_enough_after_two_of_the_longest_cycles_and_not_before() {
        let taps: Vec<f64> = (0..12).map(|n| 50.0 + 400.0 * f64::from(n)).collect();
        let known = standard_patterns();
        let ranking = rank(&LampSeen::taps(&taps, 4900.0), &known);
        assert!(ranking.enough);
        assert!(watch_more_ms(&ranking, 4900.0) <= 0.0);
        assert!((watch_more_ms(&ranking, 3000.0) - 1800.0).abs() < 1e-9);
        let empty = rank(&LampSeen::taps(&[], 4900.0), &known);
        assert!(watch_more_ms(&empty, 9000.0) >= MORE_MS);
    }
}
