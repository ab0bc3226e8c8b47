//! What a lamp showed, against what the registers say.
//!
//! A lamp decides nothing by itself: dark never means sound, and a profile's meaning of a pattern is
//! compared with flags and state. Where no meaning of the pattern fits them, that is a contradiction,
//! and a contradiction keeps the gate shut.

use std::time::Duration;

use packside_profiles::model::{Profile, Severity};
use packside_profiles::{Foreign, StateKind};

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
        .map(|seen| Sighting {
            lamp: seen.lamp.clone(),
            pattern: seen.pattern.clone(),
            beside: seen.beside.clone(),
        })
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
        .filter_map(
            |Sighting {
                 lamp,
                 pattern,
                 beside,
             }| {
                if *pattern == DARK
                    && let Some(should) = should_show(profile, lamp.as_given(), active, alarm)
                {
                    return Some(contradiction(unit, lamp, pattern, Some(should)));
                }
                let meanings = meanings(profile, lamp.as_given(), pattern.as_given());
                // What lit it was up when it was seen, and fell since: it changed because the unit did.
                let lit_then = |meaning: &Meaning| {
                    let was_up = |flag: &String| {
                        let of_unit = beside.iter().filter(|(of, _)| *of == unit);
                        of_unit
                            .filter_map(|(_, index)| profile.flags.get(*index))
                            .any(|f| f.id == *flag)
                    };
                    meaning.flags.iter().any(was_up)
                };
                if meanings.is_empty() || meanings.iter().any(|m| fits(m) || lit_then(m)) {
                    return None;
                }
                Some(contradiction(unit, lamp, pattern, None))
            },
        )
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

fn contradiction(unit: u8, lamp: &Foreign, pattern: &Foreign, should: Option<&str>) -> Finding {
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
        contradicts(lamp, pattern, &[], active, alarm, state)
    }

    fn contradicts(
        lamp: &str,
        pattern: &str,
        beside: &[&str],
        active: &[&str],
        alarm: bool,
        state: StateKind,
    ) -> usize {
        let profile = packside_profiles::find("generic-hv-stack", None)
            .unwrap()
            .profile;
        let active: Vec<String> = active.iter().map(|id| (*id).to_owned()).collect();
        let index = |id: &&str| {
            profile
                .flags
                .iter()
                .position(|flag| flag.id == **id)
                .unwrap()
        };
        let seen = [Sighting {
            lamp: lamp.into(),
            pattern: pattern.into(),
            beside: beside.iter().map(|id| (1, index(id))).collect(),
        }];
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
    fn lamp_that_changed_with_the_unit_is_no_contradiction_and_one_that_never_fitted_is() {
        let after = |beside: &[&str]| {
            contradicts("fault", "blinking", beside, &[], false, StateKind::Running)
        };
        assert_eq!(after(&["inverter-silent"]), 0);
        assert_eq!(after(&[]), 1);
        assert_eq!(after(&["balancing"]), 1, "that flag lights no fault lamp");
    }

    // Kind: invented
    #[test]
    fn lamp_seen_long_ago_says_nothing_of_the_registers_now() {
        let mut seen = Seen::new(None);
        for at in [10, 20] {
            seen.take(&Event {
                at: Duration::from_secs(at),
                what: What::Sighting {
                    lamp: "fault".into(),
                    pattern: format!("seen at {at}").into(),
                },
            });
        }
        let last = |moment| last_of_each(&seen, Duration::from_secs(moment));
        let [only] = last(140).try_into().unwrap();
        assert_eq!(
            (only.lamp, only.pattern),
            ("fault".into(), "seen at 20".into())
        );
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
