//! What a profile says about a lamp and its pattern.
//!
//! Does not: judge. It names flags and states that the profile ties to the sighting.

use packside_profiles::meaning::StateKind;
use packside_profiles::model::Profile;

use super::pattern::{Pattern, standard_patterns};

/// One lamp code of the profile that fits the sighting.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Meaning {
    /// Lamp code id.
    pub code: String,
    /// In the words of a technician.
    pub meaning: String,
    /// Flags, any of which it implies.
    pub flags: Vec<String>,
    /// Implies any alarm that is no status and not the inverter flag.
    pub any_alarm: bool,
    /// States, any of which it implies.
    pub states: Vec<StateKind>,
    /// Other lamps and the patterns they must show for this code to hold.
    pub if_also: Vec<(String, String)>,
}

/// Pattern ids that may be named with this profile: the standard ones and its own.
#[must_use]
pub fn pattern_ids(profile: Option<&Profile>) -> Vec<String> {
    patterns(profile)
        .into_iter()
        .map(|pattern| pattern.id)
        .collect()
}

/// The patterns themselves. A profile's own form of a standard name replaces the standard's.
#[must_use]
pub fn patterns(profile: Option<&Profile>) -> Vec<Pattern> {
    let mut all = standard_patterns();
    for own in profile
        .map(|profile| profile.lamp_patterns.as_slice())
        .unwrap_or_default()
    {
        all.retain(|pattern| pattern.id != own.id);
        all.push(Pattern::new(&own.id, &own.cycle_ms));
    }
    all
}

/// Lamp codes that fit this pattern on this lamp, in the order of the profile.
///
/// Empty means *unknown*, never *sound*.
#[must_use]
pub fn meanings(profile: &Profile, lamp: &str, pattern: &str) -> Vec<Meaning> {
    meanings_together(profile, &[(lamp.to_owned(), pattern.to_owned())])
}

/// Lamp codes that fit all the lamps seen, as `(lamp, pattern)`, in the order of the profile.
///
/// A code that names none of these lamps is left out. Empty means *unknown*, never *sound*.
#[must_use]
pub fn meanings_together(profile: &Profile, seen: &[(String, String)]) -> Vec<Meaning> {
    let shown = |lamp: &str| {
        seen.iter()
            .find(|(id, _)| id == lamp)
            .map(|(_, pattern)| pattern)
    };
    profile
        .lamp_codes
        .iter()
        .filter(|code| {
            let named =
                |(lamp, wanted): (&String, &String)| shown(lamp).map(|pattern| pattern == wanted);
            let mut fits = code.lamps.iter().filter_map(named).peekable();
            fits.peek().is_some() && fits.all(|fits| fits)
        })
        .map(|code| Meaning {
            code: code.id.clone(),
            meaning: code.meaning.clean().into_owned(),
            flags: code.flags.clone(),
            any_alarm: code.any_alarm,
            states: code.states.clone(),
            if_also: code
                .lamps
                .iter()
                .filter(|(lamp, _)| shown(lamp).is_none())
                .map(|(lamp, pattern)| (lamp.clone(), pattern.clone()))
                .collect(),
        })
        .collect()
}
