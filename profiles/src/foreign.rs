//! Text that somebody else wrote: a unit, a map, a file, an argument.
//!
//! It may hold anything: codes that move a terminal's cursor, marks that turn the direction of
//! reading, a million characters. [`Foreign`] keeps it as it was given and cannot be printed; the
//! one way out to people, pages and programs is [`Foreign::clean`] (which results in JSON use by themselves).
//!
//! # Invariants
//! - What [`clean`] gives holds no control character, no mark of direction, no line break, and at
//!   most [`LONGEST`] characters.
//! - Cleaning what is clean changes nothing.
//!
//! # Sources
//! - Unicode Standard Annex 9, table of the characters that set the direction of text

use std::borrow::{Borrow, Cow};
use std::ffi::OsStr;

use serde::Deserialize;

/// Most characters that are shown of one foreign text.
pub const LONGEST: usize = 1_000;

/// Text as somebody else gave it.
#[derive(Clone, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Deserialize)]
#[serde(transparent)]
pub struct Foreign(String);

impl Foreign {
    /// The text, fit to be shown anywhere.
    pub fn clean(&self) -> Cow<'_, str> {
        clean(&self.0)
    }

    /// The text as it was given: to compare and to keep, never to show.
    pub fn as_given(&self) -> &str {
        &self.0
    }

    /// Whether nothing was given.
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    /// Whether there is nothing to read in it.
    pub fn is_blank(&self) -> bool {
        self.0.trim().is_empty()
    }
}

impl From<String> for Foreign {
    fn from(text: String) -> Self {
        Self(text)
    }
}

impl From<&str> for Foreign {
    fn from(text: &str) -> Self {
        Self(text.to_owned())
    }
}

impl PartialEq<str> for Foreign {
    fn eq(&self, other: &str) -> bool {
        self.0 == other
    }
}

impl PartialEq<&str> for Foreign {
    fn eq(&self, other: &&str) -> bool {
        self.0 == *other
    }
}

impl AsRef<OsStr> for Foreign {
    /// To open what it names.
    fn as_ref(&self) -> &OsStr {
        self.0.as_ref()
    }
}

impl Borrow<str> for Foreign {
    fn borrow(&self) -> &str {
        &self.0
    }
}

impl serde::Serialize for Foreign {
    /// Cleaned: whoever reads a result for programs may print it.
    fn serialize<S: serde::Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        to.serialize_str(&self.clean())
    }
}

impl std::fmt::Debug for Foreign {
    /// Cleaned as well: a developers' log is read on a terminal too.
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        std::fmt::Debug::fmt(&self.clean(), f)
    }
}

/// A text without anything that acts instead of being read.
pub fn clean(text: &str) -> Cow<'_, str> {
    if text.len() <= LONGEST && !text.chars().any(acts) {
        return Cow::Borrowed(text);
    }
    let mut cleaned = String::with_capacity(text.len().min(4 * LONGEST));
    for (place, character) in text.chars().enumerate() {
        if place == LONGEST - 1 && text.chars().nth(LONGEST).is_some() {
            cleaned.push('…');
            break;
        }
        cleaned.push(match character {
            '\n' | '\r' | '\t' => ' ',
            character if acts(character) => '\u{fffd}',
            character => character,
        });
    }
    Cow::Owned(cleaned)
}

/// The name of a file or folder, fit to be shown: as [`clean`].
#[expect(
    clippy::disallowed_methods,
    reason = "this is the one way that the lint leaves open"
)]
pub fn shown(path: &(impl AsRef<OsStr> + ?Sized)) -> String {
    clean(&path.as_ref().to_string_lossy()).into_owned()
}

/// Whether a character does something else than to stand there.
pub fn acts(character: char) -> bool {
    character.is_control()
        || matches!(character,
            // Line and paragraph separators.
            '\u{2028}' | '\u{2029}'
            // Marks of direction, and what joins or separates without being seen.
            | '\u{61c}' | '\u{200b}'..='\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2060}'..='\u{206f}'
            // Byte order mark, marks between lines, tags.
            | '\u{feff}' | '\u{fff9}'..='\u{fffb}' | '\u{e0000}'..='\u{e007f}')
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    // Kind: invented
    #[test]
    fn codes_and_marks_of_direction_stand_still() {
        let hostile = Foreign::from("a\u{1b}[2Jb\u{202e}c\u{7}\nd\u{2066}e\u{9b}f\u{200f}");
        assert_eq!(
            hostile.clean(),
            "a\u{fffd}[2Jb\u{fffd}c\u{fffd} d\u{fffd}e\u{fffd}f\u{fffd}"
        );
        assert_eq!(format!("{hostile:?}"), format!("{:?}", hostile.clean()));
        assert_ne!(hostile.clean(), hostile.as_given());
    }

    #[test]
    fn what_people_write_stays_as_it_is() {
        for text in [
            "Isolation zu niedrig: 42 kΩ",
            "単体電圧",
            "−5 °C … 45 °C",
            "",
        ] {
            assert!(
                matches!(clean(text), Cow::Borrowed(same) if same == text),
                "{text}"
            );
        }
    }

    #[test]
    fn a_text_without_end_is_cut_and_says_so() {
        let long = "x".repeat(1_000_000);
        let shown = clean(&long);
        assert_eq!(shown.chars().count(), LONGEST);
        assert!(shown.ends_with('…'));
        assert_eq!(clean(&"x".repeat(LONGEST)), "x".repeat(LONGEST));
    }

    proptest! {
        #[test]
        fn nothing_that_acts_comes_through_and_cleaning_again_changes_nothing(text in ".{0,1200}") {
            let once = clean(&text).into_owned();
            prop_assert!(!once.chars().any(acts));
            prop_assert!(once.chars().count() <= LONGEST);
            prop_assert_eq!(&clean(&once), &once);
        }
    }
}
