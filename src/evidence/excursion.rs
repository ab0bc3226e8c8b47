//! Numbers that were beyond an alarm limit of the map, remembered after they came back.
//!
//! A cell out of its limits for ten seconds is gone from the newest reading and not from the world. How
//! long it stays remembered [`super::spell`] says.
//!
//! Input: one number after the other of one instance. Output: an [`Excursion`] that is open or not.
//!
//! Does not: say what follows from it.

use packside_profiles::Role;
use packside_profiles::model::{CellLimits, Point};

use super::spell::Spell;
use super::stamp::Stamp;

/// Heat so far over its limit is never forgotten, K.
// Kind: common practice
const HEAT_K: f64 = 5.0;

/// One number beyond its limit, or several with good ones between.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Excursion {
    /// The furthest number.
    pub(crate) worst: f64,
    /// The limit.
    pub(crate) limit: f64,
    /// It was above the limit, below it otherwise.
    pub(crate) above: bool,
    /// When, how often, and for how long it is to be reckoned with.
    pub(crate) spell: Spell,
}

impl Excursion {
    /// Takes the next number of an instance, where its point has limits.
    pub(crate) fn take(
        known: &mut Option<Box<Self>>,
        at: Stamp,
        number: f64,
        point: &Point,
        cell: Option<&CellLimits>,
    ) {
        let above = point.limits.alarm_above.filter(|limit| number > *limit);
        let below = point.limits.alarm_below.filter(|limit| number < *limit);
        match (above.or(below), known) {
            (Some(limit), known @ None) => {
                let mut new = Self {
                    worst: number,
                    limit,
                    above: above.is_some(),
                    spell: Spell::begin(at),
                };
                new.note(number, point, cell);
                *known = Some(Box::new(new));
            }
            (Some(_), Some(known)) => {
                known.spell.goes_on(at);
                known.note(number, point, cell);
            }
            (None, Some(known)) if known.is_back(number, point) => known.spell.good(at),
            (None, _) => {}
        }
    }

    /// Whether it is back and still to be reckoned with. What is beyond now is no memory.
    pub(crate) fn is_open(&self, now: Stamp) -> bool {
        self.spell.is_open(now)
    }

    fn note(&mut self, number: f64, point: &Point, cell: Option<&CellLimits>) {
        self.worst = if self.above {
            self.worst.max(number)
        } else {
            self.worst.min(number)
        };
        let stays = match point.role {
            Role::Insulation => true,
            Role::CellVoltage | Role::CellVoltageMin => {
                cell.is_some_and(|cell| number < cell.never_charge_below)
            }
            Role::CellTemperature | Role::CellTemperatureMax => {
                self.above && number > self.limit + HEAT_K
            }
            _ => false,
        };
        if stays {
            self.spell.stay();
        }
    }

    /// Whether a number is so far inside that it did not only dither at the limit.
    fn is_back(&self, number: f64, point: &Point) -> bool {
        let margin = match point.role {
            Role::CellVoltage | Role::CellVoltageMax | Role::CellVoltageMin => 0.02,
            Role::CellTemperature | Role::CellTemperatureMax | Role::CellTemperatureMin => 2.0,
            Role::Insulation => 0.1 * self.limit.abs(),
            Role::Soc => 1.0,
            _ => 0.05 * self.limit.abs(),
        };
        let margin = margin.max(3.0 * point.scale.value().abs());
        if self.above {
            number <= self.limit - margin
        } else {
            number >= self.limit + margin
        }
    }
}

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use packside_profiles::Profile;

    use super::*;

    fn profile() -> Profile {
        let (id, text) = packside_profiles::shipped()[0];
        packside_profiles::load(text, id).expect("shipped")
    }

    fn at(seconds: u64) -> Stamp {
        Stamp {
            session: 0,
            at: Duration::from_secs(seconds),
        }
    }

    /// What is open at the end of a run of cell voltages, one a second.
    fn open_after(volts: impl IntoIterator<Item = f64>) -> bool {
        let profile = profile();
        let point = profile
            .points
            .iter()
            .find(|p| p.role == Role::CellVoltage)
            .expect("cells");
        let (mut known, mut now) = (None, at(0));
        for (second, volts) in (0..).zip(volts) {
            now = at(second);
            Excursion::take(&mut known, now, volts, point, profile.cell.as_ref());
        }
        known.is_some_and(|known| known.is_open(now))
    }

    fn run(parts: &[(f64, usize)]) -> Vec<f64> {
        parts
            .iter()
            .flat_map(|(volts, times)| vec![*volts; *times])
            .collect()
    }

    // Kind: common practice
    #[test]
    fn one_odd_sample_is_forgotten_after_ten_good_ones_and_ten_seconds_out_are_not() {
        assert!(open_after(run(&[(3.3, 5), (3.72, 1), (3.3, 5)])));
        assert!(!open_after(run(&[(3.3, 5), (3.72, 1), (3.3, 12)])));
        assert!(open_after(run(&[(3.3, 5), (3.72, 10), (3.3, 90)])));
        assert!(!open_after(run(&[(3.3, 5), (3.72, 10), (3.3, 130)])));
    }

    #[test]
    fn a_second_time_and_a_cell_below_its_minimum_stay() {
        assert!(open_after(run(&[
            (3.72, 3),
            (3.3, 20),
            (3.72, 1),
            (3.3, 4000)
        ])));
        assert!(open_after(run(&[(1.9, 2), (3.3, 4000)])));
        assert!(!open_after(run(&[(3.3, 50)])));
    }

    #[test]
    fn what_dithers_at_its_limit_is_one_excursion() {
        let dithers = (0..40).map(|n| if n % 2 == 0 { 3.652 } else { 3.645 });
        let all: Vec<f64> = dithers.chain(run(&[(3.3, 500)])).collect();
        assert!(!open_after(all));
    }
}
