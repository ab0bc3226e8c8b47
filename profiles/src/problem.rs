//! Mistakes of a profile file: what they are, how they are collected and how they are printed.
//!
//! Every mistake has its place, what was expected and found there, and the fix, in our own words:
//!
//! ```text
//! my.toml:88:11: point "soh", type: expected a known word, found "u17"
//!    88 | type = "u17"
//!       |        ^^^^^
//!       fix: did you mean u16?
//! ```

use std::collections::BTreeSet;
use std::fmt;
use std::ops::Range;

use crate::foreign::clean;

use crate::lookup::near_matches;

/// One mistake, with its place.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Problem {
    /// Line, 1-based; 0 where the whole file is meant.
    pub line: usize,
    /// Column in characters, 1-based; 0 where the whole file is meant.
    pub column: usize,
    /// Characters to underline.
    pub width: usize,
    /// The line as it stands, control characters as blanks.
    pub source: String,
    /// Where: expected what, found what.
    pub message: String,
    /// What to change.
    pub fix: String,
    /// How much it hinders.
    pub grade: Grade,
}

/// How much something in a map hinders.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Grade {
    /// The map is not used.
    Mistake,
    /// It can be used, only nothing clean can be said with it.
    Gap,
    /// It is worth a look.
    Note,
}

/// All mistakes of one file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Problems {
    /// File name.
    pub origin: String,
    /// The mistakes, by line.
    pub list: Vec<Problem>,
}

/// Mistakes printed before the rest is only counted, so that they fit a screen; `{:#}` prints all.
const PRINTED: usize = 10;

impl fmt::Display for Problems {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let of = |grade| self.list.iter().filter(|p| p.grade == grade).count();
        let count = |n: usize, noun: &str| format!("{n} {noun}{}", if n == 1 { "" } else { "s" });
        let (mistakes, gaps, notes) = (of(Grade::Mistake), of(Grade::Gap), of(Grade::Note));
        let all = [(mistakes, "mistake"), (gaps, "gap"), (notes, "note")];
        let said: Vec<String> = all
            .iter()
            .filter(|(n, _)| *n > 0)
            .map(|(n, noun)| count(*n, noun))
            .collect();
        let usable = match (mistakes, gaps) {
            (0, 1..) => " (the map can be used, and nothing clean can be said with it)",
            _ => "",
        };
        writeln!(f, "{}: {}{usable}", self.origin, said.join(", "))?;
        let most = if f.alternate() { usize::MAX } else { PRINTED };
        let mut gravest: Vec<&Problem> = self.list.iter().collect();
        gravest.sort_by_key(|problem| problem.grade);
        for problem in gravest.into_iter().take(most) {
            self.print(problem, f)?;
        }
        if let Some(more) = self.list.len().checked_sub(most).filter(|n| *n > 0) {
            writeln!(f, "and {more} more")?;
        }
        Ok(())
    }
}

impl Problems {
    fn print(&self, problem: &Problem, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Problem {
            line,
            column,
            width,
            source,
            message,
            fix,
            ..
        } = problem;
        if *line == 0 {
            writeln!(f, "{}: {message}", self.origin)?;
        } else {
            let before = " ".repeat(column.saturating_sub(1));
            let carets = "^".repeat((*width).max(1));
            writeln!(f, "{}:{line}:{column}: {message}", self.origin)?;
            writeln!(f, "{line:>5} | {source}")?;
            writeln!(f, "      | {before}{carets}")?;
        }
        writeln!(f, "      fix: {fix}")
    }
}

impl std::error::Error for Problems {}

/// Collects mistakes while a file is read.
pub(crate) struct Collector<'t> {
    text: &'t str,
    list: Vec<Problem>,
    broken: BTreeSet<String>,
}

impl<'t> Collector<'t> {
    /// Nothing found yet in this text.
    pub(crate) fn new(text: &'t str) -> Self {
        Self {
            text,
            list: Vec::new(),
            broken: BTreeSet::new(),
        }
    }

    /// Notes a mistake at a byte range of the file.
    pub(crate) fn add(
        &mut self,
        span: Range<usize>,
        message: impl Into<String>,
        fix: impl Into<String>,
    ) {
        let start = span.start.min(self.text.len());
        let part = |range: Range<usize>| self.text.get(range).unwrap_or_default();
        let before = part(0..start);
        let line_start = before.rfind('\n').map_or(0, |at| at + 1);
        let source = part(line_start..self.text.len())
            .lines()
            .next()
            .unwrap_or_default();
        let column = part(line_start..start).chars().count();
        let covered = part(span)
            .lines()
            .next()
            .unwrap_or_default()
            .chars()
            .count();
        self.list.push(Problem {
            line: before.matches('\n').count() + 1,
            column: column + 1,
            width: covered.clamp(1, source.chars().count().saturating_sub(column).max(1)),
            source: clean(source).into_owned(),
            message: clean(&message.into()).into_owned(),
            fix: clean(&fix.into()).into_owned(),
            grade: Grade::Mistake,
        });
    }

    /// Notes a mistake of the whole file: something is not there at all.
    pub(crate) fn add_whole(&mut self, message: impl Into<String>, fix: impl Into<String>) {
        self.list.push(Problem {
            line: 0,
            column: 0,
            width: 0,
            source: String::new(),
            message: clean(&message.into()).into_owned(),
            fix: clean(&fix.into()).into_owned(),
            grade: Grade::Mistake,
        });
    }

    /// Takes what was noted last for something less than a mistake.
    pub(crate) fn only(&mut self, grade: Grade) {
        if let Some(last) = self.list.last_mut() {
            last.grade = grade;
        }
    }

    /// Notes that the item of this id (or key) stands in the file but could not be read, so that
    /// whatever refers to it is not called a mistake besides.
    pub(crate) fn broken(&mut self, id: &str) {
        self.broken.insert(id.to_owned());
    }

    /// Whether an item of this id or key stands in the file but could not be read.
    pub(crate) fn is_broken(&self, id: &str) -> bool {
        self.broken.contains(id)
    }

    /// Whether anything could not be read at all.
    pub(crate) fn has_broken(&self) -> bool {
        !self.broken.is_empty()
    }

    /// All mistakes, by place.
    pub(crate) fn finish(mut self) -> Vec<Problem> {
        self.list.sort_by_key(|p| (p.line, p.column));
        self.list.dedup();
        self.list
    }
}

/// The key that a reading error misses.
pub(crate) fn missing_key(error: &str) -> Option<&str> {
    error.strip_prefix("missing field `")?.strip_suffix('`')
}

/// A reading error in our own words: message and fix. `place` is the item with its key, `item`
/// without.
pub(crate) fn reword(error: &str, place: &str, item: &str) -> (String, String) {
    if let Some(key) = missing_key(error) {
        return (
            format!("{item}: expected the key {key}, found none"),
            format!("add {key} = ..."),
        );
    }
    if let Some((found, choices)) = error
        .strip_prefix("unknown variant `")
        .and_then(|e| e.split_once("`, expected "))
    {
        return (
            format!("{place}: expected a known word, found \"{found}\""),
            choose(found, choices),
        );
    }
    if let Some((found, choices)) = error
        .strip_prefix("unknown field `")
        .and_then(|e| e.split_once("`, expected "))
    {
        return (
            format!("{item}: expected a known key, found \"{found}\""),
            choose(found, choices),
        );
    }
    for kind in ["invalid type: ", "invalid value: "] {
        if let Some((found, expected)) = error
            .strip_prefix(kind)
            .and_then(|e| e.rsplit_once(", expected "))
        {
            return (
                format!("{place}: expected {expected}, found {found}"),
                "write it so".to_owned(),
            );
        }
    }
    if error.starts_with("data did not match any variant") {
        return (
            format!("{place}: expected a whole number or a text"),
            "write 3 or \"name\"".to_owned(),
        );
    }
    (
        format!("{place}: {error}"),
        "write it as expected".to_owned(),
    )
}

/// "Did you mean", or all choices where nothing is near.
fn choose(found: &str, choices: &str) -> String {
    let names: Vec<&str> = choices.split('`').skip(1).step_by(2).collect();
    match near_matches(found, names.iter().copied()).as_slice() {
        [] => format!("use one of: {}", names.join(", ")),
        near => format!("did you mean {}?", near.join(" or ")),
    }
}
