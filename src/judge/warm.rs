//! A module that is warmer by itself than all others while no current flows.
//!
//! Input: readings of one member, and what stood alone earlier. Output: at most one finding. Does not: look at how temperatures move
//! (see `evidence/heat.rs`) or at single sensors (see `plausible`).
//!
use packside_profiles::model::{LiesIn, Severity};
use packside_profiles::{Class, Place, Role};

use super::shared::finding;
use crate::evidence::warm::{Alone, alone};
use crate::facts::fact::Measured;
use crate::facts::judgement::{Certainty, Finding, Reading};
use crate::statistics::median;

/// The module that stands alone, unless the temperatures are told apart by their own limit already. `earlier`
/// is one that did so before a current hid it: heat from inside is never forgotten.
pub(crate) fn by_itself(
    readings: &[Reading],
    told: &[Finding],
    at_rest: bool,
    earlier: Option<Alone>,
) -> Option<Finding> {
    let is_told = |f: &Finding| f.root && f.class == Some(Class::TemperatureImbalance);
    if told.iter().any(is_told) {
        return None;
    }
    let sensors = readings.iter().filter(|r| r.role == Role::CellTemperature);
    let sensors = sensors.filter_map(|r| Some((r.place.module?, r.number()?)));
    let now = alone(sensors).filter(|_| at_rest);
    let last = now
        .is_none()
        .then(|| earlier.map(|earlier| earlier.last.at()));
    let (module, celsius, next) = now.or(earlier.map(|one| (one.module, one.celsius, one.next)))?;
    let unit = readings.first()?.unit;
    Some(warm(unit, Some(module), (celsius, next), last.flatten()))
}

/// What is warm by itself: a module, or the whole pack of a rack.
pub(crate) fn warm(
    unit: u8,
    module: Option<u16>,
    (celsius, next): (f64, f64),
    last: Option<std::time::Duration>,
) -> Finding {
    let fact = Measured::WarmByItself {
        module,
        celsius,
        next,
        last,
    };
    let place = Place { module, item: None };
    let class = Class::TemperatureImbalance;
    let mut found = finding(class, Severity::Alarm, unit, place, fact);
    found.lies_in = LiesIn::Module;
    found.sure = Certainty::Likely;
    found
}

/// The middle sensor of a pack that carries no current.
pub(crate) fn middle(readings: &[Reading]) -> Option<f64> {
    let sensors = readings.iter().filter(|r| r.role == Role::CellTemperature);
    median(
        sensors.filter_map(Reading::number).collect(),
        f64::total_cmp,
    )
}
