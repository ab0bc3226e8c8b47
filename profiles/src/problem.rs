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
    /// The line as it stands, control characters as blanks; of a long one what stands around the column.
    pub source: String,
    /// Where the column stands in it, characters, 0-based.
    pub caret: usize,
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
    /// The mistakes, by line; the first thousand of them.
    pub list: Vec<Problem>,
    /// So many more were found.
    pub more: usize,
}

/// Mistakes that are kept; of more only their number is.
pub(crate) const MOST: usize = 1_000;
/// Most characters of a line that are shown.
const SHOWN: usize = 160;
/// So many of them stand before the place that is meant.
const BEFORE: usize = 60;

/// Of a line what can be shown around a column (characters, 0-based), cleaned, and where the column
/// stands in that.
pub fn excerpt(line: &str, column: usize) -> (String, usize) {
    let from = if line.len() > SHOWN {
        column.saturating_sub(BEFORE)
    } else {
        0
    };
    let mut rest = line.chars().skip(from);
    let part: String = rest.by_ref().take(SHOWN).collect();
    let (lead, end) = (
        if from > 0 { "…" } else { "" },
        if rest.next().is_some() { "…" } else { "" },
    );
    let shown = format!("{lead}{}{end}", clean(&part));
    (shown, column - from + usize::from(from > 0))
}

/// Finds lines and columns of places in a text.
pub struct Lines<'t> {
    text: &'t str,
    /// Where each line begins.
    begins: Vec<usize>,
}

impl<'t> Lines<'t> {
    /// Those of a text.
    pub fn of(text: &'t str) -> Self {
        let after = text.match_indices('\n').map(|(at, _)| at + 1);
        Self {
            text,
            begins: std::iter::once(0).chain(after).collect(),
        }
    }

    /// Number of the line that holds a place (0-based), the line, and the column in it (characters,
    /// 0-based).
    pub fn at(&self, place: usize) -> (usize, &'t str, usize) {
        let place = place.min(self.text.len());
        let number = self.begins.partition_point(|begin| *begin <= place) - 1;
        let begin = self.begins.get(number).copied().unwrap_or_default();
        let line = self.text.get(begin..).unwrap_or_default();
        let line = line.lines().next().unwrap_or_default();
        let before = self.text.get(begin..place).unwrap_or_default();
        (number, line, before.chars().count())
    }
}

/// Mistakes printed before the rest is only counted, so that they fit a screen.
const PRINTED: usize = 10;
/// The same of `{:#}`, for whoever mends them one after the other: of more nobody reads the first.
const PRINTED_FULL: usize = 60;

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
        let most = if f.alternate() { PRINTED_FULL } else { PRINTED };
        let mut gravest: Vec<&Problem> = self.list.iter().collect();
        gravest.sort_by_key(|problem| problem.grade);
        for problem in gravest.into_iter().take(most) {
            self.print(problem, f)?;
        }
        let more = self.list.len().saturating_sub(most) + self.more;
        if more > 0 {
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
            caret,
            message,
            fix,
            ..
        } = problem;
        if *line == 0 {
            writeln!(f, "{}: {message}", self.origin)?;
        } else {
            let before = " ".repeat(*caret);
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
    lines: Lines<'t>,
    list: Vec<Problem>,
    more: usize,
    /// What was noted last is in the list.
    is_kept: bool,
    broken: BTreeSet<String>,
}

impl<'t> Collector<'t> {
    /// Nothing found yet in this text.
    pub(crate) fn new(text: &'t str) -> Self {
        Self {
            text,
            lines: Lines::of(text),
            list: Vec::new(),
            more: 0,
            is_kept: false,
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
        if !self.has_room() {
            return;
        }
        let (number, line, column) = self.lines.at(span.start);
        let covered = self.text.get(span).unwrap_or_default();
        let covered = covered.lines().next().unwrap_or_default();
        let covered = covered.chars().take(SHOWN).count();
        let (source, caret) = excerpt(line, column);
        let left = source.chars().count().saturating_sub(caret);
        self.list.push(Problem {
            line: number + 1,
            column: column + 1,
            width: covered.clamp(1, left.max(1)),
            source,
            caret,
            message: clean(&message.into()).into_owned(),
            fix: clean(&fix.into()).into_owned(),
            grade: Grade::Mistake,
        });
    }

    /// What stands at a byte range of the file.
    pub(crate) fn written(&self, span: Range<usize>) -> Option<&'t str> {
        self.text.get(span)
    }

    /// Notes that the text is no TOML.
    pub(crate) fn no_toml(&mut self, error: &toml::de::Error) {
        self.add(
            error.span().unwrap_or_default(),
            format!("no valid TOML: {}", error.message()),
            "correct the syntax first; the rest is checked after that",
        );
    }

    /// Notes a mistake of the whole file: something is not there at all.
    pub(crate) fn add_whole(&mut self, message: impl Into<String>, fix: impl Into<String>) {
        if !self.has_room() {
            return;
        }
        self.list.push(Problem {
            line: 0,
            column: 0,
            width: 0,
            source: String::new(),
            caret: 0,
            message: clean(&message.into()).into_owned(),
            fix: clean(&fix.into()).into_owned(),
            grade: Grade::Mistake,
        });
    }

    /// Takes what was noted last for something less than a mistake.
    pub(crate) fn only(&mut self, grade: Grade) {
        if let Some(last) = self.list.last_mut().filter(|_| self.is_kept) {
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

    /// Whether one more is kept; else it is counted.
    fn has_room(&mut self) -> bool {
        self.is_kept = !self.is_full();
        self.more += usize::from(!self.is_kept);
        self.is_kept
    }

    /// Whether as many mistakes were found as are kept.
    pub(crate) fn is_full(&self) -> bool {
        self.list.len() >= MOST
    }

    /// All mistakes, by place, and how many more there are.
    pub(crate) fn finish(mut self) -> (Vec<Problem>, usize) {
        self.list.sort_by_key(|p| (p.line, p.column));
        self.list.dedup();
        (self.list, self.more)
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
