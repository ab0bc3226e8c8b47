//! What a lamp showed, against what the registers say.
//!
//! A lamp decides nothing by itself: dark never means sound, and a profile's meaning of a pattern is
//! compared with flags and state. Where no meaning of the pattern fits them, that is a contradiction,
//! and a contradiction keeps the gate shut.

use std::time::Duration;

use packside_profiles::StateKind;
use packside_profiles::model::{Profile, Severity};

use super::notices::notice;
use super::shared::Sighting;
use crate::evidence::Seen;
use crate::evidence::said::LampSaid;
use crate::facts::fact::{Compared, Deed};
use crate::facts::judgement::{Finding, Source};
use crate::lamp::{Meaning, meanings};

/// A lamp seen longer ago than this says nothing of the registers now.
const FRESH: Duration = Duration::from_secs(120);

/// Sightings near the moment judged, the last of each lamp.
pub(crate) fn last_of_each(seen: &Seen, moment: Duration) -> Vec<Sighting> {
    let is_fresh = |lamp: &&LampSaid| {
        let at = lamp.at.within(seen.session);
        at.is_some_and(|at| at + FRESH >= moment)
    };
    let lamps = seen.said.lamps.iter().filter(is_fresh);
    lamps
        .map(|seen| (seen.lamp.clone(), seen.pattern.clone()))
        .collect()
}

/// One finding for every lamp that contradicts the registers.
pub(crate) fn contradictions(
    sightings: &[Sighting],
    profile: &Profile,
    active: &[String],
    alarm: bool,
    state: Option<StateKind>,
    unit: u8,
) -> Vec<Finding> {
    let fits = |meaning: &Meaning| {
        meaning.flags.iter().any(|flag| active.contains(flag))
            || (meaning.any_alarm && alarm)
            || state.is_some_and(|state| meaning.states.contains(&state))
    };
    sightings
        .iter()
        .filter_map(|(lamp, pattern)| {
            if pattern == DARK
                && let Some(should) = should_show(profile, lamp, active, alarm)
            {
                return Some(contradiction(unit, lamp, pattern, Some(should)));
            }
            let meanings = meanings(profile, lamp, pattern);
            if meanings.is_empty() || meanings.iter().any(fits) {
                return None;
            }
            Some(contradiction(unit, lamp, pattern, None))
        })
        .collect()
}

/// A lamp that shows nothing.
const DARK: &str = "off";

/// The pattern that a flag or alarm that is up gives a lamp, where every such code lights it.
fn should_show<'p>(
    profile: &'p Profile,
    lamp: &str,
    active: &[String],
    alarm: bool,
) -> Option<&'p str> {
    let up = profile.lamp_codes.iter().filter(|code| {
        code.flags.iter().any(|flag| active.contains(flag)) || (code.any_alarm && alarm)
    });
    let patterns: Vec<&str> = up
        .filter_map(|code| code.lamps.get(lamp).map(String::as_str))
        .collect();
    let first = patterns.first().copied()?;
    patterns
        .iter()
        .all(|pattern| *pattern != DARK)
        .then_some(first)
}

fn contradiction(unit: u8, lamp: &str, pattern: &str, should: Option<&str>) -> Finding {
    let fact = Compared::LampContradicts {
        lamp: lamp.to_owned(),
        pattern: pattern.to_owned(),
        should: should.map(str::to_owned),
    };
    Finding {
        severity: Severity::Warning,
        source: Source::Lamp,
        to_do: Deed::LampAgain.alone(),
        ..notice(unit, fact)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::event::{Event, What};

    fn check(lamp: &str, pattern: &str, active: &[&str], alarm: bool, state: StateKind) -> usize {
        let profile = packside_profiles::find("generic-hv-stack", None)
            .unwrap()
            .profile;
        let active: Vec<String> = active.iter().map(|id| (*id).to_owned()).collect();
        let seen = [(lamp.to_owned(), pattern.to_owned())];
        contradictions(&seen, &profile, &active, alarm, Some(state), 1).len()
    }

    // Kind: invented (the lamp table of the shipped map)
    #[test]
    fn blinking_fault_lamp_fits_a_silent_inverter_and_an_alarm_and_nothing_else() {
        assert_eq!(
            check(
                "fault",
                "blinking",
                &["inverter-silent"],
                false,
                StateKind::Waiting
            ),
            0
        );
        assert_eq!(
            check(
                "fault",
                "blinking",
                &["insulation-low"],
                true,
                StateKind::Fault
            ),
            0
        );
        assert_eq!(
            check("fault", "blinking", &[], false, StateKind::Running),
            1
        );
    }

    // Kind: invented (the lamp table of the shipped map)
    #[test]
    fn dark_lamp_contradicts_a_flag_that_lights_it() {
        let silent = &["inverter-silent"];
        assert_eq!(check("fault", "off", silent, false, StateKind::Waiting), 1);
        assert_eq!(check("fault", "off", &[], false, StateKind::Running), 0);
    }

    // Kind: invented
    #[test]
    fn lamp_seen_long_ago_says_nothing_of_the_registers_now() {
        let mut seen = Seen::new(None);
        for at in [10, 20] {
            seen.take(&Event {
                at: Duration::from_secs(at),
                what: What::Sighting {
                    lamp: "fault".to_owned(),
                    pattern: format!("seen at {at}"),
                },
            });
        }
        let last = |moment| last_of_each(&seen, Duration::from_secs(moment));
        assert_eq!(last(140), [("fault".to_owned(), "seen at 20".to_owned())]);
        assert!(last(141).is_empty());
    }

    #[test]
    fn pattern_without_a_meaning_contradicts_nothing() {
        assert_eq!(
            check("fault", "triple-flash", &[], false, StateKind::Running),
            0
        );
    }
}
