//! Lamps as a person tells them at a step of a visit.
//!
//! Input: words, as in `fault: 3 flashes, pause; power: steady`. Output: lamps with the patterns they
//! showed. Does not: give a lamp a meaning.

use packside_profiles::{Foreign, Profile, clean};

use crate::event::AnswerValue;
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

    /// The lamps that were typed, each with its pattern.
    ///
    /// # Errors
    /// What was expected and found.
    pub fn understand(&self, typed: &Foreign) -> Result<AnswerValue, String> {
        let mut seen: Vec<(Foreign, Foreign)> = Vec::new();
        for part in typed
            .as_given()
            .split(';')
            .filter(|part| !part.trim().is_empty())
        {
            let (lamp, words) = part.split_once([':', '=']).ok_or_else(|| {
                format!(
                    "expected LAMP: HOW, for example \"{}\", lamps {}, found \"{}\"",
                    self.example(),
                    self.lamps.join(", "),
                    clean(part.trim())
                )
            })?;
            let (lamp, words) = (lamp.trim(), words.trim());
            if !self.lamps.iter().any(|known| known == lamp) {
                return Err(format!(
                    "expected one of the lamps {}, found \"{}\"",
                    self.lamps.join(", "),
                    clean(lamp)
                ));
            }
            if seen.iter().any(|(told, _)| *told == lamp) {
                return Err(format!("expected every lamp once, found {lamp} again"));
            }
            seen.push((lamp.into(), self.pattern(words)?.into()));
        }
        if seen.is_empty() {
            return Err(format!(
                "expected LAMP: HOW, for example \"{}\", found nothing",
                self.example()
            ));
        }
        Ok(AnswerValue::Lamps(seen))
    }

    /// The pattern meant by words, or its own id.
    fn pattern(&self, words: &str) -> Result<String, String> {
        if let Some(known) = self.patterns.iter().find(|pattern| pattern.id == words) {
            return Ok(known.id.clone());
        }
        let told = read_words(words, &self.patterns).map_err(|problem| problem.to_string())?;
        let ranking = told.rank(&self.patterns);
        match ranking.name() {
            Some(name) => Ok(name),
            None => {
                let may: Vec<&str> = ranking
                    .leaders()
                    .iter()
                    .map(|one| one.id.as_str())
                    .collect();
                Err(format!(
                    "\"{}\" may be {}: count the flashes, or tap the rhythm",
                    clean(words),
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

#[cfg(test)]
mod tests {
    use super::*;

    fn check(typed: &str, expected: Result<&str, &str>) {
        let profile = packside_profiles::find("generic-hv-stack", None)
            .unwrap()
            .profile;
        let found = Lamps::of(&profile).understand(&typed.into());
        let found = found.map(|value| value.text().clean().into_owned());
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
        check(
            "fault: 5 flashes, pause 1 s",
            Ok("fault=5 flashes, pause 1 s"),
        );
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
            Err(
                "expected LAMP: HOW, for example \"fault: 3 flashes, pause\", lamps fault, power, charge, found \"blinking\"",
            ),
        );
        check(
            " ; ",
            Err("expected LAMP: HOW, for example \"fault: 3 flashes, pause\", found nothing"),
        );
    }
}
