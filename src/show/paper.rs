//! What text is put down on: how wide it is, and which characters it knows.
//!
//! Input: sentences and rows. Output: lines that fit. One printer for every command.
//! Does not: look at a terminal or the environment (the command line says what it found there with [`lay`]).
//!
//! # Invariants
//! - No line is wider than the paper, no word and no number with its unit is cut, nothing is lost. A word
//!   that is wider than the whole paper (a path) goes on in the next line.
//! - Width is what a terminal gives to a text, by the tables of `unicode-width`.
//! - On plain paper nothing but ASCII stands.
//!
//! A thread has one paper, as it has one terminal; nothing but the layout depends on it.

use std::borrow::Cow;
use std::cell::Cell;
use std::fmt::Write as _;

use unicode_width::{UnicodeWidthChar as _, UnicodeWidthStr as _};

/// Narrowest and widest paper.
const WIDTHS: [usize; 2] = [40, 160];

/// How wide, and in which characters.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Paper {
    /// Columns.
    pub width: usize,
    /// Nothing but ASCII.
    pub plain: bool,
}

impl Default for Paper {
    fn default() -> Self {
        Self {
            width: 80,
            plain: false,
        }
    }
}

thread_local! {
    static PAPER: Cell<Paper> = Cell::new(Paper::default());
}

/// Lays paper for all that this thread prints from now on; its width is kept within 40 to 160 columns.
pub fn lay(paper: Paper) {
    let [narrowest, widest] = WIDTHS;
    let width = paper.width.clamp(narrowest, widest);
    PAPER.set(Paper { width, ..paper });
}

/// The paper of this thread.
pub fn paper() -> Paper {
    PAPER.get()
}

/// Columns that a terminal gives to a text.
pub fn columns(text: &str) -> usize {
    text.width()
}

/// A text in characters that the paper knows; on plain paper each other one has a sign of its own.
pub fn signs(text: &str) -> Cow<'_, str> {
    if !paper().plain || text.is_ascii() {
        return Cow::Borrowed(text);
    }
    let mut plain = String::with_capacity(text.len());
    for character in text.chars() {
        match character {
            '…' | '–' | '—' => plain.push('-'),
            '·' | '▁' | '•' => plain.push('.'),
            '×' => plain.push('x'),
            '≤' => plain.push_str("<="),
            '≥' => plain.push_str(">="),
            'Ω' => plain.push_str("Ohm"),
            'µ' => plain.push('u'),
            '°' => {}
            '²' => plain.push('2'),
            '→' => plain.push('>'),
            '▂' => plain.push(':'),
            '▃' => plain.push('-'),
            '▄' => plain.push('='),
            '▅' => plain.push('+'),
            '▆' => plain.push('*'),
            '▇' => plain.push('#'),
            '█' => plain.push('@'),
            '±' => plain.push_str("+-"),
            ascii if ascii.is_ascii() => plain.push(ascii),
            _ => plain.push('?'),
        }
    }
    Cow::Owned(plain)
}

/// Writes a text in lines that fit: `first` before the first one, `rest` before the others.
pub fn wrap(out: &mut String, text: &str, first: &str, rest: &str) {
    let width = paper().width;
    let (first, rest, text) = (signs(first), signs(rest), signs(text));
    let mut line = first.into_owned();
    let mut empty = true;
    for word in words(&text) {
        if !empty && columns(&line) + 1 + columns(&word) > width {
            let _ = writeln!(out, "{}", line.trim_end());
            line = rest.clone().into_owned();
            empty = true;
        }
        if !empty {
            line.push(' ');
        }
        empty = false;
        let mut left = word.as_str();
        while columns(&line) + columns(left) > width {
            let (part, more) = cut_at(left, width.saturating_sub(columns(&line)).max(1));
            let _ = writeln!(out, "{line}{part}");
            line = rest.clone().into_owned();
            left = more;
        }
        line.push_str(left);
    }
    let _ = writeln!(out, "{}", line.trim_end());
}

/// Writes a row of columns; on paper that is too narrow for them its words follow each other.
pub fn row(out: &mut String, line: &str) {
    let line = signs(line.trim_end());
    if columns(&line) <= paper().width {
        let _ = writeln!(out, "{line}");
    } else {
        wrap(out, &line, "", "    ");
    }
}

/// A text cut behind so many columns, at least one character.
fn cut_at(text: &str, most: usize) -> (&str, &str) {
    let mut taken = 0;
    for (index, character) in text.char_indices() {
        taken += character.width().unwrap_or(0);
        if taken > most && index > 0 {
            return text.split_at(index);
        }
    }
    (text, "")
}

/// The words of a text; a number stays with the unit behind it, and a dot with what it ends.
fn words(text: &str) -> Vec<String> {
    let mut words: Vec<String> = Vec::new();
    for word in text.split_whitespace() {
        match words.last_mut() {
            // A dot between two parts ends a line, it begins none.
            Some(last) if word == "·" || word == "." || is_number(last) && is_unit(word) => {
                last.push(' ');
                last.push_str(word);
            }
            _ => words.push(word.to_owned()),
        }
    }
    words
}

fn is_number(word: &str) -> bool {
    let digits = word.trim_start_matches(['(', '-', '+', '<', '>', '=', '"']);
    digits.starts_with(|c: char| c.is_ascii_digit()) && !digits.ends_with([',', ';', ':'])
}

fn is_unit(word: &str) -> bool {
    const UNITS: [&str; 23] = [
        "V", "mV", "A", "mA", "W", "kW", "kWh", "Ah", "Wh", "°C", "C", "K", "%", "s", "ms", "min",
        "h", "Ω", "kΩ", "kOhm", "ohm", "Hz", "V)",
    ];
    UNITS.contains(&word.trim_end_matches(['.', ',', ';', ':', ')', '!']))
}

/// Writes a label and its text in a column of its own; on narrow paper the text begins below it.
pub fn labelled(out: &mut String, label: &str, text: &str) {
    const COLUMN: usize = 10;
    if paper().width < 60 {
        wrap(out, text, &format!("{label}: "), "  ");
    } else {
        // A label that fills its column has a blank behind it all the same.
        let lead = format!("{label:<0$} ", COLUMN - 1);
        wrap(out, text, &lead, &" ".repeat(COLUMN));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn on(width: usize, plain: bool, text: &str) -> String {
        lay(Paper { width, plain });
        let mut out = String::new();
        wrap(&mut out, text, "- ", "  ");
        lay(Paper::default());
        out
    }

    // Kind: derived (counted by hand)
    #[test]
    fn a_number_stays_with_its_unit() {
        let text = "the lowest cell of the third module reads 2.620 V now";
        assert_eq!(
            on(49, false, text),
            "- the lowest cell of the third module reads\n  2.620 V now\n"
        );
    }

    // Kind: derived (UAX 11: a wide character takes two columns)
    #[test]
    fn wide_characters_count_twice() {
        let text = "電".repeat(15) + " " + &"池".repeat(15);
        let shown = on(40, false, &text);
        assert_eq!(shown.lines().count(), 2);
        assert!(shown.lines().all(|line| columns(line) <= 40), "{shown}");
    }

    // Kind: invented
    #[test]
    fn a_word_wider_than_the_paper_goes_on_below() {
        let path = "a".repeat(100);
        let shown = on(40, false, &path);
        assert!(shown.lines().all(|line| columns(line) <= 40), "{shown}");
        let whole: String = shown
            .lines()
            .map(|line| line.get(2..).unwrap_or(""))
            .collect();
        assert_eq!(whole, path);
    }

    // Kind: invented
    #[test]
    fn plain_paper_has_ascii_alone() {
        let shown = on(80, true, "3.265…3.270 V · 21 °C · 42 kΩ · ▁▅█ · ± 5 · ü");
        assert!(shown.is_ascii(), "{shown}");
        assert_eq!(shown, "- 3.265-3.270 V . 21 C . 42 kOhm . .+@ . +- 5 . ?\n");
    }
}
