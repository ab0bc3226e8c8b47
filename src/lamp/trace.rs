//! Turns a brightness trace (CSV of seconds,level) into edges.
//!
//! Does not: find the lamp in a picture, or decide what is lit (see [`super::brightness`]).

use packside_profiles::Foreign;

use super::brightness::find_edges;
use super::seen::LampSeen;

/// Samples looked at: ten minutes at 60 per second.
const MOST_SAMPLES: usize = 36_000;
/// Why a trace cannot be read.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum TraceProblem {
    /// A line is no pair of numbers.
    #[error("line {line}: expected seconds,level, found \"{}\"", found.clean())]
    NotNumbers {
        /// Line, from 1.
        line: usize,
        /// Its text, shortened.
        found: Foreign,
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
pub fn read_trace(text: &str) -> Result<LampSeen, TraceProblem> {
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
                let found = line_text.chars().take(40).collect::<String>().into();
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

/// Whatever text arrives, reading it as a description and as a trace must end and not panic: the entry for
/// fuzzing. Gives back whether either was understood.
#[must_use]
pub fn read_any_text(text: &str) -> bool {
    let known = super::pattern::standard_patterns();
    let described = super::words::read_words(text, &known).map(|told| told.rank(&known));
    let traced = read_trace(text).map(|seen| super::infer::rank(&seen, &known));
    described.is_ok() || traced.is_ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn problem(text: &str) -> String {
        read_trace(text).unwrap_err().to_string()
    }

    fn lines(count: usize) -> String {
        (0..count)
            .map(|n| format!("{:.2},{}\n", 0.03 * n as f64, n % 3))
            .collect()
    }

    // Kind: invented
    #[test]
    fn accepts_a_heading_remarks_and_any_usual_separator() {
        for separator in [",", ";", "\t", " ", ", "] {
            let body = lines(30).replace(',', separator);
            let text = format!("\u{feff}seconds{separator}level\n# a remark\n\n{body}");
            assert!(read_trace(&text).is_ok(), "{separator:?}");
        }
    }

    #[test]
    fn err_trace_says_line_and_what_was_expected() {
        assert_eq!(
            problem("1,2\nx,y\n"),
            "line 2: expected seconds,level, found \"x,y\""
        );
        assert_eq!(
            problem("1,2\n2,nan\n"),
            "line 2: expected seconds,level, found \"2,nan\""
        );
        assert_eq!(
            problem("1,2\n1,2\n"),
            "line 2: expected a later time than in the line before"
        );
        assert_eq!(
            problem("1,2\n2,2\n"),
            "expected at least 20 samples, found 2"
        );
        assert_eq!(
            problem(&lines(36_002).replace(".0", ".00")),
            "expected at most 36000 samples"
        );
    }

    // Kind: derived (equal levels hold no lamp that changes)
    #[test]
    fn trace_of_equal_levels_has_no_edges() {
        let text: String = (0..60).map(|n| format!("{},7\n", n)).collect();
        assert!(read_trace(&text).unwrap().edges.is_empty());
    }
}
