//! Lamps as a person tells them at a step of a visit.
//!
//! Input: words, as in `fault: 3 flashes, pause; power: steady`. Output: the one form that answers
//! have, `fault=triple-flash; power=on`, and back to sightings. Does not: give a lamp a meaning.

use packside_profiles::Profile;

use crate::lamp::{Pattern, patterns, read_words};

/// The lamp that a call is about.
const USUAL: &str = "fault";

/// The lamps of a unit, and the patterns that they know.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Lamps {
    /// Ids, the usual one first.
    pub lamps: Vec<String>,
    /// What they may show.
    pub patterns: Vec<Pattern>,
}

impl Lamps {
    /// Those of a profile.
    pub fn of(profile: &Profile) -> Self {
        let mut lamps: Vec<String> = profile.lamps.iter().map(|lamp| lamp.id.clone()).collect();
        lamps.sort_by_key(|lamp| lamp != USUAL);
        Self {
            lamps,
            patterns: patterns(Some(profile)),
        }
    }

    /// Brings what was typed into its one form.
    ///
    /// # Errors
    /// What was expected and found.
    pub fn understand(&self, typed: &str) -> Result<String, String> {
        let mut seen: Vec<String> = Vec::new();
        for part in typed.split(';').filter(|part| !part.trim().is_empty()) {
            let (lamp, words) = part.split_once([':', '=']).ok_or_else(|| {
                format!(
                    "expected LAMP: HOW, for example \"{}\", found \"{}\"",
                    self.example(),
                    part.trim()
                )
            })?;
            let (lamp, words) = (lamp.trim(), words.trim());
            if !self.lamps.iter().any(|known| known == lamp) {
                return Err(format!(
                    "expected one of the lamps {}, found \"{lamp}\"",
                    self.lamps.join(", ")
                ));
            }
            if seen
                .iter()
                .any(|told| told.starts_with(&format!("{lamp}=")))
            {
                return Err(format!("expected every lamp once, found {lamp} again"));
            }
            seen.push(format!("{lamp}={}", self.pattern(words)?));
        }
        if seen.is_empty() {
            return Err(format!(
                "expected LAMP: HOW, for example \"{}\", found nothing",
                self.example()
            ));
        }
        Ok(seen.join("; "))
    }

    /// The pattern meant by words, or its own id.
    fn pattern(&self, words: &str) -> Result<String, String> {
        if let Some(known) = self.patterns.iter().find(|pattern| pattern.id == words) {
            return Ok(known.id.clone());
        }
        let told = read_words(words, &self.patterns).map_err(|problem| problem.to_string())?;
        let ranking = told.rank(&self.patterns);
        match ranking.first().filter(|_| ranking.enough) {
            Some(first) => Ok(first.id.clone()),
            None => {
                let may: Vec<&str> = ranking
                    .leaders()
                    .iter()
                    .map(|one| one.id.as_str())
                    .collect();
                Err(format!(
                    "\"{words}\" may be {}: count the flashes, or tap the rhythm",
                    if may.is_empty() {
                        "anything".to_owned()
                    } else {
                        may.join(" or ")
                    }
                ))
            }
        }
    }

    /// How it may be said.
    pub fn example(&self) -> String {
        let lamp = self.lamps.first().map_or("fault", String::as_str);
        format!("{lamp}: 3 flashes, pause")
    }
}

/// Lamps and patterns of an answer in its one form; nothing of one that was skipped.
pub fn lamps_in(value: &str) -> Vec<(String, String)> {
    let pairs = value.split("; ").filter_map(|pair| pair.split_once('='));
    pairs
        .map(|(lamp, pattern)| (lamp.to_owned(), pattern.to_owned()))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(typed: &str, expected: Result<&str, &str>) {
        let profile = packside_profiles::find("generic-hv-stack", None)
            .unwrap()
            .profile;
        let found = Lamps::of(&profile).understand(typed);
        assert_eq!(
            found.as_deref().map_err(String::as_str),
            expected,
            "{typed}"
        );
    }

    // Kind: invented
    #[test]
    fn words_become_patterns_and_sightings() {
        check("fault: 3 flashes, pause", Ok("fault=triple-flash"));
        check("fault=off; power: steady", Ok("fault=off; power=on"));
        let pair = |lamp: &str, pattern: &str| (lamp.to_owned(), pattern.to_owned());
        assert_eq!(
            lamps_in("fault=triple-flash; power=on"),
            [pair("fault", "triple-flash"), pair("power", "on")]
        );
        assert_eq!(lamps_in("skipped"), []);
    }

    #[test]
    fn err_lamps_say_what_was_expected() {
        check(
            "red: on",
            Err("expected one of the lamps fault, power, charge, found \"red\""),
        );
        check(
            "fault: on; fault: off",
            Err("expected every lamp once, found fault again"),
        );
        check(
            "blinking",
            Err("expected LAMP: HOW, for example \"fault: 3 flashes, pause\", found \"blinking\""),
        );
        check(
            " ; ",
            Err("expected LAMP: HOW, for example \"fault: 3 flashes, pause\", found nothing"),
        );
    }
}
