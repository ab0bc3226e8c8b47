//! What a number of a role can be in a battery that is in use.
//!
//! Every range is *common practice* of stationary batteries, wide on purpose: it excludes decades, not values.
//! Does not: hold anything against a unit. That is for limits of its map.

use packside_profiles::Role;

use super::relate::bounds;

/// Lowest and highest voltage of one cell: every lithium chemistry, titanate too, V.
// Kind: common practice
pub(crate) const CELL: (f64, f64) = (1.5, 4.5);

/// Temperatures of a battery in use, degC.
// Kind: common practice
pub(crate) const TEMPERATURE: (f64, f64) = (-25.0, 75.0);

/// Temperatures of a battery in a house or container on nearly every day, degC.
// Kind: common practice
pub(crate) const USUAL_TEMPERATURE: (f64, f64) = (-5.0, 55.0);

/// Few batteries are looked at with less charge than this, %: a decade in its step is more likely.
// Kind: from memory
pub(crate) const NEARLY_EMPTY: f64 = 10.5;

/// What a role that falls below zero never reaches: half of what its unsigned registers could hold and more than
/// this is not a number but a sign.
// Kind: common practice
pub(crate) fn beyond(role: Role) -> f64 {
    match role {
        Role::PackCurrent => 600.0,
        Role::PackPower => 200_000.0,
        _ => 200.0,
    }
}

/// What a role can be; none where nothing is known.
pub(crate) fn range(role: Role) -> Option<(f64, f64)> {
    // Kind: common practice
    Some(match role {
        Role::CellVoltage | Role::CellVoltageMax | Role::CellVoltageMin => CELL,
        Role::CellTemperature | Role::CellTemperatureMax | Role::CellTemperatureMin => TEMPERATURE,
        Role::PackVoltage => (10.0, 1_600.0),
        Role::TerminalVoltage => (-5.0, 1_600.0),
        Role::ModuleVoltage => (3.0, 1_000.0),
        Role::PackCurrent => (-1_500.0, 1_500.0),
        Role::PackPower => (-2e6, 2e6),
        Role::Soc | Role::ModuleSoc => (0.0, 100.0),
        Role::Soh => (40.0, 105.0),
        Role::ChargeLimit | Role::DischargeLimit => (0.0, 2_000.0),
        Role::Insulation => (0.0, 100_000.0),
        Role::ModuleCount => (1.0, 64.0),
        Role::PackCount => (1.0, 64.0),
        Role::ModulePosition => (0.0, 64.0),
        Role::Cycles => (0.0, 20_000.0),
        Role::InverterEverHeard | Role::InsulationValid => (0.0, 1.0),
        Role::State => (0.0, 1_000.0),
        // From 2009 to 2040: with both words the other way round few clocks are in it as well.
        Role::UnitClock => (1.23e9, 2.21e9),
        // Twenty years in seconds.
        Role::Uptime => (0.0, 6.4e8),
        _ => return None,
    })
}

/// Whether all numbers can be of a role.
pub(crate) fn fits(role: Role, series: &[Option<f64>]) -> bool {
    let Some((low, high)) = bounds(series) else {
        return false;
    };
    let possible = range(role).is_none_or(|(least, most)| low >= least && high <= most);
    possible && !(is_measured(role) && low == 0.0 && high == 0.0)
}

/// Roles that are never nothing in a unit whose current flows.
fn is_measured(role: Role) -> bool {
    matches!(
        role,
        Role::CellVoltage | Role::PackVoltage | Role::ModuleVoltage | Role::Soh
    )
}

/// Whether a range is so narrow that it leaves one decade only.
pub(crate) fn leaves_one_decade(role: Role) -> bool {
    matches!(
        role,
        Role::CellVoltage
            | Role::CellVoltageMax
            | Role::CellVoltageMin
            | Role::Soh
            | Role::UnitClock
    )
}

/// Scales that makers use for a role, the most usual first.
// Kind: common practice
pub(crate) fn usual_scales(role: Role) -> &'static [f64] {
    match role {
        Role::CellVoltage | Role::CellVoltageMax | Role::CellVoltageMin => {
            &[0.001, 0.0001, 0.01, 1.0, 0.1]
        }
        Role::PackVoltage | Role::TerminalVoltage | Role::ModuleVoltage => &[0.1, 0.01, 0.001, 1.0],
        Role::PackCurrent | Role::ChargeLimit | Role::DischargeLimit => &[0.1, 0.01, 1.0, 0.001],
        Role::PackPower => &[1.0, 10.0, 100.0, 0.1, 0.01, 1_000.0],
        Role::Soc | Role::ModuleSoc | Role::Soh => &[1.0, 0.1, 0.01, 0.001],
        Role::CellTemperature | Role::CellTemperatureMax | Role::CellTemperatureMin => {
            &[0.1, 1.0, 0.01]
        }
        Role::Insulation => &[1.0, 10.0, 0.1, 0.001],
        Role::Uptime | Role::InverterAge => &[1.0, 0.1, 0.001, 60.0, 3_600.0],
        _ => &[1.0],
    }
}

/// Scale and offset by which makers write temperatures, the most usual first.
// Kind: common practice
pub(crate) const TEMPERATURE_WAYS: [(f64, f64); 11] = [
    (0.1, 0.0),
    (1.0, 0.0),
    (1.0, -40.0),
    (0.1, -273.15),
    (0.01, 0.0),
    (1.0, -50.0),
    (0.1, -40.0),
    (0.1, -50.0),
    (0.1, -100.0),
    (0.01, -273.15),
    (1.0, -273.15),
];

/// What makers add to a current that is kept without a sign, A.
// Kind: common practice
pub(crate) const CURRENT_OFFSETS: [f64; 8] = [
    -1_000.0, -500.0, -3_000.0, -3_200.0, -2_000.0, -1_500.0, -1_600.0, -400.0,
];

/// Above this a current is rare, A.
// Kind: common practice
pub(crate) const USUAL_CURRENT: f64 = 400.0;

/// Whether a role is a temperature.
pub(crate) fn is_temperature(role: Role) -> bool {
    matches!(
        role,
        Role::CellTemperature | Role::CellTemperatureMax | Role::CellTemperatureMin
    )
}

/// Whether a role has a direction.
pub(crate) fn has_direction(role: Role) -> bool {
    matches!(role, Role::PackCurrent | Role::PackPower)
}

/// Whether a role is a number that can be negative.
pub(crate) fn can_be_negative(role: Role) -> bool {
    has_direction(role) || is_temperature(role) || role == Role::Other
}
