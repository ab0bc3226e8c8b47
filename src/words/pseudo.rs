//! Sentences leave the room through here, in English or scrambled.
//!
//! Does not: scramble anything but for tests.

use std::cell::Cell;

thread_local! {
    static PSEUDO: Cell<bool> = const { Cell::new(false) };
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
    let text = text.into();
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
