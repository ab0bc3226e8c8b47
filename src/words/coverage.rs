//! What a map can see, in words.

use packside_profiles::coverage::{Covered, FirstStep, Hazard, Sight};

/// When something shows.
pub(crate) fn sight(sight: Sight) -> &'static str {
    match sight {
        Sight::AtRest => "Seen at rest",
        Sight::WithInverter => "Seen only with the inverter",
        Sight::UnderCurrent => "Seen only under current",
        Sight::FlagOnly => "Seen only where the unit says so itself",
        Sight::NotAtAll => "Not seen at all",
    }
}

/// Who or what is in danger.
pub(crate) fn hazard(hazard: Hazard) -> &'static str {
    match hazard {
        Hazard::People => "people",
        Hazard::Goods => "goods",
        Hazard::None => "none",
    }
}

/// What to do first.
pub(crate) fn first(step: FirstStep) -> &'static str {
    match step {
        FirstStep::Away => "away, nobody near it; fire service on gas, smoke or rise",
        FirstStep::Stop => "inverter to 0 A at its screen, no charge",
        FirstStep::Off => "0 A, then off, isolators by the manual; LIVE DC, licensed",
        FirstStep::Quarantine => {
            "0 A, off and isolated; the maker decides about removal; LIVE DC, licensed"
        }
        FirstStep::Apart => "keep the packs apart, touch no switch",
        FirstStep::Cable => "0 A, covers on, hands off DC; then the data cable",
        FirstStep::Person => "find the person who did it",
        FirstStep::Compare => "compare with a meter or the screen",
        FirstStep::Record => "keep what was seen, ask the maker",
    }
}

/// What would change it: the points that the map lacks, or what no map has.
pub(crate) fn lacks(covered: &Covered) -> Option<String> {
    if let Some(beyond) = covered
        .mode
        .beyond
        .as_ref()
        .filter(|_| covered.sight == Sight::NotAtAll)
    {
        return Some(format!("no wire tells: {beyond}"));
    }
    let roles: Vec<&str> = covered.missing.iter().map(|role| role.id()).collect();
    let classes: Vec<&str> = covered
        .missing_flags
        .iter()
        .map(|class| class.id())
        .collect();
    match (roles.is_empty(), classes.is_empty()) {
        (true, true) => None,
        (false, true) => Some(format!(
            "a point would change that: {}",
            roles.join(" and ")
        )),
        (true, false) => Some(format!(
            "a flag would change that: {}",
            classes.join(" or ")
        )),
        (false, false) => Some(format!(
            "a point would change that: {}; or a flag: {}",
            roles.join(" and "),
            classes.join(" or ")
        )),
    }
}
