//! Turns a brightness trace (CSV of seconds,level) into edges.
//!
//! Does not: find the lamp in a picture, or decide what is lit (see [`super::brightness`]).

use super::brightness::find_edges;
use super::seen::Seen;

/// Samples looked at: ten minutes at 60 per second.
const MOST_SAMPLES: usize = 36_000;
/// Why a trace cannot be read.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum TraceProblem {
    /// A line is no pair of numbers.
    #[error("line {line}: expected seconds,level, found \"{found}\"")]
    NotNumbers {
        /// Line, from 1.
        line: usize,
        /// Its text, shortened.
        found: String,
    },
    /// Time does not advance.
    #[error("line {line}: expected a later time than in the line before")]
    TimeRunsBack {
        /// Line, from 1.
        line: usize,
    },
    /// Too few samples.
    #[error("expected at least 20 samples, found {found}")]
    TooShort {
        /// Samples.
        found: usize,
    },
    /// Too many samples.
    #[error("expected at most 36000 samples")]
    TooLong,
}

/// Reads a trace. A first line of column names, empty lines and `#` remarks are skipped;
/// comma, semicolon, tab or blanks separate.
///
/// # Errors
/// A line that is no pair of finite numbers, time that runs back, too few or too many samples.
pub fn read_trace(text: &str) -> Result<Seen, TraceProblem> {
    let samples = parse(text)?;
    Ok(find_edges(&samples))
}

fn parse(text: &str) -> Result<Vec<(f64, f64)>, TraceProblem> {
    let mut samples: Vec<(f64, f64)> = Vec::new();
    let mut heading_allowed = true;
    for (index, line) in text.trim_start_matches('\u{feff}').lines().enumerate() {
        let line_text = line.trim();
        if line_text.is_empty() || line_text.starts_with('#') {
            continue;
        }
        let mut fields = line_text
            .split([',', ';', '\t', ' '])
            .filter(|field| !field.is_empty())
            .map(|field| {
                field
                    .parse::<f64>()
                    .ok()
                    .filter(|number| number.abs() < 1e12)
            });
        let pair = fields.next().flatten().zip(fields.next().flatten());
        let was_first = std::mem::replace(&mut heading_allowed, false);
        match pair {
            None if was_first => {}
            None => {
                let found = line_text.chars().take(40).collect();
                return Err(TraceProblem::NotNumbers {
                    line: index + 1,
                    found,
                });
            }
            Some((seconds, level)) => {
                let at_ms = seconds * 1000.0;
                if samples.last().is_some_and(|last| last.0 >= at_ms) {
                    return Err(TraceProblem::TimeRunsBack { line: index + 1 });
                }
                samples.push((at_ms, level));
            }
        }
        if samples.len() > MOST_SAMPLES {
            return Err(TraceProblem::TooLong);
        }
    }
    if samples.len() < 20 {
        return Err(TraceProblem::TooShort {
            found: samples.len(),
        });
    }
    Ok(samples)
}
