//! The one place that writes to stdout and stderr.
//!
//! Results go to stdout, everything else to stderr. A closed pipe ends the writing quietly and
//! keeps the exit code of the verdict.
//!
//! # Invariants
//! - Nothing that acts on a terminal leaves the tool but its own colours and, where a view is drawn
//!   over itself, its own moves of the cursor: what units, maps, files and arguments said is
//!   [`packside_profiles::Foreign`], and what other programs and systems say is stopped here.

use std::borrow::Cow;
use std::io::{ErrorKind, IsTerminal as _, Write as _};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Mutex, MutexGuard, OnceLock, PoisonError};
use std::time::{Duration, Instant};

use indicatif::{ProgressBar, ProgressStyle};

use super::args::Colour;
use crate::link::HAS_OLD_CONSOLES;
use crate::show::paper::{self, Paper};

/// How often a line that counts is drawn anew.
const TICK: Duration = Duration::from_millis(250);

/// What kept a result from being written, for the end of the command.
static UNWRITTEN: OnceLock<String> = OnceLock::new();

/// Writes a result. A broken pipe is not an error: whoever reads has seen enough. Anything else is
/// remembered for [`unwritten`].
pub(crate) fn result(text: &str) {
    waited();
    write(&tame(text));
}

/// Writes to stdout what was made here and may move the cursor.
fn write(text: &str) {
    let mut stdout = std::io::stdout().lock();
    let written = stdout
        .write_all(text.as_bytes())
        .and_then(|()| stdout.flush());
    if let Err(error) = written
        && error.kind() != ErrorKind::BrokenPipe
    {
        let _ = UNWRITTEN.set(error.to_string());
    }
}

/// Why a result could not be written, if one could not.
pub(crate) fn unwritten() -> Option<&'static str> {
    UNWRITTEN.get().map(String::as_str)
}

/// Says something that is not the result.
pub(crate) fn say(text: &str) {
    // Nothing said here is coloured, and a line that goes on for ever is nobody's.
    let mut lines: Vec<Cow<'_, str>> = text.lines().map(short).collect();
    if std::io::stderr().is_terminal() {
        lines = lines.into_iter().map(folded).collect();
    }
    let write = || {
        let _ = writeln!(std::io::stderr().lock(), "{}", lines.join("\n"));
    };
    match &*waiting() {
        Some(bar) => bar.suspend(write),
        None => write(),
    }
}

/// The line that counts how long something takes, while it does.
static WAITING: Mutex<Option<ProgressBar>> = Mutex::new(None);

fn waiting() -> MutexGuard<'static, Option<ProgressBar>> {
    WAITING.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Counts the seconds of something that was said to begin, of so many where that is known, below all that
/// is said meanwhile.
pub(crate) fn wait(time: Option<Duration>) {
    waited();
    if !draws_progress() {
        return;
    }
    let of = time.map_or_else(String::new, |time| {
        format!(" of {} s", time.as_secs_f64().ceil())
    });
    let Ok(style) = ProgressStyle::with_template(&format!("  {{elapsed}}{of}")) else {
        return;
    };
    let bar = ProgressBar::new_spinner().with_style(style);
    bar.enable_steady_tick(TICK);
    *waiting() = Some(bar);
}

/// A bar laid out like this, where one can be seen.
pub(crate) fn bar(layout: &str) -> Option<ProgressBar> {
    let style = ProgressStyle::with_template(layout).ok()?;
    let style = if paper().plain {
        style.progress_chars("#.")
    } else {
        style
    };
    draws_progress().then(|| ProgressBar::new(1).with_style(style))
}

/// Something long of which it is known how much there is: after a moment a bar says what, how far and how long.
#[derive(Debug)]
pub(crate) struct Long {
    what: &'static str,
    all: u64,
    done: u64,
    begun: Instant,
    bar: Option<ProgressBar>,
}

/// What takes no longer says nothing.
const A_MOMENT: Duration = Duration::from_secs(1);
/// So much at least is done between two looks at the clock.
const STRIDE: u64 = 1024;

impl Long {
    /// Begins with nothing done.
    #[expect(clippy::disallowed_methods, reason = "how long a person waits")]
    pub(crate) fn new(what: &'static str, all: u64) -> Self {
        Self {
            what,
            all,
            done: 0,
            begun: Instant::now(),
            bar: None,
        }
    }

    /// So much more is done.
    pub(crate) fn done(&mut self, more: u64) {
        let before = self.done;
        self.done = before.saturating_add(more);
        if before / STRIDE == self.done / STRIDE {
            return;
        }
        if self.bar.is_none() && self.begun.elapsed() > A_MOMENT {
            self.bar = bar("  {msg} {bar:24} {percent} %, about {eta} left").inspect(|bar| {
                bar.set_length(self.all);
                bar.set_message(self.what);
            });
        }
        if let Some(bar) = &self.bar {
            bar.set_position(self.done);
        }
    }
}

impl Drop for Long {
    fn drop(&mut self) {
        self.bar.iter().for_each(ProgressBar::finish_and_clear);
    }
}

/// It is over.
pub(crate) fn waited() {
    if let Some(bar) = waiting().take() {
        bar.finish_and_clear();
    }
}

/// How much is said beside results.
static IS_QUIET: AtomicBool = AtomicBool::new(false);
static IS_VERBOSE: AtomicBool = AtomicBool::new(false);

/// Lays down how much is said.
pub(crate) fn talk(quiet: bool, verbose: bool) {
    IS_QUIET.store(quiet, Ordering::Relaxed);
    IS_VERBOSE.store(verbose, Ordering::Relaxed);
}

/// Says what goes on: not where only results, cautions and errors are wanted.
pub(crate) fn note(text: &str) {
    if !IS_QUIET.load(Ordering::Relaxed) {
        say(text);
    }
}

/// Whether details are wanted.
pub(crate) fn is_verbose() -> bool {
    IS_VERBOSE.load(Ordering::Relaxed)
}

/// Most bytes of a line that is said.
const LONGEST: usize = 1_900;

/// A line in lines that fit the screen, those after the first as far in as the first and a little more.
fn folded(line: Cow<'_, str>) -> Cow<'_, str> {
    if paper::columns(&line) <= paper::paper().width {
        return line;
    }
    let lead: String = line.chars().take_while(|c| *c == ' ').collect();
    let mut folded = String::new();
    paper::wrap(&mut folded, &line, &lead, &format!("{lead}  "));
    Cow::Owned(folded.trim_end().to_owned())
}

/// A line cleaned, and cut where it is longer than anybody reads.
fn short(line: &str) -> Cow<'_, str> {
    let clean = packside_profiles::clean(line);
    if clean.len() <= LONGEST {
        return clean;
    }
    let kept = (0..=LONGEST).rev().find_map(|cut| clean.get(..cut));
    let kept = kept.unwrap_or_default();
    Cow::Owned(format!("{kept}…"))
}

/// Whether results carry colour; else no code for one is ours.
static IS_COLOURED: AtomicBool = AtomicBool::new(false);

/// Lines of text, and colours where there are any; whatever else would act on a terminal is replaced.
fn tame(text: &str) -> Cow<'_, str> {
    tamed(text, IS_COLOURED.load(Ordering::Relaxed))
}

fn tamed(text: &str, is_coloured: bool) -> Cow<'_, str> {
    let acts = |c: char| c != '\n' && packside_profiles::foreign::acts(c);
    if !text.chars().any(acts) {
        return Cow::Borrowed(text);
    }
    let mut tamed = String::with_capacity(text.len());
    let mut rest = text;
    while let Some(character) = rest.chars().next() {
        let code = colour_code(rest).filter(|_| is_coloured);
        let taken = code.unwrap_or(character.len_utf8());
        let (part, behind) = rest.split_at(taken);
        let is_code = taken > character.len_utf8();
        tamed.push_str(match character {
            '\t' => "    ",
            character if acts(character) && !is_code => "\u{fffd}",
            _ => part,
        });
        rest = behind;
    }
    Cow::Owned(tamed)
}

/// Length of the colour code at the begin of a text, if one stands there.
fn colour_code(text: &str) -> Option<usize> {
    let parameters = text.strip_prefix("\x1b[")?;
    let end = parameters.find(|c: char| !(c.is_ascii_digit() || c == ';'))?;
    parameters
        .get(end..)?
        .starts_with('m')
        .then_some(2 + end + 1)
}

/// Draws one line over the last one, on a terminal in any mode; an empty text takes it away.
pub(crate) fn status(text: &str) {
    let columns = crossterm::terminal::size().map_or(80, |(columns, _)| usize::from(columns));
    let text: String = tame(text).chars().take(columns.saturating_sub(1)).collect();
    let mut stderr = std::io::stderr().lock();
    let _ = write!(stderr, "\r\x1b[K{text}").and_then(|()| stderr.flush());
}

/// What is said as the last line of all.
static LAST: Mutex<Option<String>> = Mutex::new(None);
/// Something was kept, and it was said or will be.
static IS_KEPT: AtomicBool = AtomicBool::new(false);

/// Says what was kept: at once, or at the end of a command that was stopped, whose results are not what
/// counts.
pub(crate) fn kept(line: String, is_stopped: bool) {
    IS_KEPT.store(true, Ordering::SeqCst);
    if is_stopped {
        *LAST.lock().unwrap_or_else(PoisonError::into_inner) = Some(line);
    } else {
        say(&line);
    }
}

/// Says what was left for the end. Where it was stopped before anything was kept, that is said.
pub(crate) fn last_words(is_stopped: bool) {
    let last = LAST.lock().unwrap_or_else(PoisonError::into_inner).take();
    match last {
        Some(line) => say(&line),
        None if is_stopped && !IS_KEPT.load(Ordering::SeqCst) => {
            say("stopped; nothing was recorded");
        }
        None => {}
    }
}

/// What was drawn in place before is no longer where it was.
pub(crate) fn draw_afresh() {
    IS_MOVED.store(true, Ordering::SeqCst);
}

/// See [`draw_afresh`].
static IS_MOVED: AtomicBool = AtomicBool::new(false);

/// Whether results may carry colour.
pub(crate) fn colour(choice: Colour) -> bool {
    // An old console shows colours only once it is told to.
    let can_be_shown = anstyle_query::windows::enable_ansi_colors().unwrap_or(true);
    let is_coloured = may_colour(choice, can_be_shown);
    IS_COLOURED.store(is_coloured, Ordering::Relaxed);
    is_coloured
}

fn may_colour(choice: Colour, can_be_shown: bool) -> bool {
    match choice {
        Colour::Always => true,
        Colour::Never => false,
        Colour::Auto => {
            let set = |name: &str| std::env::var(name).ok().filter(|value| !value.is_empty());
            let is_off = set("NO_COLOR").is_some();
            let is_forced = set("CLICOLOR_FORCE").is_some_and(|value| value != "0");
            let is_unwanted = set("CLICOLOR").is_some_and(|value| value == "0")
                || set("TERM").is_some_and(|term| term == "dumb");
            let on_terminal = std::io::stdout().is_terminal() && can_be_shown;
            !is_off && (is_forced || on_terminal && !is_unwanted)
        }
    }
}

/// What results are put down on: as wide as the terminal (or as `COLUMNS` says), in plain ASCII where nothing
/// else is sure to be shown.
pub(crate) fn paper() -> Paper {
    let set = |name: &str| std::env::var(name).ok().filter(|value| !value.is_empty());
    let typed = set("COLUMNS").and_then(|columns| columns.parse().ok());
    let terminal = || {
        // Where there is no terminal the library would start another program to ask it.
        let size = || crossterm::terminal::size().ok();
        let (columns, _) = std::io::stdout().is_terminal().then(size)??;
        Some(usize::from(columns))
    };
    let locale = ["LC_ALL", "LC_CTYPE", "LANG"].into_iter().find_map(set);
    let is_dumb = set("TERM").is_some_and(|term| term == "dumb");
    // The new console of Windows names itself; whatever reads a pipe there takes it for the letters of one country.
    let is_old = HAS_OLD_CONSOLES && locale.is_none() && set("WT_SESSION").is_none();
    Paper {
        width: typed.or_else(terminal).unwrap_or(Paper::default().width),
        plain: is_dumb
            || is_old
            || locale.is_some_and(|name| matches!(name.as_str(), "C" | "POSIX")),
    }
}

/// Whether a person can answer a question.
pub(crate) fn interactive() -> bool {
    std::io::stdin().is_terminal() && std::io::stderr().is_terminal()
}

/// Whether progress may be drawn.
pub(crate) fn draws_progress() -> bool {
    std::io::stderr().is_terminal() && !IS_QUIET.load(Ordering::Relaxed)
}

/// A line is being typed.
static IS_TYPING: AtomicBool = AtomicBool::new(false);

/// Whether a line is being typed.
pub(crate) fn is_typing() -> bool {
    IS_TYPING.load(Ordering::SeqCst)
}

/// One line typed by a person, trimmed; nothing at the end of the input.
pub(crate) fn answer() -> Option<String> {
    let mut line = String::new();
    // Nobody can look at a wish to stop meanwhile.
    IS_TYPING.store(true, Ordering::SeqCst);
    let typed = std::io::stdin().read_line(&mut line);
    IS_TYPING.store(false, Ordering::SeqCst);
    match typed {
        Ok(n) if n > 0 => Some(line.trim().to_owned()),
        _ => None,
    }
}

/// Whether a view may be drawn over itself.
pub(crate) fn shows_in_place() -> bool {
    std::io::stdout().is_terminal() && std::env::var("TERM").is_ok_and(|term| term != "dumb")
}

/// Draws a view over the lines drawn before, as much of it as the terminal holds: a line that breaks, or
/// one that leaves it at the top, could not be drawn over. Keys may be read one by one meanwhile, so
/// every line returns to the begin by itself. Gives the lines drawn.
pub(crate) fn redraw(text: &str, lines_before: usize) -> usize {
    let size = crossterm::terminal::size().unwrap_or((80, 24));
    let (columns, rows) = (usize::from(size.0), usize::from(size.1));
    let lines = text.lines().take(rows.saturating_sub(1).max(1));
    let fitting: Vec<String> = lines.map(|line| cut(&tame(line), columns)).collect();
    let is_moved = IS_MOVED.swap(false, Ordering::SeqCst);
    let up = if lines_before > 0 && !is_moved {
        format!("\x1b[{lines_before}A")
    } else {
        String::new()
    };
    let text: String = fitting.iter().map(|line| format!("{line}\r\n")).collect();
    write(&format!("\r{up}\x1b[J{text}"));
    fitting.len()
}

/// A line cut to so many columns; what sets the colour takes none and stays.
fn cut(line: &str, columns: usize) -> String {
    let mut left = columns;
    let mut in_escape = false;
    let fits = |c: &char| {
        in_escape |= *c == '\x1b';
        let stays = in_escape || left > 0;
        if !in_escape {
            left = left.saturating_sub(1);
        }
        in_escape &= *c != 'm';
        stays
    };
    line.chars().filter(fits).collect()
}

/// Prints what a command gave, stdout and stderr, and hands on its exit code.
pub(crate) fn outcome((stdout, stderr, exit): (String, String, u8)) -> u8 {
    if !stderr.is_empty() {
        say(stderr.trim_end());
    }
    result(&stdout);
    exit
}

#[cfg(test)]
mod tests {
    use super::{cut, short, tame, tamed};

    #[test]
    fn only_lines_and_colours_leave_the_tool() {
        // Kind: invented
        let own = "\x1b[1;31mFAULT\x1b[0m\npack 490 V ▁▂";
        assert_eq!(tamed(own, true), own);
        assert_eq!(tamed("\x1b[31mRED", false), "\u{fffd}[31mRED");
        assert_eq!(
            tame("a\x1b[2Jb\x1b]0;t\x07c\u{202e}d\re"),
            "a\u{fffd}[2Jb\u{fffd}]0;t\u{fffd}c\u{fffd}d\u{fffd}e"
        );
        assert_eq!(tame("\x1b[31"), "\u{fffd}[31");
    }

    // Kind: invented
    #[test]
    fn no_line_is_longer_than_anybody_reads() {
        assert_eq!(short("pack 490 V"), "pack 490 V");
        let long = short(&"\0".repeat(5_000)).into_owned();
        assert!(long.len() < 2_000 && long.ends_with('…'), "{}", long.len());
    }

    #[test]
    fn cut_counts_what_is_seen_and_keeps_the_end_of_a_colour() {
        // Kind: derived
        assert_eq!(
            cut("\x1b[31mFAULT\x1b[0m  real", 7),
            "\x1b[31mFAULT\x1b[0m  "
        );
        assert_eq!(cut("pack 490 V ▁▂", 12), "pack 490 V ▁");
        assert_eq!(cut("", 0), "");
    }
}
