//! What a map can see of what can go wrong.
//!
//! Input: a map. Output: for every failure mode of `profiles/modes.toml` when it would show, by a
//! number or only by the unit's own flag, and which point would change that.
//!
//! Does not: look at a unit. A number counts as seen where the map has the points; whether a limit or
//! a rule judges it is the judge's.

use std::collections::BTreeSet;
use std::sync::OnceLock;

use serde::{Deserialize, Serialize};

use crate::meaning::{Class, Role};
use crate::model::Profile;

/// How a failure shows in one situation.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum Shows {
    /// In a number.
    Number,
    /// In the unit's own flag alone.
    Flag,
    /// In a number, with time or luck.
    Weak,
    /// Not at all.
    No,
}

/// Who or what is in danger.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Hazard {
    /// People.
    People,
    /// Goods.
    Goods,
    /// Nobody.
    None,
}

/// What to do first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum FirstStep {
    /// Nobody near it.
    Away,
    /// No current.
    Stop,
    /// Off and isolated, by a licensed person.
    Off,
    /// The same, and the maker decides.
    Quarantine,
    /// Packs stay apart.
    Apart,
    /// The data cable.
    Cable,
    /// Who did it.
    Person,
    /// With a meter or a screen.
    Compare,
    /// Keep what was seen, and ask the maker.
    Record,
}

/// Something that can go wrong.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FailureMode {
    /// Its number in the table, from 1.
    pub number: u16,
    /// Stable name.
    pub id: String,
    /// In words.
    pub words: String,
    /// At rest, with the inverter, under current.
    seen: [Shows; 3],
    /// Who or what is in danger.
    pub hazard: Hazard,
    /// What to do first.
    pub first: FirstStep,
    /// Roles that show it: any of the lists, all of it.
    #[serde(default)]
    by: Vec<Vec<Role>>,
    /// Flags that say it.
    #[serde(default)]
    classes: Vec<Class>,
    /// What shows it where no wire can.
    pub beyond: Option<String>,
    /// The id under which a look that does not show it names it as not tested.
    pub untested: Option<String>,
}

impl FailureMode {
    /// Whether a flag of this class says it.
    pub fn is_said_by(&self, class: Class) -> bool {
        self.classes.contains(&class)
    }
}

/// When a map would show a failure.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Sight {
    /// In any look.
    AtRest,
    /// Once the inverter talks to it.
    WithInverter,
    /// Only while current flows.
    UnderCurrent,
    /// Only where the unit says so itself.
    FlagOnly,
    /// Not at all.
    NotAtAll,
}

/// What a map sees of one failure mode.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Covered {
    /// Which.
    pub mode: &'static FailureMode,
    /// When it would show.
    pub sight: Sight,
    /// Only with time or luck.
    pub weak: bool,
    /// Roles that would show it sooner or at all, where the map lacks them.
    pub missing: Vec<Role>,
    /// Classes of flags of which one would show it, where nothing else does.
    pub missing_flags: Vec<Class>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Table {
    always: Vec<String>,
    mode: Vec<FailureMode>,
}

/// The table, read once.
fn table() -> Result<&'static Table, toml::de::Error> {
    static READ: OnceLock<Result<Table, toml::de::Error>> = OnceLock::new();
    let read = READ.get_or_init(|| toml::from_str(include_str!("../modes.toml")));
    read.as_ref().map_err(Clone::clone)
}

/// All failure modes, in their order.
///
/// # Errors
/// Where the data that come with this package cannot be read, which a test excludes.
pub fn failure_modes() -> Result<&'static [FailureMode], toml::de::Error> {
    table().map(|table| table.mode.as_slice())
}

/// The ids of what no wire and no lamp can tell of any unit: it stands under "not tested" of every look.
///
/// # Errors
/// As [`failure_modes`].
pub fn never_tested() -> Result<&'static [String], toml::de::Error> {
    table().map(|table| table.always.as_slice())
}

/// What a map sees of every failure mode.
///
/// # Errors
/// As [`failure_modes`].
pub fn coverage(profile: &Profile) -> Result<Vec<Covered>, toml::de::Error> {
    let roles: BTreeSet<Role> = profile.points.iter().map(|point| point.role).collect();
    let classes: BTreeSet<Class> = profile.flags.iter().map(|flag| flag.class).collect();
    let modes = failure_modes()?.iter();
    Ok(modes.map(|mode| covered(mode, &roles, &classes)).collect())
}

fn covered(
    mode: &'static FailureMode,
    roles: &BTreeSet<Role>,
    classes: &BTreeSet<Class>,
) -> Covered {
    let lacks = |list: &Vec<Role>| -> Vec<Role> {
        list.iter()
            .filter(|role| !roles.contains(role))
            .copied()
            .collect()
    };
    let missing = mode.by.iter().map(lacks).min_by_key(Vec::len);
    let has_number = missing.as_ref().is_some_and(Vec::is_empty);
    let has_flag = mode.classes.iter().any(|class| classes.contains(class));
    let situations = [Sight::AtRest, Sight::WithInverter, Sight::UnderCurrent];
    let when = |wanted: &[Shows]| {
        let mut shown = situations.iter().zip(mode.seen);
        shown
            .find(|(_, shows)| wanted.contains(shows))
            .map(|(when, _)| *when)
    };
    let by_number = when(&[Shows::Number]).or_else(|| when(&[Shows::Weak]));
    let weak = when(&[Shows::Number]).is_none();
    let by_flag = when(&[Shows::Flag]).is_some() && (has_flag || has_number);
    let (sight, weak) = match by_number {
        Some(when) if has_number => (when, weak),
        _ if has_flag || by_flag => (Sight::FlagOnly, false),
        _ => (Sight::NotAtAll, false),
    };
    let missing_flags = match sight {
        Sight::NotAtAll => mode.classes.clone(),
        _ => Vec::new(),
    };
    Covered {
        missing: missing.unwrap_or_default(),
        missing_flags,
        mode,
        sight,
        weak,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // Kind: common practice (the table), counted by hand
    #[test]
    fn table_has_sixty_modes_each_once() {
        let modes = failure_modes().unwrap();
        let numbers: Vec<u16> = modes.iter().map(|mode| mode.number).collect();
        assert_eq!(numbers, (1..=60).collect::<Vec<u16>>());
        let ids: BTreeSet<&str> = modes.iter().map(|mode| mode.id.as_str()).collect();
        assert_eq!(ids.len(), 60);
        // What can be seen says by what, and what cannot says by what else.
        for mode in modes {
            let is_seen = mode.seen.iter().any(|shows| *shows != Shows::No);
            let by_something = !mode.by.is_empty() || !mode.classes.is_empty();
            assert_eq!(is_seen && by_something, is_seen, "{}", mode.id);
            assert!(is_seen || mode.beyond.is_some(), "{}", mode.id);
        }
    }

    // Kind: derived (the shipped stack has single cells, current and insulation, the rack no insulation)
    #[test]
    fn a_point_that_a_map_lacks_is_named() {
        let of = |name: &str, mode: &str| {
            let profile = crate::find(name, None).unwrap().profile;
            coverage(&profile)
                .unwrap()
                .into_iter()
                .find(|c| c.mode.id == mode)
                .unwrap()
        };
        let stack = of("generic-hv-stack", "resistive-cell");
        assert_eq!(
            (stack.sight, stack.missing),
            (Sight::UnderCurrent, Vec::new())
        );
        assert_eq!(
            of("generic-hv-stack", "earth-fault-stack").sight,
            Sight::AtRest
        );
        assert_eq!(
            of("generic-hv-stack", "sense-wires-swapped").sight,
            Sight::NotAtAll
        );
        let rack = of("generic-lv-rack", "earth-fault-stack");
        assert_eq!(rack.missing, [Role::Insulation]);
        assert!(matches!(rack.sight, Sight::FlagOnly | Sight::NotAtAll));
    }
}
