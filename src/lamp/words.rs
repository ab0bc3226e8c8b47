//! Turns a description as a person would type it into a ranking.
//!
//! `on 0.2 off 1.0`, `3 flashes, pause`, `blinks twice then pauses`, `slow blinking`, `steady`, `dark`, or
//! a pattern's own name.
//!
//! # Why times are taken loosely
//! A person's estimate of a time is good to a quarter of it, not better (our choice).

use packside_profiles::Foreign;

use super::pattern::Pattern;
use super::ranking::{Ranked, Ranking};
use super::rhythm::Rhythm;
use super::seen::Edge;

/// What a description says.
#[derive(Debug, Clone, PartialEq)]
pub enum Description {
    /// A pattern by name.
    Named(String),
    /// On, off, on, off, ... in seconds.
    Times(Vec<f64>),
    /// So many flashes, then a pause: the count is exact.
    Flashes {
        /// How many.
        count: usize,
        /// How long the pause is, seconds, where it was told.
        pause_s: Option<f64>,
    },
    /// Evenly on and off, slowly or quickly, not measured.
    Rate {
        /// Slowly.
        slow: bool,
    },
}

/// Why a description is not understood.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum WordProblem {
    /// Nothing was typed.
    #[error("expected a description, found nothing; for example \"on 0.2 off 1.0\"")]
    Empty,
    /// A word means nothing here.
    #[error(
        "expected \"on 0.2 off 1.0\", \"3 flashes, pause\", \"steady\", \"dark\" or one of {known}, found \"{}\"",
        found.clean()
    )]
    Unknown {
        /// The description, shortened.
        found: Foreign,
        /// The names of the patterns.
        known: String,
    },
    /// A time is no sensible one.
    #[error("expected a time between 0.01 and 20 s, found \"{}\"", found.clean())]
    Time {
        /// The word.
        found: Foreign,
    },
    /// Neither on and off in turn.
    #[error("expected on and off in turn, each with its seconds, an even number in all")]
    NotInTurn,
}

/// Understands a description.
///
/// # Errors
/// Words that mean nothing here, times out of range, on and off not in turn.
pub fn read_words(text: &str, patterns: &[Pattern]) -> Result<Description, WordProblem> {
    let lower = text.trim().to_lowercase();
    if lower.is_empty() {
        return Err(WordProblem::Empty);
    }
    let named = lower.replace(' ', "-");
    if let Some(pattern) = patterns
        .iter()
        .find(|pattern| pattern.id.to_lowercase() == named)
    {
        return Ok(Description::Named(pattern.id.clone()));
    }
    match lower.as_str() {
        "steady" | "steady on" | "lit" | "always on" => return Ok(Description::Named("on".into())),
        "dark" | "steady off" | "always off" | "out" => {
            return Ok(Description::Named("off".into()));
        }
        _ => {}
    }
    let words = with_units(
        lower
            .split(|c: char| c.is_whitespace() || ",;:".contains(c))
            .filter(|w| !w.is_empty()),
    );
    let words: Vec<&str> = words.iter().map(String::as_str).collect();
    if matches!(words.first(), Some(&("on" | "off"))) {
        return read_times(&words);
    }
    read_flashes(&words).ok_or_else(|| {
        let names: Vec<&str> = patterns.iter().map(|pattern| pattern.id.as_str()).collect();
        WordProblem::Unknown {
            found: lower.chars().take(40).collect::<String>().into(),
            known: names.join(", "),
        }
    })
}

/// `0.2 s` is one word, as `0.2s` is.
fn with_units<'a>(words: impl Iterator<Item = &'a str>) -> Vec<String> {
    let mut joined: Vec<String> = Vec::new();
    for word in words {
        let unit = match word {
            "s" | "sec" | "second" | "seconds" => Some("s"),
            "ms" => Some("ms"),
            _ => None,
        };
        let number = joined.last_mut().filter(|last| last.parse::<f64>().is_ok());
        match (unit, number) {
            (Some(unit), Some(number)) => number.push_str(unit),
            _ => joined.push(word.to_owned()),
        }
    }
    joined
}

/// A number with its unit, in seconds.
fn seconds_of(word: &str) -> Option<f64> {
    let (number, factor) = match word.strip_suffix("ms") {
        Some(number) => (number, 0.001),
        None => (word.strip_suffix('s')?, 1.0),
    };
    number.parse::<f64>().ok().map(|number| number * factor)
}

/// Times that a person may tell.
const SECONDS: std::ops::RangeInclusive<f64> = 0.01..=20.0;

fn read_times(words: &[&str]) -> Result<Description, WordProblem> {
    let mut times = Vec::new();
    let mut expected = *words.first().unwrap_or(&"on");
    let starts_off = expected == "off";
    for pair in words.chunks(2) {
        let [word, time] = pair else {
            return Err(WordProblem::NotInTurn);
        };
        if *word != expected {
            return Err(WordProblem::NotInTurn);
        }
        let seconds = seconds_of(time).or_else(|| time.parse::<f64>().ok());
        match seconds.filter(|seconds| SECONDS.contains(seconds)) {
            Some(seconds) => times.push(seconds),
            None => {
                return Err(WordProblem::Time {
                    found: time.chars().take(20).collect::<String>().into(),
                });
            }
        }
        expected = if expected == "on" { "off" } else { "on" };
    }
    if times.len() % 2 != 0 || times.len() > 64 {
        return Err(WordProblem::NotInTurn);
    }
    if starts_off {
        times.rotate_left(1);
    }
    Ok(Description::Times(times))
}

/// Words for one lighting-up.
const FLASHES: &[&str] = &[
    "flash", "flashes", "flashing", "blink", "blinks", "blinking", "pulse", "pulses", "times",
];
/// Words that carry nothing more.
const FILLERS: &[&str] = &[
    "a",
    "and",
    "it",
    "lamp",
    "led",
    "light",
    "long",
    "pause",
    "pauses",
    "repeat",
    "repeating",
    "repeats",
    "short",
    "the",
    "then",
    "with",
    "x",
];
const COUNTS: [&str; 9] = [
    "one", "two", "three", "four", "five", "six", "seven", "eight", "nine",
];
const SLOW: &[&str] = &["slow", "slowly"];
const QUICK: &[&str] = &["fast", "quick", "quickly", "rapid", "rapidly"];

/// `3 short flashes, pause`, `blinks twice then pauses`, `slow blinking`.
fn read_flashes(words: &[&str]) -> Option<Description> {
    let (mut count, mut rate, mut flashes, mut pause_s) = (None, None, false, None);
    for word in words {
        let pause = seconds_of(word).filter(|seconds| SECONDS.contains(seconds));
        if pause.is_some() {
            if pause_s.is_some() || !words.iter().any(|word| word.starts_with("pause")) {
                return None;
            }
            pause_s = pause;
            continue;
        }
        let told = match *word {
            "once" => Some(1),
            "twice" => Some(2),
            "thrice" => Some(3),
            _ => count_of(word),
        };
        if let Some(told) = told {
            if count.replace(told).is_some() {
                return None;
            }
        } else if SLOW.contains(word) || QUICK.contains(word) {
            rate = Some(SLOW.contains(word));
        } else if FLASHES.contains(word) {
            flashes = true;
        } else if !FILLERS.contains(word) {
            return None;
        }
    }
    let word_suffices = words
        .iter()
        .any(|word| ["once", "twice", "thrice"].contains(word));
    match (count, rate) {
        (Some(count), None) if flashes || word_suffices => {
            Some(Description::Flashes { count, pause_s })
        }
        (None, Some(slow)) if flashes => Some(Description::Rate { slow }),
        _ => None,
    }
}

/// A count from 1 to 16, as a word or a number, also `3x`.
fn count_of(word: &str) -> Option<usize> {
    let named = COUNTS
        .iter()
        .position(|known| *known == word)
        .map(|index| index + 1);
    let number = || word.strip_suffix('x').unwrap_or(word).parse().ok();
    named
        .or_else(number)
        .filter(|count| (1..=16).contains(count))
}

impl Description {
    /// Ranks the patterns for this description.
    #[must_use]
    pub fn rank(&self, patterns: &[Pattern]) -> Ranking {
        let ranked = patterns
            .iter()
            .map(|pattern| Ranked {
                id: pattern.id.clone(),
                probability: self.weigh(pattern),
                period_ms: (!pattern.is_steady()).then(|| f64::from(pattern.period_ms())),
            })
            .collect();
        // A rate that nobody measured leaves much open.
        let other = if matches!(self, Self::Rate { .. }) {
            0.2
        } else {
            1e-3
        };
        let mut ranking = Ranking::from_weights(ranked, other);
        let rhythm = self.rhythm().filter(|_| ranking.other >= LEAST_UNNAMED);
        if let Some(rhythm) = rhythm {
            return ranking.unnamed(rhythm);
        }
        if let (Some(period_ms), Some(first)) = (self.period_ms(), ranking.ranked.first_mut()) {
            first.period_ms = Some(period_ms);
        }
        ranking
    }

    /// What it repeats, where that was told.
    fn rhythm(&self) -> Option<Rhythm> {
        match self {
            Self::Times(seconds) => {
                let cycle_ms = seconds.iter().map(|seconds| seconds * 1000.0).collect();
                Some(Rhythm::of_times(cycle_ms))
            }
            Self::Flashes { count, pause_s } => Some(Rhythm::of_count(
                *count,
                pause_s.map(|seconds| seconds * 1000.0),
            )),
            Self::Named(_) | Self::Rate { .. } => None,
        }
    }

    fn weigh(&self, pattern: &Pattern) -> f64 {
        match self {
            Self::Named(id) => {
                if *id == pattern.id {
                    0.97
                } else {
                    0.0
                }
            }
            Self::Flashes { count, pause_s } => {
                let pauses =
                    pattern.cycle_ms.last() >= pattern.cycle_ms.first().map(|on| on * 2).as_ref();
                // Who counts means the count: five flashes are never four.
                if !pauses || pattern.cycle_ms.is_empty() || pattern.cycle_ms.len() / 2 != *count {
                    return 0.0;
                }
                let off = |cycle: &Vec<u32>| match (pause_s, cycle.last()) {
                    (Some(told), Some(pause_ms)) => miss(*told, *pause_ms),
                    _ => 0.0,
                };
                let cycles = std::iter::once(&pattern.cycle_ms).chain(&pattern.variants_ms);
                0.97 * cycles.map(|cycle| (-off(cycle)).exp()).fold(0.0, f64::max)
            }
            Self::Rate { slow } => {
                // What one calls slow another does not: even cycles on that side of a second, none for sure.
                let even =
                    matches!(pattern.cycle_ms.as_slice(), [on, off] if on.abs_diff(*off) <= on / 2);
                if even && *slow == (pattern.period_ms() >= 1000) {
                    0.3
                } else {
                    0.0
                }
            }
            Self::Times(times) => std::iter::once(&pattern.cycle_ms)
                .chain(&pattern.variants_ms)
                .map(|cycle| weigh_times(times, cycle))
                .fold(0.0, f64::max),
        }
    }

    /// One described repetition as edges, where its times were told.
    #[must_use]
    pub fn edges(&self) -> Vec<Edge> {
        let Self::Times(seconds) = self else {
            return Vec::new();
        };
        let mut at_ms = 0.0;
        let mut lit = false;
        let edges = seconds.iter().map(|seconds| {
            lit = !lit;
            let edge = Edge { at_ms, lit };
            at_ms += seconds * 1000.0;
            edge
        });
        edges.collect()
    }

    /// How long one described repetition lasts, where its times were told.
    #[must_use]
    pub fn period_ms(&self) -> Option<f64> {
        match self {
            Self::Times(seconds) => Some(seconds.iter().sum::<f64>() * 1000.0),
            _ => None,
        }
    }
}

/// How far a told time is from a true one, as half the square of deviations.
fn miss(told_s: f64, true_ms: u32) -> f64 {
    let expected = f64::from(true_ms) / 1000.0;
    let off = (told_s - expected) / (0.25 * expected + 0.02);
    0.5 * off * off
}

/// Probability of no pattern from which on what was told has no name.
const LEAST_UNNAMED: f64 = 0.9;

/// How well times fit one cycle, at the best of its beginnings.
fn weigh_times(seconds: &[f64], cycle_ms: &[u32]) -> f64 {
    if cycle_ms.is_empty() || !seconds.len().is_multiple_of(cycle_ms.len()) {
        return 0.0;
    }
    let starts = (0..cycle_ms.len()).step_by(2);
    starts
        .map(|start| {
            let cycle = cycle_ms.iter().cycle().skip(start);
            let sum: f64 = seconds
                .iter()
                .zip(cycle)
                .map(|(seen, true_ms)| miss(*seen, *true_ms))
                .sum();
            (-sum).exp()
        })
        .fold(0.0, f64::max)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::lamp::standard_patterns;

    fn first(text: &str) -> (String, bool) {
        let known = standard_patterns();
        let ranking = read_words(text, &known).unwrap().rank(&known);
        (
            ranking.first().map_or("none", |first| &first.id).to_owned(),
            ranking.enough,
        )
    }

    fn refused(text: &str) -> String {
        read_words(text, &standard_patterns())
            .unwrap_err()
            .to_string()
    }

    // Kind:   published
    // Source: CiA 303-3 (reprint): on and off times, as a person would type them
    #[test]
    fn times_of_the_standard_patterns_are_recognised() {
        for (text, id) in [
            ("on 0.05 off 0.05", "flickering"),
            ("on 0.2 off 0.2", "blinking"),
            ("on 0.2 off 1.0", "single-flash"),
            ("on 200ms off 1400ms", "single-flash"),
            ("on 0.2, off 0.2, on 0.2, off 1", "double-flash"),
            ("off 1.0s on 0.2s", "single-flash"),
            (
                "ON 0.2 OFF 0.2 on 0.2 off 0.2 on 0.2 off 1.0",
                "triple-flash",
            ),
        ] {
            assert_eq!(first(text), (id.to_owned(), true), "{text}");
        }
    }

    // Kind: common practice (how people put it)
    #[test]
    fn words_of_people_are_recognised() {
        for (text, id) in [
            ("steady", "on"),
            ("dark", "off"),
            ("3 flashes, pause", "triple-flash"),
            ("three short flashes then a long pause", "triple-flash"),
            ("blinks twice, then pauses", "double-flash"),
            ("2x flash", "double-flash"),
            ("quadruple flash", "quadruple-flash"),
        ] {
            assert_eq!(first(text), (id.to_owned(), true), "{text}");
        }
    }

    // Kind: derived (no table holds five flashes, nor half a second lit and half dark)
    #[test]
    fn what_no_table_holds_is_named_by_what_it_is() {
        for (text, name) in [
            ("5 flashes, pause", "5 flashes, pause"),
            ("5 flashes, pause 1 s", "5 flashes, pause 1 s"),
            ("three flashes, pause 4 seconds", "3 flashes, pause 4 s"),
            ("on 0.5 off 0.5", "on 0.5 s, off 0.5 s"),
            ("on 0.5 s, off 0.5 s", "on 0.5 s, off 0.5 s"),
        ] {
            let known = standard_patterns();
            let ranking = read_words(text, &known).unwrap().rank(&known);
            assert_eq!(ranking.first(), None, "{text}");
            assert_eq!(ranking.name().as_deref(), Some(name), "{text}");
        }
        assert_eq!(
            first("3 flashes, pause 1.1 s"),
            ("triple-flash".to_owned(), true)
        );
        assert_eq!(first("4 flashes, pause").0, "quadruple-flash");
    }

    // Kind: derived (a rate without a time cannot name a pattern for sure)
    #[test]
    fn a_rate_without_times_is_never_enough() {
        assert!(!first("fast blinking").1);
        assert_eq!(first("blinks slowly").0, "none");
    }

    #[test]
    fn err_words_say_what_is_expected() {
        assert!(refused("").starts_with("expected a description, found nothing"));
        let green = refused("green");
        assert!(green.contains("found \"green\""), "{green}");
        assert!(
            green.contains("blinking, single-flash, double-flash"),
            "{green}"
        );
        assert!(refused("3").contains("found \"3\""));
        assert!(refused("3 4 flashes").contains("found"));
        assert_eq!(
            refused("on 0.2 off 99"),
            "expected a time between 0.01 and 20 s, found \"99\""
        );
        assert_eq!(
            refused("on 0.2 off nan"),
            "expected a time between 0.01 and 20 s, found \"nan\""
        );
        assert!(refused("on 0.2 on 0.2").starts_with("expected on and off in turn"));
        assert!(refused("on 0.2").starts_with("expected on and off in turn"));
    }

    // Kind: derived
    #[test]
    fn edges_of_described_times_add_up() {
        let told = read_words("off 1.0 on 0.2", &standard_patterns()).unwrap();
        let edges: Vec<(f64, bool)> = told
            .edges()
            .iter()
            .map(|edge| (edge.at_ms, edge.lit))
            .collect();
        assert_eq!(edges, [(0.0, true), (200.0, false)]);
        assert_eq!(told.period_ms(), Some(1200.0));
    }
}
