//! Sentences leave the room through here, in English or scrambled.
//!
//! Does not: scramble anything but for tests.

use std::cell::Cell;

thread_local! {
    static PSEUDO: Cell<bool> = const { Cell::new(false) };
    static BRIEF: Cell<bool> = const { Cell::new(false) };
}

/// Stands in a sentence where its short form ends: what comes after it only explains. It never leaves the room,
/// and is none of the characters that texts from outside may keep.
pub(crate) const FURTHER: char = '\u{1d}';

/// Runs something that makes sentences, and gives each in its short form.
pub(crate) fn in_short<T>(say: impl FnOnce() -> T) -> T {
    let before = BRIEF.replace(true);
    let result = say();
    BRIEF.set(before);
    result
}

/// Whether short forms are wanted.
pub(crate) fn is_short() -> bool {
    BRIEF.get()
}

/// A sentence as it was wanted: up to its mark, or all of it. Where a sentence ends before the mark, another begins.
fn formed(text: String) -> String {
    match text.split_once(FURTHER) {
        None => text,
        Some((short, _)) if is_short() => short.trim_end_matches('.').to_owned(),
        Some(_) => text
            .replace(".\u{1d}", ". ")
            .replace("?\u{1d}", "? ")
            .replace(FURTHER, "; "),
    }
}

/// Runs something while every sentence is scrambled, letters for letters, so that whatever looks into
/// a sentence finds nothing. For tests.
#[doc(hidden)]
pub fn in_pseudo_language<T>(run: impl FnOnce() -> T) -> T {
    let before = PSEUDO.replace(true);
    let result = run();
    PSEUDO.set(before);
    result
}

/// Every sentence of this room leaves through here.
pub(crate) fn said(text: impl Into<String>) -> String {
    let text = formed(text.into());
    if !PSEUDO.get() {
        return text;
    }
    let other = |letter: char| match letter {
        'a'..='m' | 'A'..='M' => char::from_u32(u32::from(letter) + 13).unwrap_or(letter),
        'n'..='z' | 'N'..='Z' => char::from_u32(u32::from(letter) - 13).unwrap_or(letter),
        ':' => '/',
        ';' => '|',
        ',' => '_',
        _ => letter,
    };
    let text: String = text.chars().map(other).collect();
    format!("<{text}>")
}

#[cfg(test)]
mod tests {
    use super::*;

    // Kind: derived
    #[test]
    fn short_form_ends_at_its_mark_however_deep_it_stands() {
        let inner = || said(format!("3.2 V{FURTHER}it may be old"));
        let outer = || said(format!("low: {} (seen; twice)", inner()));
        assert_eq!(outer(), "low: 3.2 V; it may be old (seen; twice)");
        assert_eq!(in_short(outer), "low: 3.2 V (seen; twice)");
    }

    #[test]
    fn pseudo_language_leaves_no_word_and_every_number() {
        let (said_so, text) = (
            said("3.2 V: low"),
            in_pseudo_language(|| said("3.2 V: low")),
        );
        assert_eq!(
            (said_so.as_str(), text.as_str()),
            ("3.2 V: low", "<3.2 I/ ybj>")
        );
    }
}
