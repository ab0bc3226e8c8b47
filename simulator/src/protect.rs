//! Protections: which classes the physics calls for, by the profile's limits.
//!
//! Input: a pack and a profile. Output: whether a flag of a class and severity should be up. Does
//! not: look at flags by name, or know statuses (they follow from other flags).

use packside_profiles::model::{Limits, Profile, Severity};
use packside_profiles::{Class, Role};

use crate::pack::Pack;

/// What the control unit sees of its pack at one look; taken once, used for every flag.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Seen {
    cells: Option<(f64, f64)>,
    temperatures: Option<(f64, f64)>,
    volts: f64,
    amps: f64,
    soc: f64,
    kohm: Option<f64>,
    at_rest: bool,
    value_lost: bool,
    is_misbuilt: bool,
    switch_wrong: bool,
    precharge_failed: bool,
    fuse_open: bool,
    /// How far back from a limit a value must be to count as within it.
    margin: f64,
}

impl Seen {
    /// Looks at the pack.
    pub(crate) fn of(profile: &Profile, pack: &Pack) -> Self {
        let (cell_lost, sensor_lost) = pack.lost();
        Self {
            cells: pack.cell_extremes(),
            temperatures: pack.temperature_extremes(),
            volts: pack.voltage_seen(),
            amps: amps_as_reported(profile, pack),
            soc: pack.soc,
            kohm: pack.insulation,
            at_rest: pack.current_seen().abs() <= profile.unit.rest_current && !pack.balances(),
            value_lost: cell_lost || sensor_lost,
            is_misbuilt: pack.is_misbuilt(),
            switch_wrong: pack.circuit.is_contradicted(),
            precharge_failed: pack.circuit.precharge_failed(),
            fuse_open: pack.circuit.is_fuse_seen_open(),
            margin: 0.0,
        }
    }

    /// The same, where values must be so far back from their limits to count as within them.
    pub(crate) fn with_margin(self, margin: f64) -> Self {
        Self { margin, ..self }
    }

    /// The share of the current that is allowed: less where temperatures or charge lie between
    /// their warning and their alarm.
    pub(crate) fn derating(&self, profile: &Profile) -> f64 {
        let one = |value| Some((value, value));
        [
            (self.temperatures, Role::CellTemperature),
            (one(self.soc), Role::Soc),
        ]
        .into_iter()
        .filter_map(|(range, role)| {
            let (low, high) = range?;
            let limit = |pick: fn(&Limits) -> Option<f64>| limits(profile, role, pick);
            let share = |from: Option<f64>, to: Option<f64>, value: f64| {
                let (from, to) = (from?, to?);
                ((value - to) / (from - to))
                    .is_finite()
                    .then(|| (value - to) / (from - to))
            };
            let below = share(limit(|l| l.warn_below), limit(|l| l.alarm_below), low);
            let above = share(limit(|l| l.warn_above), limit(|l| l.alarm_above), high);
            Some(below.unwrap_or(1.0).min(above.unwrap_or(1.0)))
        })
        .fold(1.0, f64::min)
        .clamp(0.0, 1.0)
    }

    /// Whether the numbers call for a flag of this class and severity.
    pub(crate) fn calls_for(&self, profile: &Profile, class: Class, severity: Severity) -> bool {
        let one = |value| Some((value, value));
        let beyond = |range, role, low| beyond(profile, (severity, self.margin), range, role, low);
        let apart = |range: Option<(f64, f64)>, role| {
            let limit = limits(profile, role, |l| l.spread).filter(|_| severity == Severity::Alarm);
            let far = range
                .zip(limit)
                .is_some_and(|((low, high), limit)| high - low > limit);
            self.at_rest && far
        };
        match class {
            Class::CellOverVoltage => beyond(self.cells, Role::CellVoltage, false),
            Class::CellUnderVoltage => beyond(self.cells, Role::CellVoltage, true),
            Class::CellBelowMinimum => {
                let minimum = profile.cell.as_ref().map(|c| c.never_charge_below);
                let lowest = self.cells.map(|(low, _)| low);
                lowest.zip(minimum).is_some_and(|(low, least)| low < least)
            }
            Class::CellImbalance => apart(self.cells, Role::CellVoltage),
            Class::PackOverVoltage => beyond(one(self.volts), Role::PackVoltage, false),
            Class::PackUnderVoltage => beyond(one(self.volts), Role::PackVoltage, true),
            Class::OverTemperature => beyond(self.temperatures, Role::CellTemperature, false),
            Class::UnderTemperature => beyond(self.temperatures, Role::CellTemperature, true),
            Class::TemperatureImbalance => apart(self.temperatures, Role::CellTemperature),
            Class::OverCurrent => {
                let amps = one(self.amps);
                beyond(amps, Role::PackCurrent, true) || beyond(amps, Role::PackCurrent, false)
            }
            Class::LowCharge => beyond(one(self.soc), Role::Soc, true),
            Class::InsulationLow => beyond(self.kohm.and_then(one), Role::Insulation, true),
            Class::SensorFault => severity == Severity::Alarm && self.value_lost,
            Class::ConfigurationFault => severity == Severity::Alarm && self.is_misbuilt,
            Class::SwitchFault => severity == Severity::Alarm && self.switch_wrong,
            Class::PrechargeFailed => severity == Severity::Alarm && self.precharge_failed,
            Class::FuseOpen => severity == Severity::Alarm && self.fuse_open,
            _ => false,
        }
    }
}

/// Current with the sign that the profile's point has, since its limits have it too.
fn amps_as_reported(profile: &Profile, pack: &Pack) -> f64 {
    let point = profile.points.iter().find(|p| p.role == Role::PackCurrent);
    signed(point.and_then(|p| p.positive), pack.current_seen())
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
    (severity, margin): (Severity, f64),
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
    range.zip(limit).is_some_and(|((lowest, highest), limit)| {
        if low {
            lowest < limit + margin
        } else {
            highest > limit - margin
        }
    })
}
