//! Which module stands alone above all others, by the middle sensor of each.
//!
//! Input: temperatures with their modules, read while no current flows. Output: the module, or what of it is
//! remembered. Does not: look at how temperatures move ([`super::heat`] does).
//!
//! # Why the middle sensor of each module
//! One sensor that lies moves it nowhere, and a warm wall, sun or the side where the air comes in warms a part
//! of every module, or one module and the next one less. What remains is a module that stands alone.

use std::collections::BTreeMap;
use std::time::Duration;

use super::stamp::Stamp;
use crate::statistics::median;

/// Modules of one stack, and packs of one rack, lie within this at rest, K.
// Kind: common practice (a few kelvin from bottom to top. Refuted by sound stacks at rest with one module
// that is further from all others for an hour)
pub(crate) const ALONE_K: f64 = 10.0;

/// A module that stood alone.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Alone {
    /// Which.
    pub(crate) module: u16,
    /// Its middle sensor, °C.
    pub(crate) celsius: f64,
    /// That of the next warmest one, °C.
    pub(crate) next: f64,
    /// When it first and last did.
    pub(crate) first: Stamp,
    pub(crate) last: Stamp,
}

/// Two samples so far apart confirm each other.
const CONFIRMS: Duration = Duration::from_secs(1);

impl Alone {
    /// Keeps the furthest, and when it last was so.
    pub(crate) fn keep(known: &mut Option<Self>, new: Self) {
        let by = |one: &Self| one.celsius - one.next;
        match known {
            Some(known) if by(known) > by(&new) => known.last = new.last,
            Some(known) => {
                *known = Self {
                    first: known.first,
                    ..new
                }
            }
            None => *known = Some(new),
        }
    }

    /// Whether it was seen twice.
    pub(crate) fn is_confirmed(&self) -> bool {
        let apart = self.last.since(self.first);
        apart.is_none_or(|apart| apart >= CONFIRMS)
    }
}

/// The module that stands alone above all others, its middle sensor and that of the next warmest one.
pub(crate) fn alone(sensors: impl IntoIterator<Item = (u16, f64)>) -> Option<(u16, f64, f64)> {
    let mut modules: BTreeMap<u16, Vec<f64>> = BTreeMap::new();
    for (module, celsius) in sensors {
        modules.entry(module).or_default().push(celsius);
    }
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
            let each = modules.iter().zip(1..);
            let sensors = each.flat_map(|(all, n)| all.iter().map(move |celsius| (n, *celsius)));
            alone(sensors).map(|(module, ..)| module)
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
