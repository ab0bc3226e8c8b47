//! What a lamp showed, against what the registers say.
//!
//! A lamp decides nothing by itself: dark never means sound, and a profile's meaning of a pattern is
//! compared with flags and state. Where no meaning of the pattern fits them, that is a contradiction,
//! and a contradiction keeps the gate shut.

use packside_profiles::model::{LiesIn, Profile, Severity};
use packside_profiles::{Place, StateKind};

use super::judgement::{Finding, Source};
use crate::event::{Event, What};
use crate::lamp::{Meaning, meanings};

/// A lamp and the pattern it showed.
pub(crate) type Sighting = (String, String);

/// Sightings in the events, the last of each lamp.
pub(crate) fn last_of_each(events: &[Event]) -> Vec<Sighting> {
    let mut last: Vec<Sighting> = Vec::new();
    for event in events {
        if let What::Sighting { lamp, pattern } = &event.what {
            last.retain(|(known, _)| known != lamp);
            last.push((lamp.clone(), pattern.clone()));
        }
    }
    last
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
            let meanings = meanings(profile, lamp, pattern);
            if meanings.is_empty() || meanings.iter().any(fits) {
                return None;
            }
            let said: Vec<&str> = meanings.iter().map(|meaning| meaning.meaning.as_str()).collect();
            Some(Finding {
                id: "lamp-contradicts",
                class: None,
                severity: Severity::Warning,
                source: Source::Lamp,
                root: false,
                follows_from: None,
                lies_in: LiesIn::Unknown,
                clears: None,
                unit,
                place: Place::default(),
                text: format!("lamp {lamp} was seen {pattern} ({}), the registers do not say so", said.join("; or ")),
                to_do: "look at the lamp again, and at the same unit; a code may be hidden or the answers stale".to_owned(),
            })
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

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

    #[test]
    fn pattern_without_a_meaning_contradicts_nothing() {
        assert_eq!(
            check("fault", "triple-flash", &[], false, StateKind::Running),
            0
        );
    }
}
