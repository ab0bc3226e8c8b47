//! A module that is warmer by itself than all others while no current flows.
//!
//! Input: readings of one member at rest. Output: at most one finding. Does not: look at how temperatures move
//! (see `evidence/heat.rs`) or at single sensors (see `plausible`).
//!
//! # Why the middle sensor of each module
//! One sensor that lies moves it nowhere, and a warm wall, sun or the side where the air comes in warms a part
//! of every module, or one module and the next one less. What remains is a module that stands alone.

use std::collections::BTreeMap;

use packside_profiles::model::{LiesIn, Severity};
use packside_profiles::{Class, Place, Role};

use super::shared::finding;
use crate::facts::fact::Measured;
use crate::facts::judgement::{Certainty, Finding, Reading};
use crate::statistics::median;

/// Modules of one stack lie within this at rest, K.
// Kind: common practice (a few kelvin from bottom to top. Refuted by sound stacks at rest with one module
// that is further from all others for an hour)
const ALONE_K: f64 = 10.0;

/// The module that stands alone, unless the temperatures are told apart by their own limit already.
pub(crate) fn by_itself(readings: &[Reading], told: &[Finding]) -> Option<Finding> {
    let is_told = |f: &Finding| f.root && f.class == Some(Class::TemperatureImbalance);
    if told.iter().any(is_told) {
        return None;
    }
    let mut modules: BTreeMap<u16, Vec<f64>> = BTreeMap::new();
    for reading in readings.iter().filter(|r| r.role == Role::CellTemperature) {
        if let (Some(module), Some(celsius)) = (reading.place.module, reading.number()) {
            modules.entry(module).or_default().push(celsius);
        }
    }
    let (module, celsius, next) = alone(modules)?;
    let fact = Measured::WarmByItself {
        module,
        celsius,
        next,
    };
    let place = Place {
        module: Some(module),
        item: None,
    };
    let unit = readings.first()?.unit;
    let class = Class::TemperatureImbalance;
    let mut found = finding(class, Severity::Alarm, unit, place, fact);
    found.lies_in = LiesIn::Module;
    found.sure = Certainty::Likely;
    Some(found)
}

/// The module that stands alone above all others, its middle sensor and that of the next warmest one.
fn alone(modules: BTreeMap<u16, Vec<f64>>) -> Option<(u16, f64, f64)> {
    let middle = |(module, all)| Some((module, median(all, f64::total_cmp)?));
    let mut middles: Vec<(u16, f64)> = modules.into_iter().filter_map(middle).collect();
    middles.sort_by(|a, b| b.1.total_cmp(&a.1));
    let [(module, celsius), (_, next), ..] = *middles.as_slice() else {
        return None;
    };
    (celsius - next >= ALONE_K).then_some((module, celsius, next))
}

#[cfg(test)]
mod tests {
    use super::*;

    // Kind: common practice
    #[test]
    fn a_module_alone_is_warm_and_a_slope_or_one_sensor_is_not() {
        let of = |modules: &[&[f64]]| {
            let each = modules.iter().zip(1..).map(|(all, n)| (n, all.to_vec()));
            alone(each.collect()).map(|(module, ..)| module)
        };
        let even: &[f64] = &[21.0, 21.3, 21.6, 21.9];
        assert_eq!(of(&[even, &[33.0; 4], even]), Some(2));
        assert_eq!(
            of(&[even, &[21.0, 40.0, 21.3, 21.6], even]),
            None,
            "one sensor"
        );
        assert_eq!(
            of(&[even, &[33.0, 33.0, 33.0, 20.0], even]),
            Some(2),
            "one that lies"
        );
        assert_eq!(
            of(&[&[32.0; 4], &[27.0; 4], &[22.0; 4]]),
            None,
            "sun on one end"
        );
        assert_eq!(of(&[&[33.0; 4]]), None, "nothing to compare with");
    }
}
