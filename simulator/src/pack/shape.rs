//! How large a pack of a profile is: modules, sensors, registers.
//!
//! Input: a profile, wanted numbers. Output: counts, a layout. Does not: hold state.

use packside_profiles::model::{Count, Profile};
use packside_profiles::{Layout, Role};

/// How many modules a pack of this profile has, at most as many as wanted.
pub(crate) fn module_count(profile: &Profile, wanted: u16) -> u16 {
    let cells = profile.points.iter().find(|p| p.role == Role::CellVoltage);
    let group = cells
        .and_then(|p| p.group.as_ref())
        .and_then(|id| profile.groups.iter().find(|g| g.id == *id));
    group.map_or(1, |g| wanted.clamp(1, g.at_most.max(1)))
}

/// How many temperature sensors a module of this profile has.
pub(crate) fn sensors_per_module(profile: &Profile) -> u16 {
    let sensors = profile
        .points
        .iter()
        .find(|p| p.role == Role::CellTemperature);
    match sensors.map(|p| p.repeat.as_ref().map(|r| &r.count)) {
        None => 0,
        Some(None) => 1,
        Some(Some(count)) => count.fixed().unwrap_or(profile.unit.cells_per_module),
    }
}

/// The layout of a pack's registers.
pub(crate) fn layout(profile: &Profile, modules: u16, packs: u8) -> Layout {
    let mut known = packside_profiles::Known::default();
    let groups = profile.groups.iter().map(|g| &g.count);
    let repeats = profile.points.iter().filter_map(|p| p.repeat.as_ref());
    for count in groups.chain(repeats.map(|r| &r.count)) {
        let Count::Named(id) = count else { continue };
        let role = profile.points.iter().find(|p| p.id == *id).map(|p| p.role);
        let value = match role {
            Some(Role::ModuleCount) => modules,
            Some(Role::PackCount) => packs.into(),
            _ => profile.unit.cells_per_module,
        };
        known.counts.insert(id.clone(), value);
    }
    Layout::new(profile, &known)
}
