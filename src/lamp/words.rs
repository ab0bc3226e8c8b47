//! Turns a description as a person would type it into a ranking.
//!
//! `on 0.2 off 1.0`, `3 flashes, pause`, `steady`, `dark`, or a pattern's own name.
//!
//! # Why times are taken loosely
//! A person's estimate of a time is good to a quarter of it, not better (our choice).

use super::infer::{Ranked, Ranking};
use super::pattern::Pattern;

/// What a description says.
#[derive(Debug, Clone, PartialEq)]
pub enum Description {
    /// A pattern by name.
    Named(String),
    /// On, off, on, off, ... in seconds.
    Times(Vec<f64>),
    /// So many flashes, then a pause.
    Flashes(usize),
}

/// Why a description is not understood.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum WordProblem {
    /// Nothing was typed.
    #[error("expected a description, found nothing; for example \"on 0.2 off 1.0\"")]
    Empty,
    /// A word means nothing here.
    #[error(
        "expected \"on 0.2 off 1.0\", \"3 flashes, pause\", \"steady\", \"dark\" or a pattern name, found \"{found}\""
    )]
    Unknown {
        /// The description, shortened.
        found: String,
    },
    /// A time is no sensible one.
    #[error("expected a time between 0.01 and 20 s, found \"{found}\"")]
    Time {
        /// The word.
        found: String,
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
    let words: Vec<&str> = lower
        .split(|c: char| c.is_whitespace() || ",;:".contains(c))
        .filter(|w| !w.is_empty())
        .collect();
    if matches!(words.first(), Some(&("on" | "off"))) {
        return read_times(&words);
    }
    read_flashes(&words).ok_or_else(|| WordProblem::Unknown {
        found: lower.chars().take(40).collect(),
    })
}

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
        let (number, factor) = match time.strip_suffix("ms") {
            Some(number) => (number, 0.001),
            None => (time.strip_suffix('s').unwrap_or(time), 1.0),
        };
        let seconds = number.parse::<f64>().ok().map(|number| number * factor);
        match seconds.filter(|seconds| (0.01..=20.0).contains(seconds)) {
            Some(seconds) => times.push(seconds),
            None => {
                return Err(WordProblem::Time {
                    found: time.chars().take(20).collect(),
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

fn read_flashes(words: &[&str]) -> Option<Description> {
    let counts = [
        "one", "two", "three", "four", "five", "six", "seven", "eight", "nine",
    ];
    let [count, what, rest @ ..] = words else {
        return None;
    };
    let named = counts
        .iter()
        .position(|word| word == count)
        .map(|index| index + 1);
    let count = named
        .or_else(|| count.parse().ok())
        .filter(|count| (1..=9).contains(count))?;
    let flash = matches!(
        *what,
        "flash" | "flashes" | "blink" | "blinks" | "pulse" | "pulses"
    );
    let fill = |word: &&str| {
        matches!(
            *word,
            "pause" | "then" | "a" | "and" | "long" | "dark" | "repeat" | "repeating"
        )
    };
    (flash && rest.iter().all(fill)).then_some(Description::Flashes(count))
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
        Ranking::from_weights(ranked, 1e-3)
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
            Self::Flashes(count) => {
                let pauses =
                    pattern.cycle_ms.last() >= pattern.cycle_ms.first().map(|on| on * 2).as_ref();
                let flashes = pattern.cycle_ms.len() / 2;
                // People miscount by one now and then (our choice: one in twenty, half each way).
                match (pauses && flashes > 0, flashes.abs_diff(*count)) {
                    (true, 0) => 0.93,
                    (true, 1) => 0.025,
                    _ => 0.0,
                }
            }
            Self::Times(times) => std::iter::once(&pattern.cycle_ms)
                .chain(&pattern.variants_ms)
                .map(|cycle| weigh_times(times, cycle))
                .fold(0.0, f64::max),
        }
    }

    /// The described cycle as times in ms, where it has any.
    #[must_use]
    pub fn cycle_ms(&self) -> Option<Vec<f64>> {
        match self {
            Self::Times(times) => Some(times.iter().map(|seconds| seconds * 1000.0).collect()),
            _ => None,
        }
    }
}

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
                .map(|(seen, true_ms)| {
                    let expected = f64::from(*true_ms) / 1000.0;
                    let off = (seen - expected) / (0.25 * expected + 0.02);
                    0.5 * off * off
                })
                .sum();
            (-sum).exp()
        })
        .fold(0.0, f64::max)
}
