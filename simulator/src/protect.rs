//! Protections: which classes the physics calls for, by the profile's limits.
//!
//! Input: a pack and a profile. Output: whether a flag of a class and severity should be up. Does
//! not: look at flags by name, or know statuses (they follow from other flags).

use packside_profiles::model::{Limits, Profile, Severity};
use packside_profiles::{Class, Role};

use crate::pack::Pack;

/// Whether the numbers call for a flag of this class and severity.
pub(crate) fn calls_for(profile: &Profile, pack: &Pack, class: Class, severity: Severity) -> bool {
    let cells = pack.cell_extremes();
    let temperatures = pack.temperature_extremes();
    let soc = Some((pack.soc, pack.soc));
    let volts = Some((pack.voltage(), pack.voltage()));
    let amps = Some((
        amps_as_reported(profile, pack),
        amps_as_reported(profile, pack),
    ));
    let kohm = Some((pack.insulation_kohm, pack.insulation_kohm));
    let beyond = |range, role, low| beyond(profile, severity, range, role, low);
    let apart = |range: Option<(f64, f64)>, role| {
        let limit = limits(profile, role, |l| l.spread).filter(|_| severity == Severity::Alarm);
        let at_rest = pack.current.abs() <= profile.unit.rest_current;
        at_rest
            && range
                .zip(limit)
                .is_some_and(|((low, high), limit)| high - low > limit)
    };
    let (cell_lost, sensor_lost) = pack.lost();
    match class {
        Class::CellOverVoltage => beyond(cells, Role::CellVoltage, false),
        Class::CellUnderVoltage => beyond(cells, Role::CellVoltage, true),
        Class::CellBelowMinimum => {
            let minimum = profile.cell.as_ref().map(|c| c.never_charge_below);
            cells
                .zip(minimum)
                .is_some_and(|((low, _), minimum)| low < minimum)
        }
        Class::CellImbalance => apart(cells, Role::CellVoltage),
        Class::PackOverVoltage => beyond(volts, Role::PackVoltage, false),
        Class::PackUnderVoltage => beyond(volts, Role::PackVoltage, true),
        Class::OverTemperature => beyond(temperatures, Role::CellTemperature, false),
        Class::UnderTemperature => beyond(temperatures, Role::CellTemperature, true),
        Class::TemperatureImbalance => apart(temperatures, Role::CellTemperature),
        Class::OverCurrent => {
            beyond(amps, Role::PackCurrent, true) || beyond(amps, Role::PackCurrent, false)
        }
        Class::LowCharge => beyond(soc, Role::Soc, true),
        Class::InsulationLow => beyond(kohm, Role::Insulation, true),
        Class::SensorFault => severity == Severity::Alarm && (cell_lost || sensor_lost),
        _ => false,
    }
}

/// Current with the sign that the profile's point has, since its limits have it too.
pub(crate) fn amps_as_reported(profile: &Profile, pack: &Pack) -> f64 {
    let point = profile.points.iter().find(|p| p.role == Role::PackCurrent);
    signed(point.and_then(|p| p.positive), pack.current)
}

/// A value counted positive into the battery, with the sign of its point.
pub(crate) fn signed(positive: Option<packside_profiles::model::Positive>, value: f64) -> f64 {
    match positive {
        Some(packside_profiles::model::Positive::Discharge) => -value,
        _ => value,
    }
}

fn limits(profile: &Profile, role: Role, pick: impl Fn(&Limits) -> Option<f64>) -> Option<f64> {
    profile
        .points
        .iter()
        .filter(|p| p.role == role)
        .find_map(|p| pick(&p.limits))
}

fn beyond(
    profile: &Profile,
    severity: Severity,
    range: Option<(f64, f64)>,
    role: Role,
    low: bool,
) -> bool {
    let limit = limits(profile, role, |l| match (severity, low) {
        (Severity::Alarm, true) => l.alarm_below,
        (Severity::Alarm, false) => l.alarm_above,
        (_, true) => l.warn_below,
        (_, false) => l.warn_above,
    });
    range.zip(limit).is_some_and(
        |((lowest, highest), limit)| if low { lowest < limit } else { highest > limit },
    )
}
